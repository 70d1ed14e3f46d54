"""Pieces that were made for another rig: each difference, what stays dark, and the command that mends it."""

from __future__ import annotations

import shlex
from fractions import Fraction
from pathlib import Path

import pytest

from gloaming.daemon.reports.survey_texts import ALIKE_MAX, thinned
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.other_rigs import other_rig_findings
from gloaming.shows.framefile.layout import FrameFileInfo
from gloaming.shows.framefile.reader import Universe
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor

RIG = """[[controller]]
name = "left"
universes = "1-8"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 200

[[string]]
name = "eaves"
controller = "left"
universe = 4
pixels = 50

[[string]]
name = "mast"
controller = "left"
universe = 7
pixels = 50

[[fixture]]
name = "lamp"
controller = "left"
universe = 4
slot = 300
channels = ["dimmer", "red"]
"""


def dot(name: str, universe: int, slot: int = 400) -> str:
    """A string of one white pixel."""
    keys = f'name = "{name}"\ncontroller = "left"\nuniverse = {universe}\nslot = {slot}\npixels = 1\norder = "W"'
    return f"\n[[string]]\n{keys}\n"


@pytest.fixture
def rig_path(tmp_path: Path) -> Path:
    return tmp_path / "a site" / "rig.toml"


def findings(rig_path: Path, now: str, before: str | None = RIG) -> list[Finding]:
    """The findings about a piece for universes 1, 2 and 4 of one rig, where another rig hangs."""
    rig_path.parent.mkdir(exist_ok=True)
    universes = tuple(Universe(number, 510, 510 * at) for at, number in enumerate((1, 2, 4)))
    text = ""
    if before is not None:
        rig_path.write_text(before, encoding="utf-8")
        text = MadeFor.of(load_rig(rig_path)).to_json()
    info = FrameFileInfo(rig_path.parent / "pieces" / "tide.frames", Fraction(40), 100, 1530, universes, text)
    rig_path.write_text(now, encoding="utf-8")
    return list(other_rig_findings(load_rig(rig_path), rig_path, {"tide": info}, {"tide": "site.toml:9"}))


@pytest.mark.parametrize(
    ("old", "new", "change"),
    [
        ("universe = 1\n", "universe = 5\n", "string ridge (universe 1 to 5)"),
        ("universe = 4\npixels", "universe = 4\nslot = 9\npixels", "string eaves (slot 1 to 9)"),
        ("pixels = 200", "pixels = 180", "string ridge (pixels 200 to 180)"),
        ("pixels = 200", 'pixels = 200\norder = "GRBW"', "string ridge (order RGB to GRBW)"),
        ("pixels = 200", "pixels = 200\nslots_per_universe = 300", "string ridge (slots_per_universe 510 to 300)"),
        ("slot = 300", "slot = 301", "fixture lamp (slot 300 to 301)"),
        ('"dimmer", "red"', '"dimmer", "fog"', "fixture lamp (channels dimmer red to dimmer fog)"),
        ('"eaves"', '"gutter"', "string eaves (gone); string gutter stays dark"),
        (
            "universe = 1\npixels = 200",
            "universe = 5\npixels = 180",
            "string ridge (universe 1 to 5, pixels 200 to 180)",
        ),
    ],
)
def test_each_difference_is_named_with_the_command_that_mends_it(
    rig_path: Path, old: str, new: str, change: str
) -> None:
    assert RIG.count(old) == 1
    (finding,) = findings(rig_path, RIG.replace(old, new))
    assert (finding.code, finding.severity, finding.place) == (
        FindingCode.MADE_FOR_ANOTHER_RIG,
        "warning",
        "site.toml:9",
    )
    assert finding.text == f"tide was made for another rig; since then: {change}"
    assert finding.hint
    command, _, then = finding.hint.partition("; then ")
    folder = rig_path.parent / "pieces"
    files = [str(folder / "tide.frames"), str(folder / "tide-remapped.frames")]
    assert shlex.split(command) == ["gloaming", "frames", "remap", *files, "--to", str(rig_path)]
    then, _, more = then.partition(". ")
    assert then == "name tide-remapped.frames as the frames of tide"
    assert ("only has a new name" in more) == ("gutter" in new)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("", ""),
        ("universe = 7\n", "universe = 8\n"),
        ("pixels = 200", "pixels = 200\nfuse_a = 5\nmissing = [7]"),
        ("universe = 4\npixels = 50", "universe = 4\npixels = 50\nslots_per_universe = 300"),
        ('"left"', '"right"'),
    ],
    ids=["the same", "a string elsewhere", "other keys", "a string that needs no second universe", "controller"],
)
def test_what_changes_no_slot_of_the_piece_is_no_finding(rig_path: Path, old: str, new: str) -> None:
    assert findings(rig_path, RIG.replace(old, new)) == []


def test_a_piece_that_remembers_no_rig_is_no_finding(rig_path: Path) -> None:
    assert findings(rig_path, RIG, before=None) == []


def test_a_new_string_stays_dark_where_the_piece_has_no_slots_for_it(rig_path: Path) -> None:
    (finding,) = findings(rig_path, RIG + dot("arch", 5))
    assert (finding.code, finding.severity) == (FindingCode.NOT_IN_THE_PIECE, "fact")
    assert finding.text == "string arch stays dark in tide, which was made before"
    assert findings(rig_path, RIG + dot("arch", 2)) == []
    (finding,) = findings(rig_path, RIG.replace("universe = 1\n", "universe = 5\n") + dot("arch", 8))
    assert (
        finding.text
        == "tide was made for another rig; since then: string ridge (universe 1 to 5); string arch stays dark"
    )


def test_a_long_list_is_cut(rig_path: Path) -> None:
    strings = "".join(dot(f"run {at}", 2, 400 + at) for at in range(20))
    (finding,) = findings(rig_path, RIG, before=RIG + strings)
    assert finding.text.endswith("string run 5 (gone) and 14 more")


def test_a_report_shows_the_command_of_each_piece(rig_path: Path) -> None:
    findings(rig_path, RIG)
    text = MadeFor.of(load_rig(rig_path)).to_json().replace('"pixels":200', '"pixels":180')
    info = FrameFileInfo(Path("tide.frames"), Fraction(40), 9, 510, (Universe(1, 510, 0),), text)
    files = {f"piece {at}": info for at in range(3 * ALIKE_MAX)}
    found = tuple(other_rig_findings(load_rig(rig_path), rig_path, files, dict.fromkeys(files, "site.toml:9")))
    assert [(one.text.partition(" was")[0], more) for one, more in thinned(found)] == [(name, 0) for name in files]
