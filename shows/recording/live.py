"""A live recording: a short look at the incoming packets, then the recording. The caller ends it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.source import Progress
from gloaming.shows.protocols.artnet.parse import NO_UNIVERSE
from gloaming.shows.protocols.datagrams import UNMAPPED, PacketKind, PacketReader, Packets
from gloaming.shows.protocols.e131 import UNIVERSE_MAX
from gloaming.shows.recording.census import Census
from gloaming.shows.recording.receive import Receiver
from gloaming.shows.recording.recorder import Outcome, Recording, Wanted, lay_out
from gloaming.shows.recording.report import ranges

LOOK_NS = 1_500_000_000
"""How long a stream is watched before its rhythm is trusted. Unchanged data come at least once a second."""

HOLD_NS = 3_000_000_000
"""How long packets are held back while nothing changes, so that a new rhythm is known before it is recorded."""
LONG = 5_000
"""After so many unchanged packets the look begins anew."""


class Listener:
    """Finds the universes in the network: those that sources announce (E1.31 section 8), and those that come in."""

    def __init__(self, receiver: Receiver, reader: PacketReader) -> None:
        self._receiver, self._reader = receiver, reader
        self.universes: set[int] = set()

    def listen(self, timeout_s: float) -> None:
        """Take the packets that have come."""
        datagrams = self._receiver.read(timeout_s)
        if datagrams is None:
            return
        self.universes |= universes_in(self._reader.read(datagrams), self._reader)
        self._receiver.release()


def universes_in(packets: Packets, reader: PacketReader) -> set[int]:
    """The universes that packets announce (E1.31 section 8) or carry."""
    carried = np.unique(packets.universe[packets.kind == PacketKind.DATA]).tolist()
    return {one for one in reader.announced(packets).union(carried) if 1 <= one <= UNIVERSE_MAX}


class Live:
    """Records the packets of a receiver into `out`, until `finish`. `recording` is None during the first look.

    If all universes are wanted, new ones are recorded too. `join` gets the universes that are announced.
    """

    def __init__(
        self, receiver: Receiver, out: Path, wanted: Wanted, join: Callable[[set[int]], None] | None = None
    ) -> None:
        self.recording: Recording | None = None
        self.packets = 0
        self.levels = 0  # the packets with wanted levels
        self._receiver, self._out, self._wanted, self._reader = receiver, out, wanted, wanted.reader
        self._census = Census(wanted.reader, wanted.universes, measured=False)
        self._held: list[Packets] = []
        self._known = False
        self._first_ns: int | None = None
        self._first_levels: dict[tuple[bytes, int], bytes] = {}
        self._join = join or (lambda universes: None)
        self._known_universes: set[int] = set()

    @property
    def began(self) -> bool:
        """Whether there is anything to record: wanted levels, or the first change with `from_change`."""
        return self._first_ns is not None

    @property
    def waits_for_change(self) -> bool:
        """Whether the recording waits for a first change."""
        return self._wanted.from_change

    @property
    def ended(self) -> str | None:
        """Why the recording ended by itself, or None."""
        return self.recording.ended if self.recording else None

    def pump(self, timeout_s: float) -> bool:
        """Take the packets that have come. False: none. EOFError if no more can come."""
        datagrams = self._receiver.read(timeout_s)
        if datagrams is None:
            return False
        packets = self._reader.read(datagrams)
        before = self.packets
        self.packets += int((packets.kind == PacketKind.DATA).sum())
        self.levels += int(self._mine(packets).sum())
        if self._wanted.universes is None and (new := universes_in(packets, self._reader) - self._known_universes):
            self._known_universes |= new
            self._join(new)
        if self.recording and self._known:
            self._record(packets)
        elif len(packets):
            self._look(packets)
        self._receiver.release()
        return self.packets > before

    def _look(self, packets: Packets) -> None:
        """Hold packets back until their rhythm is known, or for a few seconds while nothing changes."""
        self._census.take(packets)
        self._held.append(packets.copied())
        if self._first_ns is None:
            self._first_ns = self._beginning(packets)
        last_ns, busy_ns = int(packets.at_ns[-1]), self._census.busy_ns
        if self._first_ns is not None and busy_ns is not None and last_ns - max(busy_ns, self._first_ns) > LOOK_NS:
            self._see()
        while self._held and last_ns - self._held[0].at_ns[-1] > HOLD_NS:
            held = self._held.pop(0)
            if self._first_ns is None:  # earlier packets are needed only for the last frame
                continue
            self._recording()
            self._record(held)
            if busy_ns is None and self._census.packets > LONG:
                self._recount()

    def _see(self) -> None:
        """Begin the recording with the rhythm that is known now."""
        self._known = True
        if self.recording:
            self.recording.adopt(self._census.rhythm(self._wanted.fps))
        self._recording()
        for packets in self._held:
            self._record(packets)
        self._held = []

    def _record(self, packets: Packets) -> None:
        """Record packets. Add their new universes if all are wanted."""
        assert self.recording is not None
        if self._wanted.universes is None and (new := self.recording.unknown(packets)):
            self.recording.add(lay_out(sorted(new), new, {}, self._policy))
        self.recording.take(packets)

    def _recount(self) -> None:
        """Begin the look anew, with the packets that are held."""
        self._census = Census(self._reader, self._wanted.universes, measured=False)
        for held in self._held:
            self._census.take(held)

    def _beginning(self, packets: Packets) -> int | None:
        """The time of the first wanted packet, or of the first change with `from_change`."""
        mine = np.flatnonzero(self._mine(packets))
        if not self._wanted.from_change:
            return int(packets.at_ns[mine[0]]) if len(mine) else None
        levels = packets.levels()
        for number in mine.tolist():
            stream = packets.sources[packets.source[number]], int(packets.universe[number])
            levels_now = levels[number].tobytes()
            if self._first_levels.setdefault(stream, levels_now) != levels_now:
                self._recount()
                return int(packets.at_ns[number])
        return None

    def _mine(self, packets: Packets) -> npt.NDArray[np.bool_]:
        """Which packets carry levels of a wanted universe."""
        mine, wanted = packets.levelled(), self._wanted.universes
        return mine if wanted is None else mine & np.isin(packets.universe, wanted)

    @property
    def _policy(self) -> str | int:
        return "sent" if self._wanted.slots == "used" else self._wanted.slots

    @property
    def nothing(self) -> str:
        """The message if no wanted levels came."""
        numbers, came = self._numbers(), [*self._census.sent, *self._census.unmapped]
        others = f", but for {ranges(came)}" if came else ""
        others += f"; {NO_UNIVERSE}" if came == [UNMAPPED] else ""
        return f"nothing came for {ranges(numbers) if numbers else 'any universe'}{others}{self._census.preview_only}"

    def _numbers(self) -> list[int]:
        return sorted(self._wanted.universes or self._census.sent)

    def _recording(self) -> Recording:
        """The recording. It begins now if it has not begun. InputError if no universe has come."""
        if self.recording is None:
            numbers = self._numbers()
            if not self._census.sent.keys() & set(numbers):
                raise input_error(self._out, self.nothing)
            slots = lay_out(numbers, self._census.sent, {}, self._policy)
            rhythm = self._census.rhythm(self._wanted.fps)
            self.recording = Recording(self._out, slots, rhythm, self._wanted, live=True)
        return self.recording

    def finish(self, closed: Callable[[Path], None], progress: Progress | None = None) -> Outcome:
        """Take the remaining packets, close the file, call `closed`, tidy the file. InputError if nothing came."""
        self._receiver.stop()
        try:
            while True:
                self.pump(10.0)
        except EOFError:
            pass  # all packets have been taken
        if not self._known:
            self._see()
        recording = self._recording()
        recording.counts.dropped = self._receiver.dropped
        outcome = recording.close()
        closed(self._out)
        silent = recording.silent()
        if silent:
            outcome = replace(outcome, notes=(*outcome.notes, f"nothing came for {ranges(silent)}"))
        return recording.tidied(outcome, progress)

    def discard(self) -> None:
        """Remove all files of the recording."""
        if self.recording:
            self.recording.discard()
