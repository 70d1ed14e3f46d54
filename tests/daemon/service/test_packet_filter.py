"""Packet filters: what the kernel gives to a socket, and what it drops."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence
from ipaddress import IPv4Address

import pytest

from gloaming.daemon.service import packet_filter

PACKETS = [b"left", b"left and more", b"lefT and more", b"right and more", b"0123left", b""]
END = b"lemon"
OTHERS, OURS = "127.0.0.1", "127.0.0.2"


def arrives(
    attach: Callable[[socket.socket], None], packets: Sequence[bytes] = PACKETS, end: bytes = END, source: str = OTHERS
) -> list[bytes]:
    """Which of the packets from an address a socket takes, until the last one, which others send."""
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as to,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as last,
    ):
        attach(to)
        to.bind(("127.0.0.1", 0))
        to.settimeout(20)
        sender.bind((source, 0))
        for packet in packets:
            sender.sendto(packet, to.getsockname())
        last.sendto(end, to.getsockname())
        found = []
        while (packet := to.recv(64)) != end:
            found.append(packet)
        return found


@pytest.mark.parametrize(
    ("value", "taken"),
    [(b"left", PACKETS[2:5]), (b"left and", [b"lefT and more", b"right and more", b"0123left"])],
)
def test_packets_with_certain_bytes_are_dropped_and_those_too_short_to_compare(
    value: bytes, taken: list[bytes]
) -> None:
    assert arrives(lambda sock: packet_filter.drop(sock, 0, value)) == taken


def test_only_packets_with_certain_bytes_are_taken() -> None:
    assert arrives(lambda sock: packet_filter.take_only(sock, 0, b"le")) == PACKETS[:3]


@pytest.mark.parametrize(("source", "taken"), [(OTHERS, [3, 4, 5, 0x103, 0xFFFF]), (OURS, [])])
def test_only_certain_numbers_of_others_are_taken(source: str, taken: list[int]) -> None:
    numbers = [0, 2, 3, 4, 5, 6, 0x102, 0x103, 0x104, 0x301, 0xFFFE, 0xFFFF]
    packets = [b"le" + number.to_bytes(2, "little") for number in numbers]

    def attach(sock: socket.socket) -> None:
        packet_filter.take_numbers(sock, 0, b"le", (3, 2), {0xFFFF, 3, 4, 5, 0x103}, [IPv4Address(OURS)])

    found = arrives(attach, [*packets, b"", b"le", b"LE\3\0"], b"le\3\0 and the end", source)
    assert [int.from_bytes(packet[2:], "little") for packet in found] == taken
