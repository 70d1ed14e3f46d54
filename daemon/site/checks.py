"""Checks of a site.toml that can be read: contradictions between its tables, and unlikely values.

Each ConfigError names the line of its table. `on_their_lines` finds the line of its key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from gloaming.daemon.site.schema import OutputZone, PlaceTable, SiteFile
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.daemon.site.schema_outside import Hold, Trigger
from gloaming.daemon.site.schema_rules import Performance
from gloaming.daemon.timetable.rules import PerformanceRule
from gloaming.daemon.timetable.zones import likely_place_mistake
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode
from gloaming.shows.config_files.known_names import Known, instead
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.e131 import SOURCE_NAME_BYTES_MAX
from gloaming.shows.rig.model import Named, Rig
from gloaming.shows.rig.zones import Spans, named_spans
from gloaming.shows.time_units import DAY_NS


def line_of(table: Table | PerformanceRule) -> int:
    """The line on which a table stands."""
    return int(table.place.rpartition(":")[2])


def errors_in(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """All contradictions between the tables, and values out of bounds."""
    yield from _names(path, file)
    yield from _triggers_and_hooks(path, file)
    yield from _values(path, file)


def _names(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Names that are double or missing, and lengths of shows and performances out of bounds."""
    pieces, shows = {piece.name for piece in file.piece}, {show.name for show in file.show}
    groups: dict[str, tuple[Named, ...]] = {
        "piece": file.piece,
        "show": file.show,
        "trigger": file.trigger,
        "hold": file.hold,
        "board": file.board,
    }
    for kind, tables in groups.items():
        seen: dict[str, str] = {}
        for index, table in enumerate(tables):
            if table.name in seen:
                problem = f"there are two of the name {table.name!r}, the other one is at {seen[table.name]}"
                yield ConfigError(path, line_of(table), f"{kind}[{index}].name", problem, "give each a name of its own")
            seen[table.name] = table.place
    for index, show in enumerate(file.show):
        names = [(f"order[{place}]", name) for place, name in enumerate(show.order)]
        if show.between is not None and show.between != "black":
            names.append(("between", show.between))
        for key, name in names:
            if name not in pieces:
                hint = instead(name, sorted(pieces) or ["a [[piece]] table"])
                yield ConfigError(path, line_of(show), f"show[{index}].{key}", f"there is no piece {name!r}", hint)
        if show.start_every is not None and not 60_000_000_000 <= show.start_every <= 86_400_000_000_000:
            problem = "the order can begin every 1 min to 24 h"
            yield ConfigError(path, line_of(show), f"show[{index}].start_every", problem, 'as start_every = "30 min"')
    for index, performance in enumerate(file.performance):
        if performance.show not in shows:
            hint = instead(performance.show, sorted(shows) or ["a [[show]] table"])
            problem = f"there is no show {performance.show!r}"
            yield ConfigError(path, line_of(performance), f"performance[{index}].show", problem, hint)
        if performance.grace > 3_600_000_000_000:
            problem, hint = "grace is an hour at most", 'as grace = "3 min"'
            yield ConfigError(path, line_of(performance), f"performance[{index}].grace", problem, hint)


