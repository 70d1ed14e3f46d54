"""The tables of site.toml: the keys, their values, and their defaults."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import BeforeValidator, Field, WithJsonSchema

from gloaming.daemon.site.schema_boards import Board, Sharing
from gloaming.daemon.site.schema_delivery import Alert, Hook
from gloaming.daemon.site.schema_outside import Hold, Public, Trigger
from gloaming.daemon.site.schema_rules import (
    Brightness,
    DimHours,
    Hours,
    Interface,
    Length,
    Performance,
    QuietHours,
    Time,
    ZoneName,
)
from gloaming.daemon.timetable.times import read_length
from gloaming.shows.config_files.checking import PRIVATE, OneLine, Private, Table
from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.config_files.known_names import nearest
from gloaming.shows.protocols.e131 import PRIORITY_MAX, UNIVERSE_MAX
from gloaming.shows.rig.model import Named
from gloaming.shows.time_units import SECOND_NS

DELAY_MAX_NS = 2_000_000_000
_LEVEL = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*LUFS")


def _read_zone(text: object) -> ZoneInfo:
    hint = 'as "Europe/London"'
    if not isinstance(text, str) or not text:
        raise WrongValueError(f"{text!r} is not a time zone", hint)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zones = available_timezones()
        cities = {zone.rpartition("/")[2]: zone for zone in sorted(zones, reverse=True)}
        meant = nearest(text, cities | {zone: zone for zone in zones}, 0.8)
        raise WrongValueError(f"there is no time zone {text!r}", meant or hint) from None


def _read_listen(text: object) -> str:
    hint = 'as "0.0.0.0:8080" or "[::]:8080"'
    host, colon, port = text.rpartition(":") if isinstance(text, str) else ("", "", "")
    try:
        ipaddress.ip_address(host.strip("[]"))
        if not colon or not 0 <= int(port) <= 65_535:
            raise ValueError(text)
    except ValueError:
        raise WrongValueError(f"{text!r} is not an address and a port", hint) from None
    return str(text)


def read_delay(text: object) -> int:
    """Read a length with a sign, as ns: "120 ms" later than the light, "-40 ms" earlier; 2 s at most."""
    hint = 'as "120 ms" (later than the light) or "-40 ms" (earlier)'
    if not isinstance(text, str):
        raise WrongValueError(f"{text!r} is not a delay", hint)
    sign = -1 if text.strip().startswith("-") else 1
    try:
        delay_ns = sign * read_length(text.strip().lstrip("+-").strip())
    except ValueError:
        raise WrongValueError(f"{text!r} is not a delay", hint) from None
    if abs(delay_ns) > DELAY_MAX_NS:
        raise WrongValueError(f"{text!r} is more than 2 s", hint)
    return delay_ns


def read_level(text: object) -> float:
    """Read a loudness in LUFS: "-16 LUFS"."""
    found = _LEVEL.fullmatch(text.strip()) if isinstance(text, str) else None
    if found is None or not -40 <= float(found[1]) <= -5:
        raise WrongValueError(f"{text!r} is not a loudness from -40 to -5 LUFS", 'as "-16 LUFS"')
    return float(found[1])


HostName = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?$", examples=['"board.lan"'])]


ROUNDED = Private(decimals=1)
"""A tenth of a degree is 11 km: the sun's times move by less than a minute, and no house is found."""


class PlaceTable(Table):
    """Where the site is, and what it is called."""

    name: Annotated[OneLine, Field(min_length=1, max_length=60, examples=['"Pier Road boathouse"'])]
    """The name of the site. The page shows it, and controllers with E1.31 see it as the source name."""
    latitude: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False, examples=["54.486"]), ROUNDED]
    """Degrees north of the equator; south is negative. The sun's times depend on it."""
    longitude: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False, examples=["-0.613"]), ROUNDED]
    """Degrees east of Greenwich; west is negative."""
    elevation_m: Annotated[float, Field(ge=-500, le=9000, allow_inf_nan=False, examples=["12.0"])] = 0.0
    """The height of the site above the land or sea at its horizon, in metres. Higher sites see the sun set later."""
    timezone: Annotated[ZoneInfo, BeforeValidator(_read_zone), Field(examples=['"Europe/London"'])]
    """The time zone of all times in this file, by its name in the IANA database."""
    if_no_sunset: Annotated[Time | None, Field(examples=['"15:30"'])] = None
    """When a performance opens on a date without its sun time, as in polar night."""


class Neighbours(Table):
    """Neighbours' hours. No command, phone or performance overrides them."""

    dark: Annotated[tuple[Hours, ...], Field(examples=['[{ from = "22:30", to = "07:00" }]'])] = ()
    """Hours without any light."""
    quiet: Annotated[tuple[QuietHours, ...], Field(examples=['[{ from = "21:00", to = "09:00" }]'])] = ()
    """Hours without sound, or with no more than a volume."""
    dim: Annotated[tuple[DimHours, ...], Field(examples=['[{ from = "21:30", to = "23:00", brightness = 0.5 }]'])] = ()
    """Hours in which the light is no brighter than a level."""
    rig_check: Brightness | None = None
    """How bright a rig check may be in dark hours. Without this key it is refused there. A burn-in is always dark."""


