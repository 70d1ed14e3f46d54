"""Certificates for tests, made by openssl."""

from __future__ import annotations

import subprocess
from pathlib import Path


def make_certificate(folder: Path, at: str = "", days: int = 400, host: str = "") -> None:
    """`board.pem` and `board.key`, made by openssl: from now, or from a date on (by the Debian package faketime).
    `host` is an IP address; without it, they are for boathouse.example."""
    begins = ["faketime", at] if at else []
    make = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    alternative = f"IP:{host}" if host else "DNS:boathouse.example"
    name = ["-subj", "/CN=boathouse.example", "-addext", f"subjectAltName={alternative}"]
    fresh = [folder / "fresh.key", folder / "fresh.pem"]
    files = ["-days", str(days), "-keyout", str(fresh[0]), "-out", str(fresh[1])]
    subprocess.run([*begins, *make, *name, *files], check=True, capture_output=True)
    for path in fresh:
        path.rename(path.with_stem("board"))
