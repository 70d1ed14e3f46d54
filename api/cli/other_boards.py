"""The pages of other boards: requests to them, their certificates, and the tokens by which this user is signed in.

A board may have made its certificate itself. The first one that is seen is remembered, with the token, in a file that
only its owner can read.
"""

from __future__ import annotations

import base64
import json
import os
import ssl
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from hashlib import sha256
from http.client import HTTPConnection, HTTPException, HTTPMessage, HTTPSConnection
from pathlib import Path
from typing import Any, BinaryIO, TypeVar
from urllib.parse import urlsplit

from pydantic import TypeAdapter, ValidationError

from gloaming.api.cli.http_call import TIMEOUT_S
from gloaming.daemon.planner.uploads import BLOCK_BYTES
from gloaming.daemon.service.private_file import write_private

RETRY_S, TRIES = 1.0, 5
"""So often in a row a board may not answer before it is away."""
TUS = {"Tus-Resumable": "1.0.0"}
C = TypeVar("C", bound=HTTPConnection)
_KNOWN = TypeAdapter(dict[str, dict[str, str]])


class BoardError(Exception):
    """Why a board cannot do its part, in one line."""


class AwayError(BoardError):
    """A board does not answer."""


def config_folder() -> Path:
    """Where this user's own settings are (XDG Base Directory Specification, XDG_CONFIG_HOME)."""
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "gloaming"


