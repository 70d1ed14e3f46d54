"""A site of plain values, without a file: the boathouse's evening from 17:00 to 22:00, dark from 22:30 to 07:00."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import time
from fractions import Fraction
from pathlib import PurePath
from typing import Literal
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.site_protocol import OutputZoneProtocol, SiteProtocol
from gloaming.daemon.timetable.dates import Dates
from gloaming.daemon.timetable.sun import Spot
from gloaming.daemon.timetable.times import TimeExpression
from gloaming.shows.rig.zones import Spans

LONDON = ZoneInfo("Europe/London")


def clock(text: str) -> TimeExpression:
    return TimeExpression(text, clock=time.fromisoformat(text))


@dataclass(frozen=True, eq=False)
class PlainHours:
    from_: TimeExpression
    to: TimeExpression
    place: str = "a test"
    season: Dates | None = None
    days: frozenset[int] | None = None
    dates: tuple[Dates, ...] | None = None
    rrule: str | None = None
    except_: tuple[Dates, ...] = ()

    @property
    def contents(self) -> list[tuple[str, object]]:
        return [("from", self.from_.text), ("to", self.to.text)]


@dataclass(frozen=True, eq=False)
class PlainDark(PlainHours):
    zone: str | None = None


@dataclass(frozen=True, eq=False)
class PlainQuiet(PlainHours):
    volume: float = 0.0


@dataclass(frozen=True, eq=False)
class PlainDim(PlainDark):
    brightness: float = 0.5


@dataclass(frozen=True, eq=False)
class PlainPerformance(PlainHours):
    show: str = "evening"
    not_before: TimeExpression | None = None
    not_after: TimeExpression | None = None
    at_close: Literal["finish", "cut"] = "cut"
    grace: int = 0
    rank: int = 0
    alone: bool = False
    zone: str | None = None


@dataclass(frozen=True)
class PlainNeighbours:
    dark: tuple[PlainDark, ...] = (PlainDark(clock("22:30"), clock("07:00")),)
    quiet: tuple[PlainQuiet, ...] = (PlainQuiet(clock("21:00"), clock("09:00")),)
    dim: tuple[PlainDim, ...] = (PlainDim(clock("21:30"), clock("23:00")),)
    rig_check: float | None = None


@dataclass(frozen=True)
class PlainOutput:
    brightness: float = 0.8
    fade: int = 1_000_000_000
    place: str = "a test"
    zone: tuple[OutputZoneProtocol, ...] = ()


@dataclass(frozen=True)
class PlainSound:
    volume: float = 1.0


@dataclass(frozen=True)
class PlainShow:
    name: str = "evening"
    place: str = "a test"
    order: tuple[str, ...] = ("tide",)
    play: Literal["in-order", "shuffled"] = "in-order"
    gap: int = 0
    cross_fade: int = 0
    start_every: int | None = None
    between: str | None = None


@dataclass(frozen=True)
class PlainFrames:
    frames: int = 100
    fps: Fraction = Fraction(40)


@dataclass(frozen=True)
class PlainPiece:
    frames: PurePath
    sound: PurePath | None
    info: PlainFrames | None = PlainFrames()
    sound_ns: int | None = None
    damaged: tuple[tuple[int, int | None], ...] = ()


TIDE = PlainPiece(PurePath("/nowhere/tide.frames"), PurePath("/nowhere/tide.flac"))
QUAY = Spot(54.486, -0.613, 12.0, LONDON)


@dataclass(frozen=True, eq=False)
class PlainSite:
    spot: Spot = QUAY
    if_no_sunset: TimeExpression | None = None
    performances: tuple[PlainPerformance, ...] = (PlainPerformance(clock("17:00"), clock("22:00")),)
    neighbours: PlainNeighbours = PlainNeighbours()
    output: PlainOutput = PlainOutput()
    sound: PlainSound = PlainSound()
    shows: dict[str, PlainShow] = field(default_factory=lambda: {"evening": PlainShow()})
    pieces: dict[str, PlainPiece] = field(default_factory=lambda: {"tide": TIDE})
    timezone: ZoneInfo = LONDON
    zones: dict[str, Spans] = field(default_factory=dict)
    zones_with_rules: frozenset[str] = frozenset()

    @property
    def dark(self) -> tuple[PlainDark, ...]:
        return self.neighbours.dark

    def in_zones(self, zones: frozenset[str]) -> SiteProtocol:
        return self

    def reaches(self, pieces: Iterable[str], zone: str) -> bool:
        return True

    def goes_round(self, show: str) -> bool:
        return len(self.shows[show].order) == 1


SITE: SiteProtocol = PlainSite()
