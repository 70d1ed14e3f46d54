"""Captures packets with the kernel's times and reads them with tshark.

tshark 4.0 does not know root vector 8 (synchronization and discovery). This module reads those by the tables of ANSI
E1.31-2018, written here from memory and without the code that sends.
"""

from __future__ import annotations

import csv
import json
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.daemon.transmitter.process_harness import Street, run
from tests.namespaces import in_namespace

_SO_TIMESTAMPNS = 35  # asm-generic/socket.h
_NANOSECONDS = 0xA1B23C4D  # the capture format's mark for times in nanoseconds
READ = ("tshark", "--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE")


@contextmanager
def capture(there: Street, path: Path) -> Iterator[None]:
    """Write all that arrives by the cable to a capture file (LINKTYPE_ETHERNET)."""
    sock = in_namespace(there.receiver, lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3)))
    sock.setsockopt(socket.SOL_SOCKET, 33, 64 << 20)
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.bind(("in0", 3))
    yield
    time.sleep(0.3)
    with path.open("wb") as file, sock:
        file.write(struct.pack("<IHHIIII", _NANOSECONDS, 2, 4, 0, 0, 65535, 1))
        sock.setblocking(False)
        while True:
            try:
                data, control, *_ = sock.recvmsg(65536, 64)
            except BlockingIOError:
                break
            times = [struct.unpack("=qq", value) for _, kind, value in control if kind == _SO_TIMESTAMPNS]
            file.write(struct.pack("<IIII", *times[0], len(data), len(data)) + data)


def tshark(path: Path, *fields: str, such: str = "acn.dmx.universe") -> list[dict[str, str]]:
    """Some fields of the packets that pass the filter `such`."""
    words = [*READ, "-r", str(path), "-Y", such, "-T", "fields", "-E", "separator=|"]
    text = run(*words, *(word for field in fields for word in ("-e", field)))
    return [dict(zip(fields, row, strict=True)) for row in csv.reader(text.splitlines(), delimiter="|")]


@dataclass(frozen=True)
class Extended:
    """A datagram of root vector 8: its number in the capture, time, destination and payload."""

    number: int
    at_s: float
    to: str
    port: int
    ttl: int
    payload: bytes


def extended(path: Path) -> list[Extended]:
    """Every datagram whose root layer has vector 8, with its raw bytes out of tshark's JSON."""
    ours = "udp.dstport == 5568 && udp.payload[18:4] == 00:00:00:08"
    packets: list[dict[str, Any]] = json.loads(run(*READ, "-r", str(path), "-Y", ours, "-T", "json", "-x"))
    found = []
    for one in packets:
        layers = one["_source"]["layers"]
        frame, udp, ip = layers["frame"], layers["udp"], layers.get("ip") or layers["ipv6"]
        found.append(
            Extended(
                number=int(frame["frame.number"]),
                at_s=float(frame["frame.time_epoch"]),
                to=ip.get("ip.dst") or ip["ipv6.dst"],
                port=int(udp["udp.dstport"]),
                ttl=int(ip.get("ip.ttl") or ip["ipv6.hlim"]),
                payload=bytes.fromhex(udp["udp.payload_raw"][0]),
            )
        )
    return found


class Table:
    """Reads the fields of a datagram one after the other, by their lengths in octets."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def octets(self, length: int) -> bytes:
        self.at += length
        assert self.at <= len(self.data)
        return self.data[self.at - length : self.at]

    def number(self, length: int) -> int:
        return int.from_bytes(self.octets(length), "big")

    def pdu(self) -> None:
        """Flags and length (5.4, 6.1, 8.1): 7 in the upper four bits; below, the octets from here to the end."""
        begin = self.at
        word = self.number(2)
        assert (word >> 12, word & 0xFFF) == (7, len(self.data) - begin)

    def root(self) -> str:
        """5: all up to the framing layer, for vector VECTOR_ROOT_E131_EXTENDED; the CID."""
        assert (self.number(2), self.number(2)) == (0x0010, 0)  # 5.1, 5.2: preamble, post-amble
        assert self.octets(12) == bytes.fromhex("41 53 43 2d 45 31 2e 31 37 00 00 00")  # 5.3
        self.pdu()
        assert self.number(4) == 8  # 5.5
        return self.octets(16).hex()  # 5.6

    def end(self) -> None:
        assert self.at == len(self.data)


def synchronization(data: bytes) -> dict[str, Any]:
    """Table 4-2."""
    table = Table(data)
    found: dict[str, Any] = {"cid": table.root()}
    table.pdu()
    assert table.number(4) == 1  # 6.3.1: VECTOR_E131_EXTENDED_SYNCHRONIZATION
    found |= {"sequence": table.number(1), "address": table.number(2)}  # 6.3.2, 6.3.3
    assert table.number(2) == 0  # 6.3.4: reserved
    table.end()
    return found


def discovery(data: bytes) -> dict[str, Any]:
    """Table 4-3."""
    table = Table(data)
    found: dict[str, Any] = {"cid": table.root()}
    table.pdu()
    assert table.number(4) == 2  # 6.4.1: VECTOR_E131_EXTENDED_DISCOVERY
    name = table.octets(64)
    assert name.endswith(b"\0")  # 6.4.2: null-terminated
    assert table.number(4) == 0  # 6.4.3: reserved
    table.pdu()
    assert table.number(4) == 1  # 8.2: VECTOR_UNIVERSE_DISCOVERY_UNIVERSE_LIST
    found |= {"name": name.split(b"\0")[0].decode(), "page": table.number(1), "last": table.number(1)}  # 8.3, 8.4
    found["universes"] = [table.number(2) for _ in range((len(data) - table.at) // 2)]  # 8.5
    table.end()
    return found
