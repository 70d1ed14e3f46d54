"""Packet filters of sockets (classic BPF, socket(7)): the kernel drops what a socket does not want. UDP over IPv4."""

from __future__ import annotations

import ctypes
import socket
import struct

SO_ATTACH_FILTER = 26
_LOAD_WORD, _LOAD_HALF, _JUMP_IF_EQUAL, _RETURN = 0x20, 0x28, 0x15, 0x06
_UDP_BYTES = 8
"""A filter's offsets begin at the UDP header."""
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


def _attach(sock: socket.socket, steps: list[Step]) -> None:
    program = b"".join(struct.pack("=HBBI", *step) for step in steps)
    code = ctypes.create_string_buffer(program)
    sock.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, struct.pack("@HP", len(steps), ctypes.addressof(code)))
