"""A first look at a stream: its universes, their slots, their rate, and the beginning of a frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols.datagrams import NUMBERS, Integers, PacketKind, PacketReader, Packets
from gloaming.shows.protocols.e131 import OLD_STEPS
from gloaming.shows.recording.arbiter import DISCARD, Synchronizations
from gloaming.shows.recording.rhythm import THIN_NS, Rhythm
from gloaming.shows.time_units import SECOND_NS

PERIOD_NS = 25_000_000
"""The rate if none can be measured: 40 frames a second. Common practice, no source."""
EARLY_NS = SECOND_NS
"""Within this time every active universe sends (6.6.2), as a rule also by Art-Net."""
BUSY = 6
"""Short intervals of a universe that show a rate: more than the three packets after a change (E1.31 6.6.2)."""
SAMPLES_MAX = 50_000
PERIOD_MIN_NS = 20_000_000
"""No source sends faster (E1.31 6.6.1, E1.11: 44 a second). Two such intervals come from a coarse timer."""

PERIOD_FLOOR_NS = 1_000_000
"""No frame file is faster. If a clock nearly stops, a pause must not become billions of frames."""


class Census:
    """A first look at packets: universes, their slots and their rhythm.

    The rhythm is that of the universes `wanted`; None means all. `busy_ns` is the time since which more than unchanged
    data come. With `measured` the last lit slot is found.
    """

    def __init__(self, reader: PacketReader, wanted: Collection[int] | None = None, measured: bool = True) -> None:
        self._reader = reader
        self._rules = reader.step, reader.no_number, reader.data_loss_ns  # looked up once for speed
        self._wanted = None if wanted is None else _chosen(wanted)
        self._measured = measured
        self._sent = np.full(NUMBERS, -1)
        self._used = np.zeros(NUMBERS, np.int64)
        self.packets = self.preview = 0
        self.unmapped: set[int] = set()  # Art-Net: port-addresses without a universe, as in `Packets.universe`
        self.busy_ns: int | None = None
        self._busy = 0
        self._last: dict[tuple[bytes, int], tuple[int, int]] = {}  # time and sequence number
        self._syncs, self._last_sync = Synchronizations(reader), dict[int, int]()
        self._first_ns = self._before_ns = 0
        self._intervals: dict[tuple[bytes, int], list[int]] = {}
        self._samples = 0
        self._uneven: Counter[bytes] = Counter()  # by source
        self._numbering: dict[bytes, Integers] = {}  # by source: the sums of `PacketReader.numbering`
        self._firsts: dict[tuple[bytes, int], int] = {}
        self._steps: dict[bytes, int] = {}
        self._sync_intervals: dict[int, list[int]] = {}  # by address
        self._addresses: set[int] = set()  # for which data wait
        self._gaps: dict[int, list[int]] = {}
        self._early: set[int] = set()

    @property
    def sent(self) -> dict[int, int]:
        """The universes with the most slots that came."""
        universes = np.flatnonzero(self._sent >= 0)
        return dict(zip(universes.tolist(), self._sent[universes].tolist(), strict=True))

    @property
    def preview_only(self) -> str:
        """A text if there were preview data but no levels, else an empty text."""
        return f"; {self.preview:,} packets are marked as preview; --preview records them" if self.preview else ""

    @property
    def used(self) -> dict[int, int]:
        """The universes with the last slot that was ever lit, if `measured`."""
        universes = np.flatnonzero(self._sent >= 0)
        return dict(zip(universes.tolist(), self._used[universes].tolist(), strict=True))

    def take(self, packets: Packets) -> None:
        """Take packets."""
        numbers = np.flatnonzero(packets.levelled())
        self.unmapped.update(np.unique(packets.universe[packets.unmapped()]).tolist())
        self.preview += len(self._of_wanted(packets, np.flatnonzero(packets.previewed())))
        if len(numbers):
            self._measure(packets, numbers)
        if self._samples > SAMPLES_MAX:
            return
        for source, seen in self._reader.numbering(packets).items():
            self._numbering[source] = self._numbering.get(source, 0) + seen
        sync = packets.kind == PacketKind.SYNC
        of_sync = (packets.at_ns, packets.synchronization, packets.sequence)
        for at_ns, address, sequence in zip(*(one[sync].tolist() for one in of_sync), strict=True):
            if self._syncs.take(address, sequence, at_ns) != DISCARD:
                if address in self._last_sync:
                    self._sync_intervals.setdefault(address, []).append(at_ns - self._last_sync[address])
                self._last_sync[address] = at_ns
        numbers = self._of_wanted(packets, numbers)
        self._addresses.update(np.unique(packets.synchronization[numbers]).tolist())
        columns = (packets.at_ns, packets.source, packets.universe, packets.sequence)
        for at_ns, source, universe, sequence in zip(*(one[numbers].tolist() for one in columns), strict=True):
            self._packet((packets.sources[source], universe), sequence, at_ns)

    def _packet(self, stream: tuple[bytes, int], sequence: int, at_ns: int) -> None:
        """Take one packet of one source on one universe."""
        step, no_number, loss_ns = self._rules
        last_ns, before = self._last.get(stream, (None, 0))
        if sequence == no_number:
            sequence = before + 1
        if last_ns is not None and step(sequence, before) in OLD_STEPS and at_ns - last_ns <= loss_ns:
            return
        self._last[stream] = at_ns, sequence
        source, universe = stream
        self._step(source, universe, sequence)
        self._first_ns = self._first_ns or at_ns
        if at_ns - self._first_ns < EARLY_NS:
            self._early.add(universe)
        if last_ns is not None:
            self._interval(stream, at_ns, at_ns - last_ns)
            self._gaps.setdefault(universe, []).append(at_ns - self._before_ns)
        self._before_ns = at_ns

    def _of_wanted(self, packets: Packets, numbers: Integers) -> Integers:
        """Those of the packets whose universe is wanted."""
        return numbers if self._wanted is None else numbers[self._wanted[packets.universe[numbers]]]

    def _interval(self, stream: tuple[bytes, int], at_ns: int, interval_ns: int) -> None:
        """Take one interval of one source on one universe."""
        so_far = self._intervals.setdefault(stream, [])
        self._samples += 1
        if interval_ns < THIN_NS:
            so_far.append(interval_ns)
            self._busy += 1
            if self.busy_ns is None and self._busy > BUSY * len(self._last):
                self.busy_ns = at_ns
        elif self.busy_ns is None:  # the data stood still: the few packets after a change do not show a rate
            self._busy -= len(so_far)
            so_far.clear()

    def _measure(self, packets: Packets, numbers: Integers) -> None:
        """Find the slots of every universe, and the last slot that is lit."""
        self.packets += len(numbers)
        universes, slots = packets.universe[numbers], packets.slots[numbers]
        np.maximum.at(self._sent, universes, slots)
        if not self._measured:
            return
        rows, places = packets.rows()
        known = int(self._used[universes].min())  # lit slots below it are nothing new
        tails = rows[:, known:][places[numbers]]
        lit = tails.any(axis=1)
        if lit.any():
            used = tails.shape[1] - (tails[lit][:, ::-1] != 0).argmax(axis=1) + known
            np.maximum.at(self._used, universes[lit], used)

    def rhythm(self, fps: Fraction | None = None) -> Rhythm:
        """The rhythm. `fps` is used if no rate can be measured."""
        intervals = np.array([one for some in self._intervals.values() for one in some], np.int64)
        of_syncs = [one for address in self._addresses for one in self._sync_intervals.get(address, ())]
        synchronized = len(of_syncs) > 3
        default_ns = int(SECOND_NS / fps) if fps else PERIOD_NS
        seen = np.array(of_syncs, np.int64) if synchronized else intervals
        period_ns = find_period(seen) or default_ns
        shared = frozenset(source for source, seen in self._numbering.items() if _numbered_together(*seen.tolist()))
        thins = sum(self._uneven[source] for source in self._uneven.keys() - shared) > 0.005 * self._samples
        return Rhythm(period_ns, None if synchronized else self._lead(), frozenset(self._early), thins, shared)

    def _step(self, source: bytes, universe: int, sequence: int) -> None:
        """Note whether a universe is as far as the one before it.

        Unchanged data that are left out (6.6.2) leave a universe behind. Lost or delayed packets do not.
        """
        numbers, before = self._reader.numbers, self._steps.get(source, 0)
        step = (sequence - self._firsts.setdefault((source, universe), sequence - before)) % numbers
        if (step - before + 1) % numbers > 2:
            self._uneven[source] += 1
        self._steps[source] = step

    def _lead(self) -> int | None:
        """The universe after the pause of the source: a frame begins there. Without a pause: the lowest number."""
        rests = {universe: _quantile(sorted(gaps), 0.2) for universe, gaps in self._gaps.items() if len(gaps) > 3}
        if not rests:
            return None
        *_, second, longest = sorted((0.0, *rests.values()))
        return max(rests, key=lambda universe: rests[universe]) if longest > 2 * second else min(rests)


def _numbered_together(steps: int, ones: int, own_steps: int, own_ones: int) -> bool:
    """Whether numbers go up by one from packet to packet of a source, but not from packet to packet of a universe."""
    return own_steps > BUSY and ones > 0.8 * steps and own_ones < 0.05 * own_steps


def _quantile(ordered: list[int], part: float) -> float:
    """A quantile as in NumPy, which is slower for few values."""
    place = part * (len(ordered) - 1)
    low = int(place)
    return ordered[low] + (ordered[min(low + 1, len(ordered) - 1)] - ordered[low]) * (place - low)


def _chosen(universes: Collection[int]) -> npt.NDArray[np.bool_]:
    """For every universe number, whether it is one of these."""
    chosen = np.zeros(NUMBERS, np.bool_)
    chosen[list(universes)] = True
    return chosen


def find_period(intervals: npt.NDArray[np.int64]) -> int | None:
    """The time from frame to frame, from intervals in nanoseconds of all universes. None if there are too few.

    Left-out data make some intervals two or three times as long, so a shorter common interval counts. If many are no
    multiples, as with a coarse timer, the mean counts. If the rate changes, the longest counts.
    """
    busy = intervals[(intervals > 0) & (intervals < THIN_NS)]
    if len(busy) < 3:
        return None
    middle = float(np.quantile(busy, 0.5, method="lower"))  # an existing value, not one between two
    for parts in (3, 2):
        near = np.abs(busy - middle / parts) < 0.1 * middle / parts
        if near.mean() > 0.15 and middle / parts > PERIOD_MIN_NS:
            middle /= parts
            break
    middle = float(np.median(busy[np.abs(busy - middle) < 0.3 * middle]))
    for longest in (2, 8):  # short ones first: a small error grows with the multiple
        times = np.rint(busy / middle)
        off = np.abs(busy / middle - times)
        fits = (times >= 1) & (times < longest) & (off < 0.3)
        if fits.any():
            middle = float(busy[fits].sum() / times[fits].sum())
    if (off > 0.3).mean() > 0.05:
        means = [float(busy[at : at + 32].mean()) for at in range(0, len(busy) - 31, 32)]
        middle = float(np.quantile(means or [busy.mean()], 0.9))
    return max(PERIOD_FLOOR_NS, round(middle))
