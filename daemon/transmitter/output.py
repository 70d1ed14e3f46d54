"""A frame to the wire: brightness, packets, sequence numbers, termination. One pass, into arrays made beforehand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gloaming.daemon.transmitter import wire
from gloaming.daemon.transmitter.messages import Setup
from gloaming.daemon.transmitter.packets import (
    OPTIONS,
    SEQUENCE,
    STREAM_TERMINATED,
    SYNC_SEQUENCE,
    Run,
    blocks,
    fill,
    group_of,
    layout,
    synchronization_packet,
)
from gloaming.shows.framefile import FrameFileInfo

Bytes = npt.NDArray[np.uint8]


class Output:
    """The packets of a setup and the socket they leave by. Raises OSError where the interface has no address."""

    def __init__(self, setup: Setup, way: str | None = None) -> None:
        self.setup = setup
        self.sock = wire.open_socket(setup.interface)
        usual = "offload" if wire.offload_works(self.sock) else "sendmmsg" if wire.sendmmsg_works() else "plain"
        self.way = way or usual
        args = (setup.cid, setup.source_name, setup.priority, setup.synchronization)
        self.blocks = blocks(setup.targets, *args)
        self.senders = [wire.Sender(block, self.sock, self.way) for block in self.blocks]
        self.sequence = setup.sequence_from
        self.packets_sent = self.bytes_sent = self.send_errors = 0
        self.last_error: tuple[int, str] | None = None
        self._layouts: dict[str, tuple[tuple[Run, ...], ...]] = {}
        self._wide = np.zeros(0, dtype=np.uint16)
        self._scaled = np.zeros(0, dtype=np.uint8)
        self._sync_sequence = setup.sequence_from
        self._sync = synchronization_packet(setup.cid, setup.synchronization) if setup.synchronization else None
        self._sync_to = self._sync_addresses()

    def close(self) -> None:
        self.sock.close()

    def place(self, info: FrameFileInfo) -> None:
        """Work out where a file's universes go; universes that the setup lacks are left out, others stay black."""
        offsets = {universe.number: (universe.offset, universe.slots) for universe in info.universes}
        self._layouts[str(info.path)] = tuple(layout(block, offsets) for block in self.blocks)
        if len(self._scaled) < info.frame_bytes:
            self._wide = np.zeros(info.frame_bytes, dtype=np.uint16)
            self._scaled = np.zeros(info.frame_bytes, dtype=np.uint8)

    def placed(self, path: str) -> bool:
        """Whether a file has been placed."""
        return path in self._layouts

    def show(self, path: str, frame: Bytes, level: float) -> None:
        """Put a frame `(frame_bytes,) uint8` of a file into the packets, at a brightness 0..1."""
        scaled = self._scale(frame, level)
        for block, runs in zip(self.blocks, self._layouts[path], strict=True):
            if sum(run.count for run in runs) < len(block.universes) or any(run.slots < block.slots for run in runs):
                block.data.fill(0)
            fill(block, runs, scaled)

    def show_look(self, look: int, level: float) -> None:
        """Put one level 0..255 on every slot, at a brightness 0..1."""
        value = (look * int(level * 256) + 127) >> 8
        for block in self.blocks:
            block.data.fill(value)

    def _scale(self, frame: Bytes, level: float) -> Bytes:
        factor = int(level * 256)
        if factor >= 256:
            return frame
        wide, scaled = self._wide[: len(frame)], self._scaled[: len(frame)]
        np.multiply(frame, np.uint16(factor), out=wide, dtype=np.uint16)
        np.add(wide, np.uint16(127), out=wide)
        np.right_shift(wide, np.uint16(8), out=wide)
        np.copyto(scaled, wide, casting="unsafe")
        return scaled

    def send(self) -> None:
        """One packet for every universe, and the synchronization packet after the last (E1.31 6.7.1, 11.1)."""
        self.sequence = (self.sequence + 1) & 0xFF
        for block, sender in zip(self.blocks, self.senders, strict=True):
            block.packets[:, SEQUENCE] = self.sequence
            self._count(*sender.send(), block.packets.shape[1], block.host or "multicast")
        if self._sync is not None:
            self._sync_sequence = (self._sync_sequence + 1) & 0xFF
            self._sync[SYNC_SEQUENCE] = self._sync_sequence
            for to in self._sync_to:
                try:
                    self.sock.sendto(self._sync, (to, wire.PORT))
                except OSError as error:
                    self._count(0, error.errno or 0, 0, to)

    def terminate(self) -> None:
        """Stream termination, three packets a universe (E1.31 6.2.6)."""
        for block in self.blocks:
            block.packets[:, OPTIONS] |= STREAM_TERMINATED
        for _ in range(3):
            self.send()
        for block in self.blocks:
            block.packets[:, OPTIONS] &= 0xFF ^ STREAM_TERMINATED

    def _count(self, sent: int, failed: int, size: int, to: str) -> None:
        self.packets_sent += sent
        self.bytes_sent += sent * size
        if failed:
            self.send_errors += 1
            self.last_error = (failed, to)

    def _sync_addresses(self) -> tuple[str, ...]:
        hosts = dict.fromkeys(block.host for block in self.blocks)
        assert self.setup.synchronization is not None or self._sync is None
        return tuple(host or group_of(self.setup.synchronization or 0) for host in hosts)
