"""Makes the file of a piece from an upload, in a process of its own: an upload may be damaged, or made to do damage.

`python -m gloaming.shows.media.piece_worker REQUEST` prints JSON objects, one a line: `{"done": 5, "of": 10}` while it
works, `{"note": text}`, and last `{"made": true}` or `{"problem": text}`.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from dataclasses import asdict, dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from gloaming.shows.analysis.wiring import numbered
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.reader import inspect, verify
from gloaming.shows.framefile.split import SUFFIX
from gloaming.shows.media.importing import ARRAYS, PICTURES, RAW, VIDEOS, ImportOptions, import_file
from gloaming.shows.media.low_priority import lower_priority
from gloaming.shows.media.sound_info import sound_length_ns
from gloaming.shows.media.sound_reading import SoundMissingError
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor

FRAMES_MAX = 24 * 3600 * 40
"""A day of 40 frames a second. A piece of more frames is a mistake, or an attack."""
BLOCK_BYTES = 16 << 20
SYNC_BYTES = 8 << 20
"""So much may wait for the disk: the transmitter reads its frames from the same one."""
IMPORTED = (ARRAYS - RAW) | PICTURES | VIDEOS
SOUNDS = {".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3"}
KINDS = frozenset({SUFFIX, *IMPORTED, *SOUNDS})
"""The endings of the names of files that become part of a piece."""
READERS = (("av", VIDEOS), ("PIL", PICTURES), ("soundfile", SOUNDS))
"""Packages that a board may lack, and what they read."""


def cannot_read(kind: str) -> str | None:
    """Why files with this ending cannot be read on this machine. None if they can."""
    for package, kinds in READERS:
        if kind in kinds and find_spec(package) is None:
            hint = "" if kind in SOUNDS else "; use a computer (gloaming frames import), upload the frame file"
            return f"this board lacks {package}, so it cannot read {kind} files{hint}"
    return None


@dataclass(frozen=True, slots=True)
class PieceRequest:
    """What to make: `out` of `source`. `universes`, `matrix` and `order` are as `gloaming frames import` has them.

    The limits: `memory_bytes` of data, and `out_bytes` for the new file.
    """

    source: str
    out: str
    rig: str
    memory_bytes: int
    out_bytes: int
    fps: str | None = None
    universes: str | None = None
    matrix: str | None = None
    order: str = "RGB"

    def to_json(self) -> str:
        return json.dumps(asdict(self))


def make(request: PieceRequest) -> None:
    """Make the file. InputError, SoundMissingError; OSError where the disk is full; MemoryError."""
    source, out = Path(request.source), Path(request.out)
    kind = source.suffix.lower()
    if kind in SOUNDS:
        sound_length_ns(source)
        _copy(request, source, out)
    elif kind == SUFFIX:
        _check_universes(source, Path(request.rig))
        _check_whole(source)
        _copy(request, source, out)
    else:
        _import(request, source, out)
        _check_universes(out, Path(request.rig))


def _import(request: PieceRequest, source: Path, out: Path) -> None:
    rig_path, safe = Path(request.rig), 0

    def progress(done: int, of: int | None) -> None:
        nonlocal safe
        if max(done, of or 0) > FRAMES_MAX:
            problem = f"it has {max(done, of or 0)} frames, more than a piece may have ({FRAMES_MAX})"
            raise input_error(source, problem, "cut it into parts")
        made = next(out.parent.glob(f"{out.name}.*.part"))
        size = made.stat().st_size
        _check_room(request, source, size)
        if size - safe > SYNC_BYTES:
            _sync(made)
            safe = size
        _report(done=done, of=of)

    video, rig = source.suffix.lower() in VIDEOS, load_rig(rig_path)
    first = str(min(rig.slots, default=1)) if request.matrix else None
    options = ImportOptions(
        fps=request.fps or (None if video else "40"),
        universes=request.universes or first,
        rig=None if request.matrix else rig_path,
        matrix=request.matrix,
        order=request.order,
    )
    import_file(source, out, options, MadeFor.of(rig).to_json(), lambda text: _report(note=text), progress)


def _check_universes(frames: Path, rig_path: Path) -> None:
    """InputError for a frame file with universes that no controller of the rig has."""
    numbers = [one.number for one in inspect(frames).universes]
    rig = load_rig(rig_path)
    if strange := [number for number in numbers if number not in rig.controller_of]:
        problem = f"it has frames for {numbered('universe', strange)}, which no controller of this rig has"
        hint = "render it for this rig, or give the universe to a controller in rig.toml"
        raise input_error(frames, problem, hint)


def _check_whole(frames: Path) -> None:
    """InputError for a frame file that is damaged anywhere."""
    damaged = verify(frames, lambda done, of: _report(done=done, of=of))
    if damaged:
        more = f", and at {len(damaged) - 1} more places" if len(damaged) > 1 else ""
        raise input_error(frames, f"it is damaged: {damaged[0][2]}{more}", "send it again, or render it again")


def _check_room(request: PieceRequest, source: Path, size: int) -> None:
    if size > request.out_bytes:
        raise input_error(
            source, "the file of the piece does not fit on the disk", "make it shorter, or free some space"
        )


def _copy(request: PieceRequest, source: Path, out: Path) -> None:
    _check_room(request, source, source.stat().st_size)
    with source.open("rb") as file, out.open("xb", buffering=0) as copy:
        while data := file.read(SYNC_BYTES):
            copy.write(data)
            os.fdatasync(copy.fileno())


def _sync(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fdatasync(number)
    finally:
        os.close(number)


def _report(**values: Any) -> None:
    print(json.dumps(values), flush=True)


TOO_LARGE = (
    "it needs more memory or time than the board has for it; make it smaller, or import it on a computer with"
    " `gloaming frames import` and upload the frame file"
)


def main() -> None:
    """Set the limits, then work."""
    lower_priority()
    request = PieceRequest(**json.loads(sys.argv[1]))
    resource.setrlimit(resource.RLIMIT_DATA, (request.memory_bytes, request.memory_bytes))
    most = request.out_bytes + BLOCK_BYTES  # a last resort: the error of it names no file
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    name = Path(request.source).name
    try:
        make(request)
    except InputError as error:
        first = error.errors[0]
        _report(problem=f"{name}: {'; '.join(filter(None, (first.problem, first.hint)))}")
    except SoundMissingError as error:
        _report(problem=f"{name}: {error}")
    except MemoryError:
        _report(problem=f"{name}: {TOO_LARGE}")
    except OSError as error:
        _report(problem=f"{name}: {error.strerror or error}")
    else:
        _report(made=True)


if __name__ == "__main__":
    main()
