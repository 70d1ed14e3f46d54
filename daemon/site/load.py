"""A site: what site.toml and rig.toml say, checked as a whole, with what the frame files say of themselves."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from gloaming.daemon.site.checks import line_of, mistakes_in, unlikely_place
from gloaming.daemon.site.schema import ClockTable, Neighbours, OutputTable, Phone, Show, SiteFile, Sound, SurveyTable
from gloaming.daemon.site.schema_delivery import Alert, Hook
from gloaming.daemon.site.schema_rules import Hours, Performance
from gloaming.daemon.timetable.nights import overlaps
from gloaming.daemon.timetable.sun import Spot
from gloaming.daemon.timetable.times import TimeExpression
from gloaming.shows.analysis.wiring import ranges
from gloaming.shows.config_files.checking import nearest, on_their_lines, read_tables
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.framefile.reader import FrameFileInfo, inspect, max_refresh_hz
from gloaming.shows.media.sound_info import ALIKE_NS, sound_length_ns
from gloaming.shows.media.sound_reading import SoundMissingError
from gloaming.shows.rig.model import Rig, load_rig
from gloaming.shows.time_units import SECOND_NS

T = TypeVar("T")
FILES_MAX = 1000
"""So many files of a folder are looked at for one that may have been meant."""

SHORTEST_TURN_NS = SECOND_NS
"""How long a piece of an order and the gap after it last at the least, on the average: each turn is told by itself."""


@dataclass(frozen=True)
class Piece:
    """A frame file, with its sound file if it has one; `info` is None where the frame file cannot be played.

    `sound_ns` is how long the sound is, where that is another length than the frames have. `damaged` holds from when
    until when (None: still) its frames were known to be damaged.
    """

    name: str
    frames: Path
    sound: Path | None
    place: str
    info: FrameFileInfo | None
    sound_ns: int | None = None
    damaged: tuple[tuple[int, int | None], ...] = ()

    @property
    def length_ns(self) -> int | None:
        """How long it lasts: as long as its frames or its sound, whichever is longer."""
        return max(self.info.length_ns, self.sound_ns or 0) if self.info else None


def goes_round(show: Show, order: Sequence[Piece]) -> bool:
    """Whether nothing comes between the turns of an order, so that they are one picture that goes round."""
    if len({piece.name for piece in order}) != 1 or show.gap or show.start_every or order[0].sound_ns is not None:
        return False
    return not show.cross_fade or bool(order[0].info and order[0].info.frames == 1)


def too_quick(show: Show, order: Sequence[Piece]) -> bool:
    """Whether an order has more turns than a board can follow."""
    lasts_ns = sum((piece.length_ns or 0) + show.gap for piece in order)
    return not goes_round(show, order) and max(lasts_ns, show.start_every or 0) < len(order) * SHORTEST_TURN_NS


@dataclass(frozen=True, eq=False)
class Site:
    """All that a site's folder says. Compared by identity: a site that was read again is another site."""

    folder: Path
    name: str
    spot: Spot
    if_no_sunset: TimeExpression | None
    neighbours: Neighbours
    output: OutputTable
    phone: Phone
    clock: ClockTable
    sound: Sound
    pieces: dict[str, Piece]
    shows: dict[str, Show]
    performances: tuple[Performance, ...]
    rig: Rig
    alerts: tuple[Alert, ...] = ()
    hooks: tuple[Hook, ...] = ()
    survey: SurveyTable = field(default_factory=SurveyTable)
    problems: tuple[ConfigError, ...] = field(default=())
    silent: tuple[ConfigError, ...] = field(default=())
    """Sound files that are not there: their pieces are given without sound."""
    warnings: tuple[ConfigError, ...] = field(default=())

    @property
    def doubts(self) -> tuple[ConfigError, ...]:
        """All that a person should know before the site is played."""
        return (*self.problems, *self.silent, *self.warnings)

    @property
    def timezone(self) -> ZoneInfo:
        return self.spot.zone

    @property
    def dark(self) -> tuple[Hours, ...]:
        return self.neighbours.dark

    def goes_round(self, show: str) -> bool:
        """Whether nothing comes between the turns of a show's pieces, so that they are one picture that goes round."""
        order = (self.pieces[name] for name in self.shows[show].order)
        return goes_round(self.shows[show], [piece for piece in order if piece.info])

    @cached_property
    def source_name(self) -> str:
        return self.output.source_name or self.name


