"""Decides which packets count, universe by universe: sequence, priority, merging, silence, termination."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from gloaming.shows.protocols.datagrams import PacketReader
from gloaming.shows.protocols.e131 import OLD_STEPS, TERMINATED
from gloaming.shows.protocols.packets import Bytes
from gloaming.shows.recording.report import SourceCounts

LEAD_NS = 500_000_000
"""How long a leading source may be silent before another leads: unchanged data (6.6.2) give no frames."""

COPY_NS = 5_000_000
"""A synchronization packet without a number that comes sooner after another is a copy of it, to another destination."""

DISCARD = -1
ASIDE = -2


@dataclass(slots=True)
class SentSource:
    """One source on one universe. `key` is as in `Packets.sources`.

    `sequence` is its last number, `sequences` the last number of each start code. `levels` are stored only while there
    are other sources. The priority is -1 before the first levels.
    """

    key: bytes
    sequence: int
    at_ns: int
    priority: int
    sequences: dict[int, int]
    levels: Bytes | None = None


@dataclass(slots=True)
class Stream:
    """One incoming universe, and its place in the frames. `step` and `loss_ns` are those of its `PacketReader`.

    `frame` is the frame of its last packet, `before` that of the packet before. `rank` is its turn in a frame.
    `offset_ns` is its usual time after the beginning of a frame. `at_ns` is the time of its last packet. `loose` means
    that the last packet may belong to the frame before. `leader` is the source whose packets make the frames. `shared`
    has the last numbers (by start code) of sources that number the packets of all their universes together.
    """

    number: int
    row: int
    step: Callable[[int, int], int]
    loss_ns: int
    shared: Mapping[bytes, dict[int, int]] = field(default_factory=dict)
    sources: dict[bytes, SentSource] = field(default_factory=dict)
    frame: int = -1
    before: int = -2
    rank: int = -1
    offset_ns: int = 0
    at_ns: int = 0
    loose: bool = False
    leader: bytes = b""


def take(
    stream: Stream,
    counts: SourceCounts,
    key: bytes,
    sequence: int,
    priority: int,
    options: int,
    start_code: int,
    at_ns: int,
) -> int:
    """Take a packet of a universe. Returns how many packets were lost before it.

    `DISCARD`: the packet does not count. `ASIDE`: another source leads, and this one at most adds to its levels.
    """
    source = stream.sources.get(key)
    lost = 0
    if source is None:
        if options & TERMINATED:
            return DISCARD
        source = stream.sources[key] = SentSource(
            key, sequence, at_ns, -1 if start_code else priority, stream.shared.get(key, {})
        )
    else:
        before = source.sequences.get(start_code)
        ahead = 1 if before is None else stream.step(sequence, before)
        silence_ns, source.at_ns = at_ns - source.at_ns, at_ns
        if silence_ns > stream.loss_ns:  # 6.7.1: the source was gone, and may begin with any number
            counts.silences[stream.number] += 1
        elif ahead in OLD_STEPS:
            if ahead:
                counts.out_of_order += 1
            else:
                counts.repeated += 1
            return DISCARD
        elif ahead < 0:
            counts.restarts += 1
        elif key not in stream.shared:
            lost = ahead - 1
        if lost and (of_all := stream.step(sequence, source.sequence)) > 0:  # start codes may share one sequence
            lost = min(lost, of_all - 1)
        if lost:
            counts.lost[stream.number] += lost
        source.sequence = sequence
        source.priority = source.priority if start_code else priority
    source.sequences[start_code] = sequence
    if options & TERMINATED:  # 6.2.6: the data of this packet are not used
        del stream.sources[key]
        counts.terminated[stream.number] += 1
        return DISCARD
    if start_code:
        counts.start_codes[start_code] += 1
        return DISCARD
    return lost if len(stream.sources) == 1 else _contest(stream, source, counts, lost)


def _contest(stream: Stream, source: SentSource, counts: SourceCounts, lost: int) -> int:
    """The highest priority wins (6.2.3). Of equal ones the first active source leads. The others are merged into it."""
    for one in list(stream.sources.values()):
        if source.at_ns - one.at_ns > stream.loss_ns:
            del stream.sources[one.key]
    top = max(one.priority for one in stream.sources.values())
    if source.priority < top:
        counts.gave_way.setdefault(stream.number, set()).add(source.key)
        return ASIDE
    winners = [one for one in stream.sources.values() if one.priority == top]
    if len(winners) > 1:
        counts.merged.setdefault(stream.number, set()).update(one.key for one in winners)
    leader = next((one for one in winners if one.key == stream.leader), winners[0])
    stream.leader = source.key if source.at_ns - leader.at_ns > LEAD_NS else leader.key
    return lost if stream.leader == source.key else ASIDE


def shown(stream: Stream, before: Bytes) -> Bytes:
    """The levels of a universe with several sources: the highest of the winners, or `before` without levels yet."""
    top = max(one.priority for one in stream.sources.values())
    levels = [one.levels for one in stream.sources.values() if one.priority == top and one.levels is not None]
    return np.maximum.reduce(levels) if levels else before


@dataclass(slots=True)
class _SyncRun:
    """Synchronization packets with one sequence of numbers, to one or several destinations.

    `since`: how many came since the last packet of the run that counts. `at_ns`: when the last one came.
    """

    sequence: int
    at_ns: int
    since: int = 0


class Synchronizations:
    """Decides which synchronization packets count.

    A source sends one to each destination, and may number each destination separately. One run of numbers counts, until
    another run continues without it. Packets without numbers are of one run.
    """

    def __init__(self, reader: PacketReader) -> None:
        self._reader = reader
        self._runs: dict[int, list[_SyncRun]] = {}  # by address; the run that counts is first

    def take(self, address: int, sequence: int, at_ns: int) -> int:
        """Take a synchronization packet (6.3). Returns how many were lost before it, or `DISCARD`."""
        runs = self._runs.setdefault(address, [])
        for run in runs:
            ahead = self._reader.step(sequence, run.sequence)
            if sequence == self._reader.no_number and abs(at_ns - run.at_ns) < COPY_NS:
                ahead = 0
            if abs(ahead) < len(OLD_STEPS):
                break
        else:
            run, ahead = _SyncRun(sequence, at_ns), 1
            runs.append(run)
        if ahead <= 0:  # 6.7.2
            return DISCARD
        run.sequence, run.at_ns = sequence, at_ns
        run.since += 1
        if run is not runs[0]:
            if run.since < 2:
                return DISCARD
            runs.remove(run)
            runs.insert(0, run)
        for one in runs:
            one.since = 0
        return ahead - 1
