"""`gloaming rig`: rig.toml from a spreadsheet, a spreadsheet from rig.toml, and the sheet to wire by."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.api.cli.parser import STATE, Commands, Group, Parser, SiteWord, add_command, add_family, answer, argument
from gloaming.api.cli.where import site_of, state_folder
from gloaming.shows.config_files.errors import ConfigError, InputError, input_error

if TYPE_CHECKING:
    from gloaming.shows.rig.model import Rig

CSV_HELP = """\
A CSV with a line for each string. The first line has the headings: name, controller and pixels at least. Then also
port, order, volts, fuse_a, supply, missing and all other keys of rig.toml. shows/README.md explains them. Commas,
semicolons or tabs separate the cells. Numbers may have decimal commas."""


REPLACE = argument("--replace", "replace the file if it is there already", action="store_true")


def add_parser(commands: Commands[Parser]) -> None:
    """Add `rig` and its verbs."""
    verbs = add_family(commands, "rig", "rig.toml from a spreadsheet and back; a sheet to wire by", Group.BEFORE)
    text = "make rig.toml from a spreadsheet (CSV)"
    add_command(
        verbs,
        "import",
        text,
        import_rig,
        argument("csv", "the spreadsheet", "strings.csv", type=Path, metavar="strings.csv"),
        REPLACE,
        examples=("rig import strings.csv", "rig import strings.csv boathouse --replace"),
        site=SiteWord.RIG,
        description=f"{text}. {CSV_HELP}",
    )
    text = "make a spreadsheet (CSV) from rig.toml"
    add_command(
        verbs,
        "export",
        text,
        export_rig,
        argument(
            "csv",
            "the spreadsheet, which ends in .csv",
            "quay.csv",
            type=Path,
            nargs="?",
            default=Path("strings.csv"),
            metavar="strings.csv",
        ),
        argument("--decimal-comma", "write 0,75 and separate the cells by semicolons", action="store_true"),
        REPLACE,
        examples=("rig export", "rig export boathouse quay.csv --decimal-comma"),
        site=SiteWord.RIG,
        description=f"{text}. `points` have no place in it.",
    )
    add_command(
        verbs,
        "sheet",
        "print the sheet to wire by: each controller with its ports, then repairs, spares and a list for the store",
        print_sheet,
        argument(
            "--html", "the page to write, to print and keep", "sheet.html", type=Path, required=True, metavar="FILE"
        ),
        STATE,
        examples=("rig sheet --html sheet.html",),
        site=SiteWord.RIG,
    )


def import_rig(args: argparse.Namespace) -> int:
    """`rig import`."""
    from gloaming.shows.rig.spreadsheet import read_spreadsheet
    from gloaming.shows.rig.tables import write_rig

    path = _rig_file(args, otherwise=Path())
    if path.suffix != ".toml":
        raise input_error(
            path, "this is no folder and no .toml file", "make the folder, or name a file that ends in .toml"
        )
    _may_write(path, args.csv, args.replace)
    rig = read_spreadsheet(args.csv)
    if path.exists():
        rig = _with_points(rig, args.csv, path)
    write_rig(path, rig, f"Made from {args.csv.name!r} by gloaming rig import.")
    answer(args, _counts(path, rig), *_lines(path, rig))
    return 0


def export_rig(args: argparse.Namespace) -> int:
    """`rig export`."""
    from gloaming.daemon.reports.survey_texts import plural
    from gloaming.shows.replacing import replacing
    from gloaming.shows.rig.load import load_rig
    from gloaming.shows.rig.spreadsheet import spreadsheet

    path = _rig_file(args)
    _may_write(args.csv, path, args.replace)
    rig = load_rig(path)
    text = spreadsheet(rig, args.decimal_comma)
    with replacing(args.csv) as temporary:
        # without the mark some spreadsheets misread letters
        temporary.write_text(text, encoding="utf-8-sig", newline="")
    answer(args, _counts(args.csv, rig), f"{args.csv}: {_counted(rig)}")
    if pointed := [string.name for string in rig.string if string.points]:
        print(
            f"note: {plural(len(pointed), 'string')} with points: a CSV has no place for them; they stay in {path}, "
            "and `gloaming rig import --replace` keeps them there",
            file=sys.stderr,
        )
    return 0


def print_sheet(args: argparse.Namespace) -> int:
    """`rig sheet`."""
    from gloaming.api.cli.frames_verbs import apart
    from gloaming.daemon.planner.stored_rows import read_repairs
    from gloaming.daemon.reports.sheet_html import page
    from gloaming.shows.replacing import replacing
    from gloaming.shows.rig.load import load_rig
    from gloaming.shows.rig.sheet import sheet_of

    path = _rig_file(args)
    apart(args.html, path)
    rig = load_rig(path)
    repairs = read_repairs(state_folder(path.parent, args.state) / "state.db")
    text = page(sheet_of(rig, repairs), path.resolve().parent.name, datetime.now().astimezone())
    with replacing(args.html) as temporary:
        temporary.write_text(text, encoding="utf-8")
    answer(args, _counts(args.html, rig), f"{args.html}: {_counted(rig)}")
    return 0


def _rig_file(args: argparse.Namespace, otherwise: Path | None = None) -> Path:
    """The rig.toml of a call. InputError where no site is found, and nothing is there `otherwise`."""
    path = site_of(args, "rig.toml", otherwise=otherwise)
    return path / "rig.toml" if path.is_dir() else path


def _may_write(out: Path, read: Path, replace: bool) -> None:
    from gloaming.api.cli.frames_verbs import apart

    if out.exists() and not replace:
        raise input_error(out, "there is already a file with this name", "name another one, or add --replace")
    apart(out, read)


def _with_points(rig: Rig, csv: Path, path: Path) -> Rig:
    """The rig with the points of the rig.toml that it replaces, by the names of the strings."""
    from gloaming.shows.rig.load import load_rig

    try:
        points = {string.name: string.points for string in load_rig(path).string if string.points}
    except InputError as error:
        problem = "it is not replaced, because it cannot be read"
        hint = "its points would be lost: correct the file, or rename it"
        raise InputError(*error.errors, ConfigError(path, None, None, problem, hint)) from None
    errors = []
    strings = []
    for string in rig.string:
        kept = points.pop(string.name, None)
        strings.append(string.model_copy(update={"points": kept}))
        if kept and len(kept) != string.pixels:
            problem = f"{path} has {len(kept)} points for string {string.name}, and here it has {string.pixels} pixels"
            line = int(string.place.rpartition(":")[2])
            errors.append(ConfigError(csv, line, "column pixels", problem, f"change its points in {path} first"))
    if errors:
        raise InputError(*errors)
    if points:
        print(f"note: the points of {', '.join(points)} are left out: no line has such a string", file=sys.stderr)
    return rig.model_copy(update={"string": tuple(strings)})


def _lines(path: Path, rig: Rig) -> Iterator[str]:
    from gloaming.daemon.reports.survey_texts import plural
    from gloaming.shows.analysis.wiring import numbered

    yield f"{path}: {_counted(rig)}"
    strings = Counter(string.controller for string in rig.string)
    for controller in rig.controller:
        hung = plural(strings[controller.name], "string")
        note = "" if controller.host else ": it has no host"
        universes = numbered("universe", controller.universes)
        yield f"  {controller.name}: {controller.way()}{note}; {universes}; {hung}"


def _counts(path: Path, rig: Rig) -> dict[str, object]:
    """The file that was made, and how much of each kind is in it."""
    parts = {"controllers": rig.controller, "strings": rig.string, "fixtures": rig.fixture}
    pixels = sum(string.pixels for string in rig.string)
    return {"path": str(path), **{name: len(found) for name, found in parts.items()}, "pixels": pixels}


def _counted(rig: Rig) -> str:
    from gloaming.daemon.reports.survey_texts import plural

    counts = {name: count for name, count in _counts(Path(), rig).items() if isinstance(count, int)}
    return ", ".join(plural(count, name.removesuffix("s")) for name, count in counts.items())
