"""The demonstration's site folder: complete, accepted by the daemon, rendered once, and again after a kill."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.shows.demonstration import season
from gloaming.shows.demonstration.pieces import FPS, PIECES
from gloaming.shows.framefile.reader import verify
from tests.places import TOP
from tests.tools import needs

HOST, LISTEN = "127.0.61.4", "127.0.61.4:8091"
SHORT = tuple(replace(piece, length_s=3, sound=piece.sound and (lambda: np.zeros((1000, 2)))) for piece in PIECES)
"""The same pieces, shortened. Caching does not depend on the length."""
KILLED = """
import os, signal, sys
from pathlib import Path
from gloaming.shows.demonstration import season
from tests.shows.demonstration.test_season import SHORT
season.PIECES = SHORT
def progress(name, done, frames):
    if name == "tide" and done > frames // 2:
        os.kill(os.getpid(), signal.SIGKILL)
season.make_season(Path(sys.argv[1]), "127.0.61.4", "127.0.61.4:8091", progress)
"""


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(season, "PIECES", SHORT)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache whose rendering was killed in the middle of the second piece."""
    folder = tmp_path_factory.mktemp("cache")
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder)}
    site = tmp_path_factory.mktemp("killed")
    done = subprocess.run([sys.executable, "-c", KILLED, str(site)], env=environment, cwd=TOP, check=False)
    assert done.returncode == -signal.SIGKILL
    names = {path.name for path in (folder / "gloaming" / "demonstration" / season.version()).iterdir()}
    assert "harbour-bells.frames" in names and "tide.frames" not in names
    assert any(name.startswith("tide.frames.") for name in names), "it was killed before it had begun"
    return folder


@pytest.fixture(scope="module")
def made(cache: Path, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The pieces that the next demonstration rendered."""
    rendered: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(cache))
        patch.setattr(season, "PIECES", SHORT)
        folder = tmp_path_factory.mktemp("site") / "pier-road"
        season.make_season(folder, HOST, LISTEN, lambda name, done, frames: rendered.append(name))
    assert set(load_site(folder).pieces) == {piece.name for piece in PIECES}
    return list(dict.fromkeys(rendered))


@pytest.fixture(scope="module")
def site(demonstration: Path) -> Site:
    return load_site(demonstration)


def test_a_rendering_that_was_killed_is_done_again_and_what_was_whole_is_kept(made: list[str]) -> None:
    assert made == ["tide", "lanterns", "first-frost", "swell"]


def test_the_daemon_accepts_the_site(site: Site) -> None:
    assert site.name == "Pier Road boathouse"
    assert set(site.pieces) == {piece.name for piece in PIECES}
    assert {controller.host for controller in site.rig.controller} == {HOST}


def test_every_frame_file_is_whole_and_as_long_as_its_piece(site: Site) -> None:
    for piece in PIECES:
        info = site.pieces[piece.name].info
        assert info is not None
        assert (info.fps, info.frames) == (FPS, round(piece.length_s * FPS))
        assert [universe.number for universe in info.universes] == sorted(site.rig.controller_of)
        assert verify(site.pieces[piece.name].frames) == []


def test_the_bells_have_their_sound_and_no_other_piece_has(site: Site) -> None:
    sounds = {name: piece.sound for name, piece in site.pieces.items() if piece.sound}
    assert list(sounds) == ["harbour-bells"]
    assert sounds["harbour-bells"] is not None and sounds["harbour-bells"].stat().st_size > 100_000


def test_a_second_demonstration_renders_nothing(
    made: list[str], short: None, cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    monkeypatch.setattr(season, "render", lambda *_: pytest.fail("rendered again"))
    monkeypatch.setattr(season, "_make_sound", lambda *_: pytest.fail("made again"))
    season.make_season(tmp_path, HOST, LISTEN)
    season.make_season(tmp_path, "127.0.61.5", LISTEN)  # into the same folder, over what is there
    assert {one.host for one in load_site(tmp_path).rig.controller} == {"127.0.61.5"}


def test_a_piece_cut_short_in_the_cache_is_rendered_again(
    made: list[str], short: None, cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cached = cache / "gloaming" / "demonstration" / season.version() / "swell.frames"
    cached.write_bytes(cached.read_bytes()[: cached.stat().st_size // 2])
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    rendered: list[str] = []
    season.make_season(tmp_path, HOST, LISTEN, lambda name, done, frames: rendered.append(name))
    assert set(rendered) == {"swell"}
    assert verify(cached) == []


def test_stale_renderings_are_removed(tmp_path: Path) -> None:
    cached, old, recent = tmp_path / "now", tmp_path / "old", tmp_path / "recent"
    for folder in (cached, old, recent):
        folder.mkdir()
        (folder / "tide.frames").write_bytes(b"x")
    left, fresh = cached / "tide.frames.0a.part", cached / "swell.frames.0b.part"
    left.write_bytes(b"x")
    fresh.write_bytes(b"x")
    hour, month = 3600, 31 * 86_400
    now = cached.stat().st_mtime
    os.utime(left, (now - 2 * hour, now - 2 * hour))
    os.utime(old, (now - month, now - month))
    season._remove_stale(cached)
    assert sorted(path.name for path in tmp_path.rglob("*")) == [
        "now",
        "recent",
        "swell.frames.0b.part",
        "tide.frames",
        "tide.frames",
    ]


@pytest.mark.parametrize("home", ["/dev/null", "/proc/no-home", "relative"])
def test_without_a_writable_home_a_private_folder_is_used(
    home: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", home)
    monkeypatch.setenv("HOME", "/dev/null")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    folder = season.cache_folder()
    assert folder.parent == tmp_path and season.cache_folder() == folder
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700 and folder.stat().st_uid == os.getuid()


def lay_open(path: Path) -> None:
    path.mkdir()
    path.chmod(0o777)


def lay_link(path: Path) -> None:
    elsewhere = path.with_name("elsewhere")
    elsewhere.mkdir(mode=0o700)
    path.symlink_to(elsewhere)


def lay_file(path: Path) -> None:
    path.write_text("in the way")


def lay_stranger(path: Path) -> None:
    path.mkdir(mode=0o700)
    os.chown(path, 12_345, 12_345)


@pytest.mark.parametrize("lay", [lay_open, lay_link, lay_file, pytest.param(lay_stranger, marks=needs("root"))])
def test_a_folder_of_the_same_name_that_others_can_write_is_not_trusted(
    lay: Callable[[Path], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    trap = tmp_path / f"gloaming-demonstration-{os.getuid()}"
    lay(trap)
    folder = season.cache_folder()
    assert folder.resolve() != trap.resolve() and folder.parent == tmp_path
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700 and not list(folder.iterdir())
