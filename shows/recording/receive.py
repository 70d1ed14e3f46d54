"""Receives packets from the network: the receiving process, and the ring of shared memory between it and us.

Times are those of the kernel at the arrival of a packet, converted to the monotonic clock. A step of the wall clock
does not change them.
"""

from __future__ import annotations

import mmap
import os
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.protocols.datagrams import Datagrams
from gloaming.shows.recording.receive_process import (
    CONTROL_BYTES,
    DATA_AT,
    HEADER_BYTES,
    HEADERS_AT,
    MEMORY_BYTES,
    NEWS,
    RING_AT,
    SLOT_BYTES,
    SLOTS,
)
from gloaming.shows.time_units import SECOND_NS

DISCOVERY_S = 10.0
"""E131_UNIVERSE_DISCOVERY_INTERVAL, appendix A."""
SETTLE_NS = 50_000_000
"""Longer than one round over all sockets."""
ODD_NS = 500_000_000
"""No packet waits so long to be read."""


def _clocks() -> tuple[int, int]:
    """The monotonic clock minus the wall clock, and the monotonic clock, read without an interruption."""
    while True:
        before_ns, wall_ns, after_ns = time.monotonic_ns(), time.time_ns(), time.monotonic_ns()
        if after_ns - before_ns < 100_000:
            return before_ns - wall_ns, after_ns


class Receiver:
    """A process that receives, and the ring that it fills.

    `read` returns the new packets. `release` frees their place. `stop` ends the process.
    """

    def __init__(self, sockets: Sequence[socket.socket]) -> None:
        if struct.calcsize("P") != 8:  # the ring has the layout of struct mmsghdr with pointers of 8 bytes
            raise input_error("record", "live recording needs a 64-bit system", "record a capture: --capture FILE")
        self.dropped = 0
        self._sockets = sockets
        memory = os.memfd_create("gloaming-record")
        os.ftruncate(memory, MEMORY_BYTES)
        self._map = mmap.mmap(memory, MEMORY_BYTES)
        self._pipe, theirs = os.pipe()
        fds = [one.fileno() for one in sockets]
        command = [sys.executable, "-m", "gloaming.shows.recording.receive_process", str(memory), str(theirs)]
        self._process = subprocess.Popen(
            [*command, *map(str, fds)],
            stdin=subprocess.PIPE,
            pass_fds=(memory, theirs, *fds),
            start_new_session=True,  # Ctrl-C is for this process only
        )
        os.close(theirs)
        os.close(memory)
        whole = np.frombuffer(self._map, np.uint8)
        self._ring = whole[RING_AT:]
        self._lengths = whole[HEADERS_AT:RING_AT].view(np.uint32).reshape(SLOTS, HEADER_BYTES // 4)[:, 14]
        slots = self._ring.reshape(SLOTS, SLOT_BYTES)
        controls = slots[:, :CONTROL_BYTES]
        self._stamps = controls.view(np.int64)  # level and type of the message at 1, seconds at 2, nanoseconds at 3
        self._senders = slots[:, CONTROL_BYTES + 4 : CONTROL_BYTES + 8].view(">u4")[:, 0]  # sockaddr_in, ip(7)
        self._head = 0
        self._offset_ns, self._fetched_ns = _clocks()
        self._news = b""
        self._waiting = np.zeros((0, 4), np.int64)  # place in the ring since the start, time, length, sender

    def read(self, timeout_s: float) -> Datagrams | None:
        """New packets in order of their times, or None. EOFError if the receiving process has ended.

        Sockets are read one after another, so the newest packets are held back until their order is certain.
        """
        try:
            came = self._fetch(timeout_s)
        except EOFError:
            if not len(self._waiting):
                raise
            came = False
        at_ns = self._waiting[:, 1]
        certain = at_ns <= at_ns.max() - SETTLE_NS if came else np.ones(len(at_ns), np.bool_)
        if not certain.any():
            return None
        ready, self._waiting = self._waiting[certain], self._waiting[~certain]
        place, at_ns, lengths, senders = ready[np.argsort(ready[:, 1], kind="stable")].T
        return Datagrams(self._ring, place % SLOTS * SLOT_BYTES + DATA_AT, lengths, at_ns, senders)

    def _fetch(self, timeout_s: float) -> bool:
        """Note the new packets in the ring. False: there are none."""
        if not select.select([self._pipe], [], [], timeout_s)[0]:
            return False
        data = os.read(self._pipe, NEWS.size * 1024)
        if not data:
            raise EOFError("the receiving process has ended")
        self._news += data
        whole = len(self._news) // NEWS.size * NEWS.size
        first = self._head
        for count, dropped in NEWS.iter_unpack(self._news[:whole]):
            self._head += count
            self.dropped = dropped
        self._news = self._news[whole:]
        places = np.arange(first, self._head, dtype=np.int64)
        slots = places % SLOTS
        at_ns = self._monotonic(self._stamps[slots, 2] * SECOND_NS + self._stamps[slots, 3])
        columns = [places, at_ns, self._lengths[slots].astype(np.int64), self._senders[slots].astype(np.int64)]
        new = np.stack(columns, axis=1)
        self._waiting = np.concatenate([self._waiting, new])
        return len(new) > 0

    def _monotonic(self, wall_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The kernel's times in the monotonic clock.

        If the wall clock was set meanwhile, times from before the step do not fit the new difference of the clocks.
        They are converted with the old one.
        """
        before, (self._offset_ns, now_ns) = self._offset_ns, _clocks()
        at_ns = wall_ns + self._offset_ns
        odd = (at_ns > now_ns + ODD_NS) | (at_ns < self._fetched_ns - ODD_NS)
        at_ns = np.where(odd, wall_ns + before, at_ns)
        at_ns = np.minimum(at_ns, now_ns)
        self._fetched_ns = now_ns
        return at_ns

    def release(self) -> None:
        """Free the packets of the last `read`."""
        tail = int(self._waiting[:, 0].min()) if len(self._waiting) else self._head
        struct.pack_into("=Q", self._map, 0, tail)

    def stop(self) -> None:
        """Stop receiving. Packets that have come can still be read, until `read` raises EOFError."""
        if self._process.stdin and not self._process.stdin.closed:
            self._process.stdin.close()

    def close(self) -> None:
        """End the process and close the sockets."""
        self.stop()
        os.close(self._pipe)
        self._process.wait()
        for one in self._sockets:
            one.close()
