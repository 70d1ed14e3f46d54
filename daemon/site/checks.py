"""What is wrong with a site.toml that can be read: between its tables, or with a value that is only unlikely.

Each mistake names the line of its table; `on_their_lines` finds that of its key.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from gloaming.daemon.site.schema import PlaceTable, SiteFile
from gloaming.daemon.timetable.rules import PerformanceRule
from gloaming.daemon.timetable.zones import likely_slip
from gloaming.shows.config_files.checking import Table, instead
from gloaming.shows.config_files.errors import ConfigError
from gloaming.shows.protocols.e131 import SOURCE_NAME_BYTES_MAX
from gloaming.shows.rig.model import Named


def line_of(table: Table | PerformanceRule) -> int:
    """The line on which a table stands."""
    return int(table.place.rpartition(":")[2])


def mistakes_in(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """All that is wrong between the tables."""
    yield from _names(path, file)
    yield from _values(path, file)


def _names(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Names that stand twice or are not there, and lengths of shows and performances beyond their bounds."""
    pieces, shows = {piece.name for piece in file.piece}, {show.name for show in file.show}
    groups: dict[str, tuple[Named, ...]] = {"piece": file.piece, "show": file.show}
    for kind, tables in groups.items():
        seen: dict[str, str] = {}
        for index, table in enumerate(tables):
            if table.name in seen:
                wrong = f"there are two of the name {table.name!r}, the other at {seen[table.name]}"
                yield ConfigError(path, line_of(table), f"{kind}[{index}].name", wrong, "give each a name of its own")
            seen[table.name] = table.place
    for index, show in enumerate(file.show):
        names = [(f"order[{place}]", name) for place, name in enumerate(show.order)]
        if show.between is not None and show.between != "black":
            names.append(("between", show.between))
        for key, name in names:
            if name not in pieces:
                right = instead(name, sorted(pieces) or ["a [[piece]] table"])
                yield ConfigError(path, line_of(show), f"show[{index}].{key}", f"there is no piece {name!r}", right)
        if show.start_every is not None and not 60_000_000_000 <= show.start_every <= 86_400_000_000_000:
            wrong = "the order can begin every 1 min to 24 h"
            yield ConfigError(path, line_of(show), f"show[{index}].start_every", wrong, 'as start_every = "30 min"')
    for index, performance in enumerate(file.performance):
        if performance.show not in shows:
            right = instead(performance.show, sorted(shows) or ["a [[show]] table"])
            wrong = f"there is no show {performance.show!r}"
            yield ConfigError(path, line_of(performance), f"performance[{index}].show", wrong, right)
        if performance.grace > 3_600_000_000_000:
            wrong, right = "a grace is an hour at most", 'as grace = "3 min"'
            yield ConfigError(path, line_of(performance), f"performance[{index}].grace", wrong, right)


def unlikely_place(path: Path, place: PlaceTable) -> Iterator[ConfigError]:
    """Coordinates that look exchanged, or of the wrong sign."""
    if slip := likely_slip(place.latitude, place.longitude, place.timezone.key):
        yield ConfigError(path, line_of(place), f"site.{slip.key}", slip.problem, slip.hint)


def _values(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Values that do not go together, or go beyond a bound."""
    if len((file.output.source_name or file.site.name).encode()) > SOURCE_NAME_BYTES_MAX:
        table, key = (file.output, "output.source_name") if file.output.source_name else (file.site, "site.name")
        wrong = f"the name is longer than the {SOURCE_NAME_BYTES_MAX} bytes of a source name (E1.31 6.2.2)"
        yield ConfigError(path, line_of(table), key, wrong, "shorten it")
    if (file.phone.certificate is None) != (file.phone.key is None):
        key = "phone.key" if file.phone.key is None else "phone.certificate"
        yield ConfigError(
            path, line_of(file.phone), key, "missing: a certificate goes with its key", 'as key = "board.key"'
        )
    if file.output.fade > 10_000_000_000:
        yield ConfigError(path, line_of(file.output), "output.fade", "a fade is 10 s at most", 'as fade = "1 s"')
