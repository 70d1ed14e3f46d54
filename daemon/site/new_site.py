"""A new site from a few answers: the text of its files, their check, and the folder with a test piece."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from gloaming.daemon.site.checks import errors_in
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.schema import SiteFile
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.checking import read_tables
from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.framefile.source import SLOTS
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.first_light import write_first_light
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.tables import as_toml
from gloaming.shows.rig.values import read_universes

PIXELS_PER_UNIVERSE = SLOTS // 3
COLUMN = 34
"""Where the comments of the files begin."""
SITE = """\
# What is played here, and when. Every key: daemon/README.md. A change is used as soon as the file is saved.

[site]
{name}
{latitude}
{longitude}
{timezone}

[neighbours]                      # nothing overrides these hours: no phone, no command, no performance
{dark}
# quiet = [{{ from = "21:00", to = "09:00" }}]                    # hours without sound
# dim = [{{ from = "21:30", to = "23:00", brightness = 0.5 }}]    # hours with less light

[output]                          # how the light is sent
{brightness}

[phone]                           # the page for phones
{listen}

[[piece]]                         # a frame file; give each of your own such a table
{piece}
{frames}

[[show]]                          # pieces in their order
{show}
{order}
{gap}

[[performance]]                   # when a show is given
{performance}
{season}
{opens}
{closes}
{at_close}
{grace}
"""


@dataclass(frozen=True, slots=True)
class NewController:
    """A controller and the pixels of each of its strings. Without a host its data are sent by multicast.

    `port_addresses` is None where they have the numbers of its universes, and without Art-Net.
    """

    name: str
    host: str | None
    universes: str
    pixels: tuple[int, ...]
    protocol: ProtocolName = ProtocolName.E131
    port_addresses: str | None = None
    broadcast: bool = False


@dataclass(frozen=True, slots=True)
class NewSite:
    """The answers. `dark` are the hours without light, None where none were promised."""

    name: str
    timezone: str
    latitude: float
    longitude: float
    dark: tuple[str, str] | None
    season: str
    opens: str
    closes: str
    controllers: tuple[NewController, ...]


def before_answers(folder: Path) -> NewSite:
    """A site before any answer, with the name of its folder."""
    name = folder.absolute().name.replace("-", " ").replace("_", " ")[:60]
    return NewSite(f"{name[:1].upper()}{name[1:]}", "UTC", 0.0, 0.0, None, "01-01..12-31", "17:00", "22:00", ())


def universes_for(pixels: Sequence[int], controllers: Sequence[NewController]) -> str:
    """Enough universes for strings of these pixels, after those of the other controllers."""
    first = max((number for one in controllers for number in read_universes(one.universes)), default=0) + 1
    last = first + max(1, -(-sum(pixels) // PIXELS_PER_UNIVERSE)) - 1
    return f"{first}-{last}" if last > first else f"{first}"


def site_toml(new: NewSite) -> str:
    """The text of site.toml."""
    dark = [] if new.dark is None else [new.dark]
    hours = ", ".join(f"{{ from = {as_toml(begin)}, to = {as_toml(end)} }}" for begin, end in dark)
    return SITE.format(
        name=_line("name", new.name, "the page shows it, and controllers see it as the source"),
        latitude=_line("latitude", new.latitude, "degrees north; south is negative"),
        longitude=_line("longitude", new.longitude, "degrees east; west is negative"),
        timezone=_line("timezone", new.timezone, "of all times in this file"),
        dark=_commented(f"dark = [{hours}]", "hours without any light"),
        brightness=_line("brightness", 0.6, "of everything, 0 to 1; raise it when the survey knows your fuses"),
        listen=_line("listen", "0.0.0.0:8080", "its address and port"),
        piece=_line("name", "first-light", "what the order below calls it"),
        frames=_line("frames", "pieces/first-light.frames", "its file, in this folder"),
        show=_line("name", "evening", "what performances and commands call it"),
        order=_line("order", ["first-light"], "begins again at its end"),
        gap=_line("gap", "4 s", "dark between two pieces"),
        performance=_line("show", "evening", "what is given"),
        season=_line("season", new.season, "first and last date, of every year"),
        opens=_line("from", new.opens, 'when it opens; as "17:00" too'),
        closes=_line("to", new.closes, "when it closes"),
        at_close=_line("at_close", "finish", "begins no piece that would end too late"),
        grace=_line("grace", "3 min", "a piece may end this much later"),
    )


def rig_toml(controllers: Sequence[NewController]) -> str:
    """The text of rig.toml. Each key has its comment where it stands first."""
    lines = ["# What hangs outside. Every key: shows/README.md.", ""]
    seen: set[tuple[str, str]] = set()

    def table(kind: str, **values: tuple[Any, str] | None) -> None:
        lines.append(f"[[{kind}]]")
        for key, given in values.items():
            if given:
                lines.append(_line(key, given[0], "" if (kind, key) in seen else given[1]))
                seen.add((kind, key))

    for one in controllers:
        table(
            "controller",
            name=(one.name, "yours; messages use it"),
            host=(one.host, "its address or name; without it: multicast") if one.host else None,
            broadcast=(True, "to every machine of the network") if one.broadcast else None,
            protocol=(one.protocol, "e131, artnet or ddp") if one.protocol is not ProtocolName.E131 else None,
            universes=(one.universes, "of its pixels"),
            port_addresses=(one.port_addresses, "of its universes, in order") if one.port_addresses else None,
        )
        lines.append("")
    fuse = (
        "# fuse_a = 5                      # the fuse of its run; fuse for the wire, then write it here (also: supply)"
    )
    for one in controllers:
        names = [f"{one.name}-{number + 1}" for number in range(len(one.pixels))]
        for name, before, pixels in zip(names, [None, *names], one.pixels, strict=False):
            first = {
                "controller": (one.name, "the controller that feeds it"),
                "universe": (read_universes(one.universes)[0], "of its first pixel; it continues in the next ones"),
            }
            place = {"after": (before, "it begins where that string ends")} if before else first
            table("string", name=(name, "yours; messages use it"), **place, pixels=(pixels, "how many"))
            lines += [*([fuse, '# order = "GRB"                   # of its colours, if not RGB'] if fuse else ()), ""]
            fuse = ""
    return "\n".join(lines)


def _line(key: str, value: Any, comment: str) -> str:
    return _commented(f"{key} = {as_toml(value)}", comment)


def _commented(text: str, comment: str) -> str:
    return f"{text:<{COLUMN - 1}} # {comment}" if comment else text


def config_error(new: NewSite) -> ConfigError | None:
    """The first error that the files of a site would have, None if they are right. Its frames are not looked at."""
    with TemporaryDirectory() as folder:
        try:
            _write(Path(folder), new)
            path = Path(folder) / "site.toml"
            errors = [*errors_in(path, read_tables(path, SiteFile))]
            if new.controllers:
                load_rig(path.with_name("rig.toml"))
        except InputError as error:
            return error.errors[0]
    return next(iter(errors), None)


def _write(folder: Path, new: NewSite) -> None:
    for name, text in (("rig.toml", rig_toml(new.controllers)), ("site.toml", site_toml(new))):
        (folder / name).write_text(text, encoding="utf-8")


def refuse_taken(folder: Path) -> None:
    """Refuse a folder that has something in it, and one that cannot be made. InputError."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        problem = "this folder is not empty" if folder.is_dir() else "this is a file"
        raise input_error(folder, f"{problem}, and nothing is overwritten", "name a new folder")
    if not folder.absolute().parent.is_dir():
        raise input_error(folder, f"there is no folder {folder.parent}", "make it first, or name another one")


def make_site(folder: Path, new: NewSite) -> Site:
    """Make the site's folder, with its test piece; the site, read again. What fails or is interrupted leaves nothing.

    Raises InputError where something is in the folder, or where the files have an error. OSError.
    """
    refuse_taken(folder)
    place, part = folder.absolute(), f".{secrets.token_hex(4)}.part"
    made = place / part if place.exists() else place.with_name(f"{place.name}{part}")
    try:
        (made / "pieces").mkdir(parents=True)
        _write(made, new)
        write_first_light(made / "pieces" / "first-light.frames", load_rig(made / "rig.toml"))
        load_site(made)
        if place.exists():  # an empty folder stays the folder that it is: somebody may stand in it
            for one in sorted(made.iterdir()):
                one.rename(place / one.name)
        else:
            made.rename(place)
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return load_site(folder)
