"""The energy that nights took from the mains, by what the journal says was lit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

from gloaming.daemon.direction.score import State
from gloaming.daemon.reports.lit_stretches import LitStretch
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameReader
from gloaming.shows.rig.draw import MainsWatts, hung_spans, idle_ma, mains_w_per_ma, slot_ma
from gloaming.shows.rig.zones import areas, part_spans, parts_in
from gloaming.shows.time_units import SECOND_NS

SAMPLES = 40
"""The number of a piece's frames that are sampled for its mean power."""


class JournalEnergy:
    """`nights` are the zone and the show of each night. What an area shows counts for the night of its zone and show if
    there is one, else for the night of the whole rig."""

    def __init__(self, site: Site, nights: Iterable[tuple[str | None, str]]) -> None:
        self._site, self._nights = site, frozenset(nights)
        self._watts: dict[tuple[str, ...] | None, dict[str, MainsWatts]] = {}

    def of(self, held: Sequence[LitStretch], zone: str | None, show: str) -> float | None:
        """The energy of a night in Wh; None if it is not known."""
        rest, areas_held = ([one for one in held if bool(one.zones) is of_area] for of_area in (False, True))
        joules: list[float] = []

        def add(watts: dict[str, MainsWatts], lit: LitStretch, ns: int) -> None:
            if lit.state == State.PLAYING and lit.piece in watts:
                joules.append(watts[lit.piece].at(lit.level) * ns / SECOND_NS)

        for one in rest if zone is None else ():
            add(self._of(None), one, one.until_ns - one.from_ns)
        for area in areas_held:
            beside = [one for one in areas_held if _overlap_ns(one, area) > 0]
            watts = self._of(self._strings(area, beside))
            for one in rest if zone is None else ():
                add(watts, one, -max(0, _overlap_ns(one, area)))
            own = [one for one in area.zones if (one, area.show) in self._nights]
            if (zone in own and area.show == show) if own else zone is None:
                add(watts, area, area.until_ns - area.from_ns)
        return round(sum(joules) / 3600, 1) if joules else None

    def _strings(self, area: LitStretch, beside: Sequence[LitStretch]) -> tuple[str, ...]:
        """The strings of an area, as the zones of the areas beside it part the rig."""
        names = sorted({name for one in beside for name in one.zones if name in self._site.zones})
        parts = areas({name: self._site.zones[name] for name in names})
        spans = next((one.spans for one in parts if one.zones == area.zones), ())
        return parts_in(spans, part_spans(self._site.rig)["string"])

    def _of(self, strings: tuple[str, ...] | None) -> dict[str, MainsWatts]:
        if strings not in self._watts:
            self._watts[strings] = _watts(self._site, strings)
        return self._watts[strings]


def _overlap_ns(one: LitStretch, other: LitStretch) -> int:
    return min(one.until_ns, other.until_ns) - max(one.from_ns, other.from_ns)


def _watts(site: Site, names: tuple[str, ...] | None) -> dict[str, MainsWatts]:
    """The mean power of each readable piece, on these strings or on all. Empty if none has a supply or volts."""
    rig = site.rig
    known = [
        (ma, watts, string)
        for ma, watts, string in zip(slot_ma(rig), mains_w_per_ma(rig), rig.string, strict=True)
        if names is None or string.name in names
    ]
    strings = tuple((ma * watts, tuple(hung_spans(string))) for ma, watts, string in known if watts)
    idle = sum(idle_ma(string) * watts for _, watts, string in known)
    found: dict[str, MainsWatts] = {}
    for name, piece in site.pieces.items():
        light = _sampled_watts(piece.frames, piece.info.frames, strings) if strings and piece.info else None
        if light is not None:
            found[name] = MainsWatts(light, idle)
    return found


@lru_cache(maxsize=200)
def _sampled_watts(
    path: Path, frames: int, strings: tuple[tuple[float, tuple[tuple[int, int, int], ...]], ...]
) -> float | None:
    total, looked = 0.0, 0
    try:
        with FrameReader(path) as reader:
            offsets = {universe.number: (universe.offset, universe.slots) for universe in reader.info.universes}
            for number in range(0, frames, max(1, frames // SAMPLES)):
                frame = reader.frame(number)
                looked += 1
                for watts, spans in strings:
                    for universe, first, last in spans:
                        offset, slots = offsets.get(universe, (0, 0))
                        total += watts * float(frame[offset + first - 1 : offset + min(last, slots)].sum()) / 255
    except InputError:
        return None
    return total / looked if looked else None
