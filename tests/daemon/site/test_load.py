"""Errors in a site's files have file, line, key, problem and hint."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.site.load import load_site
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.api.evening import gloaming
from tests.daemon import quay_site
from tests.daemon.malformed import CASES, GOOD
from tests.daemon.quay_site import EVENING, PLACE, RIG, TABLES, performance, write

STRING = '[[string]]\nname = "ridge"\ncontroller = "left"\npixels = 10\n'
AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


def config_error(folder: Path) -> ConfigError:
    """The first error of a site, on one line."""
    with pytest.raises(InputError) as error:
        load_site(folder, AT)
    for found in error.value.errors:
        assert "\n" not in str(found)
    return error.value.errors[0]


def line_of(path: Path, text: str) -> int:
    return path.read_text(encoding="utf-8").split(text)[0].count("\n") + 1


def frames(path: Path, universes: list[Universe], fps: int = 40, count: int = 80) -> None:
    with FrameWriter(path, Fraction(fps), universes) as writer:
        writer.write(np.zeros((count, sum(one.slots for one in universes)), np.uint8))


def test_the_site_without_mistakes_is_good(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, "", place=GOOD), AT)
    assert len(site.performances) == 3
    assert site.warnings == site.problems == ()


@pytest.mark.parametrize(("there", "written", "key", "problem", "hint"), CASES, ids=[case[1][:50] for case in CASES])
def test_a_malformed_value_is_reported_with_its_place_and_an_example(
    tmp_path: Path, there: str, written: str, key: str, problem: str, hint: str
) -> None:
    folder, path = write(tmp_path, "", place=GOOD), tmp_path / "site.toml"
    assert there in GOOD
    path.write_text(GOOD.replace(there, written, 1), encoding="utf-8")
    found = config_error(folder)
    assert found.file == path
    assert found.key == key
    assert problem in found.problem
    assert found.hint is not None
    assert hint in found.hint
    table = ("." not in key and key.endswith("]")) or not written
    before = GOOD.split(there)[0]
    assert found.line == before[: before.rfind("\n[") + 1 if table else None].count("\n") + 1


def test_there_are_more_than_sixty_of_them() -> None:
    assert len(CASES) > 60
    assert len({case[:2] for case in CASES}) == len(CASES)


def test_no_site_at_all(tmp_path: Path) -> None:
    assert "there is no such site" in config_error(tmp_path / "nowhere").problem
    file = tmp_path / "a-file"
    file.write_text("x")
    assert "not a folder" in config_error(file).problem
    assert config_error(tmp_path).file == tmp_path / "site.toml"
    assert "no such file" in config_error(tmp_path).problem
    (write(tmp_path) / "rig.toml").unlink()
    assert config_error(tmp_path).file == tmp_path / "rig.toml"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[site\n", 1),
        ('[site]\nname = "Pier Road\n', 2),
        ("[site]\nlatitude = 54.4.8\n", 2),
        ("[site]\n\n\nlatitude 54\n", 4),
        ('[site]\nname = "a"\nname = "b"\n', 3),
        ("hello\n", 1),
    ],
)
def test_a_file_that_is_not_toml_is_reported_with_its_line(tmp_path: Path, text: str, line: int) -> None:
    write(tmp_path)
    (tmp_path / "site.toml").write_text(text)
    found = config_error(tmp_path)
    assert "this is not TOML" in found.problem
    assert found.line == line
    assert found.hint


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "site.toml").write_bytes(b"\xff\xfe[\x00s\x00")
    assert "UTF-8" in config_error(tmp_path).problem
    (tmp_path / "site.toml").unlink()
    (tmp_path / "site.toml").mkdir()
    assert "cannot be read" in config_error(tmp_path).problem


def _missing(path: Path) -> None:
    path.unlink()


def _empty(path: Path) -> None:
    path.unlink()
    path.write_bytes(b"")


def _another_kind(path: Path) -> None:
    path.unlink()
    np.save(path.with_suffix(".npy"), np.zeros((4, 3), np.uint8))
    path.with_suffix(".npy").rename(path)


def _a_picture(path: Path) -> None:
    path.unlink()
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(200))


def _a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    ("damaged", "problem"),
    [
        (_missing, "there is no such file"),
        (_empty, "the file is empty"),
        (_another_kind, "NumPy array"),
        (_a_picture, "PNG picture"),
        (_a_folder, "a folder"),
    ],
)
def test_a_frame_file_that_cannot_be_played(tmp_path: Path, damaged: Callable[[Path], None], problem: str) -> None:
    folder = write(tmp_path)
    damaged(folder / "pieces" / "tide.frames")
    found = config_error(folder)
    assert found.key == "piece[1].frames"
    assert found.line == line_of(folder / "site.toml", 'frames = "pieces/tide.frames"')
    assert "pieces/tide.frames" in found.problem
    assert problem in found.problem
    site = load_site(folder, AT, strict=False)
    assert site.pieces["tide"].info is None
    assert [str(problem) for problem in site.problems] == [str(found)]


def test_a_frame_file_cut_short_at_any_byte(tmp_path: Path) -> None:
    folder = write(tmp_path)
    path = folder / "pieces" / "tide.frames"
    whole = path.read_bytes()
    path.unlink()
    for length in {*range(0, 120), *range(120, len(whole), 997), len(whole) - 1}:
        path.write_bytes(whole[:length])
        found = config_error(folder)
        assert found.key == "piece[1].frames", length
    path.write_bytes(whole)
    load_site(folder, AT)


@pytest.mark.parametrize("sound", ["s" * 300, "a\\u0000b"])
def test_a_sound_name_that_no_disk_can_have_leaves_the_piece_its_light(tmp_path: Path, sound: str) -> None:
    folder = write(tmp_path, TABLES.replace("pieces/tide.flac", sound))
    assert load_site(folder).pieces["tide"].info


def test_frames_for_a_universe_that_no_controller_has(tmp_path: Path) -> None:
    folder = write(tmp_path)
    (folder / "pieces" / "tide.frames").unlink()
    frames(folder / "pieces" / "tide.frames", [Universe(1, 3, 0), Universe(9, 3, 3)])
    found = config_error(folder)
    assert found.key == "piece[1].frames"
    assert "universe 9, which no controller has" in found.problem
    assert found.hint == "give universe 9 to a controller in rig.toml"


@pytest.mark.parametrize(
    ("rig", "key", "problem"),
    [
        (RIG.replace("1-4", "0-4"), "controller[0].universes", "universe 0 does not exist: E1.31 9.1.1"),
        (RIG.replace("1-4", "1-64000"), "controller[0].universes", "universe 64000 does not exist: E1.31 9.1.1"),
        (RIG.replace("1-4", "4-1"), "controller[0].universes", "backwards"),
        (RIG.replace("1-4", "all"), "controller[0].universes", "is not a list of universes"),
        (
            RIG
            + '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 10\nslots_per_universe = 513\n',
            "string[0].slots_per_universe",
            "513",
        ),
        (
            RIG + STRING + "universe = 64000\n",
            "string[0].universe",
            "64000",
        ),
        (RIG.replace("name", "nmae"), "controller[0].nmae", "no such key"),
        ("", "controller", "missing"),
    ],
)
def test_an_impossible_rig(tmp_path: Path, rig: str, key: str, problem: str) -> None:
    folder = write(tmp_path, rig=rig)
    with pytest.raises(InputError) as error:
        load_site(folder, AT)
    found = next(found for found in error.value.errors if found.key == key)
    assert found.file == folder / "rig.toml"
    assert problem in found.problem
    assert found.line is not None or not rig
    assert found.hint


def test_a_universe_of_513_slots_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="512"):
        frames(tmp_path / "x.frames", [Universe(1, 513, 0)])


def test_sixty_frames_a_second_are_too_many_for_long_packets(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """E1.11 (DMX512-A): 510 slots last at least 22.6 ms, which is 44.3 frames a second. E1.31 6.6.1 has that limit.

    The file has 60 slots, but another piece has 510 there, and all pieces are sent in packets of one length."""
    folder = write(tmp_path)
    (folder / "pieces" / "tide.frames").unlink()
    frames(folder / "pieces" / "tide.frames", [Universe(1, 60, 0)], fps=60)
    assert load_site(folder, AT).warnings == ()
    (folder / "pieces" / "bells.frames").unlink()
    frames(folder / "pieces" / "bells.frames", [Universe(1, 510, 0)])
    (warning,) = load_site(folder, AT).warnings
    assert warning.key == "piece[1].frames"
    assert "60 frames a second. Universe 1 has packets of 510 slots" in warning.problem
    assert "one frame of 2 is sent" in warning.problem
    assert "E1.31 6.6.1" in warning.problem
    assert "E1.11" in warning.problem
    assert "44.3" in warning.problem
    assert warning.hint and warning.hint.startswith("render 40 frames a second, or give no piece more slots there")
    assert main(["nights", str(folder), "--from", "2026-12-01", "--days", "1"]) == 0
    assert f"warning: {warning}\n" in capsys.readouterr().err
    rig = folder / "rig.toml"
    string = '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 170\n'
    rig.write_text(f"{rig.read_text()}\n{string}")
    (warning,) = load_site(folder, AT).warnings
    assert warning.hint == "render 40 frames a second"
    rig.write_text(rig.read_text().replace('universes = "1-4"', 'universes = "1-4"\nprotocol = "ddp"'))
    assert load_site(folder, AT).warnings == (), "DDP passes on to no DMX512"


def test_two_performances_of_one_rank_that_overlap(tmp_path: Path) -> None:
    folder = write(tmp_path, TABLES, EVENING, performance('dates = ["12-24"]\nfrom = "21:00"\nto = "23:00"'))
    found = config_error(folder)
    assert found.key == "performance[1].rank"
    assert "on 2026-12-24 it overlaps the performance at site.toml:" in found.problem
    assert found.hint == "give one a higher rank"
    ranked = performance('dates = ["12-24"]\nfrom = "21:00"\nto = "23:00"\nrank = 1')
    load_site(write(tmp_path, TABLES, EVENING, ranked), AT)
    meeting = performance('dates = ["12-24"]\nfrom = "22:00"\nto = "23:00"')
    load_site(write(tmp_path, TABLES, EVENING, meeting), AT)


def test_a_mistake_in_a_list_over_several_lines_has_its_own_line(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [\n  { from = "22:30", to = "07:00" },\n  { from = "23:99", to = "07:00" },\n]\n'
    folder = write(tmp_path, hours, TABLES, EVENING)
    found = config_error(folder)
    assert found.key == "neighbours.dark[1].from"
    assert found.line == line_of(folder / "site.toml", '  { from = "23:99"')


def test_all_mistakes_are_reported_at_once(tmp_path: Path) -> None:
    place = PLACE.replace("54.486", "95").replace("-0.613", "200")
    with pytest.raises(InputError) as error:
        load_site(write(tmp_path, place=place), AT)
    assert [found.key for found in error.value.errors] == ["site.latitude", "site.longitude"]


@pytest.mark.parametrize("command", ["why", "nights", "rehearse"])
@pytest.mark.parametrize("kind", ["no site", "not toml", "latitude", "overlap"])
def test_the_commands_report_it_on_one_line_and_exit_with_2(
    tmp_path: Path, command: str, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path)
    if kind == "no site":
        folder = tmp_path / "nowhere"
    elif kind == "not toml":
        (folder / "site.toml").write_text("[site")
    elif kind == "latitude":
        write(folder, place=PLACE.replace("54.486", "95"))
    else:
        write(folder, TABLES, EVENING, performance('from = "21:00"\nto = "23:00"'))
    assert main([command, str(folder)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert len(printed.err.splitlines()) == 1
    if kind not in ("no site", "not toml"):
        assert "site.toml:" in printed.err


def test_a_command_as_a_process_reports_it_on_one_line_and_exits_with_2(tmp_path: Path) -> None:
    done = gloaming("why", tmp_path / "nowhere")
    assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (2, "", 1)


def test_quay_sites_are_whole(tmp_path: Path) -> None:
    site = quay_site.site_of(tmp_path)
    assert {name: piece.info.length_ns for name, piece in site.pieces.items() if piece.info} == {
        name: seconds * quay_site.SECOND_NS for name, seconds in quay_site.PIECES.items()
    }
