"""`gloaming rig`: rig.toml from a spreadsheet, a spreadsheet from rig.toml, and the sheet to wire by."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.shows.config_files.errors import ConfigError, InputError, input_error

if TYPE_CHECKING:
    from gloaming.shows.rig.model import Rig

CSV_HELP = """\
A CSV with a line for each string. The first line has the headings: name, controller and pixels at least. Then also
port, order, volts, fuse_a, supply, missing and all other keys of rig.toml. shows/README.md explains them. Commas,
semicolons or tabs separate the cells. Numbers may have decimal commas."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `rig` and its verbs."""
    rig = subparsers.add_parser("rig", help="rig.toml from a spreadsheet and back; a sheet to wire by")
    verbs = rig.add_subparsers(metavar="VERB", required=True)

    text = "make rig.toml from a spreadsheet (CSV)"
    parser = verbs.add_parser("import", help=text, description=f"{text}. {CSV_HELP}")
    parser.add_argument("csv", type=Path, metavar="strings.csv")
    _rig_file(parser)
    _replace(parser)
    parser.set_defaults(handler=import_rig)

    text = "make a spreadsheet (CSV) from rig.toml"
    parser = verbs.add_parser("export", help=text, description=f"{text}. `points` have no place in it.")
    _rig_file(parser)
    parser.add_argument("csv", type=Path, nargs="?", default=Path("strings.csv"), metavar="strings.csv")
    parser.add_argument("--decimal-comma", action="store_true", help="write 0,75 and separate the cells by semicolons")
    _replace(parser)
    parser.set_defaults(handler=export_rig)

    text = "print the sheet to wire by: each controller with its ports, then spares and a list for the store"
    parser = verbs.add_parser("sheet", help=text, description=text)
    _rig_file(parser)
    parser.add_argument("--html", type=Path, required=True, metavar="FILE", help="the page to write, to print and keep")
    parser.set_defaults(handler=print_sheet)


def _rig_file(parser: argparse.ArgumentParser) -> None:
    text = "the file, or the folder of a site (default: rig.toml here)"
    parser.add_argument("rig", type=Path, nargs="?", default=Path("rig.toml"), metavar="rig.toml", help=text)


def _replace(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--replace", action="store_true", help="replace the file if it is there already")


def import_rig(args: argparse.Namespace) -> int:
    """`rig import`."""
    from gloaming.shows.rig.spreadsheet import read_spreadsheet
    from gloaming.shows.rig.tables import write_rig

    path = _in_folder(args.rig)
    if path.suffix != ".toml":
        raise input_error(
            path, "this is no folder and no .toml file", "make the folder, or name a file that ends in .toml"
        )
    _may_write(path, args.csv, args.replace)
    rig = read_spreadsheet(args.csv)
    if path.exists():
        rig = _with_points(rig, args.csv, path)
    write_rig(path, rig, f"Made from {args.csv.name!r} by gloaming rig import.")
    _report(path, rig)
    return 0


def export_rig(args: argparse.Namespace) -> int:
    """`rig export`."""
    from gloaming.daemon.reports.survey_texts import plural
    from gloaming.shows.rig.load import load_rig
    from gloaming.shows.rig.spreadsheet import spreadsheet
    from gloaming.shows.rig.tables import replacing

    path = _in_folder(args.rig)
    _may_write(args.csv, path, args.replace)
    rig = load_rig(path)
    text = spreadsheet(rig, args.decimal_comma)
    with replacing(args.csv) as temporary:
        temporary.write_text(
            text, encoding="utf-8-sig", newline=""
        )  # without the mark some spreadsheets misread letters
    print(f"{args.csv}: {_counted(rig)}")
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
    from gloaming.daemon.reports.sheet_html import page
    from gloaming.shows.rig.load import load_rig
    from gloaming.shows.rig.sheet import sheet_of
    from gloaming.shows.rig.tables import replacing

    path = _in_folder(args.rig)
    apart(args.html, path)
    rig = load_rig(path)
    text = page(sheet_of(rig), path.resolve().parent.name, datetime.now().astimezone())
    with replacing(args.html) as temporary:
        temporary.write_text(text, encoding="utf-8")
    print(f"{args.html}: {_counted(rig)}")
    return 0


def _in_folder(path: Path) -> Path:
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


def _report(path: Path, rig: Rig) -> None:
    from gloaming.daemon.reports.survey_texts import plural
    from gloaming.shows.analysis.wiring import numbered

    print(f"{path}: {_counted(rig)}")
    strings = Counter(string.controller for string in rig.string)
    for controller in rig.controller:
        host = controller.host or "by multicast: it has no host"
        hung = plural(strings[controller.name], "string")
        print(f"  {controller.name}: {host}; {numbered('universe', controller.universes)}; {hung}")


def _counted(rig: Rig) -> str:
    from gloaming.daemon.reports.survey_texts import plural

    parts = ((rig.controller, "controller"), (rig.string, "string"), (rig.fixture, "fixture"))
    pixels = sum(string.pixels for string in rig.string)
    return ", ".join([*(plural(len(found), noun) for found, noun in parts), plural(pixels, "pixel")])
