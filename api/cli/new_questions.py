"""The questions of `gloaming new`: what each is for, how its answer is read, and its first guess."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gloaming.daemon.timetable.places import read_place
from gloaming.daemon.timetable.zones import city_of
from gloaming.shows.config_files.errors import ConfigError, InputError, WrongValueError
from gloaming.shows.protocols import ProtocolName

if TYPE_CHECKING:
    from gloaming.daemon.site.new_site import NewSite

CONTROLLER = '"left host=192.0.2.21 pixels=150,100 universes=1-2"'
MULTICAST, NONE, NO_MORE = "multicast", "none", "no"
PIXELS_EXAMPLE = "as 150,100 for two strings"


@dataclass(frozen=True, slots=True)
class Question:
    """A question. `take` makes a site with its answer of one without, `guess` its first guess, if there is one.

    It is only put to a person where the site so far has a use for its answer: `asked`.
    """

    key: str
    example: str
    about: str
    take: Callable[[NewSite, str], NewSite]
    guess: Callable[[NewSite], str | None]
    asked: Callable[[NewSite], bool] = lambda _: True

    def answered(self, new: NewSite, text: str, place: str) -> NewSite:
        """The site with an answer. InputError with one line at `place` where its files would have an error."""
        from gloaming.daemon.site.new_site import config_error

        try:
            found = self.take(new, text.strip())
            wrong = config_error(found)
        except WrongValueError as error:
            raise InputError(ConfigError(place, None, None, error.problem, error.hint)) from None
        if wrong:
            raise InputError(ConfigError(place, None, None, wrong.problem, wrong.hint))
        return found


def machine_zone() -> str | None:
    """The time zone of this machine, if the IANA database has a city of it: UTC is the zone of no place."""
    zones = (os.environ.get("TZ", "").removeprefix(":"), os.path.realpath("/etc/localtime").partition("zoneinfo/")[2])
    return next((zone for zone in zones if city_of(zone)), None)


def _guess_place(new: NewSite) -> str | None:
    city = city_of(new.timezone)
    return city and f"{city[0]:.3f}, {city[1]:.3f}"


def _take_place(new: NewSite, text: str) -> NewSite:
    latitude, longitude = read_place(text)
    return replace(new, latitude=latitude, longitude=longitude)


def _take_dark(new: NewSite, text: str) -> NewSite:
    if text == NONE:
        return replace(new, dark=None)
    begin, to, end = text.partition(" to ") if " to " in text else text.partition("-")
    if not to:
        raise WrongValueError(f"{text!r} are no hours", f'as 22:30-07:00, "sunset + 4 h to 07:00", or {NONE}')
    return replace(new, dark=(begin.strip(), end.strip()))


QUESTIONS = (
    Question(
        "name",
        '"Pier Road boathouse"',
        "What the site is called. The page shows this name.",
        lambda new, text: replace(new, name=text),
        lambda new: new.name,
    ),
    Question(
        "timezone",
        "Europe/London",
        "The time zone of all times, by its IANA name. First guess: that of this machine.",
        lambda new, text: replace(new, timezone=text),
        lambda _: machine_zone(),
    ),
    Question(
        "place",
        "54.486,-0.613",
        "Latitude and longitude in degrees. Sunset depends on them. First guess: the city of the time zone.",
        _take_place,
        _guess_place,
    ),
    Question(
        "dark",
        "22:30-07:00",
        f"The hours without any light that you promised to the neighbours, or {NONE}. Nothing overrides them.",
        _take_dark,
        lambda _: "22:30-07:00",
    ),
    Question(
        "season",
        "11-27..01-06",
        "The first and the last date of the season, of every year: month and day.",
        lambda new, text: replace(new, season=text),
        lambda _: "11-27..01-06",
    ),
    Question(
        "opens",
        '"sunset + 20 min"',
        "When the show opens: a time of the clock or of the sun.",
        lambda new, text: replace(new, opens=text),
        lambda _: "sunset + 20 min",
    ),
    Question(
        "closes",
        "22:00",
        "When the show closes.",
        lambda new, text: replace(new, closes=text),
        lambda _: "22:00",
    ),
)


# a controller: its questions change the last one of the site


def _add(new: NewSite, name: str) -> NewSite:
    from gloaming.daemon.site.new_site import NewController, universes_for

    pixels = (150,)
    added = NewController(name, None, universes_for(pixels, new.controllers), pixels)
    return replace(new, controllers=(*new.controllers, added))


def _take_host(new: NewSite, text: str) -> NewSite:
    *others, last = new.controllers
    return replace(new, controllers=(*others, replace(last, host=None if text == MULTICAST else text)))


def _take_broadcast(new: NewSite, text: str) -> NewSite:
    if text != "true":
        raise WrongValueError(f"broadcast={text} is not known", "as broadcast=true, or leave it out")
    *others, last = new.controllers
    return replace(new, controllers=(*others, replace(last, broadcast=True)))


def _take_pixels(new: NewSite, text: str) -> NewSite:
    """With other pixels a controller has the universes that they need."""
    from gloaming.daemon.site.new_site import universes_for

    *others, last = new.controllers
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isascii() and part.isdecimal() and len(part) <= 6 for part in parts):
        raise WrongValueError(f"{text!r} are no numbers of pixels", PIXELS_EXAMPLE)
    pixels = tuple(map(int, parts))
    changed = replace(last, pixels=pixels, universes=universes_for(pixels, others))
    return replace(new, controllers=(*others, changed))


def _take_universes(new: NewSite, text: str) -> NewSite:
    *others, last = new.controllers
    return replace(new, controllers=(*others, replace(last, universes=text)))


def _take_protocol(new: NewSite, text: str) -> NewSite:
    from gloaming.shows.rig.values import read_protocol

    *others, last = new.controllers
    return replace(new, controllers=(*others, replace(last, protocol=read_protocol(text))))


def _take_port_addresses(new: NewSite, text: str) -> NewSite:
    from gloaming.shows.rig.values import read_port_addresses, read_universes

    *others, last = new.controllers
    same = read_port_addresses(text) == read_universes(last.universes)
    return replace(new, controllers=(*others, replace(last, port_addresses=None if same else text)))


def _guess_port_addresses(new: NewSite) -> str:
    from gloaming.shows.analysis.wiring import port_ranges
    from gloaming.shows.rig.values import read_universes

    return port_ranges(read_universes(new.controllers[-1].universes))


FIRST_CONTROLLER = Question(
    "controller", "left", "A controller is the box that feeds strings of pixels. Its name:", _add, lambda _: "left"
)
ONE_MORE = Question(
    "one more",
    "right",
    f"The name of one more controller, or {NO_MORE}.",
    lambda new, text: new if text == NO_MORE else _add(new, text),
    lambda _: NO_MORE,
)
OF_A_CONTROLLER = (
    Question(
        "host",
        "192.0.2.21",
        f"Its address in the network, as 192.0.2.21 or left.lan, or {MULTICAST} (of E1.31 alone).",
        _take_host,
        lambda _: MULTICAST,
    ),
    Question(
        "protocol",
        "artnet",
        "The protocol that it is set to: e131 (also called sACN), artnet or ddp.",
        _take_protocol,
        lambda _: ProtocolName.E131,
        lambda new: new.controllers[-1].host is not None,
    ),
    Question(
        "pixels",
        "150,100",
        f"How many pixels each of its strings has, {PIXELS_EXAMPLE}. The second follows the first without a gap.",
        _take_pixels,
        lambda _: "150",
    ),
    Question(
        "universes",
        "1-2",
        "The universes that it listens to. First guess: those that its pixels need.",
        _take_universes,
        lambda new: new.controllers[-1].universes,
        lambda new: new.controllers[-1].protocol is not ProtocolName.DDP,
    ),
    Question(
        "port_addresses",
        "0:0:0-0:0:1",
        "The port-address of each of its universes, as its own page shows them: net:sub-net:universe. Many pages begin "
        "with 0:0:0. First guess: those with the numbers of the universes.",
        _take_port_addresses,
        _guess_port_addresses,
        lambda new: new.controllers[-1].protocol is ProtocolName.ARTNET,
    ),
)


def _take_controller(new: NewSite, text: str) -> NewSite:
    """A controller from its name and `key=value` words."""
    name, *words = text.split() or [""]
    values = dict(word.split("=", 1) for word in words if "=" in word)
    known = {one.key: one.take for one in OF_A_CONTROLLER} | {"broadcast": _take_broadcast}
    if not name or "=" in name or len(values) < len(words) or not values.keys() <= known.keys():
        raise WrongValueError(f"{text!r} is not a controller", f"as {CONTROLLER}")
    new = _add(new, name)
    for key in (key for key in known if key in values):  # universes after pixels, port-addresses after both
        new = known[key](new, values[key])
    return new


WHOLE_CONTROLLER = Question(
    "controller",
    CONTROLLER,
    "A controller with its strings, once for each. Without host: multicast. With one: protocol=ddp, or "
    "protocol=artnet port_addresses=0:0:0-0:0:1.",
    _take_controller,
    lambda _: "left",
)
