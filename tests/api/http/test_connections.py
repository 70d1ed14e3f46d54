"""A running planner at its own port: slow, silent, huge and malformed requests, TLS."""

from __future__ import annotations

import http.client
import json
import os
import resource
import signal
import socket
import ssl
import time
import urllib.error
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.http.connections import ConnectionLimit
from gloaming.api.http.server import CONNECTIONS_MAX
from tests.api.daemon import Daemon, may_open
from tests.api.evening import _processes as processes
from tests.api.evening import gloaming
from tests.api.http.certificates import make_certificate
from tests.tools import needs


def said(sock: socket.socket) -> bytes:
    """All that comes until the other side closes."""
    sock.settimeout(60)
    data = b""
    while True:
        try:
            more = sock.recv(65_536)
        except ConnectionResetError:
            return data
        if not more:
            return data
        data += more


def test_a_phone_connects_past_a_thousand_half_open_connections(daemon: Daemon) -> None:
    with ExitStack() as stack:
        for number in range(1000):
            sock = stack.enter_context(socket.create_connection(daemon.address, timeout=20))
            if number % 2:
                sock.sendall(b"GET /api/now HTTP/1.1\r\nHost: ")
        assert daemon.now()["state"] == "playing"
    assert daemon.now()["state"] == "playing"


def test_a_phone_connects_past_many_connections_at_once(daemon: Daemon) -> None:
    """More connections at once than a process may have open files: they are accepted one after the other."""
    planner = next(pid for pid, line in processes() if "gloaming.api.serve" in line and str(daemon.state) in line)
    before, told = resource.getrlimit(resource.RLIMIT_NOFILE)[0], daemon.log.stat().st_size
    may_open(2048)
    try:
        with ExitStack() as stack:
            os.kill(planner, signal.SIGSTOP)
            try:
                for _ in range(1500):
                    sock = stack.enter_context(socket.socket())
                    sock.setblocking(False)
                    sock.connect_ex(daemon.address)
            finally:
                os.kill(planner, signal.SIGCONT)
            phone = http.client.HTTPConnection(*daemon.address, timeout=60, source_address=("127.0.79.50", 0))
            phone.request("GET", "/healthz")
            assert phone.getresponse().status == 200
            phone.close()
    finally:
        may_open(before)
    assert daemon.log.stat().st_size == told


def test_a_request_that_never_ends_is_ended(daemon: Daemon) -> None:
    """A head that is never finished, and a body of which a byte comes now and then. Both have an address of their own.
    Of one address, those that are silent make room for others, and some of the tests before come late."""
    host = f"{daemon.address[0]}:{daemon.address[1]}".encode()
    own = ("127.0.79.52", 0)
    with (
        socket.create_connection(daemon.address, source_address=own) as head,
        socket.create_connection(daemon.address, source_address=own) as body,
    ):
        head.sendall(b"GET /api/now HTTP/1.1\r\nHost: " + host + b"\r\nX-Slow: ")
        length = b"\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"
        body.sendall(b"POST /api/sign-in HTTP/1.1\r\nHost: " + host + length)
        began_s = time.monotonic()
        body.settimeout(1)
        answer = b""
        while b"\r\n\r\n" not in answer and time.monotonic() - began_s < 60:
            try:
                answer += body.recv(4096)
            except TimeoutError:
                body.sendall(b" ")
        assert answer.startswith(b"HTTP/1.1 408")
        assert b"application/problem+json" in answer
        assert said(head) == b""


def test_a_phone_connects_past_requests_whose_bodies_never_come(daemon: Daemon) -> None:
    """From three addresses, and more of them than the server has places in all (CONNECTIONS_MAX)."""
    never = b"POST /api/sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n"
    with ExitStack() as stack:
        for number in range(CONNECTIONS_MAX + 50):
            source = (f"127.0.79.{60 + number % 3}", 0)
            sock = stack.enter_context(socket.create_connection(daemon.address, 20, source))
            sock.sendall(never)
        answers = []
        for _ in range(20):
            phone = http.client.HTTPConnection(*daemon.address, timeout=20, source_address=("127.0.79.51", 0))
            phone.request("GET", "/healthz")
            answers.append(phone.getresponse().status)
            phone.close()
    assert answers == [200] * 20


def test_fifty_megabytes_of_json_are_refused_and_not_stored(daemon: Daemon) -> None:
    headers = {"Authorization": f"Bearer {daemon.token}", "Content-Type": "application/json"}
    huge = b'{"kind": "' + b"a" * 50_000_000 + b'"}'
    request = urllib.request.Request(f"{daemon.url}/api/overrides", huge, headers, method="POST")
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(request, timeout=60)
    assert refused.value.code == 413
    assert json.load(refused.value)["status"] == 413
    with socket.create_connection(daemon.address) as sock:  # without saying how long it is
        host = f"{daemon.address[0]}:{daemon.address[1]}".encode()
        sock.sendall(b"POST /api/sign-in HTTP/1.1\r\nHost: " + host + b"\r\nTransfer-Encoding: chunked\r\n\r\n")
        for _ in range(20):
            sock.sendall(b"2000\r\n" + b"a" * 0x2000 + b"\r\n")
        sock.sendall(b"0\r\n\r\n")
        assert said(sock).startswith(b"HTTP/1.1 413")


