"""`decide` and `score` for the whole rig: the rest, and each area that rules or overrides for zones tell apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gloaming.daemon.direction.decide import Decision, decide_area, near, score
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.segments import Segments, light_of
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.zones_in_force import REST, areas_of
from gloaming.shows.rig.zones import Area
from gloaming.shows.time_units import MINUTE_NS

FADED_NS = MINUTE_NS
"""An override that ended so long ago lights and dims nothing: every fade is over."""


@dataclass(frozen=True, slots=True)
class AreaDecisions:
    """What must be on the wire at an instant: in the rest of the rig, which also has the sound, and in each area."""

    rest: Decision
    areas: tuple[tuple[Area, Decision], ...]


@dataclass(frozen=True, slots=True)
class AreaScore:
    """What must be on the wire over a stretch of time: the rest, with what is heard, and each area with other light."""

    rest: Segments
    areas: tuple[tuple[Area, Segments], ...]


def decide_areas(
    at_ns: int, site: SiteProtocol, overrides: Iterable[Override] = (), held: tuple[HeldRule, ...] = ()
) -> AreaDecisions:
    """`decide` for the rest and for each area."""
    overrides = tuple(overrides)
    parts = areas_of(site, near(overrides, at_ns))
    return AreaDecisions(
        decide_area(at_ns, site, overrides, held, REST),
        tuple((area, decide_area(at_ns, site, overrides, held, area.zones)) for area in parts),
    )


def score_areas(
    from_ns: int,
    until_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    held: tuple[HeldRule, ...] = (),
) -> AreaScore:
    """`score` for the rest and for each area. An area that shows the same light as the rest is left out."""
    overrides = tuple(overrides)
    rest = score(from_ns, until_ns, site, overrides, held)
    recent = (one for one in overrides if one.at_ns < until_ns and one.end_ns > from_ns - FADED_NS)
    parts = [(area, score(from_ns, until_ns, site, overrides, held, area.zones)) for area in areas_of(site, recent)]
    light = light_of(rest)
    return AreaScore(rest, tuple((area, segments) for area, segments in parts if light_of(segments) != light))
