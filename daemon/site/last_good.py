"""The last good copies of a site's files, used while the files have a mistake.

The neighbours' hours that the newest site.toml adds are in force at once, together with those of the last good one.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from pydantic import ConfigDict

from gloaming.daemon.service.private_file import write_private
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.schema import Neighbours
from gloaming.daemon.site.schema_rules import AnyHours, Hours
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.rules import rule_id
from gloaming.daemon.timetable.sun import Spot
from gloaming.shows.config_files.checking import Table, read_tables
from gloaming.shows.config_files.errors import InputError

FILES = ("site.toml", "rig.toml")
FOLDER = "last-good"


def store_good(folder: Path, state: Path) -> None:
    """Copy the files of a site that was just read, where they differ from the copies. They may hold secrets."""
    copies = state / FOLDER
    with suppress(OSError, ValueError):  # the store reports a full disk; a file may have been edited since
        copies.mkdir(mode=0o700, exist_ok=True)
        for name in FILES:
            text, copy = (folder / name).read_text(encoding="utf-8"), copies / name
            if not copy.exists() or copy.read_bytes() != text.encode():
                write_private(copy, text)


def load_good(folder: Path, state: Path) -> Site:
    """The site from the stored copies, with the pieces as they are now. InputError where there are no copies."""
    return load_site(folder, strict=False, written=state / FOLDER)


class _NeighboursAlone(Table):
    """A site.toml of which only the neighbours' hours are read."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    neighbours: Neighbours = Neighbours()


H = TypeVar("H", bound=AnyHours)
Z = TypeVar("Z", bound=Hours)


def with_hours_of(site: Site, path: Path) -> Site | None:
    """A site with the neighbours' hours of a file added to its own: the stricter rule holds. Hours for a zone that the
    site does not have are left out.

    The site itself where the file adds none. None where the `[neighbours]` of the file cannot be read.
    """
    try:
        added = read_tables(path, _NeighboursAlone).neighbours
    except InputError:
        return None
    own = site.neighbours
    levels = (own.rig_check, added.rig_check)
    both = Neighbours(
        dark=_both(own.dark, _known(site, added.dark), site.spot),
        quiet=_both(own.quiet, added.quiet, site.spot),
        dim=_both(own.dim, _known(site, added.dim), site.spot),
        rig_check=None if None in levels else min(level for level in levels if level is not None),
    )
    same = (own.dark, own.quiet, own.dim, own.rig_check) == (both.dark, both.quiet, both.dim, both.rig_check)
    return site if same else replace(site, neighbours=both)


def _known(site: Site, rules: tuple[Z, ...]) -> tuple[Z, ...]:
    return tuple(rule for rule in rules if rule.zone is None or rule.zone in site.zones)


def _both(own: tuple[H, ...], added: tuple[H, ...], spot: Spot) -> tuple[H, ...]:
    known = {rule_id(rule, spot) for rule in own}
    return (*own, *(rule for rule in added if rule_id(rule, spot) not in known))