@pytest.mark.parametrize(
    "request_line",
    [
        b"GET /api/now HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: elsewhere.example\r\n\r\n",
        b"GET /api/now HTTP/1.1\r\n\r\n",
        b"GET /api/now HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\x00b\r\n\r\n",
        b"GET /" + b"a" * 40_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /api/now HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET http://elsewhere.example/api/now HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
    ],
    ids=["two hosts", "no host", "a null", "a long path", "two lengths", "TLS on a plain port", "a proxy request"],
)
def test_what_is_not_a_proper_request_is_refused(request_line: bytes, daemon: Daemon) -> None:
    with socket.create_connection(daemon.address) as sock:
        sock.sendall(request_line)
        sock.shutdown(socket.SHUT_WR)
        answer = said(sock)
        assert not answer or answer.split()[1] in (b"400", b"401", b"403", b"404", b"413", b"421"), answer[:200]
    assert daemon.now()["state"] == "playing"


def request(daemon: Daemon, body: bytes, length: int | None = None) -> bytes:
    """A request for an override, as bytes; it may say that it is longer than it is."""
    head = f"POST /api/overrides HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {daemon.token}\r\n"
    head += f"Content-Type: application/json\r\nContent-Length: {length or len(body)}\r\n\r\n"
    return head.encode() + body


def test_a_half_closed_connection_is_answered_and_a_request_that_was_cut_off_has_no_effect(daemon: Daemon) -> None:
    """A client may end its own side of the connection and go on listening (RFC 9293 3.6, half-closed)."""
    with socket.create_connection(daemon.address) as sock:
        sock.sendall(request(daemon, b'{"kind": "mute", "minutes": 10}'))
        sock.shutdown(socket.SHUT_WR)
        head, _, answer = said(sock).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 201")
    assert gloaming("now", daemon.site).stdout.count(f"mute {json.loads(answer)['id']} by") == 1
    with socket.create_connection(daemon.address) as sock:
        sock.sendall(request(daemon, b'{"kind": "dark"}', 20))  # RFC 9112 8: this message is not complete
        sock.shutdown(socket.SHUT_WR)
        assert said(sock) == b""
    assert [each["kind"] for each in daemon.now()["overrides"]] == ["mute"]


def test_nobody_outside_can_fill_the_log(daemon: Daemon) -> None:
    before = daemon.log.stat().st_size
    chunked = b"POST /api/now HTTP/1.1\r\nHost: elsewhere.example\r\nTransfer-Encoding: chunked\r\n\r\n"
    for _ in range(20):  # answered while it is still sent, and then no more what it said it would be
        with socket.create_connection(daemon.address) as sock:
            sock.sendall(chunked)
            assert sock.recv(12) == b"HTTP/1.1 421"
            sock.sendall(b"zz\r\n")
            said(sock)
    for _ in range(200):
        with socket.create_connection(daemon.address) as sock:
            sock.sendall(b"\x16\x03\x01\x02\x00\r\n\r\n")
            said(sock)
    upgrade = b"Connection: Upgrade\r\nUpgrade: websocket\r\n"
    for _ in range(50):
        with socket.create_connection(daemon.address) as sock:
            sock.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + upgrade + b"\r\n")
            sock.shutdown(socket.SHUT_WR)
            said(sock)
    assert daemon.log.stat().st_size - before < 2000


def test_the_oldest_silent_connection_is_closed_first() -> None:
    class Silent:
        def __init__(self, address: str) -> None:
            self.client, self.transport, self.closed = (address, 1), self, False

        def abort(self) -> None:
            self.closed = True

    limit = ConnectionLimit(most=4, of_one=2)
    ones: list[Any] = [Silent(address) for address in ("a", "a", "a", "b", "c", "d")]
    for one in ones:
        limit.add(one)
    assert [one.closed for one in ones] == [True, True, False, False, False, False]
    limit.remove(ones[2])
    limit.add(ones[0])
    assert len(limit.silent) == 4


@needs("curl", "openssl")
def test_a_site_with_a_certificate_uses_only_tls_and_its_commands_trust_it(tmp_path: Path) -> None:
    """The certificate is made by `openssl`; curl's and Python's TLS are not ours."""
    folder = tmp_path / "site"
    folder.mkdir()
    make_certificate(folder)
    before = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    daemon = Daemon(tmp_path, files=512, phone='certificate = "board.pem"\nkey = "board.key"')
    try:
        assert daemon.url.startswith("https://")
        trust = ssl.create_default_context(cafile=str(folder / "board.pem"))
        plain = socket.create_connection(daemon.address)
        with trust.wrap_socket(plain, server_hostname="boathouse.example") as sock:
            sock.sendall(b"GET /healthz HTTP/1.1\r\nHost: boathouse.example\r\nConnection: close\r\n\r\n")
            assert said(sock).startswith(b"HTTP/1.1 200")
        with socket.create_connection(daemon.address) as plain:
            plain.sendall(b"GET /healthz HTTP/1.1\r\nHost: boathouse.example\r\n\r\n")
            plain.shutdown(socket.SHUT_WR)
            assert b"200" not in said(plain)[:20]
        may_open(2048)
        with ExitStack() as stack:
            for number in range(600):
                sock = stack.enter_context(socket.create_connection(daemon.address, timeout=20))
                if number % 2:
                    sock.sendall(b"\x16\x03\x01\x02\x00")
            assert gloaming("now", daemon.site).returncode == 0
        now = gloaming("now", "--json", daemon.site)
        assert now.returncode == 0, now.stderr
        assert json.loads(now.stdout)["state"] == "playing"
    finally:
        may_open(before)
        daemon.stop()
