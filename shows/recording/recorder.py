"""A recording: packets in, a frame file out. It decides the file's layout and rate, its beginning and its end.

No sockets and no clocks: packets carry their time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameFileInfo, inspect
from gloaming.shows.framefile.source import FrameSource, Progress, universes_of, write_source
from gloaming.shows.protocols.datagrams import NUMBERS, PacketReader, Packets
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.protocols.e131.parse import E131_READER
from gloaming.shows.protocols.packets import Bytes
from gloaming.shows.recording.assembler import Assembler
from gloaming.shows.recording.parts import Parts
from gloaming.shows.recording.report import SourceCounts
from gloaming.shows.recording.rhythm import Pacer, Rhythm, usual

COLOURS = 3
UNIVERSES_ALL_MAX = 4096
"""The most universes of a recording. A sender of invented numbers must not fill the memory."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to record. `universes` None means all. `fps` None means the measured rate.

    `slots` "used" leaves out slots that stay dark at the end of universes. "sent" stores them as they come. Or it is a
    number. `rig` is as of `FrameWriter`.
    """

    universes: tuple[int, ...] | None = None
    slots: str | int = "used"
    fps: Fraction | None = None
    from_change: bool = False
    until_still_s: float | None = None
    for_s: float | None = None
    reader: PacketReader = E131_READER
    rig: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result: the file, counts, notes for the person, and the error that ended the recording, if any."""

    info: FrameFileInfo
    counts: SourceCounts
    notes: tuple[str, ...]
    broken: str | None = None


