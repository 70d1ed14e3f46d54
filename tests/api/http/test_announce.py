"""The announcement, asked for as a phone does (RFC 6762, RFC 1035), on loopback."""

from __future__ import annotations

import asyncio
import socket
import struct
import subprocess
from typing import Any

import pytest
from zeroconf.asyncio import AsyncZeroconf

from gloaming.api.http.addresses import lan_addresses, page_addresses
from gloaming.api.http.announce import announce
from tests.api.house import run
from tests.namespaces import inside, namespaces
from tests.tools import needs

GROUP, PORT = "224.0.0.251", 5353
A, PTR = 1, 12


def question(name: str, kind: int) -> bytes:
    """RFC 1035 4.1: a header with one question, its name in labels; RFC 6762 5.4: answered to the asker alone."""
    labels = b"".join(bytes([len(label)]) + label.encode() for label in name.split("."))
    return struct.pack(">6H", 0, 0, 1, 0, 0, 0) + labels + b"\0" + struct.pack(">2H", kind, 0x8001)


async def ask(name: str, kind: int) -> bytes:
    """The first answer that names what was asked for."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(1)
        for _ in range(60):
            sock.sendto(question(name, kind), (GROUP, PORT))
            try:
                answer = await asyncio.to_thread(sock.recv, 9000)
            except TimeoutError:
                continue
            if answer[2] & 0x80:
                return answer
    raise AssertionError(f"nobody answers for {name}")


def test_the_board_is_found_as_gloaming_local_and_as_a_page_under_its_name() -> None:
    async def work() -> None:
        work = announce("Pier Road boathouse", "127.0.0.1", 8123, interfaces=["127.0.0.1"])
        task = asyncio.create_task(work)
        try:
            address = await ask("gloaming.local", A)
            assert socket.inet_aton("127.0.0.1") in address
            page = await ask("_http._tcp.local", PTR)
            assert b"Gloaming at Pier Road boathouse" in page
            assert struct.pack(">H", 8123) in page
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    run(work())


@needs("ip", "root")
def test_an_address_that_goes_away_leaves_no_python_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    """The announcement is withdrawn at a socket whose address and route have gone."""

    async def work(board: str) -> None:
        task = asyncio.create_task(announce("Pier Road boathouse", "192.0.2.10", 8123, interfaces=["192.0.2.10"]))
        await asyncio.sleep(2)
        subprocess.run(["ip", "-n", board, "address", "flush", "dev", "eth0"], check=True)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    with namespaces("board") as (board,):
        for line in ("link add eth0 type bridge", "address add 192.0.2.10/24 dev eth0", "link set eth0 up"):
            subprocess.run(["ip", "-n", board, *line.split()], check=True)
        with inside(board):
            run(work(board))
    assert not caplog.records


def answer(number: int) -> bytes:
    """RFC 1035 4.1: an answer that nobody asked for, a TXT record of a kilobyte with a name of its own, for an hour."""
    name = b"".join(bytes([len(label)]) + label for label in (b"lantern-%d" % number, b"local")) + b"\0"
    data = bytes([200]) + b"x" * 200
    return struct.pack(">6H", 0, 0x8400, 0, 1, 0, 0) + name + struct.pack(">2HIH", 16, 1, 3600, 5 * 201) + data * 5


def test_answers_of_other_machines_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood of them, as fast as this process can send; what is kept is a second's."""
    made: list[AsyncZeroconf] = []

    def remembered(**choice: Any) -> AsyncZeroconf:
        made.append(AsyncZeroconf(**choice))
        return made[-1]

    monkeypatch.setattr("gloaming.api.http.announce.AsyncZeroconf", remembered)

    async def work() -> None:
        task = asyncio.create_task(announce("Pier Road boathouse", "127.0.0.1", 8123, interfaces=["127.0.0.1"]))
        try:
            await ask("gloaming.local", A)
            cache = made[0].zeroconf.cache
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
                most = 0
                for number in range(6000):
                    sock.sendto(answer(number), (GROUP, PORT))
                    if number % 5 == 0:
                        await asyncio.sleep(0)
                        most = max(most, len(cache.names()))
            assert most > 100, "they have arrived"
            for _ in range(100):
                await asyncio.sleep(0.1)
                if len(cache.names()) < 100:
                    break
            assert len(cache.names()) < 100
            assert socket.inet_aton("127.0.0.1") in await ask("gloaming.local", A)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    run(work())


def test_a_board_that_listens_on_loopback_alone_has_nothing_to_announce() -> None:
    assert lan_addresses("127.0.0.1") == lan_addresses("::1") == []
    assert page_addresses("127.0.0.1", 8080, secure=False, announced=False) == ["http://127.0.0.1:8080"]


def test_a_link_names_the_board_and_leaves_out_the_usual_port() -> None:
    assert page_addresses("192.0.2.4", 8080, secure=False, announced=True) == [
        "http://gloaming.local:8080",
        "http://192.0.2.4:8080",
    ]
    assert page_addresses("192.0.2.4", 443, secure=True, announced=False) == ["https://192.0.2.4"]
    assert page_addresses("2001:db8::4", 80, secure=False, announced=False) == ["http://[2001:db8::4]"]
