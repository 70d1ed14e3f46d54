"""The tables of site.toml but those that have modules of their own: what a key may hold, and what it is without one."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BeforeValidator, Field

from gloaming.daemon.outside_tables import Alert, Cue
from gloaming.daemon.sound_tables import Sound
from gloaming.daemon.survey_tables import SurveyTable
from gloaming.daemon.timetable.rules import Brightness, DimHours, Hours, Length, Performance, QuietHours, Time
from gloaming.shows.checking import Table, nearest
from gloaming.shows.rig import Named
from gloaming.shows.time_units import SECOND_NS


def _read_zone(text: object) -> ZoneInfo:
    right = 'as "Europe/London"'
    if not isinstance(text, str) or not text:
        raise ValueError(f"{text!r} is not a time zone; {right}")
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zones = available_timezones()
        cities = {zone.rpartition("/")[2]: zone for zone in sorted(zones, reverse=True)}
        meant = nearest(text, cities | {zone: zone for zone in zones}, 0.8)
        raise ValueError(f"there is no time zone {text!r}; {meant or right}") from None


def _read_listen(text: object) -> str:
    right = 'as "0.0.0.0:8080" or "[::]:8080"'
    host, colon, port = text.rpartition(":") if isinstance(text, str) else ("", "", "")
    try:
        ipaddress.ip_address(host.strip("[]"))
        if not colon or not 0 <= int(port) <= 65_535:
            raise ValueError(text)
    except ValueError:
        raise ValueError(f"{text!r} is not an address and a port; {right}") from None
    return str(text)


HostName = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?$", examples=['"board.lan"'])]


class Place(Table):
    name: Annotated[str, Field(min_length=1, max_length=60, examples=['"Pier Road boathouse"'])]
    latitude: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False, examples=["54.486"])]
    longitude: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False, examples=["-0.613"])]
    elevation_m: Annotated[float, Field(ge=-500, le=9000, allow_inf_nan=False, examples=["12.0"])] = 0.0
    timezone: Annotated[ZoneInfo, BeforeValidator(_read_zone), Field(examples=['"Europe/London"'])]
    if_no_sunset: Time | None = None


class Neighbours(Table):
    """Neighbours' hours: nothing overrides them."""

    dark: Annotated[tuple[Hours, ...], Field(examples=['[{ from = "22:30", to = "07:00" }]'])] = ()
    quiet: Annotated[tuple[QuietHours, ...], Field(examples=['[{ from = "21:00", to = "09:00" }]'])] = ()
    dim: Annotated[tuple[DimHours, ...], Field(examples=['[{ from = "21:30", to = "23:00", brightness = 0.5 }]'])] = ()
    rig_check: Brightness | None = None
    """The brightness up to which a rig check may be lit in dark hours; without it, none."""


class Output(Table):
    """How the show goes on the wire."""

    interface: Annotated[str, Field(pattern=r"^[!-.0-~]{1,60}$", examples=['"eth0"'])] | None = None
    source_name: Annotated[str, Field(min_length=1, examples=['"Pier Road boathouse"'])] | None = None
    priority: Annotated[int, Field(ge=0, le=200, examples=["100"])] = 100
    synchronization: Annotated[int, Field(ge=1, le=63_999, examples=["7000"])] | None = None
    multicast: Annotated[Literal["ipv4", "ipv6", "both"], Field(examples=['"ipv4"'])] = "ipv4"
    ttl: Annotated[int, Field(ge=1, le=255, examples=["20"])] = 20
    dscp: Annotated[int, Field(ge=0, le=63, examples=["34"])] = 0
    preview: bool = False
    """Marked as not for what is live (E1.31 6.2.6)."""
    loop: bool = False
    """Multicast is heard by programs on this machine, too."""
    brightness: Brightness = 1.0
    at_rest: Annotated[Literal["black", "release"], Field(examples=['"black"'])] = "black"
    fade: Length = SECOND_NS
    limiter: bool = True


class Phone(Table):
    """Where the HTTP side listens; other names that the board goes by; its own certificate; whether it is announced."""

    listen: Annotated[str, BeforeValidator(_read_listen), Field(examples=['"0.0.0.0:8080"'])] = "0.0.0.0:8080"
    names: Annotated[tuple[HostName, ...], Field(examples=['["board.lan"]'])] = ()
    certificate: Annotated[str, Field(min_length=1, examples=['"board.pem"'])] | None = None
    key: Annotated[str, Field(min_length=1, examples=['"board.key"'])] | None = None
    announce: bool = True


class Clock(Table):
    """When the clock is trusted; whether a time that a person gives sets the machine's clock, where it may."""

    trust: Annotated[Literal["synchronised", "plausible"], Field(examples=['"synchronised"'])] = "synchronised"
    set: bool = False


def _read_path(text: object) -> object:
    if isinstance(text, str) and set(text) & set("\\\b\t\n\f\r"):  # what "pieces\tide" becomes in TOML
        raise ValueError(f'{text!r} has a backslash or a tab in it; write / between folders, as "pieces/tide.frames"')
    return text


class PieceTable(Named):
    frames: Annotated[str, BeforeValidator(_read_path), Field(min_length=1, examples=['"pieces/tide.frames"'])]
    sound: Annotated[str, BeforeValidator(_read_path), Field(min_length=1, examples=['"pieces/tide.flac"'])] | None = (
        None
    )


class Show(Named):
    """A running order, with what fills the gaps (`between`: a piece, or "black"). Each piece begins over what was shown
    before it for `cross_fade`. Lengths in ns."""

    order: Annotated[tuple[str, ...], Field(min_length=1, examples=['["tide", "lanterns"]'])]
    play: Annotated[Literal["in-order", "shuffled"], Field(examples=['"in-order"'])] = "in-order"
    gap: Length = 0
    cross_fade: Length = 0
    start_every: Length | None = None
    between: Annotated[str, Field(examples=['"swell"'])] | None = None


class SiteFile(Table):
    site: Annotated[Place, Field(examples=["[site]"])]
    neighbours: Neighbours = Neighbours()
    output: Output = Output()
    phone: Phone = Phone()
    clock: Clock = Clock()
    sound: Sound = Sound()
    survey: SurveyTable = SurveyTable()
    piece: tuple[PieceTable, ...] = ()
    show: tuple[Show, ...] = ()
    performance: tuple[Performance, ...] = ()
    alert: tuple[Alert, ...] = ()
    cue: tuple[Cue, ...] = ()
