"""Counts of a recording, and the report of them to a person."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import as_written
from gloaming.shows.protocols.artnet.parse import NO_UNIVERSE
from gloaming.shows.protocols.datagrams import UNMAPPED, PacketKind, PacketReader, Packets
from gloaming.shows.time_units import SECOND_NS

SHOWN = 6


@dataclass
class SourceCounts:
    """Counts of a recording. All are packets unless the name says otherwise."""

    reader: PacketReader
    data: int = 0
    synchronizations: int = 0
    other: int = 0  # of another protocol
    cut: int = 0
    malformed: int = 0
    dropped: int = 0  # by this machine
    lost: Counter[int] = field(default_factory=Counter)  # by universe
    synchronizations_lost: int = 0
    repeated: int = 0
    out_of_order: int = 0
    shared: set[bytes] = field(default_factory=set)  # sources that number all their packets together
    restarts: int = 0  # a source began its sequence numbers anew
    late: Counter[int] = field(default_factory=Counter)  # after the frame they belong to
    preview: int = 0
    start_codes: Counter[int] = field(default_factory=Counter)
    terminated: Counter[int] = field(default_factory=Counter)
    silences: Counter[int] = field(default_factory=Counter)  # a universe fell silent without a termination
    not_chosen: Counter[int] = field(default_factory=Counter)
    longer: Counter[int] = field(default_factory=Counter)
    gave_way: dict[int, set[bytes]] = field(default_factory=dict)  # sources of lower priority, by universe
    merged: dict[int, set[bytes]] = field(default_factory=dict)  # sources of equal priority, by universe
    names: dict[bytes, str] = field(default_factory=dict)  # of sources, as a person reads them
    frames: int = 0
    frames_lost: int = 0  # repeated because packets were lost
    frames_filled: int = 0  # repeated because nothing came
    frames_before: int = 0  # left out at the beginning, before all universes had come
    clock_jumps: int = 0
    silence_cut_s: float = 0.0
    began_s: dict[int, float] = field(default_factory=dict)  # universes that began after the others
    stopped_s: dict[int, float] = field(default_factory=dict)  # universes that ended long before the recording
    measured_fps: float | None = None
    rates: tuple[float, float] | None = None  # the slowest and the fastest lasting rate
    elapsed_s: float = 0.0

    @property
    def lost_in_all(self) -> int:
        return self.lost.total()

    def count(self, packets: Packets) -> None:
        """Count packets by kind."""
        kinds = np.bincount(packets.kind, minlength=len(PacketKind)).tolist()
        self.data += kinds[PacketKind.DATA]
        self.cut += kinds[PacketKind.CUT]
        self.malformed += kinds[PacketKind.MALFORMED]
        self.other += kinds[PacketKind.OTHER]

    def lines(self, fps: Fraction | None) -> Iterator[str]:
        """The report, line by line. The first line is always there."""
        measured = f"; measured {self.measured_fps:.5g} frames a second" if self.measured_fps else ""
        yield (
            f"{self.data} packets, {self.lost_in_all} lost, {self.repeated} repeated,"
            f" {self.out_of_order} out of order{measured}"
        )
        if fps and self.measured_fps and abs(self.measured_fps / float(fps) - 1) > 0.005:
            yield f"the stream ran at {self.measured_fps:.5g} frames a second, but the file plays at {float(fps):.5g}"
        if self.rates and self.rates[1] > 1.03 * self.rates[0]:
            slow, fast = self.rates
            yield f"the rate changed from {slow:.4g} to {fast:.4g} frames a second; record each part separately"
        if self.lost:
            yield f"packets lost{self._by('6.7.2')}: {_by_universe(self.lost)}"
        if self.dropped:
            yield f"{self.dropped} packets were dropped by this machine, which could not keep up"
        if self.frames_lost or self.frames_filled:
            yield f"frames repeated: {self.frames_lost} for lost packets, {self.frames_filled} because nothing came"
        if self.late:
            yield f"packets that came late, and were put into their frame: {_by_universe(self.late)}"
        yield from self._late_beginnings()
        for source in sorted(self.shared & self.names.keys()):
            yield f"{self.names[source]} numbers the packets of all its universes together: lost ones are not counted"
        if self.restarts:
            yield f"a source began its sequence numbers anew {self.restarts} times"
        if self.synchronizations or self.synchronizations_lost:
            numbered = self.reader.name is ProtocolName.E131  # an ArtSync has no number that shows a loss
            lost = f", {self.synchronizations_lost} lost" if numbered else ""
            yield f"{self.synchronizations} synchronization packets{lost}"
        yield from self._sources()
        if self.terminated:
            yield f"ended by their source{self._by('6.2.6')}: {_by_universe(self.terminated)}"
        if self.silences:
            loss_s = self.reader.data_loss_ns / SECOND_NS
            silent = f"silent for more than {loss_s:g} s{self._by('6.7.1')}, the last frame was held"
            yield f"{silent}: {_by_universe(self.silences)}"
        if self.stopped_s:
            first, last = min(self.stopped_s.values()), max(self.stopped_s.values())
            when = f"{first:.1f}" if last - first < 0.1 else f"{first:.1f} to {last:.1f}"
            silent = ranges(list(self.stopped_s))
            yield f"{silent} stopped {when} s after the first packet, and did not come back; the last frame is held"
        if self.not_chosen:
            yield f"packets of universes that are not recorded: {_by_universe(self.not_chosen)}"
        if UNMAPPED in self.not_chosen:
            yield NO_UNIVERSE
        if self.longer:
            yield f"packets with slots that are not in the file: {_by_universe(self.longer)}"
        yield from self._ignored()

    def _late_beginnings(self) -> Iterator[str]:
        together: dict[str, list[int]] = {}
        for universe, at_s in sorted(self.began_s.items(), key=lambda one: one[1]):
            together.setdefault(f"{at_s:.1f}", []).append(universe)
        for at, universes in list(together.items())[:SHOWN]:
            yield f"{ranges(universes)} began {at} s after the first; black until then"
        if len(together) > SHOWN:
            yield f"{sum(map(len, together.values()))} universes in all began after the others"

    def _sources(self) -> Iterator[str]:
        equal = "sources of equal priority" if self.reader.name is ProtocolName.E131 else "sources"
        for text, fights in (
            (f"{equal} were merged, the highest level counts", self.merged),
            ("a source of lower priority gave way", self.gave_way),
        ):
            by_sources: dict[frozenset[bytes], list[int]] = {}
            for universe, sources in fights.items():
                by_sources.setdefault(frozenset(sources), []).append(universe)
            for together, universes in list(by_sources.items())[:SHOWN]:
                names = ", ".join(sorted(self.names[source] for source in together))
                yield f"{text}{self._by('6.2.3')}: {names} on {ranges(universes)}"

    def _by(self, section: str) -> str:
        """The section of E1.31 that a text is about. Empty with another protocol."""
        return f" (E1.31 {section})" if self.reader.name is ProtocolName.E131 else ""

    def _ignored(self) -> Iterator[str]:
        codes = ", ".join(f"0x{code:02x} {count} times" for code, count in self.start_codes.most_common(SHOWN))
        for count, text in (
            (self.preview, "packets of preview data (E1.31 6.2.6); --preview records them"),
            (self.start_codes.total(), f"packets of other start codes, which are not levels: {codes}"),
            (self.malformed, f"packets of {self.reader.name.words} that are malformed"),
            (self.cut, "packets that are cut short; capture with a larger snapshot length"),
            (self.other, f"packets that are not {self.reader.name.words}"),
        ):
            if count:
                yield f"ignored: {count} {text}"
        if self.frames_before:
            yield f"left out at the beginning, before all universes had come: {self.frames_before} frames"
        if self.clock_jumps:
            yield f"the clock jumped {self.clock_jumps} times; the frames continue as if it had not"
        if self.silence_cut_s:
            yield f"silence cut out: {self.silence_cut_s:.0f} s"


def _by_universe(counts: Counter[int]) -> str:
    few = counts.most_common(SHOWN)
    text = ", ".join(f"{ranges([universe])} {count}" for universe, count in few)
    return f"{text} and {len(counts) - SHOWN} more" if len(counts) > SHOWN else text


def ranges(numbers: list[int]) -> str:
    """Universes as a person reads them: `universes 1-13, 20`; then port-addresses without one: `port-address 0:0:0`."""
    universes = [number for number in numbers if number < UNMAPPED]
    others = [number - UNMAPPED for number in numbers if number >= UNMAPPED]
    texts = (_ranges("universe", universes, str), _ranges("port-address", others, as_written))
    return " and ".join(text for text in texts if text)


def _ranges(noun: str, numbers: list[int], written: Callable[[int], str]) -> str:
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    plural = noun + ("es" if noun.endswith("s") else "s")
    text = ", ".join(written(a) if a == b else f"{written(a)}-{written(b)}" for a, b in runs)
    return f"{plural if len(numbers) > 1 else noun} {text}" if runs else ""
