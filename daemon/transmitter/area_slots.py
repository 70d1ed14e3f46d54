"""Divides the frame by the areas of a score and the zones of windows: when one of them changes, never per frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain

from gloaming.daemon.score.score import Score
from gloaming.daemon.score.windows import HeldWindow, NeighboursWindow, Windows
from gloaming.daemon.transmitter.frame_mixer import FrameMixer, Runs
from gloaming.shows.rig.zones import Area, Spans, areas


def has_areas(score: Score, windows: Windows, held: tuple[HeldWindow, ...]) -> bool:
    """Whether anything is not for all slots."""
    return bool(score.areas) or bool(_zones(windows, held))


def _zones(windows: Windows, held: tuple[HeldWindow, ...]) -> tuple[Spans, ...]:
    """The spans of all windows that are not for all slots."""
    spans = chain((one.spans for one in windows.windows), (one.spans for one in held))
    return tuple(dict.fromkeys(one for one in spans if one is not None))


@dataclass(frozen=True, slots=True)
class AreaSlots:
    """Slots with the same segments and the same windows. `place` is that in the score's areas; None for the others."""

    place: int | None
    runs: Runs
    score: Score
    windows: Windows
    held: tuple[HeldWindow, ...]


def divide(mixer: FrameMixer, score: Score, windows: Windows, held: tuple[HeldWindow, ...]) -> Iterator[AreaSlots]:
    """Divide the rig by the areas of a score and the zones of windows. The rest of the rig comes first."""
    limited = _zones(windows, held)
    names = {spans: f"window {number}" for number, spans in enumerate(limited)}
    runs = [(mixer.runs(one.spans), one.zones) for one in _areas(tuple(area.spans for area in score.areas), limited)]
    scores = [replace(score, segments=area.segments, areas=()) for area in score.areas]

    def part(place: int | None, mine: Runs, zones: frozenset[str]) -> AreaSlots:
        def binds(window: NeighboursWindow | HeldWindow) -> bool:
            return window.spans is None or names[window.spans] in zones

        bound = replace(windows, windows=tuple(filter(binds, windows.windows)))
        return AreaSlots(place, mine, score if place is None else scores[place], bound, tuple(filter(binds, held)))

    yield part(None, _rest(mixer.size, chain.from_iterable(mine for mine, _ in runs)), frozenset())
    for mine, zones in runs:
        if mine:
            own = (place for place in range(len(scores)) if f"area {place}" in zones)
            yield part(next(own, None), mine, zones)


@lru_cache(maxsize=4)
def _areas(own: tuple[Spans, ...], limited: tuple[Spans, ...]) -> tuple[Area, ...]:
    """The areas into which a score's areas and the zones of windows part a rig. Most scores have those of the last."""
    zones = {f"area {number}": spans for number, spans in enumerate(own)}
    return areas(zones | {f"window {number}": spans for number, spans in enumerate(limited)})


def _rest(size: int, taken: Iterable[tuple[int, int]]) -> Runs:
    """The stretches of a frame that are not taken."""
    edges = [0, *chain.from_iterable(sorted(taken)), size]
    return tuple((begin, end) for begin, end in zip(edges[::2], edges[1::2], strict=True) if begin < end)
