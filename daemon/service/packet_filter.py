"""Packet filters of sockets (classic BPF, socket(7)): the kernel drops what a socket does not want. UDP over IPv4."""

from __future__ import annotations

import ctypes
import socket
import struct
from collections.abc import Iterable
from ipaddress import IPv4Address

SO_ATTACH_FILTER = 26
RUNS_MAX = 256
"""The kernel bounds the length of a filter. More runs of numbers than this are one run to it."""
_LOAD_WORD, _LOAD_HALF, _LOAD_BYTE, _SHIFT_LEFT, _TO_X, _OR_X = 0x20, 0x28, 0x30, 0x64, 0x07, 0x4C
_JUMP_IF_EQUAL, _JUMP_IF_ABOVE, _JUMP_IF_NOT_BELOW, _RETURN = 0x15, 0x25, 0x35, 0x06
_UDP_BYTES = 8
"""A filter's offsets begin at the UDP header."""
_IP_SOURCE = 0xFFF00000 + 12
"""SKF_NET_OFF (linux/filter.h), and the place of the source address in an IPv4 header (RFC 791, 3.1)."""
_DROP, _TAKE = (_RETURN, 0, 0, 0), (_RETURN, 0, 0, 0xFFFF)

Step = tuple[int, int, int, int]


def drop(sock: socket.socket, at: int, value: bytes) -> None:
    """Drop the packets that have these bytes at this offset. Their number is a multiple of 4. OSError."""
    words = struct.unpack(f">{len(value) // 4}I", value)
    steps: list[Step] = []
    for number, word in enumerate(words):
        steps.append((_LOAD_WORD, 0, 0, _UDP_BYTES + at + 4 * number))
        steps.append((_JUMP_IF_EQUAL, 0, 2 * (len(words) - 1 - number) + 1, word))
    _attach(sock, [*steps, _DROP, _TAKE])


def take_only(sock: socket.socket, at: int, value: bytes) -> None:
    """Drop all packets but those that have these two bytes at this offset. OSError."""
    half = int.from_bytes(value, "big")
    _attach(sock, [(_LOAD_HALF, 0, 0, _UDP_BYTES + at), (_JUMP_IF_EQUAL, 0, 1, half), _TAKE, _DROP])


def take_numbers(
    sock: socket.socket,
    at: int,
    value: bytes,
    places: tuple[int, int],
    numbers: Iterable[int],
    own: Iterable[IPv4Address],
) -> None:
    """As `take_only`, and of these the packets with one of some numbers, unless they come from an address of our own.

    A number has a high and a low byte at the `places`. With very many gaps all between them are taken. OSError.
    """
    high, low = places
    steps: list[Step] = [(_LOAD_WORD, 0, 0, _IP_SOURCE)]
    for address in own:
        steps += [(_JUMP_IF_EQUAL, 0, 1, int(address)), _DROP]
    half = int.from_bytes(value, "big")
    steps += [(_LOAD_HALF, 0, 0, _UDP_BYTES + at), (_JUMP_IF_EQUAL, 1, 0, half), _DROP]
    steps += [(_LOAD_BYTE, 0, 0, _UDP_BYTES + high), (_SHIFT_LEFT, 0, 0, 8), (_TO_X, 0, 0, 0)]
    steps += [(_LOAD_BYTE, 0, 0, _UDP_BYTES + low), (_OR_X, 0, 0, 0)]
    for first, last in _runs(numbers):
        steps += [(_JUMP_IF_NOT_BELOW, 0, 2, first), (_JUMP_IF_ABOVE, 1, 0, last), _TAKE]
    _attach(sock, [*steps, _DROP])


def _runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Numbers as runs, each from its first to its last."""
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        first = runs.pop()[0] if runs and number <= runs[-1][1] + 1 else number
        runs.append((first, number))
    return runs if len(runs) <= RUNS_MAX else [(runs[0][0], runs[-1][1])]


def _attach(sock: socket.socket, steps: list[Step]) -> None:
    program = b"".join(struct.pack("=HBBI", *step) for step in steps)
    code = ctypes.create_string_buffer(program)
    sock.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, struct.pack("@HP", len(steps), ctypes.addressof(code)))
