"""Packet filters: what the kernel gives to a socket, and what it drops."""

from __future__ import annotations

import socket
from collections.abc import Callable

import pytest

from gloaming.daemon.service import packet_filter

PACKETS = [b"left", b"left and more", b"lefT and more", b"right and more", b"0123left", b""]
END = b"lemon"


def arrives(attach: Callable[[socket.socket], None]) -> list[bytes]:
    """Which of the packets a socket takes."""
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as to,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        attach(to)
        to.bind(("127.0.0.1", 0))
        to.settimeout(20)
        for packet in [*PACKETS, END]:
            sender.sendto(packet, to.getsockname())
        found = []
        while (packet := to.recv(64)) != END:
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