def lay_out(
    numbers: Sequence[int], sent: Mapping[int, int], used: Mapping[int, int], slots: str | int
) -> dict[int, int]:
    """The slots of each universe.

    "used": up to the last slot that is lit in any universe, rounded up to a whole pixel of three colours. The last
    universe ends at its own last slot.
    """
    if isinstance(slots, int):
        return dict.fromkeys(numbers, slots)
    lengths = {number: max(1, sent.get(number, SLOTS_MAX)) for number in numbers}
    if slots == "sent":
        return lengths
    lit = {number: min(lengths[number], max(1, -(-used[number] // COLOURS)) * COLOURS) for number in numbers}
    common = max(lit.values())
    last = max(numbers)
    return {number: lit[last] if number == last else min(common, lengths[number]) for number in numbers}


class Recording:
    """Writes one file of the universes in `slots` (number to slots). `ended` says why it ended, or is None."""

    def __init__(self, out: Path, slots: Mapping[int, int], rhythm: Rhythm, wanted: Wanted, live: bool) -> None:
        self.counts = SourceCounts(wanted.reader)
        self.ended: str | None = None
        self._broken: str | None = None
        self._wanted, self._slots = wanted, dict(sorted(slots.items()))
        self._pacer = Pacer(rhythm.period_ns, self._frame)
        self._assembler = Assembler(tuple(self._slots), rhythm, self._pacer, self.counts, clock_is_steady=live)
        self._fps = wanted.fps or usual(1e9 / rhythm.period_ns)
        self._before = 0, 0.0
        """The frames, and their seconds, before the rate that is used now."""
        self._lit: Bytes = np.zeros((len(slots), SLOTS_MAX), np.uint8)
        self._slots_max = np.full(NUMBERS, SLOTS_MAX)
        if live or wanted.slots != "used":
            self._slots_max[list(self._slots)] = list(self._slots.values())
        self._first: Bytes | None = None
        self._still = 0
        self._row: Bytes | None = None
        self._use_rate(1e9 / rhythm.period_ns)
        self._filled_before = 0
        self._out, self._parts = out, Parts(out, self._fps, self._slots, live, wanted.rig)

    @property
    def temporary(self) -> Path:
        """The file of the newest frames until the recording is finished."""
        return self._parts.temporary

    @property
    def active(self) -> int:
        """How many of the universes have sent levels."""
        return self._assembler.active

    @property
    def fps(self) -> float:
        """The frame rate, as far as known."""
        return self._fps_shown

    def adopt(self, rhythm: Rhythm) -> None:
        """Continue with another rhythm. The one before was a guess, made while nothing changed."""
        self._assembler.adopt(rhythm)
        frames, before_s = self._before
        self._before = self.counts.frames, before_s + (self.counts.frames - frames) / self._fps_shown
        self._use_rate(1e9 / rhythm.period_ns)

    def unknown(self, packets: Packets) -> dict[int, int]:
        """The universes in packets that are not recorded, with the most slots that came."""
        new = packets.levelled() & ~self._assembler.knows(packets.universe)
        universes, slots = packets.universe[new].tolist(), packets.slots[new].tolist()
        return {number: max(1, most) for number, most in sorted(zip(universes, slots, strict=True))}

    def add(self, slots: Mapping[int, int]) -> None:
        """Record these universes too from now on, up to the limit."""
        room = UNIVERSES_ALL_MAX - len(self._slots)
        slots = dict(list(slots.items())[: max(0, room)])
        if self.ended is not None or self._parts.full or not slots:
            return
        try:
            self._parts.add(slots)
        except InputError as error:
            self._break(error)
            return
        self._slots.update(slots)
        self._slots_max[list(slots)] = list(slots.values())
        self._assembler.add(tuple(slots))
        self._lit = self._grown(self._lit)
        self._row = None if self._row is None else self._grown(self._row)
        self._first = None if self._first is None else self._grown(self._first)

    def _grown(self, row: Bytes) -> Bytes:
        """A row extended by the universes that were added after it. They are black."""
        more = len(self._slots) - len(row)
        return np.concatenate([row, np.zeros((more, SLOTS_MAX), np.uint8)]) if more else row

    def _use_rate(self, measured_fps: float) -> None:
        """Set the rate, the most frames in all, and the most frames without a change.

        The first look lasts a moment, so its rate may be some per cent off. The rate is measured again half-way to the
        end, and half-way from there, until it is the rate of the file.
        """
        self._fps_shown = fps = float(self._wanted.fps or usual(measured_fps))
        still_s, for_s, so_far = self._wanted.until_still_s, self._wanted.for_s, self.counts.frames
        self._still_max = None if still_s is None else max(1, round(still_s * fps))
        self._frames_max = self._measure_at = None
        if for_s is not None:
            frames, before_s = self._before
            self._frames_max = max(1, frames + round((for_s - before_s) * fps))
            self._measure_at = so_far + max(1, (self._frames_max - so_far) // 2)

    def silent(self) -> list[int]:
        """The universes that have not sent levels."""
        return sorted(self._assembler.silent())

    def take(self, packets: Packets) -> None:
        """Take packets."""
        if self.ended is None:
            self._assembler.take(packets)
            self._count_longer(packets)

    def _count_longer(self, packets: Packets) -> None:
        longer = packets.slots > self._slots_max[packets.universe]
        if longer.any():
            self.counts.longer.update(packets.universe[longer].tolist())

    def _frame(self, row: Bytes) -> None:
        """Take a frame `(universes, 512)`. Frames without a change are held back at the start and at a possible end."""
        if self.ended is not None:
            return
        row = self._grown(row)
        if self._wanted.from_change and self.counts.frames == 0 and self._still == 0:
            if self._first is None:
                self._first = row.copy()
            if np.array_equal(row, self._first):
                return
        if self._still_max is not None:
            if self._row is not None and np.array_equal(row, self._row):
                self._still += 1
                if self._still >= self._still_max and self.counts.frames:
                    self.ended = "nothing changed any more"
                return
            if self._row is not None:
                for _ in range(self._still):
                    self._write(self._row)
            self._still = 0
        self._row = row
        self._write(row)

    def _write(self, row: Bytes) -> None:
        if self.ended is not None:
            return
        if not self.counts.frames:  # frames left out at the beginning do not count
            self._filled_before = self._pacer.filled
        try:
            self._parts.write(row)
        except InputError as error:
            self._break(error)
            return
        np.bitwise_or(self._lit, row, out=self._lit)
        self.counts.frames += 1
        self.counts.frames_filled = self._pacer.filled - self._filled_before
        if self.counts.frames == self._measure_at:
            self._use_rate(self._pacer.measured_fps() or self._fps_shown)
        if self._frames_max is not None and self.counts.frames >= self._frames_max:
            self.ended = "the time is over"

    def _break(self, error: InputError) -> None:
        """End the recording after a failed write. The safe frames stay."""
        self._parts.drop_tail()
        self.ended = self._broken = error.errors[0].problem

    def close(self) -> Outcome:
        """Finish the file. InputError if there is no frame."""
        self._assembler.finish()
        if self._still_max is None or self.ended is None:
            for _ in range(self._still):
                assert self._row is not None
                self._write(self._row)
        if self._broken is None:
            try:
                self._parts.flush()
            except InputError as error:
                self._break(error)
        self.counts.measured_fps = self._pacer.measured_fps()
        self.counts.rates = self._pacer.rates()
        if self._wanted.from_change and not self.counts.frames and self._broken is None:
            raise input_error(self._out, "nothing changed, so there is nothing to record")
        notes = [] if self.ended in (None, self._broken) else [f"ended: {self.ended}"]
        fps = self._wanted.fps or (usual(self.counts.measured_fps) if self.counts.measured_fps else self._fps)
        try:
            notes += self._parts.close(fps)
        except InputError:
            if self._broken is None:
                raise
            raise input_error(self._out, self._broken) from None
        return Outcome(inspect(self._out), self.counts, tuple(notes), self._broken)

    def discard(self) -> None:
        """Remove all files of the recording."""
        self._parts.discard()

    def tidied(self, outcome: Outcome, progress: Progress | None = None) -> Outcome:
        """Remove universes without levels and unwanted slots from the closed file. An error changes nothing."""
        info = outcome.info
        there = {one.number: one.slots for one in info.universes}  # without universes that came after the last frame
        active = [number for number in self._slots if number in there and number not in self._assembler.silent()]
        if not active:
            return outcome
        dark = np.where(self._lit.any(axis=1), SLOTS_MAX - (self._lit[:, ::-1] != 0).argmax(axis=1), 0)
        used = dict(zip(self._slots, dark.tolist(), strict=True))
        slots = lay_out(active, self._slots, used, self._wanted.slots)
        if slots == there:
            return outcome
        offsets = {one.number: one.offset for one in info.universes}
        columns = np.concatenate([np.arange(slots[number]) + offsets[number] for number in active])
        blocks = (block[:, columns] for block in frames_of(info.path))
        source = FrameSource(len(columns), info.frames, info.fps, blocks)
        try:
            write_source(source, info.path, info.fps, universes_of(slots), progress, info.rig)
        except InputError as error:
            note = f"slots that were never lit are still in the file: {error.errors[0].problem}"
            return replace(outcome, notes=(*outcome.notes, note))
        return replace(outcome, info=inspect(info.path))