class OutputZone(Table):
    """The brightness of a part of the rig."""

    name: ZoneName
    """A zone, string, fixture or controller of rig.toml."""
    brightness: Brightness
    """Its brightness, instead of that of everything. Where zones share slots, the lowest holds there."""


class OutputTable(Table):
    """How the show goes on the wire."""

    interface: Interface | None = None
    """The network interface for multicast and broadcast, by name or address. Without it the routing table chooses."""
    source_name: Annotated[OneLine, Field(min_length=1, examples=['"Pier Road boathouse"'])] | None = None
    """E1.31: the source name in the packets, 63 bytes at most (6.2.2). Without it, the name of the site."""
    priority: Annotated[int, Field(ge=0, le=PRIORITY_MAX, examples=["100"])] = 100
    """E1.31: the priority of the packets (6.2.3). Receivers follow the source with the highest one."""
    synchronization: Annotated[int, Field(ge=1, le=UNIVERSE_MAX, examples=["7000"])] | None = None
    """E1.31: the synchronization address (6.2.4). Controllers that know it show each frame together."""
    art_sync: bool = False
    """Art-Net: an ArtSync follows each frame, so that all nodes show it together. It goes to the whole network."""
    art_poll: bool = True
    """Art-Net: asks the nodes of the network what they are and expect (ArtPoll), once a minute."""
    multicast: Annotated[Literal["ipv4", "ipv6", "both"], Field(examples=['"ipv4"'])] = "ipv4"
    """E1.31: the version of IP that multicast uses."""
    ttl: Annotated[int, Field(ge=1, le=255, examples=["20"])] = 20
    """How many routers a multicast packet may pass."""
    dscp: Annotated[int, Field(ge=0, le=63, examples=["34"])] = 0
    """The class of the packets, for switches that use it (RFC 2474)."""
    preview: bool = False
    """E1.31: marks the packets as preview, not for lights that are live (6.2.6)."""
    loop: bool = False
    """Programs on this machine hear the multicast too."""
    brightness: Brightness = 1.0
    """The brightness of everything. Levels that people ask for are shares of it."""
    between_performances: Annotated[Literal["black", "release"], Field(examples=['"black"'])] = "black"
    """What is sent between performances: black frames, or nothing (the streams end)."""
    fade: Annotated[Length, Field(examples=['"1 s"'])] = SECOND_NS
    """How long the light takes to fade in or out, 10 s at most."""
    limiter: bool = True
    """Lowers the strings that would overload a fuse, of a string or a port, or a supply."""
    zone: tuple[OutputZone, ...] = ()
    """Zones with a brightness of their own, each as a table `[[output.zone]]`."""

    @property
    def highest(self) -> float:
        """The highest brightness that any slot can have. The survey reckons all currents with it."""
        return max([self.brightness, *(zone.brightness for zone in self.zone)])


class Phone(Table):
    """The page and the HTTP interface."""

    listen: Annotated[str, BeforeValidator(_read_listen), Field(examples=['"0.0.0.0:8080"'])] = "0.0.0.0:8080"
    """The address and port that the page listens on."""
    names: Annotated[tuple[HostName, ...], Field(examples=['["board.lan"]']), PRIVATE] = ()
    """Other names of the board in addresses. Requests for any other name are refused."""
    certificate: Annotated[str, Field(min_length=1, examples=['"board.pem"'])] | None = None
    """The file of the site's own certificate. With it the page is served by HTTPS only."""
    key: Annotated[str, Field(min_length=1, examples=['"board.key"'])] | None = None
    """The file of the certificate's key."""
    announce: bool = True
    """Announces the page in the local network as gloaming.local (mDNS)."""


class ClockTable(Table):
    """When the board trusts its clock."""

    trust: Annotated[Literal["synchronised", "plausible"], Field(examples=['"synchronised"'])] = "synchronised"
    """synchronised: waits for a time server or a battery clock. plausible: trusts a time that is possible."""
    set: bool = False
    """A time that a phone gives sets the board's own clock, where the system permits it."""


def _read_path(text: object) -> object:
    if isinstance(text, str) and set(text) & set("\\\b\t\n\f\r"):  # what "pieces\tide" becomes in TOML
        raise WrongValueError(
            f"{text!r} has a backslash or a tab in it", 'write / between folders, as "pieces/tide.frames"'
        )
    return text


