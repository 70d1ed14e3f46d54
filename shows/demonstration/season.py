"""The demonstration season as a folder: site.toml, rig.toml and rendered pieces, which are cached."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
from fractions import Fraction
from hashlib import sha256
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.demonstration.boathouse import PIXELS_PER_UNIVERSE, strings
from gloaming.shows.demonstration.light import Harbour
from gloaming.shows.demonstration.pieces import FPS, PIECES, PieceOfLight
from gloaming.shows.demonstration.rig import places, rig_toml, universes
from gloaming.shows.demonstration.sound import Samples, suffix, write_sound
from gloaming.shows.framefile.reader import FrameWriter, inspect

BLOCK_FRAMES = 40
PART_STALE_S, VERSION_STALE_S = 3600, 30 * 86_400
SITE = """# The site of the demonstration. It is invented. Every demonstration writes this file again.

[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
elevation_m = 12.0
timezone = "Europe/London"

[neighbours]                    # nothing may override these
dark = [{{ days = "mon-thu,sun", from = "22:30", to = "07:00" }}, {{ days = "fri,sat", from = "23:00", to = "07:00" }}]
quiet = [{{ days = "daily", from = "21:00", to = "09:00" }}]
dim = [{{ days = "daily", from = "21:30", to = "23:00", brightness = 0.5 }}]

[output]
interface = "{host}"
brightness = 0.8

[phone]
listen = "{listen}"

{pieces}
[[show]]
name = "evening"
order = ["harbour-bells", "tide", "lanterns", "first-frost"]
gap = "4 s"
between = "swell"
cross_fade = "2 s"

[[performance]]
show = "evening"
season = "11-27..01-06"
from = "sunset + 20 min"
to = "22:00"
at_close = "finish"
grace = "3 min"
"""

Progress = Callable[[str, int, int], None]


def cache_folder() -> Path:
    """The folder for rendered pieces: the user's cache, or a temporary folder if the cache cannot be written."""
    base = os.environ.get("XDG_CACHE_HOME")
    try:
        folder = (
            (Path(base) if base and Path(base).is_absolute() else Path.home() / ".cache") / "gloaming" / "demonstration"
        )
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except (OSError, RuntimeError):  # the home is missing, full or read-only; Path.home() raises RuntimeError
        return _temporary_folder()


def _temporary_folder() -> Path:
    """A private folder in the temporary one. An existing folder is used only if no other user can change it."""
    folder = Path(tempfile.gettempdir()) / f"gloaming-demonstration-{os.getuid()}"
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    found = folder.lstat()
    if stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o077:
        return folder
    return Path(tempfile.mkdtemp(prefix="gloaming-demonstration-"))


def version() -> str:
    """A hash of the code that draws the pieces."""
    text = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    return sha256(text).hexdigest()[:12]


def make_season(folder: Path, host: str, listen: str, progress: Progress | None = None) -> None:
    """Write a complete site into a folder. Pieces are rendered once; after that they come from the cache."""
    (folder / "pieces").mkdir(parents=True, exist_ok=True)
    cache = cache_folder() / version()
    cache.mkdir(parents=True, exist_ok=True)
    _remove_stale(cache)
    tables = []
    for piece in PIECES:
        source = cache / f"{piece.name}.frames"
        if not _whole(source):
            render(piece, source, progress)
        table = f'[[piece]]\nname = "{piece.name}"\nframes = "{_link(folder, source)}"\n'
        if piece.sound:
            source = cache / f"{piece.name}{suffix()}"
            if not source.exists():
                _make_sound(piece.sound, source)
            table += f'sound = "{_link(folder, source)}"\n'
        tables.append(table)
    (folder / "site.toml").write_text(SITE.format(host=host, listen=listen, pieces="\n".join(tables)))
    (folder / "rig.toml").write_text(rig_toml(host))


def _link(folder: Path, source: Path) -> str:
    """Link a cached file into the site's pieces. Returns its name for site.toml."""
    link = folder / "pieces" / source.name
    link.unlink(missing_ok=True)
    link.symlink_to(source)
    return f"pieces/{source.name}"


def _make_sound(sound: Callable[[], Samples], path: Path) -> None:
    try:
        write_sound(path, sound())
    except RuntimeError as error:  # of soundfile
        raise InputError(ConfigError(path, None, None, f"it cannot be written ({error})", "free some space")) from error


def _remove_stale(cache: Path) -> None:
    """Remove the remains of killed renderings, and pieces of other versions that were not used for a month."""
    os.utime(cache)
    now = cache.stat().st_mtime
    for path in (*cache.glob("*.part*"), *cache.parent.iterdir()):
        with contextlib.suppress(FileNotFoundError):  # another demonstration removed it
            age_s = now - path.stat().st_mtime
            if path.is_dir() and age_s > VERSION_STALE_S:
                shutil.rmtree(path, ignore_errors=True)
            elif not path.is_dir() and age_s > PART_STALE_S:
                path.unlink()


def _whole(path: Path) -> bool:
    try:
        inspect(path)
    except InputError:
        return False
    return True


def render(piece: PieceOfLight, path: Path, progress: Progress | None = None) -> None:
    """Render a piece to a frame file, block by block. `progress` gets the name, the frames done and all frames."""
    frames = round(piece.length_s * FPS)
    with FrameWriter(path, Fraction(FPS), universes()) as writer:
        done = 0
        for block in blocks(piece):
            writer.write(block)
            done += len(block)
            if progress:
                progress(piece.name, done, frames)


def blocks(piece: PieceOfLight) -> Iterator[npt.NDArray[np.uint8]]:
    """The frames of a piece, `(frames, frame_bytes) uint8`, in blocks of a second."""
    harbour = Harbour(strings())
    levels_at = piece.make(harbour)
    frames = round(piece.length_s * FPS)
    wide = len(universes()) * PIXELS_PER_UNIVERSE
    for first in range(0, frames, BLOCK_FRAMES):
        at_s = np.arange(first, min(frames, first + BLOCK_FRAMES), dtype=np.float32) / np.float32(FPS)
        whole = np.zeros((len(at_s), wide, 3), np.uint8)
        whole[:, places()] = levels_at(at_s)
        yield whole.reshape(len(at_s), wide * 3)