class KnownBoards:
    """The certificate and the token of each board, by its address, in a file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._known: dict[str, dict[str, str]] = {}
        try:
            self._known = _KNOWN.validate_json(path.read_bytes())
        except FileNotFoundError:  # there is none yet
            pass
        except ValidationError:
            raise OSError(None, "it is damaged; delete it, and sign in to each board again", str(path)) from None

    def of(self, address: str, key: str) -> str | None:
        return self._known.get(address, {}).get(key)

    def keep(self, address: str, key: str, value: str | None) -> None:
        """Remember a value; None: forget it. OSError."""
        known = {**self._known.get(address, {}), key: value}
        self._known[address] = {name: each for name, each in known.items() if each is not None}
        self._path.parent.mkdir(0o700, parents=True, exist_ok=True)
        write_private(self._path, json.dumps(self._known, indent=2))


class OtherBoard:
    """A board at an address. `say` prints a line about it. The methods raise BoardError; OSError of this machine's own
    files."""

    def __init__(self, name: str, address: str, known: KnownBoards, say: Callable[[str], None]) -> None:
        self.name, self.address = name, address.rstrip("/")
        self._known, self._say, self._url = known, say, urlsplit(self.address)

    def ask(
        self, method: str, path: str, body: object = None, tries: int = TRIES, timeout_s: float = TIMEOUT_S
    ) -> tuple[int, Any]:
        """A request: the status and the answer. AwayError where there was none so many times."""
        data = b"" if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json", "Content-Length": str(len(data))}
        for left in reversed(range(tries)):
            try:
                status, _, content = self._exchange(method, path, headers, (data,), timeout_s)
            except AwayError:
                if not left:
                    raise
            else:
                if status != 429 or not left:
                    return status, self._read(status, content)
            time.sleep(RETRY_S)
        raise AssertionError("the last try returns or raises")

    def sign_in(self, passcode: str, device: str) -> None:
        """Sign in as an owner, and remember the token."""
        status, found = self.ask("POST", "/api/sign-in", {"passcode": passcode, "device": device})
        if status != 200:
            raise BoardError(found["detail"])
        self._known.keep(self.address, "token", found["token"])

    @property
    def signed_in(self) -> bool:
        """Whether there is a token."""
        return self._known.of(self.address, "token") is not None

    def send(self, at: str, file: Path, offset: int, stopped: Callable[[], bool], sent: Callable[[int], None]) -> None:
        """Send the rest of a file, from an offset on, to an upload (tus 1.0.0, PATCH). After a cut it goes on where the
        board is (HEAD). `sent` takes how many more bytes are there. It ends early once `stopped` is true."""
        length, failed = file.stat().st_size, 0
        with file.open("rb") as content:
            while offset < length and not stopped():
                headers = {**TUS, "Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)}
                headers["Content-Length"] = str(length - offset)
                content.seek(offset)
                try:
                    status, _, answer = self._exchange("PATCH", at, headers, _blocks(content, length - offset, stopped))
                    if status not in (204, 408, 409, 423):  # 408: it had stalled; 409, 423: the cut is not known yet
                        raise BoardError(self._read(status, answer)["detail"])
                    failed = 0 if status == 204 else failed + 1
                except AwayError:
                    failed += 1
                if stopped():
                    return
                if failed:
                    time.sleep(RETRY_S)
                there = self._offset(at)
                failed = 0 if there > offset else failed
                if failed >= TRIES:
                    raise AwayError(f"{file.name} does not arrive: the connection breaks again and again")
                sent(there - offset)
                offset = there

    def begin_upload(self, path: str, name: str, length: int) -> str:
        """Begin an upload (tus 1.0.0, Creation); its path."""
        metadata = f"filename {base64.b64encode(name.encode()).decode()}"
        headers = {**TUS, "Content-Length": "0", "Upload-Length": str(length), "Upload-Metadata": metadata}
        status, found, content = self._exchange("POST", path, headers, ())
        if status != 201:
            raise BoardError(self._read(status, content)["detail"])
        return str(found["Location"])

    def _offset(self, at: str) -> int:
        for left in reversed(range(TRIES)):
            try:
                status, found, _ = self._exchange("HEAD", at, TUS, ())
                break
            except AwayError:
                if not left:
                    raise
                time.sleep(RETRY_S)
        if status != 200:
            raise BoardError("the upload is not known there any more: push again")
        return int(found["Upload-Offset"])

    def _exchange(
        self, method: str, path: str, headers: Mapping[str, str], body: Iterable[bytes], timeout_s: float = TIMEOUT_S
    ) -> tuple[int, HTTPMessage, bytes]:
        """One request on a connection of its own. It uses no proxy and follows no redirect: neither may get the
        token."""
        token = self._known.of(self.address, "token")
        connection = self._connect(timeout_s)
        with self._reached(connection):
            try:
                connection.putrequest(method, f"{self._url.path}{path}", skip_accept_encoding=True)
                for name, value in {**headers, **({"Authorization": f"Bearer {token}"} if token else {})}.items():
                    connection.putheader(name, value)
                connection.endheaders()
                for block in body:
                    connection.send(block)
                answer = connection.getresponse()
                return answer.status, answer.headers, answer.read()
            finally:
                connection.close()

    def _connect(self, timeout_s: float) -> HTTPConnection:
        """A connection to the board that was there before."""
        host, port = self._url.hostname or "", self._url.port
        if self._url.scheme == "http":
            return self._opened(HTTPConnection(host, port, timeout=timeout_s))
        remembered = self._known.of(self.address, "certificate")
        if remembered is None:
            secure = HTTPSConnection(host, port, timeout=timeout_s, context=ssl.create_default_context())
            with suppress(ssl.SSLCertVerificationError):
                return self._opened(secure)  # an authority that this machine trusts has signed its certificate
        unverified = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        unverified.check_hostname, unverified.verify_mode = False, ssl.CERT_NONE
        secure = HTTPSConnection(host, port, timeout=timeout_s, context=unverified)
        self._opened(secure)
        shown = _fingerprint(secure.sock.getpeercert(True) or b"")
        if remembered is None:
            self._say("no authority has signed its certificate. From now on only this one is right:")
            self._say(f"  SHA-256 {shown}")
            self._known.keep(self.address, "certificate", shown)
        elif remembered != shown:
            secure.close()
            problem = f"its certificate is another one than before: somebody may stand between. SHA-256 {shown}"
            raise BoardError(f"{problem}. If you have replaced it: gloaming site push --new-certificate {self.name}")
        return secure

    def _opened(self, connection: C) -> C:
        """The connection, opened. SSLCertVerificationError."""
        with self._reached(connection):
            connection.connect()
        return connection

    @contextmanager
    def _reached(self, connection: HTTPConnection) -> Iterator[None]:
        try:
            yield
        except ssl.SSLCertVerificationError:
            raise
        except (OSError, HTTPException) as error:
            connection.close()
            late = "it takes too long" if isinstance(error, TimeoutError) else None
            reason = late or getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise AwayError(f"Gloaming does not answer at {self.address} ({reason})") from None

    def forget_certificate(self) -> None:
        """Take the next certificate as the first one."""
        self._known.keep(self.address, "certificate", None)

    def _read(self, status: int, content: bytes) -> Any:
        """The answer of Gloaming, or its problem (RFC 9457)."""
        with suppress(ValueError):
            found = json.loads(content)
            if isinstance(found, dict) and (status < 400 or "detail" in found):
                return found
        raise BoardError(f"something else than Gloaming answers at {self.address} ({status})")


def _blocks(content: BinaryIO, length: int, stopped: Callable[[], bool]) -> Iterator[bytes]:
    """The next bytes of a file. BoardError where it has fewer; AwayError once `stopped` is true, to end the request."""
    while length:
        if stopped():
            raise AwayError("the push has ended")
        block = content.read(min(BLOCK_BYTES, length))
        if not block:
            raise BoardError(f"{Path(content.name).name} has become shorter while it was pushed: push again")
        yield block
        length -= len(block)


def _fingerprint(certificate: bytes) -> str:
    """The SHA-256 of a certificate (in DER), as openssl writes it."""
    return ":".join(f"{byte:02X}" for byte in sha256(certificate).digest())
