"""Certificates for tests, made by openssl."""

from __future__ import annotations

import subprocess
from pathlib import Path

REQUEST = ["openssl", "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]


def make_certificate(folder: Path, at: str = "", days: int = 400, host: str = "") -> None:
    """`board.pem` and `board.key`, made by openssl: from now, or from a date on (by the Debian package faketime).
    `host` is an IP address; without it, they are for boathouse.example."""
    begins = ["faketime", at] if at else []
    alternative = f"IP:{host}" if host else "DNS:boathouse.example"
    name = ["-subj", "/CN=boathouse.example", "-addext", f"subjectAltName={alternative}"]
    fresh = [folder / "fresh.key", folder / "fresh.pem"]
    files = ["-days", str(days), "-keyout", str(fresh[0]), "-out", str(fresh[1])]
    subprocess.run([*begins, *REQUEST, "-x509", *name, *files], check=True, capture_output=True)
    for path in fresh:
        path.rename(path.with_stem("board"))


def make_authority(folder: Path) -> Path:
    """`ca.pem` and `ca.key` of an authority, in a new folder. The folder."""
    folder.mkdir()
    files = ["-keyout", str(folder / "ca.key"), "-out", str(folder / "ca.pem")]
    subject = ["-days", "400", "-subj", f"/CN=authority {folder.name}"]
    subprocess.run([*REQUEST, "-x509", *subject, *files], check=True, capture_output=True)
    return folder


def make_signed(authority: Path, folder: Path, host: str) -> None:
    """`board.pem` and `board.key` in a folder, signed by an authority, for an IP address."""
    files = ["-keyout", str(folder / "board.key"), "-out", str(folder / "board.csr")]
    subprocess.run([*REQUEST, "-subj", "/CN=broker", *files], check=True, capture_output=True)
    (folder / "names").write_text(f"subjectAltName = IP:{host}\n")
    by = ["-CA", str(authority / "ca.pem"), "-CAkey", str(authority / "ca.key"), "-CAcreateserial"]
    names = ["-days", "400", "-extfile", str(folder / "names"), "-out", str(folder / "board.pem")]
    request = ["openssl", "x509", "-req", "-in", str(folder / "board.csr")]
    subprocess.run([*request, *by, *names], check=True, capture_output=True)
