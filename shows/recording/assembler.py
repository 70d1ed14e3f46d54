"""Makes frames from packets: by synchronization packets if there are any, else by the rhythm of the universes.

Each universe counts its own frames: its next frame is the one after its last, plus the packets that were lost. A second
packet of a universe in a frame begins the next frame. A universe may be behind, because unchanged data are left out
(E1.31 6.6.2). It joins the open frame. If it sends again before that frame ends, its packet was late, and goes back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols.datagrams import NUMBERS, Integers, PacketKind, Packets
from gloaming.shows.protocols.e131 import PREVIEW, SLOTS_MAX
from gloaming.shows.protocols.packets import Bytes
from gloaming.shows.recording import arbiter
from gloaming.shows.recording.arbiter import DISCARD, Stream, Synchronizations
from gloaming.shows.recording.report import SourceCounts
from gloaming.shows.recording.rhythm import Pacer, Rhythm
from gloaming.shows.time_units import SECOND_NS

BACKWARDS_NS = SECOND_NS  # packets of two interfaces may be out of order by less
START_NS = 1_200_000_000
"""How long the first frame waits for all universes: unchanged data come at least once a second, as a rule."""
SILENCE_MAX_NS = 600_000_000_000
SILENCE_KEPT_NS = 10 * SECOND_NS
"""What stays of a longer silence. It is long enough to part two pieces."""
ANEW = 10
"""The sequence numbers of a running source are never so many frames ahead of the time."""


@dataclass(frozen=True, slots=True)
class _Batch:
    """The current packets, and the place of each in `rows` of 512 slots."""

    packets: Packets
    rows: Bytes
    places: Integers


class Assembler:
    """Takes packets in order and gives frames `(universes, 512) uint8` to a pacer.

    `clock_is_steady`: a long silence is real, even if no packet was lost in it.
    """

    def __init__(
        self, universes: Sequence[int], rhythm: Rhythm, pacer: Pacer, counts: SourceCounts, clock_is_steady: bool
    ) -> None:
        self._counts, self._pacer, self._steady = counts, pacer, clock_is_steady
        self._reader = reader = counts.reader
        self._shared: dict[bytes, dict[int, int]] = {}
        self._streams: dict[int, Stream] = {}
        self._silent: set[int] = set()
        self._known: npt.NDArray[np.bool_] = np.zeros(NUMBERS, np.bool_)
        self._row: Bytes = np.zeros((0, SLOTS_MAX), np.uint8)
        self.add(universes)
        self._share(rhythm)
        self._loss_ns = reader.data_loss_ns
        self._period_ns, self._lead, self._thins_anyhow = rhythm.period_ns, rhythm.lead, rhythm.thins
        self._early: list[Stream] = []  # universes that came before the first frame
        self._missing = {number for number in rhythm.expected if number in self._streams}
        self._frame = -1
        self._frame_at_ns = 0
        self._last_ns: int | None = None
        self._first_ns = self._shift_ns = 0
        self._ranks = self._turn = self._turn_before = 0
        self._rank = -1
        self._thinned = -SECOND_NS
        self._syncs = Synchronizations(reader)
        self._synchronized_ns: dict[int, int] = {}  # by address: the time of the last one
        self._addresses: set[int] = set()
        self._shut: set[int] = set()  # addresses that have synchronized the open frame
        self._held: dict[
            tuple[bytes, int], tuple[int, int]
        ] = {}  # the assumed times of packets out of order, and their own
        self._batch: _Batch | None = None
        self._rows: list[int] = []
        self._numbers: list[int] = []

    def knows(self, universes: Integers) -> npt.NDArray[np.bool_]:
        """Which of these universes are recorded."""
        known: npt.NDArray[np.bool_] = self._known[universes]
        return known

    def add(self, universes: Sequence[int]) -> None:
        """Add new universes. Their rows come after the others."""
        step, loss_ns = self._reader.step, self._reader.data_loss_ns
        for row, number in enumerate(universes, start=len(self._streams)):
            self._streams[number] = Stream(number, row, step, loss_ns, self._shared)
        self._silent.update(universes)
        self._known[list(universes)] = True
        self._row = np.concatenate([self._row, np.zeros((len(universes), SLOTS_MAX), np.uint8)])

    def adopt(self, rhythm: Rhythm) -> None:
        """Continue with another rhythm; the one before was a guess."""
        self._period_ns, self._thins_anyhow = rhythm.period_ns, rhythm.thins
        self._pacer.adopt(rhythm.period_ns)
        self._share(rhythm)

    def _share(self, rhythm: Rhythm) -> None:
        """Let all universes of a source share its numbers, if the source numbers all its packets together."""
        self._counts.shared |= rhythm.shared
        for key in rhythm.shared:
            numbers = self._shared.setdefault(key, {})
            for stream in self._streams.values():
                if key in stream.sources:
                    stream.sources[key].sequences = numbers

    def take(self, packets: Packets) -> None:
        """Take packets. Their data are copied, so their buffer can be used again."""
        self._counts.count(packets)
        chosen = (packets.kind != PacketKind.DATA) | self.knows(packets.universe)
        if not chosen.all():
            self._counts.not_chosen.update(packets.universe[~chosen].tolist())
            packets = packets.only(chosen)
            if not len(packets):
                return
        self._batch = _Batch(packets, *packets.rows())
        self._one_by_one(self._batch)
        self._settle()
        self._batch = None
        if self._last_ns is not None:
            self._counts.elapsed_s = (self._last_ns - self._first_ns) / 1e9

    def _one_by_one(self, batch: _Batch) -> None:
        counts, streams, loss_ns = self._counts, self._streams, self._loss_ns
        data, sync = int(PacketKind.DATA), int(PacketKind.SYNC)  # looking up an enumeration member is slow
        for number, (kind, at_ns, key, universe, sequence, priority, options, address, code) in enumerate(
            batch.packets.one_by_one()
        ):
            if kind != data:
                if kind == sync:
                    self._synchronize(at_ns + self._shift_ns, address, sequence)
                continue
            stream = streams[universe]
            if options & PREVIEW:  # 6.2.6
                counts.preview += 1
                continue
            at_ns += self._shift_ns
            if self._last_ns is None or not 0 <= at_ns - self._last_ns <= loss_ns:
                at_ns = self._odd_time(at_ns, stream, key, sequence)
            self._last_ns = at_ns
            if key not in counts.names:
                counts.names[key] = self._reader.source_text(batch.packets, number)
            several = len(stream.sources) > 1
            if (
                len(stream.sources) == 1 and key not in stream.sources
            ):  # the levels of the single source are those that are shown
                self._settle()
                next(iter(stream.sources.values())).levels = self._row[stream.row].copy()
            lost = arbiter.take(stream, counts, key, sequence, priority, options, code, at_ns)
            if lost >= 0:
                self._place(stream, at_ns, lost, address)
                self._rows.append(stream.row)
                self._numbers.append(number)
            if several or len(stream.sources) > 1:
                self._settle()
                if lost != DISCARD:
                    stream.sources[key].levels = batch.rows[batch.places[number]].copy()
                self._row[stream.row] = arbiter.shown(stream, self._row[stream.row])

    @property
    def active(self) -> int:
        """How many universes have sent levels."""
        return len(self._streams) - len(self._silent)

    def silent(self) -> set[int]:
        """The universes that never sent levels."""
        return set(self._silent)

    def finish(self) -> None:
        """End the stream. An incomplete last frame is left out."""
        if self._frame >= 0:
            unfinished = self._turn < self._turn_before and not self._shut and not self._thins()
            self._next(1, self._frame_at_ns, keep=not unfinished)
        self._pacer.finish()
        for number, stream in self._streams.items():
            if self._last_ns and number not in self._silent and self._last_ns - stream.at_ns > self._loss_ns:
                self._counts.stopped_s[number] = (stream.at_ns - self._first_ns) / 1e9

    def _odd_time(self, at_ns: int, stream: Stream, key: bytes, sequence: int) -> int:
        """The time to use for a packet that is not shortly after the one before."""
        if self._last_ns is None:
            self._first_ns = at_ns
            return at_ns
        step_ns = at_ns - self._last_ns
        source = stream.sources.get(key)
        numbered = not self._steady and sequence != self._reader.no_number
        jumped = numbered and source is not None and self._reader.step(sequence, source.sequence) == 1
        if -BACKWARDS_NS < step_ns < 0:
            held_ns, before_ns = self._held.get((key, stream.number), (0, 0))
            if source is not None and held_ns != source.at_ns:
                before_ns = source.at_ns
            if not jumped or before_ns - at_ns < self._period_ns // 4:  # not before the last packet of its own stream
                self._held[key, stream.number] = self._last_ns, at_ns
                return self._last_ns
        if step_ns < 0 or jumped:  # a running source repeats unchanged data, 6.6.2
            self._counts.clock_jumps += 1
            within = stream.rank > self._rank and stream.frame < self._frame and not self._shut
            step_to_ns = self._period_ns
            if source is not None:  # as far from its last packet as the frames are apart
                due_ns = source.at_ns + (self._frame + (not within) - stream.frame) * self._period_ns
                step_to_ns = min(max(0, due_ns - self._last_ns), self._loss_ns)
        elif step_ns > SILENCE_MAX_NS:
            self._counts.silence_cut_s += (step_ns - SILENCE_KEPT_NS) / 1e9
            step_to_ns = SILENCE_KEPT_NS
        else:
            return at_ns
        self._shift_ns += step_to_ns - step_ns
        return self._last_ns + step_to_ns

    def _synchronize(self, at_ns: int, address: int, sequence: int) -> None:
        """Show what came for this address now (6.3, 11). Without new data the last frame is repeated."""
        if self._last_ns is not None:
            at_ns = min(max(at_ns, self._last_ns), self._last_ns + self._loss_ns)
        lost = self._syncs.take(address, sequence, at_ns)
        if lost == DISCARD:
            return
        self._counts.synchronizations_lost += lost
        self._counts.synchronizations += 1
        self._synchronized_ns[address] = at_ns
        if address in self._addresses or self._frame < 0:
            if address in self._shut and self._frame >= 0:
                if self._frame == 0 and at_ns - self._frame_at_ns < self._period_ns // 2:
                    return  # to another destination; the numbers are so near that only time separates them
                self._next(1, at_ns)
            self._shut.add(address)
            self._frame_at_ns = at_ns

    def _is_synchronized(self, address: int, at_ns: int) -> bool:
        """Whether a universe is synchronized. It is not if synchronization packets have stopped (11.1.2)."""
        if not address:
            return False
        self._addresses.add(address)
        known_ns = self._synchronized_ns.get(address)
        return known_ns is not None and at_ns - known_ns <= self._reader.synchronization_loss_ns

    def _thins(self) -> bool:
        """Whether unchanged data are left out, now or within the last two seconds."""
        return self._thins_anyhow or (self._frame - self._thinned) * self._period_ns < 2_000_000_000

    def _place(self, stream: Stream, at_ns: int, lost: int, address: int) -> None:
        """Give a packet of a universe its frame, and begin new frames as needed."""
        self._silent.discard(stream.number)
        stream.at_ns = at_ns
        synchronized = bool(address) and self._is_synchronized(address, at_ns)
        if self._frame < 0:
            if not self._begins(stream, at_ns, synchronized):
                self._missing.discard(stream.number)
                self._early.append(stream)  # shown in the first frame, unless it sends again there
                return
            self._frame, self._frame_at_ns, self._shut = 0, at_ns, set()
        else:
            ahead = stream.frame + 1 + lost - self._frame
            sent_before = stream.frame == self._frame
            if sent_before and stream.loose and not self._shut and self._was_late(stream, at_ns, synchronized):
                return
            if ahead > 1:
                passed_ns = at_ns - stream.offset_ns - self._frame_at_ns
                passed = (passed_ns + self._period_ns // 2) // self._period_ns
                if ahead - passed > ANEW:  # its numbers began anew, and mean nothing
                    ahead = max(int(sent_before), passed)
                elif synchronized and not self._shut:
                    ahead = 1
                else:
                    ahead = max(1, min(ahead, 1 + passed))
            if ahead > 0:
                if synchronized and not self._shut:  # its synchronization packet was lost; it was due by now
                    self._frame_at_ns = at_ns
                self._next(ahead, at_ns - stream.offset_ns)
            elif (address in self._shut if address else self._shut) or (
                not synchronized
                and at_ns - stream.offset_ns - self._frame_at_ns > self._period_ns * (4 if stream.rank >= 0 else 7) // 8
                and (0 <= stream.rank < self._rank or self._thins())
            ):
                self._next(1, at_ns - stream.offset_ns)
            stream.loose = 0 <= stream.frame + lost < self._frame - 1
            if stream.loose:
                self._thinned = self._frame
        self._missing.discard(stream.number)
        offset_ns = at_ns - self._frame_at_ns
        if stream.rank < 0:
            stream.offset_ns = offset_ns
            stream.rank, self._ranks = self._ranks, self._ranks + 1
            if at_ns - self._first_ns > START_NS:
                self._counts.began_s[stream.number] = (at_ns - self._first_ns) / 1e9
        stream.before, stream.frame = stream.frame, self._frame
        if abs(offset_ns - stream.offset_ns) < self._period_ns // 2:
            stream.offset_ns += (offset_ns - stream.offset_ns) // 16
        self._rank = stream.rank
        self._turn += 1

    def _begins(self, stream: Stream, at_ns: int, synchronized: bool) -> bool:
        """Whether the first frame may begin with this packet. A frame must not mix the ends of two."""
        if synchronized and self._shut:
            return True
        waited = at_ns - self._first_ns > 2 * self._period_ns
        return waited or (not synchronized and self._lead in (None, stream.number))

    def _was_late(self, stream: Stream, at_ns: int, synchronized: bool) -> bool:
        """Whether a universe's data in this frame belong to the frame before, because it now sends again."""
        if stream.before == self._frame - 1 or not (synchronized or at_ns - self._frame_at_ns < self._period_ns // 2):
            return False
        self._settle()
        if not self._pacer.amend(stream.row, self._row[stream.row]):
            return False
        self._counts.late[stream.number] += 1
        stream.before, stream.loose = self._frame - 1, False
        return True

    def _settle(self) -> None:
        """Copy the new data into the open frame."""
        if self._rows and self._batch:
            self._row[self._rows] = self._batch.rows[self._batch.places[self._numbers]]
            self._rows, self._numbers = [], []

    def _next(self, steps: int, at_ns: int, keep: bool = True) -> None:
        """End the open frame and begin the one `steps` later. The frames between repeat the last one."""
        self._settle()
        if self._missing and self._frame_at_ns - self._first_ns > START_NS:
            self._missing.clear()
        if self._missing or not keep:
            self._counts.frames_before += bool(self._missing)
        else:
            self._pacer.push(self._frame_at_ns, self._row)
            for _ in range(steps - 1):
                self._pacer.push(None, self._row)
            self._counts.frames_lost += steps - 1
        self._row = self._row.copy()
        for stream in self._early:
            if stream.frame < 0 and self._frame_at_ns - stream.at_ns < self._period_ns // 2:
                stream.frame = self._frame
        self._early = []
        self._frame += steps
        self._frame_at_ns, self._shut, self._rank = at_ns, set(), -1
        self._turn_before, self._turn = self._turn, 0
