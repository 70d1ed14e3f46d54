"""The attributes of a site that direction reads. A site read from its folder has them, and plain values in a test.

Instants and lengths are integer nanoseconds. Sites are compared by identity, because they are keys of caches.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from pathlib import PurePath
from typing import Literal, Protocol
from zoneinfo import ZoneInfo

from gloaming.daemon.timetable.nights import Timetable
from gloaming.daemon.timetable.rules import HoursRule
from gloaming.shows.rig.zones import Spans


class LightRule(HoursRule, Protocol):
    """Hours that limit the light, in a zone (None: the whole rig)."""

    @property
    def zone(self) -> str | None: ...


class DimRule(LightRule, Protocol):
    """Hours that are no brighter than `brightness` (0..1)."""

    @property
    def brightness(self) -> float: ...


class QuietRule(HoursRule, Protocol):
    """Hours that are no louder than `volume` (0..1)."""

    @property
    def volume(self) -> float: ...


class NeighboursProtocol(Protocol):
    """The neighbours' hours. `rig_check` is the brightness of a rig check in dark hours (0..1), None: refused."""

    @property
    def dark(self) -> tuple[LightRule, ...]: ...
    @property
    def quiet(self) -> tuple[QuietRule, ...]: ...
    @property
    def dim(self) -> tuple[DimRule, ...]: ...
    @property
    def rig_check(self) -> float | None: ...


class OutputZoneProtocol(Protocol):
    """The brightness (0..1) of a zone."""

    @property
    def name(self) -> str: ...
    @property
    def brightness(self) -> float: ...
    @property
    def place(self) -> str: ...


class OutputProtocol(Protocol):
    """The brightness of everything (0..1), that of zones, the length of fades, and the place in the file."""

    @property
    def brightness(self) -> float: ...
    @property
    def fade(self) -> int: ...
    @property
    def place(self) -> str: ...
    @property
    def zone(self) -> tuple[OutputZoneProtocol, ...]: ...


class SoundProtocol(Protocol):
    """The volume of everything (0..1)."""

    @property
    def volume(self) -> float: ...


class ShowProtocol(Protocol):
    """A running order: pieces by name, and what comes between them."""

    @property
    def name(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def order(self) -> tuple[str, ...]: ...
    @property
    def play(self) -> Literal["in-order", "shuffled"]: ...
    @property
    def gap(self) -> int: ...
    @property
    def cross_fade(self) -> int: ...
    @property
    def start_every(self) -> int | None: ...
    @property
    def between(self) -> str | None: ...


class FramesProtocol(Protocol):
    """The frames of a frame file: how many, and how many a second."""

    @property
    def frames(self) -> int: ...
    @property
    def fps(self) -> Fraction: ...


class PieceProtocol(Protocol):
    """A piece: the paths of its files, and what is known of them. `info` is None where it cannot be played.

    `sound_ns` is the length of its sound where that differs from the length of its frames. `damaged` has the intervals
    in which its frames were known to be damaged (an end of None: they still are).
    """

    @property
    def frames(self) -> PurePath: ...
    @property
    def sound(self) -> PurePath | None: ...
    @property
    def info(self) -> FramesProtocol | None: ...
    @property
    def sound_ns(self) -> int | None: ...
    @property
    def damaged(self) -> tuple[tuple[int, int | None], ...]: ...


class SiteProtocol(Timetable, Protocol):
    """A site, or a view of it: the part of its rules that concerns some slots of the rig."""

    @property
    def timezone(self) -> ZoneInfo: ...
    @property
    def neighbours(self) -> NeighboursProtocol: ...
    @property
    def output(self) -> OutputProtocol: ...
    @property
    def sound(self) -> SoundProtocol: ...
    @property
    def shows(self) -> Mapping[str, ShowProtocol]: ...
    @property
    def pieces(self) -> Mapping[str, PieceProtocol]: ...

    @property
    def zones(self) -> Mapping[str, Spans]:
        """The slots of everything in the rig that has a name: zones, strings, fixtures and controllers."""
        ...

    @property
    def zones_with_rules(self) -> frozenset[str]:
        """The names of `zones` that hours, performances and brightnesses have."""
        ...

    def in_zones(self, zones: frozenset[str]) -> SiteProtocol:
        """The site as slots in these zones see it: only the rules for one of them, or for the whole rig.

        Always the same view for the same rules. A site without rules for zones is its own view.
        """
        ...

    def reaches(self, pieces: Iterable[str], zone: str) -> bool:
        """Whether one of some pieces has a slot of a zone."""
        ...

    def goes_round(self, show: str) -> bool:
        """Whether a show repeats one piece with nothing between, so that it is one picture that repeats."""
        ...