def _triggers_and_hooks(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Pieces and shows that triggers and hooks name and the site does not have, and lengths out of bounds."""
    known = {"piece": sorted(piece.name for piece in file.piece), "show": sorted(show.name for show in file.show)}
    named: list[tuple[Table, str, str, str | None]] = []
    for index, trigger in enumerate(file.trigger):
        key = f"trigger[{index}]"
        named += [(trigger, f"{key}.piece", "piece", trigger.piece), (trigger, f"{key}.show", "show", trigger.show)]
        during = enumerate(trigger.only_during or ())
        named += [(trigger, f"{key}.only_during[{place}]", "show", name) for place, name in during]
    for index, hook in enumerate(file.hook):
        what = hook.at.partition("-")[0]
        named += [(hook, f"hook[{index}].only[{place}]", what, name) for place, name in enumerate(hook.only or ())]
    for table, key, what, name in named:
        if name is not None and name not in known[what]:
            problem, hint = f"there is no {what} {name!r}", instead(name, known[what] or [f"a [[{what}]] table"])
            yield ConfigError(path, line_of(table), key, problem, hint)
    for index, trigger in enumerate(file.trigger):
        for key, length_ns in (("lasts", trigger.lasts or 0), ("cool_down", trigger.cool_down)):
            if length_ns > DAY_NS:
                problem, hint = f"{key} is 24 h at most", f'as {key} = "2 min"'
                yield ConfigError(path, line_of(trigger), f"trigger[{index}].{key}", problem, hint)


def unlikely_place(path: Path, place: PlaceTable) -> Iterator[ConfigError]:
    """Coordinates that look exchanged, or that seem to have the wrong sign."""
    if found := likely_place_mistake(place.latitude, place.longitude, place.timezone.key):
        yield ConfigError(path, line_of(place), f"site.{found.key}", found.problem, found.hint)


def _values(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Values that contradict each other or are out of bounds."""
    if len((file.output.source_name or file.site.name).encode()) > SOURCE_NAME_BYTES_MAX:
        table, key = (file.output, "output.source_name") if file.output.source_name else (file.site, "site.name")
        problem = f"the name is longer than the {SOURCE_NAME_BYTES_MAX} bytes of a source name (E1.31 6.2.2)"
        yield ConfigError(path, line_of(table), key, problem, "shorten it")
    if (file.phone.certificate is None) != (file.phone.key is None):
        key = "phone.key" if file.phone.key is None else "phone.certificate"
        problem = "it is missing: a certificate needs its key, and a key its certificate"
        yield ConfigError(path, line_of(file.phone), key, problem, 'as key = "board.key"')
    if file.output.fade > 10_000_000_000:
        yield ConfigError(path, line_of(file.output), "output.fade", "fade is 10 s at most", 'as fade = "1 s"')


def output_warnings(path: Path, file: SiteFile, rig: Rig) -> Iterator[ConfigError]:
    """Keys of output that are not in the protocol of a controller."""
    output, code = file.output, ConfigErrorCode.NOT_IN_PROTOCOL
    others = [one for one in rig.controller if one.protocol is not ProtocolName.E131]
    for key in ("priority", "synchronization", "preview"):
        if others and key in output.model_fields_set and getattr(output, key) is not False:
            names = dict.fromkeys(one.protocol.words for one in others)
            without = f"{' and '.join(names)} {'have' if len(names) > 1 else 'has'} no {key}"
            problem = f"{without}, so it does nothing for {listed(one.name for one in others)}"
            hint = "remove it: no controller receives E1.31"
            if len(others) < len(rig.controller):
                hint = "it holds for the controllers with E1.31 alone"
            yield ConfigError(path, line_of(output), f"output.{key}", problem, hint, code)
    if output.art_sync and not any(one.protocol is ProtocolName.ARTNET for one in others):
        hint = 'remove it, or write protocol = "artnet" at the controllers that receive Art-Net'
        yield ConfigError(path, line_of(output), "output.art_sync", "no controller receives Art-Net", hint, code)


def zone_errors(path: Path, file: SiteFile, rig: Rig, frames: Mapping[str, FrameFileInfo]) -> Iterator[ConfigError]:
    """Zones that the rig does not have or that are double, and performances whose pieces have no slot of their zone.

    `frames` has the frame files of the pieces that can be played.
    """
    rules: list[tuple[str, str | None, Table]] = [
        *((f"neighbours.dark[{index}].zone", rule.zone, rule) for index, rule in enumerate(file.neighbours.dark)),
        *((f"neighbours.dim[{index}].zone", rule.zone, rule) for index, rule in enumerate(file.neighbours.dim)),
        *((f"performance[{index}].zone", rule.zone, rule) for index, rule in enumerate(file.performance)),
        *((f"output.zone[{index}].name", rule.name, rule) for index, rule in enumerate(file.output.zone)),
        *((f"trigger[{index}].zone", rule.zone, rule) for index, rule in enumerate(file.trigger)),
        *((f"hold[{index}].zone", rule.zone, rule) for index, rule in enumerate(file.hold)),
    ]
    if not any(name for _, name, _ in rules):
        return
    zones = named_spans(rig)
    known = Known(zones or ["a [[zone]] table in rig.toml"])
    for key, name, table in rules:
        if name is not None and name not in zones:
            yield ConfigError(path, line_of(table), key, f"there is no zone {name!r}", known.instead(name))
    first: dict[str, OutputZone] = {}
    for index, zone in enumerate(file.output.zone):
        if first.setdefault(zone.name, zone) is not zone:
            problem = f"{zone.name} has a brightness already, at {first[zone.name].place}"
            yield ConfigError(path, line_of(zone), f"output.zone[{index}].name", problem, "give each zone one table")
    shows = {show.name: {*show.order, show.between or ""} for show in file.show}
    plays: list[tuple[str, Performance | Trigger]] = [
        *((f"performance[{index}].zone", one) for index, one in enumerate(file.performance)),
        *((f"trigger[{index}].zone", one) for index, one in enumerate(file.trigger)),
    ]
    for key, one in plays:
        piece, spans = one.piece if isinstance(one, Trigger) else None, zones.get(one.zone or "")
        pieces = {piece} if piece else shows.get(one.show or "", set())
        problem = f"{piece} has no slot" if piece else f"no piece of {one.show} has a slot"
        if spans and not reaches([frames[name] for name in pieces if name in frames], spans):
            hint = f"name frames that have {_listed(spans)}, or remove the zone"
            yield ConfigError(path, line_of(one), key, f"{problem} of {one.zone}", hint)


def board_errors(path: Path, file: SiteFile, rig: Rig) -> Iterator[ConfigError]:
    """Controllers that boards name and the rig does not have, and spares that cannot be."""
    controllers = sorted(one.name for one in rig.controller)
    mains = [one.name for one in file.board if not one.spare_for]
    spares: dict[str, str] = {}
    for index, board in enumerate(file.board):
        for place, name in enumerate(board.controllers or ()):
            if name not in controllers:
                problem, hint = f"there is no controller {name!r} in rig.toml", instead(name, controllers)
                yield ConfigError(path, line_of(board), f"board[{index}].controllers[{place}]", problem, hint)
        if board.spare_for is None:
            continue
        fed = [name for one in file.board if one.name == board.spare_for for name in one.controllers or ()]
        key, first = f"board[{index}].spare_for", spares.setdefault(board.spare_for, board.place)
        if board.spare_for not in mains:
            problem = f"there is no board {board.spare_for!r} that has controllers"
            hint = instead(board.spare_for, mains or ["a [[board]] table with controllers"])
            yield ConfigError(path, line_of(board), key, problem, hint)
        elif first != board.place:
            problem = f"{board.spare_for} has a spare already, at {first}"
            yield ConfigError(path, line_of(board), key, problem, "remove one: two spares would have one priority")
        elif without := [one for one in rig.controller if one.name in fed and one.protocol is not ProtocolName.E131]:
            name, words = without[0].name, without[0].protocol.words
            problem = f"{board.spare_for} feeds {name} by {words}, which has no priority: both boards would send to it"
            hint = f"remove this board, or let a board that has no spare feed {name}"
            yield ConfigError(path, line_of(board), key, problem, hint)
        elif file.output.priority == 0:
            problem, hint = "a spare needs a lower priority than 0", "give output.priority 1 or more, as priority = 100"
            yield ConfigError(path, line_of(board), key, problem, hint)
    yield from _boards_named(path, file)
    if file.sharing.broker and not file.board:
        problem, hint = "nobody shares: the site has no boards", "add a [[board]] table for each board"
        yield ConfigError(path, line_of(file.sharing), "sharing.broker", problem, hint)


def _boards_named(path: Path, file: SiteFile) -> Iterator[ConfigError]:
    """Boards that other tables name and the site does not have, and readings by HTTP that no board takes."""
    names = [one.name for one in file.board]
    tables: dict[str, tuple[Trigger | Hold | Hook, ...]] = {
        "trigger": file.trigger,
        "hold": file.hold,
        "hook": file.hook,
    }
    for key, table in ((f"{kind}[{index}]", one) for kind, each in tables.items() for index, one in enumerate(each)):
        if table.board is not None and table.board not in names:
            hint = instead(table.board, names or ["a [[board]] table"])
            yield ConfigError(path, line_of(table), f"{key}.board", f"there is no board {table.board!r}", hint)
        elif isinstance(table, Hold) and table.http and names and table.board is None:
            problem, hint = "with several boards, one of them takes the readings by HTTP", f'as board = "{names[0]}"'
            yield ConfigError(path, line_of(table), key, problem, hint)


def reaches(frames: Sequence[FrameFileInfo], spans: Spans) -> bool:
    """Whether frame files have a slot in some spans. Without any file nobody knows better."""
    slots: dict[int, int] = {}
    for universe in (universe for info in frames for universe in info.universes):
        slots[universe.number] = max(universe.slots, slots.get(universe.number, 0))
    return not frames or any(first <= slots.get(number, 0) for number, first, _ in spans)


def _listed(spans: Spans) -> str:
    """The first slots of a zone in words."""
    number, first, last = spans[0]
    return f"universe {number}, slots {first} to {last}" + (" and others" if len(spans) > 1 else "")
