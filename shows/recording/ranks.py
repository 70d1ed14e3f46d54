"""The streams of a recording as arrays, and packets that march in step: those whose place is plain, many at a time.

In step is what the usual source sends: the next sequence number of the one source of a universe, in a frame in which
the universe has not spoken yet. All else is left to the assembler, packet by packet, and comes out the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gloaming.shows.recording.arbiter import SILENCE_NS, Source, Stream
from gloaming.shows.recording.packets import PREVIEW, TERMINATED, UNIVERSES, Bytes, Integers, Kind, Packets

FEW = 32
"""With fewer packets at a time, one by one is as fast."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Packets, and what can be said of all of them at once. `places` are their rows in `rows` of 512 slots; `streams`
    the rows of their streams, -1 for a universe that is not recorded; `sources` stand for their CIDs; `before` is the
    last packet of the same stream, -1 if none; `bars` are those that are surely not in step, in their order.
    """

    packets: Packets
    rows: Bytes
    places: Integers
    streams: Integers
    sources: Integers
    before: Integers
    bars: Integers
    in_ranks: bool


class Ranks:
    """What every `Stream` and its one `Source` hold, a place in each array a stream. `in_use`: the arrays are newer
    than the streams.
    """

    def __init__(self, streams: Sequence[Stream]) -> None:
        count = len(streams)
        self.in_use = False
        self._streams = streams
        self._sources: dict[bytes, int] = {}
        self._table = np.full(UNIVERSES, -1)
        self._table[[one.number for one in streams]] = np.arange(count)
        self.alone: npt.NDArray[np.bool_] = np.zeros(count, np.bool_)
        self.loose: npt.NDArray[np.bool_] = np.zeros(count, np.bool_)
        self.source, self.sequence, self.at_ns, self.priority = (np.zeros(count, np.int64) for _ in range(4))
        self.frame, self.before, self.rank, self.offset_ns = (np.zeros(count, np.int64) for _ in range(4))

    def use(self, wanted: bool) -> None:
        """Bring the arrays, or the streams, up to date."""
        if wanted != self.in_use:
            for row in range(len(self._streams)):
                self.load(row) if wanted else self.store(row)
            self.in_use = wanted

    def load(self, row: int) -> None:
        """From a stream to the arrays."""
        stream = self._streams[row]
        self.frame[row], self.before[row], self.rank[row] = stream.frame, stream.before, stream.rank
        self.offset_ns[row], self.loose[row] = stream.offset_ns, stream.loose
        self.alone[row] = len(stream.sources) == 1 and stream.rank >= 0
        if self.alone[row]:
            (source,) = stream.sources.values()
            self.source[row] = self._sources.setdefault(source.cid, len(self._sources))
            self.sequence[row] = source.sequence
            self.at_ns[row], self.priority[row] = source.at_ns, source.priority

    def store(self, row: int) -> None:
        """From the arrays to a stream."""
        stream = self._streams[row]
        stream.frame, stream.before, stream.rank = int(self.frame[row]), int(self.before[row]), int(self.rank[row])
        stream.offset_ns, stream.loose = int(self.offset_ns[row]), bool(self.loose[row])
        if self.alone[row]:
            source: Source
            (source,) = stream.sources.values()
            source.sequence, source.at_ns = int(self.sequence[row]), int(self.at_ns[row])
            source.priority = int(self.priority[row])

    def knows(self, universes: Integers) -> npt.NDArray[np.bool_]:
        """Which of these universes have a stream."""
        return self._table[universes] >= 0

    def batch(self, packets: Packets) -> Batch:
        """Look at packets; `in_ranks` if it pays to take them many at a time."""
        streams = self._table[packets.universe]
        plain = (packets.kind == Kind.DATA) & (packets.start_code == 0) & (streams >= 0)
        plain &= packets.options & (PREVIEW | TERMINATED) == 0
        step_ns = np.diff(packets.at_ns, prepend=packets.at_ns[:1])
        plain &= (step_ns >= 0) & (step_ns <= SILENCE_NS)
        before = np.full(len(packets), -1)
        order = np.argsort(streams, kind="stable")
        again = np.flatnonzero(streams[order[1:]] == streams[order[:-1]])
        before[order[again + 1]] = order[again]
        next_of_source = packets.sequence == (packets.sequence[before] + 1) % 256
        next_of_source &= packets.source == packets.source[before]
        counts = np.bincount(streams[plain], minlength=1)
        odd = int((~(plain & (next_of_source | (before < 0)))).sum())
        together = len(packets) / max(1, int(counts.max()))
        in_ranks = together >= FEW and odd * FEW <= len(packets)
        numbers = [self._sources.setdefault(cid, len(self._sources)) for cid in packets.cids]
        sources = np.array(numbers, np.int64)[packets.source]
        return Batch(packets, *packets.rows(), streams, sources, before, np.flatnonzero(~plain), in_ranks)

    def stretch(self, batch: Batch, first: int) -> int:
        """The end of the packets from `first` on that are not barred, no stream among them twice."""
        bar = int(np.searchsorted(batch.bars, first))
        until = min(len(batch.packets), first + len(self._streams))
        if bar < len(batch.bars):
            until = min(until, int(batch.bars[bar]))
        again = batch.before[first:until] >= first
        return first + int(again.argmax()) if again.any() else until

    def follows(self, batch: Batch, first: int, until: int, at_ns: Integers) -> npt.NDArray[np.bool_]:
        """Which packets are the next of the one source that their universe has, and did not keep it waiting."""
        rows = batch.streams[first:until]
        follows: npt.NDArray[np.bool_] = self.alone[rows] & (batch.sources[first:until] == self.source[rows])
        follows &= batch.packets.sequence[first:until] == (self.sequence[rows] + 1) % 256  # 6.7.2
        follows &= at_ns - self.at_ns[rows] <= SILENCE_NS
        return follows

    def march(self, batch: Batch, first: int, until: int, at_ns: Integers, frame: int, offsets_ns: Integers) -> None:
        """Packets have been given a frame."""
        rows = batch.streams[first:until]
        self.sequence[rows] = batch.packets.sequence[first:until]
        self.priority[rows] = batch.packets.priority[first:until]
        self.at_ns[rows] = at_ns
        self.before[rows] = self.frame[rows]
        self.loose[rows] = (self.frame[rows] >= 0) & (self.frame[rows] < frame - 1)
        self.frame[rows] = frame
        self.offset_ns[rows] = offsets_ns
