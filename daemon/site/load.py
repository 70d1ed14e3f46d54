"""Loads a site: site.toml and rig.toml, checked together, with the headers of the frame files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import TypeVar

from gloaming.daemon.site.board_name import board_name
from gloaming.daemon.site.checks import board_errors, errors_in, line_of, output_warnings, unlikely_place, zone_errors
from gloaming.daemon.site.schema import Show, SiteFile
from gloaming.daemon.site.site import Piece, Site, goes_round, slots_of
from gloaming.daemon.timetable.nights import Night, overlaps
from gloaming.daemon.timetable.sun import Spot
from gloaming.shows.analysis.wiring import ranges
from gloaming.shows.config_files.checking import on_their_lines, read_tables
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.config_files.known_names import nearest
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.framefile.reader import FrameFileInfo, inspect, max_refresh_hz
from gloaming.shows.media.sound_info import ALIKE_NS, sound_length_ns
from gloaming.shows.media.sound_reading import SoundMissingError
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.zones import areas
from gloaming.shows.time_units import SECOND_NS

T = TypeVar("T")
FILES_MAX = 1000
"""So many files of a folder at most are searched for a similar name."""

SHORTEST_TURN_NS = SECOND_NS
"""The shortest average of a piece and the gap after it, because each turn is a segment of the score."""


def too_quick(show: Show, order: Sequence[Piece]) -> bool:
    """Whether an order changes pieces faster than a board can follow."""
    lasts_ns = sum((piece.length_ns or 0) + show.gap for piece in order)
    return not goes_round(show, order) and max(lasts_ns, show.start_every or 0) < len(order) * SHORTEST_TURN_NS


def load_site(
    folder: Path,
    at: datetime | None = None,
    strict: bool = True,
    written: Path | None = None,
    rig: Rig | None = None,
    staged: Mapping[Path, Path] | None = None,
) -> Site:
    """Read and check a site's folder.

    Overlaps are searched in the year of `at` and the next. With `strict`, a frame file that cannot be played is an
    error. Otherwise its piece is left out and the error is in `problems`. `written` is another folder of site.toml and
    rig.toml. `rig` is what rig.toml holds, if it was read already. `staged` says where files of pieces lie that are not
    in their places yet. Raises InputError.
    """
    if not folder.is_dir():
        problem = "this is not a folder" if folder.exists() else "there is no such site"
        raise InputError(ConfigError(folder, None, None, problem, "name a folder that holds site.toml and rig.toml"))
    path = (written or folder) / "site.toml"
    file, wrong_in_site = _tried(lambda: read_tables(path, SiteFile))
    found, wrong_in_rig = (rig, ()) if rig else _tried(lambda: load_rig(path.with_name("rig.toml")))
    errors = list(errors_in(path, file)) if file else []
    if file is None or found is None:
        raise InputError(*wrong_in_site, *on_their_lines(path, errors), *wrong_in_rig)
    rig = found

    def now_at(place: Path) -> Path:
        return (staged or {}).get(place, place)

    pieces, problems = _pieces(folder, path, file, rig, now_at)
    errors += _turns(path, file, pieces)
    errors += zone_errors(path, file, rig, {name: piece.info for name, piece in pieces.items() if piece.info})
    errors += board_errors(path, file, rig)
    if errors or (strict and problems):
        raise InputError(*on_their_lines(path, [*errors, *(problems if strict else ())]))
    place = file.site
    site = Site(
        folder=folder,
        name=place.name,
        spot=Spot(place.latitude, place.longitude, float(place.elevation_m), place.timezone),
        if_no_sunset=place.if_no_sunset,
        neighbours=file.neighbours,
        output=file.output,
        phone=file.phone,
        clock=file.clock,
        sound=file.sound,
        pieces=pieces,
        shows={show.name: show for show in file.show},
        performances=file.performance,
        rig=rig,
        alerts=file.alert,
        hooks=file.hook,
        triggers=file.trigger,
        holds=file.hold,
        public=file.public,
        survey=file.survey,
        boards=file.board,
        sharing=file.sharing,
        board_name=board_name() if file.board else "",
        digest=_digest(path, pieces) if file.board else "",
        problems=on_their_lines(path, problems),
        missing_sounds=on_their_lines(path, _missing_sounds(folder, path, file, now_at)),
        warnings=on_their_lines(
            path,
            [
                *unlikely_place(path, place),
                *output_warnings(path, file, rig),
                *_too_fast(path, file, rig, pieces),
            ],
        ),
    )
    _refuse_overlaps(path, site, at or datetime.now(UTC))
    return site


def _tried(read: Callable[[], T]) -> tuple[T | None, tuple[ConfigError, ...]]:
    """What `read` returns, or None and its errors."""
    try:
        return read(), ()
    except InputError as error:
        return None, error.errors


def _digest(path: Path, pieces: Mapping[str, Piece]) -> str:
    """A digest that boards with the same files share, in 16 hex digits."""
    digest = sha256()
    for file in (path, path.with_name("rig.toml")):
        with suppress(OSError):  # rig.toml may be given without its file
            digest.update(file.read_bytes())
    for name, piece in pieces.items():
        digest.update(f"{name} {piece.info.id if piece.info else None}\n".encode())
    return digest.hexdigest()[:16]


def _pieces(
    folder: Path, path: Path, file: SiteFile, rig: Rig, now_at: Callable[[Path], Path]
) -> tuple[dict[str, Piece], list[ConfigError]]:
    """The pieces with their headers, and the errors of those that cannot be played. `now_at` says where a file lies."""
    pieces: dict[str, Piece] = {}
    problems: list[ConfigError] = []
    for index, table in enumerate(file.piece):
        key, frames = f"piece[{index}].frames", (folder / table.frames).absolute()
        info: FrameFileInfo | None = None
        try:
            info = replace(inspect(now_at(frames)), path=frames)
        except InputError as error:
            problem = f"{table.frames}: {error.errors[0].problem}"
            hint = error.errors[0].hint or 'name a frame file, as frames = "pieces/tide.frames"'
            if not file_exists(frames):
                hint = _near_file(folder, table.frames) or hint
            problems.append(ConfigError(path, line_of(table), key, problem, hint))
        if info:
            strange = [universe.number for universe in info.universes if universe.number not in rig.controller_of]
            if strange:
                problem = f"{table.frames} has frames for universe {strange[0]}, which no controller has"
                hint = f"give universe {strange[0]} to a controller in rig.toml"
                code = ConfigErrorCode.UNIVERSE_WITHOUT_CONTROLLER
                problems.append(ConfigError(path, line_of(table), key, problem, hint, code))
        sound = (folder / table.sound).absolute() if table.sound else None
        sound_ns = _unlike_ns(now_at(sound), info) if sound and info else None
        pieces[table.name] = Piece(
            table.name, frames, sound, table.place, info, sound_ns, title=table.title or table.name, artist=table.artist
        )
    return pieces, problems


def _too_fast(path: Path, file: SiteFile, rig: Rig, pieces: Mapping[str, Piece]) -> Iterator[ConfigError]:
    """Warnings about the rates of pieces. The packets that are sent count, not the slots of the piece alone. DDP has no
    limit."""
    of = rig.controller_of
    sent = {number: slots for number, slots in slots_of(rig, pieces).items() if of[number].protocol != ProtocolName.DDP}
    for index, table in enumerate(file.piece):
        info = pieces[table.name].info
        numbers = [one.number for one in info.universes if one.number in sent] if info else []
        fast = {number: sent[number] for number in numbers if info and info.fps > max_refresh_hz(sent[number])}
        if not info or not fast:
            continue
        slots = max(fast.values())
        limit_hz, left = max_refresh_hz(slots), every_nth(info.fps, max_refresh_hz(slots))
        problem = (
            f"{table.frames} has {float(info.fps):g} frames a second. Universe {ranges(fast)} has packets of {slots} "
            f"slots. E1.11 allows {limit_hz:.1f} of them a second (E1.31 6.6.1), so only one frame of {left} is sent "
            f"there"
        )
        more = any(sent[number] > rig.slots.get(number, 0) for number in fast)
        shorter = ", or give no piece more slots there than strings and fixtures need" if more else ""
        yield ConfigError(
            path, line_of(table), f"piece[{index}].frames", problem, f"render 40 frames a second{shorter}"
        )


def _missing_sounds(folder: Path, path: Path, file: SiteFile, now_at: Callable[[Path], Path]) -> Iterator[ConfigError]:
    """The errors of missing sound files."""
    for index, table in enumerate(file.piece):
        if table.sound and not file_exists(now_at((folder / table.sound).absolute())):
            problem = f"{table.sound}: there is no such file; {table.name} is given without sound"
            hint = _near_file(folder, table.sound) or 'name a sound file, as sound = "pieces/tide.flac"'
            yield ConfigError(path, line_of(table), f"piece[{index}].sound", problem, hint)


def file_exists(path: Path) -> bool:
    """Whether a file or folder exists. False for a name that no disk can have."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _near_file(folder: Path, written: str) -> str | None:
    """A hint with the file of a site whose name is most like a missing one, None where there is none."""
    there = islice(folder.rglob(f"*{Path(written).suffix}"), FILES_MAX)
    names = [path.relative_to(folder).as_posix() for path in there]
    return nearest(written, {name: name for name in names}) or nearest(
        Path(written).name, {name.rpartition("/")[2]: name for name in names}
    )


