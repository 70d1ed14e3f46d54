"""A site: what site.toml and rig.toml say, with the headers of the frame files. It reads no file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from gloaming.daemon.site.checks import reaches
from gloaming.daemon.site.schema import ClockTable, Neighbours, OutputTable, Phone, Show, Sound, SurveyTable
from gloaming.daemon.site.schema_boards import Board, Sharing
from gloaming.daemon.site.schema_delivery import Alert, Hook
from gloaming.daemon.site.schema_outside import Hold, Public, Trigger
from gloaming.daemon.site.schema_rules import DimHours, Hours, Performance
from gloaming.daemon.timetable.sun import Spot
from gloaming.daemon.timetable.times import TimeExpression
from gloaming.shows.config_files.errors import ConfigError
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.wire import sent_slots
from gloaming.shows.rig.zones import Spans, named_spans, zone_spans

R = TypeVar("R", Hours, DimHours, Performance)
SPARE_LOWER = 10
"""How much lower the priority of a spare is. An output of priority 0 cannot have one."""


@dataclass(frozen=True)
class Piece:
    """A frame file, with its sound file if it has one. `info` is None where the frame file cannot be played.

    `sound_ns` is the length of the sound where that differs from the length of the frames. `damaged` has the intervals
    in which the frames were known to be damaged (an end of None: they still are).
    """

    name: str
    frames: Path
    sound: Path | None
    place: str
    info: FrameFileInfo | None
    sound_ns: int | None = None
    damaged: tuple[tuple[int, int | None], ...] = ()
    title: str = ""
    artist: str = ""

    @property
    def length_ns(self) -> int | None:
        """The length of its frames or its sound, whichever is longer. None where it cannot be played."""
        return max(self.info.length_ns, self.sound_ns or 0) if self.info else None


def goes_round(show: Show, order: Sequence[Piece]) -> bool:
    """Whether an order repeats one piece with nothing between, so that it is one picture that repeats."""
    if len({piece.name for piece in order}) != 1 or show.gap or show.start_every or order[0].sound_ns is not None:
        return False
    return not show.cross_fade or bool(order[0].info and order[0].info.frames == 1)


def slots_of(rig: Rig, pieces: Mapping[str, Piece]) -> dict[int, int]:
    """How many slots of each universe of a rig are sent."""
    return sent_slots(rig, [piece.info for piece in pieces.values() if piece.info])


@dataclass(frozen=True, eq=False)
class Site:
    """The contents of a site's folder. Compared by identity: a site that was read again is another site."""

    folder: Path
    name: str
    spot: Spot
    if_no_sunset: TimeExpression | None
    neighbours: Neighbours
    output: OutputTable
    phone: Phone
    clock: ClockTable
    sound: Sound
    pieces: dict[str, Piece]
    shows: dict[str, Show]
    performances: tuple[Performance, ...]
    rig: Rig
    alerts: tuple[Alert, ...] = ()
    hooks: tuple[Hook, ...] = ()
    triggers: tuple[Trigger, ...] = ()
    holds: tuple[Hold, ...] = ()
    public: Public = field(default_factory=Public)
    survey: SurveyTable = field(default_factory=SurveyTable)
    boards: tuple[Board, ...] = ()
    sharing: Sharing = field(default_factory=Sharing)
    board_name: str = ""
    """The name of this board; empty where the site has no boards."""
    digest: str = ""
    """Names the contents of site.toml, rig.toml and the frame files; empty where the site has no boards."""
    problems: tuple[ConfigError, ...] = field(default=())
    missing_sounds: tuple[ConfigError, ...] = field(default=())
    """Missing sound files. Their pieces are given without sound."""
    warnings: tuple[ConfigError, ...] = field(default=())

    @property
    def notices(self) -> tuple[ConfigError, ...]:
        """All that a person should know before the show begins."""
        return (*self.problems, *self.missing_sounds, *self.warnings)

    @property
    def timezone(self) -> ZoneInfo:
        return self.spot.zone

    @property
    def dark(self) -> tuple[Hours, ...]:
        return self.neighbours.dark

    def goes_round(self, show: str) -> bool:
        """Whether a show repeats one piece with nothing between, so that it is one picture that repeats."""
        order = (self.pieces[name] for name in self.shows[show].order)
        return goes_round(self.shows[show], [piece for piece in order if piece.info])

    def reaches(self, pieces: Iterable[str], zone: str) -> bool:
        """Whether one of some pieces has a slot of a zone."""
        known = (self.pieces[name] for name in pieces if name in self.pieces)
        return reaches([piece.info for piece in known if piece.info], self.zones[zone])

    @cached_property
    def slots(self) -> dict[int, int]:
        """How many slots of each universe of the rig are sent."""
        return slots_of(self.rig, self.pieces)

    @cached_property
    def zones(self) -> dict[str, Spans]:
        """The slots of everything in the rig that has a name: zones, strings, fixtures and controllers."""
        return named_spans(self.rig)

    @cached_property
    def zone_names(self) -> tuple[str, ...]:
        """The names of the zones, and of the groups of strings."""
        return tuple(zone_spans(self.rig))

    @cached_property
    def zones_with_rules(self) -> frozenset[str]:
        """The names of `zones` that hours, performances and brightnesses have."""
        hours = {rule.zone for rule in (*self.neighbours.dark, *self.neighbours.dim)}
        performances, output = {one.zone for one in self.performances}, {one.name for one in self.output.zone}
        return frozenset(name for name in hours | performances | output if name is not None)

    def in_zones(self, zones: frozenset[str]) -> Site:
        """The site as slots in these zones see it: only the rules for one of them, or for the whole rig.

        Always the same view for the same rules. A site without rules for zones is its own view.
        """
        if not self.zones_with_rules:
            return self
        here = self.zones_with_rules & zones
        if here not in self._views:
            hours, output = self.neighbours, [one for one in self.output.zone if one.name in here]
            concern = {"dark": _concerning(hours.dark, here), "dim": _concerning(hours.dim, here)}
            self._views[here] = replace(
                self,
                neighbours=hours.model_copy(update=concern),
                performances=_concerning(self.performances, here),
                output=self.output.model_copy(update={"zone": tuple(output)}),
            )
        return self._views[here]

    @cached_property
    def _views(self) -> dict[frozenset[str], Site]:
        return {}

    @property
    def board(self) -> Board | None:
        """This board's table. None where the site has no boards, or none of this name."""
        return next((one for one in self.boards if one.name == self.board_name), None)

    @cached_property
    def fed(self) -> frozenset[str]:
        """The names of the controllers that this board sends to: all of them where the site has no boards."""
        if not self.boards:
            return frozenset(one.name for one in self.rig.controller)
        by_name = {one.name: one for one in self.boards}
        own = by_name.get(self.board_name)
        feeds = by_name[own.spare_for] if own and own.spare_for else own
        return frozenset(feeds.controllers or () if feeds else ())

    @property
    def has_twin(self) -> bool:
        """Whether another board sends the same: the spare of this one, or the board that this one is a spare for."""
        own = self.board
        return own is not None and (own.spare_for is not None or any(one.spare_for == own.name for one in self.boards))

    @cached_property
    def part(self) -> Rig:
        """The rig as far as this board feeds it."""
        return self.rig.part(self.fed) if self.boards else self.rig

    @cached_property
    def feeders(self) -> dict[str, tuple[str, ...]]:
        """The boards that feed each controller, by name. Spares are left out; a site without boards has none."""
        names = [one.name for one in self.rig.controller]
        return {name: tuple(one.name for one in self.boards if name in (one.controllers or ())) for name in names}

    @property
    def interface(self) -> str | None:
        """The network interface for this board's multicast and broadcast. None: the routing table chooses."""
        return (self.board.interface if self.board else None) or self.output.interface

    @property
    def priority(self) -> int:
        """The priority of this board's packets. That of a spare is lower (E1.31 6.2.3)."""
        spare = self.board is not None and self.board.spare_for is not None
        return max(0, self.output.priority - SPARE_LOWER) if spare else self.output.priority

    @cached_property
    def source_name(self) -> str:
        return self.output.source_name or self.name


def _concerning(rules: tuple[R, ...], zones: frozenset[str]) -> tuple[R, ...]:
    """The rules for the whole rig or for one of these zones."""
    return tuple(rule for rule in rules if rule.zone is None or rule.zone in zones)