class PieceTable(Named):
    """A piece: a frame file, with its sound file if it has one."""

    frames: Annotated[str, BeforeValidator(_read_path), Field(min_length=1, examples=['"pieces/tide.frames"'])]
    """The frame file, relative to the site's folder."""
    sound: Annotated[str, BeforeValidator(_read_path), Field(min_length=1, examples=['"pieces/tide.flac"'])] | None = (
        None
    )
    """The sound file, relative to the site's folder."""
    title: Annotated[OneLine, Field(max_length=200, examples=['"The tide comes in"'])] = ""
    """Its title for signs. Without it, its name."""
    artist: Annotated[OneLine, Field(max_length=200, examples=['"Pier Road ensemble"'])] = ""
    """Whose it is, for signs."""


class Show(Named):
    """A running order, with what fills the gaps.

    Lengths in ns.
    """

    order: Annotated[tuple[str, ...], Field(min_length=1, examples=['["tide", "lanterns"]'])]
    """The pieces, by name, in their order. The order begins again at its end."""
    play: Annotated[Literal["in-order", "shuffled"], Field(examples=['"in-order"'])] = "in-order"
    """In the order as written, or shuffled again each round, with no piece twice in a row."""
    gap: Annotated[Length, Field(examples=['"4 s"'])] = 0
    """The time between two pieces."""
    cross_fade: Annotated[Length, Field(examples=['"2 s"'])] = 0
    """How long a piece fades in over the last picture before it."""
    start_every: Annotated[Length | None, Field(examples=['"30 min"'])] = None
    """Begins the order on the clock: with 30 min, at every full and half hour. 1 min to 24 h."""
    between: Annotated[str, Field(examples=['"swell"'])] | None = None
    """The piece that fills the gaps, or "black". Without it the gaps are black."""


class Sound(Table):
    """How sound is played."""

    device: Annotated[str, Field(min_length=1, examples=['"USB Audio"'])] | None = None
    """The sound device: a part of its name is enough. Without it, the default device of the system."""
    delay: Annotated[
        int,
        BeforeValidator(read_delay),
        WithJsonSchema({"type": "string", "title": "length, also negative"}),
        Field(examples=['"120 ms"']),
    ] = 0
    """How much later than the light the sound is; a negative length makes it earlier. 2 s at most."""
    level: (
        Annotated[
            float,
            BeforeValidator(read_level),
            WithJsonSchema({"type": "string", "title": "loudness, -40 to -5 LUFS"}),
            Field(examples=['"-16 LUFS"']),
        ]
        | None
    ) = None
    """Makes all pieces equally loud (EBU R 128), with peaks below -1 dBTP. Without it they are not changed."""
    volume: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.8"])] = 1.0
    """Multiplies the samples: 0.5 is 6 dB less."""


class SurveyTable(Table):
    """What the survey needs to know."""

    seen_from_m: Annotated[float, Field(gt=0, le=1000, examples=["10"])] = 10.0
    """The distance from which people see the rig, in metres. Flashes are judged within ten degrees of their view."""
    voltage_drop: Annotated[float, Field(gt=0, le=1, examples=["0.1"])] = 0.1
    """How far below its nominal voltage a string may be at its worst pixel, as a share. Below that is a warning."""
    price_per_kwh: Annotated[float, Field(ge=0, le=1000, examples=["0.28"])] | None = None
    """What a kilowatt-hour costs. With it the survey prices the season's energy."""
    currency: Annotated[OneLine, Field(max_length=8, examples=['"GBP"'])] = ""
    """The currency of the price."""


class SiteFile(Table):
    """A site.toml."""

    site: Annotated[PlaceTable, Field(examples=["[site]"])]
    """Where the site is."""
    neighbours: Neighbours = Neighbours()
    """Neighbours' hours."""
    output: OutputTable = OutputTable()
    """How the show goes on the wire."""
    phone: Phone = Phone()
    """The page and the HTTP interface."""
    clock: ClockTable = ClockTable()
    """When the board trusts its clock."""
    sound: Sound = Sound()
    """How sound is played."""
    survey: SurveyTable = SurveyTable()
    """What the survey needs to know."""
    piece: tuple[PieceTable, ...] = ()
    """The pieces."""
    show: tuple[Show, ...] = ()
    """The shows."""
    performance: tuple[Performance, ...] = ()
    """The performances."""
    alert: tuple[Alert, ...] = ()
    """Where troubles are reported."""
    hook: tuple[Hook, ...] = ()
    """Messages and commands at openings and closings."""
    trigger: tuple[Trigger, ...] = ()
    """Events from outside that call a piece or a show."""
    hold: tuple[Hold, ...] = ()
    """Conditions from outside that keep the light off or low."""
    public: Public = Public()
    """What everybody may know."""
    board: tuple[Board, ...] = ()
    """The boards that give the show together. Without them, one board gives all of it."""
    sharing: Sharing = Sharing()
    """How the boards share what people ask for."""
