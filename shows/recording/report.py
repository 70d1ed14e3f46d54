"""What a recording met, counted; and the lines in which a person is told of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from gloaming.shows.protocols.e131.parse import PacketKind, Packets

SHOWN = 6


@dataclass
class SourceCounts:
    """Counts of a recording. All are packets unless the name says otherwise."""

    data: int = 0
    synchronizations: int = 0
    other: int = 0  # not E1.31
    cut: int = 0
    malformed: int = 0
    dropped: int = 0  # by this machine
    lost: Counter[int] = field(default_factory=Counter)  # by universe
    synchronizations_lost: int = 0
    repeated: int = 0
    out_of_order: int = 0
    restarts: int = 0  # sequence numbers that begin anew
    late: Counter[int] = field(default_factory=Counter)  # after the frame they belong to
    preview: int = 0
    start_codes: Counter[int] = field(default_factory=Counter)
    terminated: Counter[int] = field(default_factory=Counter)
    silences: Counter[int] = field(default_factory=Counter)  # times a universe fell silent without a word
    not_chosen: Counter[int] = field(default_factory=Counter)
    longer: Counter[int] = field(default_factory=Counter)
    gave_way: dict[int, set[bytes]] = field(default_factory=dict)  # sources of lower priority, by universe
    merged: dict[int, set[bytes]] = field(default_factory=dict)  # sources of equal priority, by universe
    names: dict[bytes, str] = field(default_factory=dict)  # of sources, by CID
    frames: int = 0
    frames_lost: int = 0  # that stand still because their packets were lost
    frames_filled: int = 0  # that stand still because nothing new came in their time
    frames_before: int = 0  # left out at the beginning, not all universes being there yet
    clock_jumps: int = 0
    silence_cut_s: float = 0.0
    began_s: dict[int, float] = field(default_factory=dict)  # universes that began after the others
    stopped_s: dict[int, float] = field(default_factory=dict)  # universes that came no more, long before the end
    measured_fps: float | None = None
    rates: tuple[float, float] | None = None  # the slowest and the fastest that lasted
    elapsed_s: float = 0.0

    @property
    def lost_in_all(self) -> int:
        return self.lost.total()

    def count(self, packets: Packets) -> None:
        """Count them by kind."""
        kinds = np.bincount(packets.kind, minlength=len(PacketKind)).tolist()
        self.data += kinds[PacketKind.DATA]
        self.cut += kinds[PacketKind.CUT]
        self.malformed += kinds[PacketKind.MALFORMED]
        self.other += kinds[PacketKind.OTHER]

    def lines(self, fps: Fraction | None) -> Iterator[str]:
        """What there is to say, a line each; the first is always there."""
        measured = f"; measured {self.measured_fps:.5g} frames a second" if self.measured_fps else ""
        yield (
            f"{self.data} packets, {self.lost_in_all} lost, {self.repeated} repeated,"
            f" {self.out_of_order} out of order{measured}"
        )
        if fps and self.measured_fps and abs(self.measured_fps / float(fps) - 1) > 0.005:
            yield f"the stream ran at {self.measured_fps:.5g} frames a second, but is to be played at {float(fps):.5g}"
        if self.rates and self.rates[1] > 1.03 * self.rates[0]:
            slow, fast = self.rates
            yield f"its rate changed on the way, from {slow:.4g} to {fast:.4g} a second; record the parts one by one"
        if self.lost:
            yield f"lost on the way (E1.31 6.7.2): {_by_universe(self.lost)}"
        if self.dropped:
            yield f"{self.dropped} packets were dropped by this machine, which could not keep up"
        if self.frames_lost or self.frames_filled:
            yield f"frames that stand still: {self.frames_lost} for lost packets, {self.frames_filled} for lack of news"
        if self.late:
            yield f"came after their frame, and were put back into it: {_by_universe(self.late)}"
        yield from self._late_beginnings()
        if self.restarts:
            yield f"{self.restarts} times the sequence numbers of a source began anew"
        if self.synchronizations or self.synchronizations_lost:
            yield f"{self.synchronizations} synchronization packets, {self.synchronizations_lost} lost"
        yield from self._sources()
        if self.terminated:
            yield f"ended by their source (E1.31 6.2.6): {_by_universe(self.terminated)}"
        if self.silences:
            yield f"silent for more than 2.5 s (E1.31 6.7.1), the last look held: {_by_universe(self.silences)}"
        if self.stopped_s:
            first, last = min(self.stopped_s.values()), max(self.stopped_s.values())
            when = f"{first:.1f}" if last - first < 0.1 else f"{first:.1f} to {last:.1f}"
            silent = ranges(list(self.stopped_s))
            yield f"{silent} stopped {when} s after the first packet, and did not come back; the last look stands"
        if self.not_chosen:
            yield f"left out, not among the universes recorded: {_by_universe(self.not_chosen)}"
        if self.longer:
            yield f"slots came that are not in the file: {_by_universe(self.longer)}"
        yield from self._passed_over()

    def _late_beginnings(self) -> Iterator[str]:
        together: dict[str, list[int]] = {}
        for universe, at_s in sorted(self.began_s.items(), key=lambda one: one[1]):
            together.setdefault(f"{at_s:.1f}", []).append(universe)
        for at, universes in list(together.items())[:SHOWN]:
            yield f"{ranges(universes)} began {at} s after the first; black until then"
        if len(together) > SHOWN:
            yield f"{sum(map(len, together.values()))} universes in all began after the others"

    def _sources(self) -> Iterator[str]:
        for text, fights in (
            ("sources of equal priority were merged, the highest level counts", self.merged),
            ("a source of lower priority gave way", self.gave_way),
        ):
            by_cids: dict[frozenset[bytes], list[int]] = {}
            for universe, cids in fights.items():
                by_cids.setdefault(frozenset(cids), []).append(universe)
            for together, universes in list(by_cids.items())[:SHOWN]:
                yield f"{text} (E1.31 6.2.3): {self._named(together)} on {ranges(universes)}"

    def _named(self, cids: frozenset[bytes]) -> str:
        return ", ".join(sorted(f"{self.names.get(cid, '')!r} ({cid.hex()[:8]})" for cid in cids))

    def _passed_over(self) -> Iterator[str]:
        codes = ", ".join(f"0x{code:02x} {count} times" for code, count in self.start_codes.most_common(SHOWN))
        for count, text in (
            (self.preview, "packets of preview data, not meant to be seen (E1.31 6.2.6); --preview records them"),
            (self.start_codes.total(), f"packets of other start codes, which are not levels: {codes}"),
            (self.malformed, "packets say they are E1.31 but are malformed"),
            (self.cut, "packets are cut short; record with a larger snapshot length"),
            (self.other, "packets are not E1.31"),
        ):
            if count:
                yield f"passed over: {count} {text}"
        if self.frames_before:
            yield f"left out at the beginning, until all universes had come: {self.frames_before} frames"
        if self.clock_jumps:
            yield f"the clock jumped {self.clock_jumps} times; the frames go on as if it had not"
        if self.silence_cut_s:
            yield f"silence cut out: {self.silence_cut_s:.0f} s"


def _by_universe(counts: Counter[int]) -> str:
    few = counts.most_common(SHOWN)
    text = ", ".join(f"universe {universe} {count}" for universe, count in few)
    return f"{text} and {len(counts) - SHOWN} more" if len(counts) > SHOWN else text


def ranges(numbers: list[int]) -> str:
    """Universes as a person reads them: `universes 1-13, 20`."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    text = ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in runs)
    return f"universe{'s' if len(numbers) > 1 else ''} {text}"