def _turns(path: Path, file: SiteFile, pieces: dict[str, Piece]) -> Iterator[ConfigError]:
    """The errors of shows whose pieces are too short for a board to follow."""
    for index, show in enumerate(file.show):
        order = [pieces[name] for name in show.order if name in pieces and pieces[name].info]
        if order and too_quick(show, order):
            each_s = sum((piece.length_ns or 0) + show.gap for piece in order) / len(order) / 1e9
            problem = f"a piece and its gap last {each_s:.3g} s on the average; a board can follow one piece a second"
            hint = "make the pieces or the gap longer, or name one piece alone without gap, cross_fade and start_every"
            yield ConfigError(path, line_of(show), f"show[{index}].order", problem, hint)
        between = pieces.get(show.between or "")
        if between and between.sound_ns is not None and (between.length_ns or SHORTEST_TURN_NS) < SHORTEST_TURN_NS:
            problem, hint = f"{between.name} and its sound are shorter than a second", "make them longer"
            yield ConfigError(path, line_of(show), f"show[{index}].between", problem, hint)


def _unlike_ns(sound: Path, info: FrameFileInfo) -> int | None:
    """The length of a sound, where that differs from the length of its frames. None if it cannot be read."""
    try:
        length_ns = sound_length_ns(sound)
    except (InputError, SoundMissingError):  # the survey and the page report it
        return None
    return length_ns if abs(length_ns - info.length_ns) > ALIKE_NS else None


def overlapping(site: Site, first: date, last: date) -> tuple[Night, Night, frozenset[str]] | None:
    """Two nights of equal rank that overlap on some slots, and the zones of these slots (none: the rest of the rig)."""
    parts = areas({name: site.zones[name] for name in site.zones_with_rules}) if site.zones_with_rules else ()
    for zones in (frozenset[str](), *(area.zones for area in parts)):
        if found := overlaps(site.in_zones(zones), first, last):
            return *found, zones
    return None


def _refuse_overlaps(path: Path, site: Site, at: datetime) -> None:
    if found := overlapping(site, date(at.year, 1, 1), date(at.year + 1, 12, 31)):
        first, second, zones = found
        index = site.performances.index(second.performance)
        slots = f"; {_part(first)} and {_part(second)} share slots" if zones else ""
        problem = (
            f"on {second.date} it overlaps the performance at {first.performance.place}, which has the same rank{slots}"
        )
        hint = "give one a higher rank"
        raise InputError(ConfigError(path, line_of(second.performance), f"performance[{index}].rank", problem, hint))


def _part(night: Night) -> str:
    """The part of the rig that a night is for."""
    return night.performance.zone or "the whole rig"
