"""A process that only receives: from the kernel into a ring of shared memory, many packets at a time.

`python -m gloaming.shows.recording.receive_process MEMORY_FD PIPE_FD SOCKET_FD...`: ends when its standard input does.
It does not load NumPy, so it starts fast and stays small.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import select
import signal
import struct
import sys
import time

SLOTS = 32768
CONTROL_BYTES, NAME_BYTES, DATA_BYTES = 64, 16, 1216
"""Of a packet: what the kernel writes beside it; the sender's address (struct sockaddr_in); the packet."""
DATA_AT = CONTROL_BYTES + NAME_BYTES
SLOT_BYTES = DATA_AT + DATA_BYTES
HEADER_BYTES = 64
"""sizeof(struct mmsghdr) where pointers have 8 bytes."""
HEADERS_AT = 4096
RING_AT = HEADERS_AT + SLOTS * HEADER_BYTES
MEMORY_BYTES = RING_AT + SLOTS * SLOT_BYTES
NEWS = struct.Struct("=IQ")
"""The message in the pipe: the number of new packets in the ring, and the total dropped by the kernel."""

NAP_S = 0.001
"""A pause in which packets gather, so that a call reads many. The smallest usual buffer lasts many times as long."""
_BULK = 512
_DROPS_AT = 48
_MSG_DONTWAIT = 0x40


class Ring:
    """The shared memory in this process."""

    def __init__(self, memory: int) -> None:
        self.map = mmap.mmap(memory, MEMORY_BYTES)
        base = ctypes.addressof(ctypes.c_char.from_buffer(self.map))
        self.headers = base + HEADERS_AT
        vectors = bytearray()
        headers = bytearray()
        self._vectors = ctypes.create_string_buffer(SLOTS * 16)
        first_vector = ctypes.addressof(self._vectors)
        for slot in range(SLOTS):
            control = base + RING_AT + slot * SLOT_BYTES
            vectors += struct.pack("=QQ", control + DATA_AT, DATA_BYTES)
            vector = first_vector + slot * 16
            headers += struct.pack(
                "=QI4xQQQQi4xI4x", control + CONTROL_BYTES, NAME_BYTES, vector, 1, control, CONTROL_BYTES, 0, 0
            )
        self._vectors.raw = bytes(vectors)
        self._fresh = bytes(headers)
        self.head = 0

    def room(self) -> int:
        """How many packets can be read at once: free places up to the end of the ring."""
        tail = struct.unpack_from("=Q", self.map, 0)[0]
        return int(min(SLOTS - (self.head - tail), SLOTS - self.head % SLOTS, _BULK))

    def prepare(self, count: int) -> int:
        """Reset headers. Returns the address of the first."""
        at = self.head % SLOTS * HEADER_BYTES
        self.map[HEADERS_AT + at : HEADERS_AT + at + count * HEADER_BYTES] = self._fresh[at : at + count * HEADER_BYTES]
        return self.headers + at

    def drops(self, slot: int) -> int:
        """The kernel's count of dropped packets (SO_RXQ_OVFL) beside a packet, or 0."""
        length = struct.unpack_from("=Q", self.map, HEADERS_AT + slot * HEADER_BYTES + 40)[0]
        if length <= _DROPS_AT:
            return 0
        return int(struct.unpack_from("=I", self.map, RING_AT + slot * SLOT_BYTES + _DROPS_AT)[0])


def main(memory: int, pipe: int, sockets: list[int]) -> None:
    """Receive until standard input ends, then read the packets that still wait."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the parent process ends this one
    with contextlib.suppress(OSError):  # needs root
        os.nice(-10)
    libc = ctypes.CDLL(None, use_errno=True)
    ring = Ring(memory)
    drops = dict.fromkeys(sockets, 0)
    poll = select.poll()
    for fd in (0, *sockets):
        poll.register(fd, select.POLLIN)
    ending = False
    while not ending:
        ready = [fd for fd, _ in poll.poll()]
        ending = 0 in ready
        time.sleep(NAP_S)
        for fd in sockets if ending else ready:
            while fd:
                count = ring.room()
                if count <= 0:  # meanwhile the kernel stores packets, or drops and counts them
                    if ending:
                        return
                    time.sleep(NAP_S)
                    break
                got = libc.recvmmsg(fd, ctypes.c_void_p(ring.prepare(count)), count, _MSG_DONTWAIT, None)
                if got <= 0:
                    break
                drops[fd] = max(drops[fd], ring.drops((ring.head + got - 1) % SLOTS))
                ring.head += got
                os.write(pipe, NEWS.pack(got, sum(drops.values())))
                if got < count:
                    break


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):  # the reader has ended
        main(int(sys.argv[1]), int(sys.argv[2]), [int(fd) for fd in sys.argv[3:]])
