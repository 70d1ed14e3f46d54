"""The site's own certificate and key. They are read again when they change.

If the new pair cannot be used, the one before stays in use.
"""

from __future__ import annotations

import re
import ssl
import stat
from datetime import UTC, datetime
from pathlib import Path

from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.time_units import DAY_S

WARN_S = 14 * DAY_S
"""A certificate that ends sooner than this is a trouble."""
UTC_TIME = 0x17
VERSION = 0xA0
_PEM = re.compile(r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----", re.DOTALL)


class Certificate:
    """A certificate chain with its key, and the TLS context that uses them. OSError, ValueError where they cannot be
    used."""

    def __init__(self, certificate: Path, key: Path) -> None:
        self.paths = certificate, key
        self.refused = ""
        self._read()
        self.context = self._latest
        self.context.sni_callback = self._show_latest  # called for clients that name no host, too

    def look(self) -> bool:
        """Read a changed pair; whether a new one is in use. `refused` says why a changed pair is not used."""
        if self._stamp() == self.stamp:
            self.refused = ""  # the pair in use is back
            return False
        try:
            self._read()
        except (OSError, ValueError) as error:
            self.refused = str(error)
            return False
        self.refused = ""
        return True

    def warning(self, now_s: float) -> str:
        """What is wrong: files that were refused, an end near or past, a key that everybody can read."""
        name = self.paths[0].name
        if self.refused:
            return f"{self.refused}; the one before stays in use"
        left_s = self.ends_s - now_s
        ends = f"{datetime.fromtimestamp(self.ends_s, UTC):%Y-%m-%d %H:%M} UTC"
        found = []
        if left_s <= 0:
            found.append(f"{name} has expired ({ends}): phones refuse the page or warn of it")
        elif left_s < WARN_S:
            found.append(f"{name} expires in {left_s / DAY_S:.0f} days ({ends})")
        key = self.paths[1]
        if key.exists() and key.stat().st_mode & stat.S_IROTH:
            found.append(f"everybody on this machine can read {key.name}; chmod o= {key}")
        return "; ".join(found)

    def _stamp(self) -> object:
        return tuple(map(file_stamp, self.paths))

    def _read(self) -> None:
        certificate, key = self.paths
        stamp, fresh = self._stamp(), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        try:
            fresh.load_cert_chain(certificate, key, password=_refuse_passphrase)
            found = _PEM.search(certificate.read_text(encoding="ascii", errors="replace"))
            if found is None or self._stamp() != stamp:
                raise ValueError("they are being written")
        except (OSError, ValueError) as error:  # an ssl.SSLError is an OSError
            why = getattr(error, "strerror", None) or str(error)
            raise ValueError(f"{certificate.name} and {key.name} cannot be used: {why}") from None
        self._latest, self.stamp, self.own = fresh, stamp, found[0]
        self.ends_s = not_after_s(ssl.PEM_cert_to_DER_cert(found[0]))

    def _show_latest(self, connection: ssl.SSLObject | ssl.SSLSocket, *_: object) -> None:
        connection.context = self._latest


def _refuse_passphrase() -> str:
    """Without this, OpenSSL asks for the passphrase on the terminal, and the show waits."""
    raise ValueError("the key has a passphrase")


def not_after_s(der: bytes) -> int:
    """When a certificate ends, Unix time: notAfter of its validity (RFC 5280 4.1.2.5), in DER (X.690 8.1)."""
    certificate = _parts(_parts(der)[0][1])
    signed = _parts(certificate[0][1])
    validity = signed[4 if signed[0][0] == VERSION else 3]
    kind, value = _parts(validity[1])[1]
    text = value.decode("ascii")
    if kind == UTC_TIME:
        text = ("19" if text >= "50" else "20") + text
    return int(datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC).timestamp())


def _parts(value: bytes) -> list[tuple[int, bytes]]:
    """The tags and contents of the parts of a constructed value."""
    parts, at = [], 0
    while at < len(value):
        tag, length = value[at], value[at + 1]
        at += 2
        if length & 0x80:
            more = length & 0x7F
            length = int.from_bytes(value[at : at + more], "big")
            at += more
        parts.append((tag, value[at : at + length]))
        at += length
    return parts