def load_site(folder: Path, at: datetime | None = None, strict: bool = True, written: Path | None = None) -> Site:
    """Read and check a site's folder.

    `at` says which seasons overlaps are looked for in. Strict, a frame file that cannot be played is a mistake; else
    the piece is left out and the mistake kept in `problems`. `written` is where site.toml and rig.toml lie instead.
    Raises InputError.
    """
    if not folder.is_dir():
        wrong = "this is not a folder" if folder.exists() else "there is no such site"
        raise InputError(ConfigError(folder, None, None, wrong, "name a folder that holds site.toml and rig.toml"))
    path = (written or folder) / "site.toml"
    file, wrong_in_site = _tried(lambda: read_tables(path, SiteFile))
    rig, wrong_in_rig = _tried(lambda: load_rig(path.with_name("rig.toml")))
    errors = list(mistakes_in(path, file)) if file else []
    if file is None or rig is None:
        raise InputError(*wrong_in_site, *on_their_lines(path, errors), *wrong_in_rig)
    pieces, problems, warnings = _pieces(folder, path, file, rig)
    errors += _turns(path, file, pieces)
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
        survey=file.survey,
        problems=on_their_lines(path, problems),
        silent=on_their_lines(path, _silent(folder, path, file)),
        warnings=on_their_lines(path, [*unlikely_place(path, place), *warnings]),
    )
    _refuse_overlaps(path, site, at or datetime.now(UTC))
    return site


def _tried(read: Callable[[], T]) -> tuple[T | None, tuple[ConfigError, ...]]:
    """What is read, or None and what is wrong with it."""
    try:
        return read(), ()
    except InputError as error:
        return None, error.errors


def _pieces(
    folder: Path, path: Path, file: SiteFile, rig: Rig
) -> tuple[dict[str, Piece], list[ConfigError], list[ConfigError]]:
    """The pieces with their frame files looked into; what cannot be played; what goes beyond a standard."""
    pieces: dict[str, Piece] = {}
    problems: list[ConfigError] = []
    warnings: list[ConfigError] = []
    for index, table in enumerate(file.piece):
        key, frames = f"piece[{index}].frames", (folder / table.frames).absolute()
        info: FrameFileInfo | None = None
        try:
            info = inspect(frames)
        except InputError as error:
            wrong = f"{table.frames}: {error.errors[0].problem}"
            right = error.errors[0].hint or 'name a frame file, as frames = "pieces/tide.frames"'
            if not is_there(frames):
                right = _near_file(folder, table.frames) or right
            problems.append(ConfigError(path, line_of(table), key, wrong, right))
        if info:
            strange = [universe.number for universe in info.universes if universe.number not in rig.controller_of]
            if strange:
                wrong = f"{table.frames} has frames for universe {strange[0]}, which no controller has"
                right = f"give universe {strange[0]} to a controller in rig.toml"
                code = ConfigErrorCode.UNIVERSE_WITHOUT_CONTROLLER
                problems.append(ConfigError(path, line_of(table), key, wrong, right, code))
            if too_fast := _too_fast(table.frames, info, rig):
                warnings.append(ConfigError(path, line_of(table), key, *too_fast))
        sound = (folder / table.sound).absolute() if table.sound else None
        sound_ns = _unlike_ns(sound, info) if sound and info else None
        pieces[table.name] = Piece(table.name, frames, sound, table.place, info, sound_ns)
    return pieces, problems, warnings


