"""Small sites for tests of the timetable and the direction: a folder with real frame files, in a few lines."""

from __future__ import annotations

import shutil
import tempfile
from datetime import datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.shows.framefile.reader import FrameWriter, Universe

SECOND_NS = 1_000_000_000
FPS = 2
PIECES = {"bells": 100, "tide": 225, "lanterns": 140, "swell": 30}
"""The pieces at hand and how many seconds they last; bells and tide have sound."""
RIG = '[[controller]]\nname = "left"\nhost = "127.0.66.1"\nuniverses = "1-4"\n'
PLACE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
"""
TABLES = """
[[piece]]
name = "bells"
frames = "pieces/bells.frames"
sound = "pieces/bells.flac"

[[piece]]
name = "tide"
frames = "pieces/tide.frames"
sound = "pieces/tide.flac"

[[piece]]
name = "lanterns"
frames = "pieces/lanterns.frames"

[[piece]]
name = "swell"
frames = "pieces/swell.frames"

[[show]]
name = "evening"
order = ["bells", "tide", "lanterns"]
gap = "4 s"

[[show]]
name = "turn of the year"
order = ["lanterns"]
between = "swell"
"""
EVENING = '\n[[performance]]\nshow = "evening"\nseason = "11-27..01-06"\nfrom = "sunset + 20 min"\nto = "22:00"\n'


@cache
def _frames(name: str) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="quay-"))
    with FrameWriter(folder / f"{name}.frames", Fraction(FPS), [Universe(1, 3, 0)]) as writer:
        writer.write(np.full((PIECES[name] * FPS, 3), 200, np.uint8))
    return folder / f"{name}.frames"


def write(folder: Path, *tables: str, place: str = PLACE, rig: str = RIG) -> Path:
    """A site's folder: a place, then some tables (without any, the usual ones and an evening's performance)."""
    (folder / "pieces").mkdir(parents=True, exist_ok=True)
    for name in PIECES:
        target = folder / "pieces" / f"{name}.frames"
        if not target.exists():
            shutil.copyfile(_frames(name), target)
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    (folder / "site.toml").write_text("".join([place, *(tables or (TABLES, EVENING))]), encoding="utf-8")
    return folder


def site_of(
    folder: Path, *tables: str, place: str = PLACE, rig: str = RIG, at: str = "2026-11-25T12:00:00+00:00"
) -> Site:
    """That site, loaded."""
    return load_site(write(folder, *tables, place=place, rig=rig), datetime.fromisoformat(at))


def place(latitude: float, longitude: float, zone: str, more: str = "") -> str:
    """A [site] table."""
    return (
        f'[site]\nname = "Pier Road boathouse"\nlatitude = {latitude}\nlongitude = {longitude}\n'
        f'timezone = "{zone}"\n{more}\n'
    )


def performance(times: str, show: str = "evening") -> str:
    """A [[performance]] table from its keys."""
    return f'\n[[performance]]\nshow = "{show}"\n{times}\n'


def ns(text: str, zone: ZoneInfo | str = "Europe/London") -> int:
    """An instant from ISO 8601; without an offset it is local time of a zone."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        at = at.replace(tzinfo=ZoneInfo(zone) if isinstance(zone, str) else zone)
    return int(at.timestamp()) * SECOND_NS


def local(at_ns: int, site: Site) -> str:
    """An instant by the site's clock, to the second."""
    return f"{datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone):%Y-%m-%dT%H:%M:%S%z}"
