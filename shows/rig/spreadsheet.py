"""A rig as a spreadsheet: a CSV with a line for each string, fixture or other table. `cells` has the columns."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from io import StringIO
from pathlib import Path

from gloaming.shows.config_files.checking import checked, quoted, undotted
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError, WrongValueError, input_error
from gloaming.shows.config_files.known_names import Known, instead
from gloaming.shows.config_files.toml_lines import Key, place_of
from gloaming.shows.protocols.e131 import UNIVERSE_MAX
from gloaming.shows.rig.cells import (
    ALL,
    COLUMNS,
    LENT,
    NEEDED,
    column_name,
    example,
    has_decimal_commas,
    letters,
    read_cell,
    read_text,
    records,
    write_cell,
)
from gloaming.shows.rig.layout import lay_out
from gloaming.shows.rig.load import complete
from gloaming.shows.rig.model import Rig, port_name
from gloaming.shows.rig.tables import KINDS, Values, differences, tables_of


def read_spreadsheet(path: Path) -> Rig:
    """The rig of a CSV file, complete. Raises InputError with all errors, or OSError."""
    return _Reading(path, read_text(path)).rig()


def spreadsheet(rig: Rig, decimal_comma: bool = False) -> str:
    """A rig from `load_rig` as a CSV, without `points`. Raises InputError if a CSV cannot hold the rest."""
    tables = {kind: [_without_points(row) for row in of_kind] for kind, of_kind in tables_of(rig).items()}
    rows = [
        {"kind": kind, **{column: row[key] for column, key in COLUMNS[kind].items() if key in row}}
        for kind, of_kind in tables.items()
        for row in of_kind
    ]
    used = {column for row in rows for column in row}
    columns = [column for column in ALL if column in used or column in NEEDED]
    text = StringIO(newline="")
    writer = csv.writer(text, delimiter=";" if decimal_comma else ",")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(write_cell(column, row[column], decimal_comma) if column in row else "" for column in columns)
    if lost := differences(tables, tables_of(_Reading(Path("CSV"), text.getvalue()).rig())):
        hint = "remove blanks at the beginning and the end of its texts"
        raise input_error("rig.toml", f"a CSV cannot hold {', '.join(lost)}", hint)
    return text.getvalue()


def _without_points(row: Values) -> Values:
    return {key: value for key, value in row.items() if key != "points"}


@dataclass(frozen=True)
class _Row:
    """A line with its cells by column, and its table as far as it can be read."""

    line: int
    key: tuple[str, int]
    cells: dict[str, str]
    values: Values

    @property
    def kind(self) -> str:
        return self.key[0]


class _Reading:
    """Reads one CSV. It collects the errors of the cells, then those of the rig."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.errors: list[ConfigError] = []
        self.labels: dict[str, str] = {}  # what messages call a column, by its name
        self.tables: dict[str, list[Values]] = {kind: [] for kind in KINDS}
        self.lines: dict[Key, int] = {}
        self.known: dict[tuple[str, str], tuple[str, int]] = {}  # the key of a table, by its kind and name
        self.unread: set[Key] = set()  # keys whose cell has an error
        self.lent: set[Key] = set()  # tables that have no line of their own
        self.decimal_comma = has_decimal_commas(text)
        lines = records(path, text)
        line, headings = next(lines, (1, [""]))
        columns = self._columns(line, headings)
        self.rows = [row for line, cells in lines if (row := self._row(line, cells, columns))]

    def rig(self) -> Rig:
        """The whole rig. Raises InputError."""
        named = any(row.kind == "controller" for row in self.rows)
        for row in self.rows:
            if not named and "controller" in row.values:
                self._table("controller", row.values["controller"], {"name": row.values["controller"]}, row.line)
            self._lend(row)
        self._refer()
        if not self.rows and not self.errors:
            self._wrong(None, None, "there is no line below the headings", "write a line for each string")
        elif not self.tables["controller"] and not self.errors:
            self._wrong(None, "controller", "no line names a controller", "name the controller of each string")
        for controller in self.tables["controller"]:
            controller.setdefault("universes", [])
        loose = [
            row["name"] for row in self.tables["fixture"] if "name" in row and not row.keys() & {"universe", "slot"}
        ]
        for fixture in self.tables["fixture"]:
            if not fixture.keys() & {"universe", "slot"}:
                fixture.update(universe=1, slot=1)
        try:
            rig = checked(self.tables, self.path, self.lines, Rig)
        except InputError as error:
            self._in_cells(error.errors)
        self._end_if_wrong()
        return self._whole(lay_out(rig, loose))

    def _whole(self, rig: Rig) -> Rig:
        named = {one.controller for one in rig.string} | {one.controller for one in rig.fixture}
        for index, controller in enumerate(rig.controller):
            if not controller.universes and controller.name not in named:
                problem, hint = "it is missing, and no line names the controller", "as 1 to 24"
                self._in_cells([ConfigError(self.path, None, f"controller[{index}].universes", problem, hint)])
        if max(rig.controller_of, default=0) > UNIVERSE_MAX:
            problem = f"the strings need universes beyond {UNIVERSE_MAX}, the last one (E1.31 9.1.1)"
            self._wrong(None, None, problem, "begin at a lower universe")
        rig, errors = complete(self.path, rig)
        self._in_cells(errors)
        self._end_if_wrong()
        return rig

    def _end_if_wrong(self) -> None:
        if self.errors:
            raise InputError(*sorted(self.errors, key=lambda error: error.line or 0))

    def _wrong(
        self,
        line: int | None,
        column: str | None,
        problem: str,
        hint: str | None,
        code: ConfigErrorCode = ConfigErrorCode.INVALID,
    ) -> None:
        label = self.labels.get(column, f"column {column}") if column else None
        self.errors.append(ConfigError(self.path, line, label, problem, hint, code))

    def _in_cells(self, errors: Sequence[ConfigError]) -> None:
        """Note errors of the rig at the lines and columns of their keys. Consequences of other errors are left out."""
        for error in errors:
            key = undotted(error.key)
            column = self._column(key)
            missing = error.code is ConfigErrorCode.MISSING and column in NEEDED and column not in self.labels
            if key[:3] not in self.unread and not missing and len(key) > 1:
                hint = error.hint
                if column and error.code is not ConfigErrorCode.INVALID:  # the others do not show how TOML writes it
                    hint = f"as {example(str(key[0]), str(key[2]))}"
                self._wrong(place_of(self.lines, key), column, error.problem, hint, error.code)

    def _column(self, key: Key) -> str | None:
        if len(key) < 3:
            return None
        kind, name = str(key[0]), str(key[2])
        lent = {one: column for column, one in LENT["string"].items()} if key[:2] in self.lent else {}
        own = {one: column for column, one in COLUMNS[kind].items()}
        return lent.get((kind, name)) or own.get(name)

    def _columns(self, line: int, headings: list[str]) -> list[str | None]:
        """The name of each column; None for a column to skip."""
        found: list[str | None] = []
        unknown = []
        for number, heading in enumerate(headings):
            name, label = column_name(heading), f"column {letters(number)}, {heading}"
            found.append(None)
            if not heading or heading.startswith("#"):
                continue
            if name in self.labels:
                hint = f"keep one of column {letters(number)} and {self.labels[name]}"
                self._wrong(line, name, "there are two such columns", hint)
            elif name in ALL:
                found[-1], self.labels[name] = name, label
            else:
                hint = f"{instead(name, ALL, 'the columns are')} To keep a column of your own, begin its heading with #"
                error = ConfigError(
                    self.path, line, label, "there is no such column", hint, ConfigErrorCode.UNKNOWN_KEY
                )
                self.errors.append(error)
                unknown.append(name)
        for name in NEEDED:
            if name not in self.labels and not get_close_matches(name, unknown, 1):
                hint = f"the first line has the headings, {', '.join(NEEDED)} at least"
                self._wrong(line, name, "it is missing", hint, ConfigErrorCode.MISSING)
        return found

    def _row(self, line: int, cells: list[str], columns: list[str | None]) -> _Row | None:
        """A line; its table is added to the others."""
        if any(cells[len(columns) :]):
            problem = f"it has {len(cells)} cells, and there are {len(columns)} headings"
            self._wrong(line, None, problem, 'write a text with the separator in it in quotes, as "0,75"')
            return None
        by_column = {name: cell for name, cell in zip(columns, cells, strict=False) if cell and name}
        kind = by_column.pop("kind", "string").lower()
        if kind not in KINDS:
            self._wrong(line, "kind", f"there is no kind {quoted(kind)}", instead(kind, KINDS))
            return None
        row = _Row(line, self._new(kind, {}, line), by_column, self.tables[kind][-1])
        for column in by_column:
            if column in COLUMNS[kind]:
                self._fill(row, column, row.key, COLUMNS[kind][column])
            elif column not in LENT.get(kind, ()):
                self._wrong(line, column, f"a {kind} has no {column}", "empty the cell")
        name = _name(kind, row.values)
        if name and self.known.setdefault((kind, name), row.key) != row.key:
            first = self.lines[self.known[kind, name]]
            column = "port" if kind == "port" else "name"
            self._wrong(line, column, f"{kind} {name} is there twice, first on line {first}", "give each its own name")
        return row

    def _new(self, kind: str, values: Values, line: int) -> tuple[str, int]:
        """Add a table; its key."""
        key = kind, len(self.tables[kind])
        self.tables[kind].append({"place": f"{self.path.name}:{line}", **values})
        self.lines[key] = line
        return key

    def _table(self, kind: str, name: str, values: Values, line: int) -> tuple[str, int]:
        """The key of a table. If it has no line of its own, it comes into being."""
        if (kind, name) not in self.known:
            self.known[kind, name] = self._new(kind, values, line)
            self.lent.add(self.known[kind, name])
        return self.known[kind, name]

    def _fill(self, row: _Row, column: str, table: tuple[str, int], key: str) -> None:
        """Fill a key of a table from a cell. Several lines may say the same of one table."""
        kind, index = table
        place = (kind, index, key)
        try:
            value = read_cell(kind, key, row.cells[column], self.decimal_comma)
        except WrongValueError as error:
            self.unread.add(place)
            self._wrong(row.line, column, error.problem, error.hint)
            return
        if self.tables[kind][index].setdefault(key, value) != value:
            other = write_cell(key, self.tables[kind][index][key], decimal_comma=False)
            problem = f"line {self.lines[place]} has {other} here, for the same {kind}"
            self._wrong(row.line, column, problem, "write the same on both lines, or empty one of the cells")
        self.lines.setdefault(place, row.line)

    def _lend(self, row: _Row) -> None:
        """Fill keys of the line's controller, port and supply."""
        for column, (kind, key) in LENT.get(row.kind, {}).items():
            if column not in row.cells or (*row.key, kind) in self.unread:
                continue
            values = {"name": row.values.get(kind)}
            if kind == "port":
                values = {"controller": row.values.get("controller"), "number": row.values.get("port")}
            name = _name(kind, values)
            if name is None:
                self._wrong(row.line, column, f"it belongs to a {kind}, and this line names none", f"fill in {kind}")
            elif kind != "controller" or (kind, name) in self.known:
                self._fill(row, column, self._table(kind, name, values, row.line), key)

    def _refer(self) -> None:
        """Each controller, supply and circuit that a line names has a table. One error for each name that has none."""
        for kind, needs in (("controller", ""), ("supply", ", volts and amps"), ("circuit", ", volts and amps")):
            add = f"add a line of the kind {kind} with this name{needs}"
            names = {name for of_kind, name in self.known if of_kind == kind}
            hints, reported = Known(names, f"{add}; or use"), set()
            for row in self.rows:
                name = row.values.get(kind)
                if name is not None and name not in names and name not in reported:
                    reported.add(name)
                    hint = hints.instead(name) if names else add
                    self._wrong(row.line, kind, f"there is no {kind} {quoted(name)}", hint)
        for row in self.rows:
            if row.kind == "string" and "controller" in self.labels and not row.values.keys() & {"controller", "after"}:
                self._wrong(row.line, "controller", "it is missing", "name the controller of the string")


def _name(kind: str, values: Values) -> str | None:
    """The name of a table; for a port, of controller and number."""
    if kind != "port":
        return values.get("name")
    controller, number = values.get("controller"), values.get("number")
    return None if controller is None or number is None else port_name(controller, number)