def _too_fast(name: str, info: FrameFileInfo, rig: Rig) -> tuple[str, str] | None:
    """What is wrong with a piece's rate, and what to do: by the packets of the rig, not by the slots of the file."""
    sent = {one.number: rig.slots[one.number] for one in info.universes if one.number in rig.slots}
    fast = {number: slots for number, slots in sent.items() if info.fps > max_refresh_hz(slots)}
    if not fast:
        return None
    slots = max(fast.values())
    limit_hz, left = max_refresh_hz(slots), every_nth(info.fps, max_refresh_hz(slots))
    wrong = (
        f"{name} has {float(info.fps):g} frames a second; packets of {slots} slots go to universe {ranges(fast)}, and "
        f"E1.31 6.6.1 and E1.11 allow {limit_hz:.1f} of them a second: only one frame of {left} is sent there"
    )
    unnamed = fast.keys() - {universe for string in rig.string for universe, _, _ in string.spans()}
    shorter = "; or name the strings in rig.toml: packets are then no longer than they need" if unnamed else ""
    return wrong, f"render 40 frames a second{shorter}"


def _silent(folder: Path, path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Sound files that are not there."""
    for index, table in enumerate(file.piece):
        if table.sound and not is_there(folder / table.sound):
            wrong = f"{table.sound}: there is no such file; {table.name} is given without sound"
            right = _near_file(folder, table.sound) or 'name a sound file, as sound = "pieces/tide.flac"'
            yield ConfigError(path, line_of(table), f"piece[{index}].sound", wrong, right)


def is_there(path: Path) -> bool:
    """Whether a file or folder exists; of a name that no disk takes, it does not."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _near_file(folder: Path, written: str) -> str | None:
    """A question with the file of a site whose name comes nearest to one that is not there."""
    there = islice(folder.rglob(f"*{Path(written).suffix}"), FILES_MAX)
    names = [path.relative_to(folder).as_posix() for path in there]
    return nearest(written, {name: name for name in names}) or nearest(
        Path(written).name, {name.rpartition("/")[2]: name for name in names}
    )


def _turns(path: Path, file: SiteFile, pieces: dict[str, Piece]) -> Iterator[ConfigError]:
    """Shows of pieces so short that a board could not follow."""
    for index, show in enumerate(file.show):
        order = [pieces[name] for name in show.order if name in pieces and pieces[name].info]
        if order and too_quick(show, order):
            each_s = sum((piece.length_ns or 0) + show.gap for piece in order) / len(order) / 1e9
            wrong = f"a piece of it has {each_s:.3g} s on the average, with its gap; one a second can be followed"
            right = "make longer pieces, a longer gap, or name one piece alone without gap, cross_fade and start_every"
            yield ConfigError(path, line_of(show), f"show[{index}].order", wrong, right)
        between = pieces.get(show.between or "")
        if between and between.sound_ns is not None and (between.length_ns or SHORTEST_TURN_NS) < SHORTEST_TURN_NS:
            wrong, right = f"{between.name} and its sound are shorter than a second", "make them longer"
            yield ConfigError(path, line_of(show), f"show[{index}].between", wrong, right)


def _unlike_ns(sound: Path, info: FrameFileInfo) -> int | None:
    """How long a sound is, where that is not the length of its frames. One that cannot be read has no say."""
    try:
        length_ns = sound_length_ns(sound)
    except (InputError, SoundMissingError):  # the survey says it, and so does the page
        return None
    return length_ns if abs(length_ns - info.length_ns) > ALIKE_NS else None


def _refuse_overlaps(path: Path, site: Site, at: datetime) -> None:
    found = overlaps(site, date(at.year, 1, 1), date(at.year + 1, 12, 31))
    if found:
        first, second = found
        index = site.performances.index(second.performance)
        wrong = f"on {second.date} it overlaps the performance at {first.performance.place}, of the same rank"
        raise InputError(
            ConfigError(
                path, line_of(second.performance), f"performance[{index}].rank", wrong, "give one a higher rank"
            )
        )
