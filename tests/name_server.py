"""A name server by UDP (RFC 1035 4.1) for a network namespace. Its addresses change, and it may fall silent."""

from __future__ import annotations

import select
import shutil
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from ipaddress import ip_address
from pathlib import Path

from tests.namespaces import in_namespace

A, AAAA, NO_SUCH_NAME = 1, 28, 3


class NameServer:
    """Answers from `addresses`; not at all while it is `silent`. `asked` has the names of all questions."""

    def __init__(self, namespace: str) -> None:
        self.addresses: dict[str, list[str]] = {}
        self.silent = False
        self.asked: list[str] = []
        self._sock = in_namespace(namespace, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        self._sock.bind(("127.0.0.1", 53))
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._sock.close()

    def _run(self) -> None:
        while not self._ending.is_set():
            if select.select([self._sock], [], [], 0.1)[0]:
                question, source = self._sock.recvfrom(512)
                answer = self._answer(question)
                if not self.silent:
                    with suppress(OSError):  # whoever asked is gone
                        self._sock.sendto(answer, source)

    def _answer(self, question: bytes) -> bytes:
        labels, at = [], 12
        while length := question[at]:
            labels.append(question[at + 1 : at + 1 + length].decode())
            at += 1 + length
        kind = int.from_bytes(question[at + 1 : at + 3], "big")
        name = ".".join(labels).lower()
        self.asked.append(name)
        packed = [ip_address(one).packed for one in self.addresses.get(name, ())]
        found = [one for one in packed if len(one) == {A: 4, AAAA: 16}.get(kind)]
        flags = 0x8580 | (0 if name in self.addresses else NO_SUCH_NAME)  # an answer, authoritative, with recursion
        head = question[:2] + struct.pack("!5H", flags, 1, len(found), 0, 0)
        records = (struct.pack("!3HIH", 0xC00C, kind, 1, 0, len(one)) + one for one in found)
        return head + question[12 : at + 5] + b"".join(records)


@contextmanager
def name_server(namespace: str) -> Iterator[NameServer]:
    """The name server of a network namespace. Commands of `ip netns exec` see its resolv.conf (ip-netns(8))."""
    folder = Path("/etc/netns") / namespace
    folder.mkdir(parents=True)
    server = NameServer(namespace)
    try:
        (folder / "resolv.conf").write_text("nameserver 127.0.0.1\n", encoding="utf-8")
        (folder / "hosts").write_text("127.0.0.1 localhost\n", encoding="utf-8")
        yield server
    finally:
        server.close()
        shutil.rmtree(folder)
