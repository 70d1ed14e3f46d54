"""SITE: which word it is, where it is looked for when it is left out, and which state belongs to it."""

from __future__ import annotations

import shlex
from argparse import Namespace
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli import where
from gloaming.api.cli.main import build_parser, main
from gloaming.api.cli.where import site_of, state_folder
from gloaming.shows.config_files.errors import InputError


@pytest.fixture(autouse=True)
def quay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with two sites, on a machine that is no board."""
    for name in ("boathouse", "2026"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "site.toml").touch()
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(where.VARIABLE, raising=False)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setattr(where, "BOARD_SITE", tmp_path / "etc" / "site")
    monkeypatch.setattr(where, "BOARD_STATE", tmp_path / "lib")
    return tmp_path


@pytest.mark.parametrize(
    ("call", "site", "others"),
    [
        ("now boathouse", "boathouse", {}),
        ("now", None, {}),
        ("pause", None, {"minutes": None}),
        ("pause 15", None, {"minutes": 15}),
        ("pause boathouse", "boathouse", {"minutes": None}),
        ("pause 15 boathouse", "boathouse", {"minutes": 15}),
        ("pause boathouse 15", "boathouse", {"minutes": 15}),
        ("pause 15m --json boathouse", "boathouse", {"minutes": 15, "json": True}),
        ("pause --until 22:15 boathouse", "boathouse", {"minutes": None, "until": "22:15"}),
        ("pause 15 ./2026", "2026", {"minutes": 15}),
        ("pause 2026/", "2026", {"minutes": None}),
        ("now 2026", "2026", {}),
        ("dark --until tonight boathouse", "boathouse", {"minutes": None, "until": "tonight"}),
        ("nights holiday", "holiday", {}),
        ("call boathouse", None, {"show": "boathouse", "minutes": None}),
        ("call evening boathouse 30", "boathouse", {"show": "evening", "minutes": 30}),
        ("dim 0.5 boathouse", "boathouse", {"level": 0.5, "minutes": None}),
        ("dim 0.5 1h boathouse --zone roof", "boathouse", {"level": 0.5, "minutes": 60, "zone": "roof"}),
        ("undo boathouse", "boathouse", {"id": None}),
        ("undo 7 boathouse", "boathouse", {"id": 7}),
        ("out-of-service ridge boathouse --why boathouse", "boathouse", {"zone": "ridge", "why": "boathouse"}),
        ("in-service boathouse", None, {"zone": "boathouse"}),
        ("rig-check walk boathouse", "boathouse", {"pattern": "walk", "number": None}),
        ("rig-check pixel 37 --string ridge boathouse", "boathouse", {"number": 37, "string": "ridge"}),
        ("why boathouse", "boathouse", {"at": None}),
        ("why 22:45 boathouse", "boathouse", {"at": "22:45"}),
        ("why boathouse 2026-12-24T22:45", "boathouse", {"at": "2026-12-24T22:45"}),
        ("nights --days 2 boathouse --json", "boathouse", {"days": 2, "json": True}),
        ("journal --lines=9 boathouse --kind trouble", "boathouse", {"lines": 9, "kind": "trouble"}),
        ("survey boathouse --html survey.html", "boathouse", {"html": Path("survey.html")}),
        ("rig import strings.csv boathouse", "boathouse", {"csv": Path("strings.csv")}),
        ("rig export quay.csv", None, {"csv": Path("quay.csv")}),
        ("rig export old/quay.csv", None, {"csv": Path("old/quay.csv")}),
        ("rig export boathouse quay.csv", "boathouse", {"csv": Path("quay.csv")}),
        ("rig sheet old/rig.toml --html sheet.html", "old/rig.toml", {"html": Path("sheet.html")}),
        ("sound test boathouse --for 5", "boathouse", {"seconds": 5}),
        ("now -- boathouse", "boathouse", {}),
    ],
)
def test_site_is_the_first_free_word_that_is_no_number(call: str, site: str | None, others: dict[str, Any]) -> None:
    found = vars(build_parser().parse_args(shlex.split(call)))
    assert (found["site"], {name: found[name] for name in others}) == (site and Path(site), others)


def chosen(site: str | None = None, *others: str) -> Path:
    return site_of(Namespace(site=site and Path(site)), *others)


def test_without_site_four_places_are_looked_at_in_their_order(quay: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError) as error:
        chosen()
    (line,) = str(error.value).splitlines()
    places = ("none is named", "$GLOAMING_SITE is not set", f"no site.toml in {quay}", f"no {where.BOARD_SITE}")
    assert all(place in line for place in places), line
    where.BOARD_STATE.mkdir()
    assert chosen() == where.BOARD_SITE
    monkeypatch.chdir(quay / "boathouse")
    assert chosen().samefile(quay / "boathouse")
    monkeypatch.setenv(where.VARIABLE, str(quay / "2026"))
    assert chosen() == quay / "2026"
    assert chosen("elsewhere") == Path("elsewhere")


def test_a_rig_alone_is_enough_for_the_commands_of_the_rig(quay: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (quay / "empty" / "rig.toml").touch()
    monkeypatch.chdir(quay / "empty")
    assert chosen(None, "rig.toml") == Path()
    with pytest.raises(InputError):
        chosen()


@pytest.mark.parametrize(
    ("call", "variable", "line"),
    [
        ("now empty", None, "empty is not a site: it has no site.toml"),
        ("now bathouse", None, "bathouse is not a site: there is no such folder"),
        ("nights empty", None, "empty is not a site: it has no site.toml"),
        ("pause 15 minutes", None, "minutes is not a site: there is no such folder"),
        ("why boathouse/site.toml", None, "boathouse/site.toml is not a site: there is no such folder"),
        ("now", "empty", "$GLOAMING_SITE: empty is not a site: it has no site.toml"),
        ("rig sheet --html x.html", "empty", "$GLOAMING_SITE: empty is not a site: it has no site.toml"),
    ],
)
def test_what_is_no_site_is_reported_on_one_line(
    call: str, variable: str | None, line: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    if variable:
        monkeypatch.setenv(where.VARIABLE, variable)
    assert main(call.split()) == 2
    assert capfd.readouterr() == ("", f"{line}\n")


def test_a_planner_that_runs_on_without_its_site_toml_can_be_commanded(
    quay: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    (quay / "empty" / "state").mkdir()
    assert main(["pause", "15", "empty"]) == 2
    assert capfd.readouterr().err.startswith(f"{quay / 'empty' / 'state' / 'address'}: No such file or directory")


def test_a_planner_elsewhere_needs_no_site(board: Any, token: Path, capfd: pytest.CaptureFixture[str]) -> None:
    board.answer = lambda path: board.json(200, overrides=[])
    assert main(["undo", "--url", board.url, "--token-file", str(token)]) == 1
    assert capfd.readouterr().err == "there is nothing to undo\n"


def test_the_state_of_the_board_is_apart_from_its_site(quay: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert state_folder(Path("boathouse"), None) == quay / "boathouse" / "state"
    assert state_folder(where.BOARD_SITE, None) == where.BOARD_STATE
    where.BOARD_SITE.mkdir(parents=True)
    monkeypatch.chdir(where.BOARD_SITE)
    assert state_folder(Path(), None) == where.BOARD_STATE
    assert state_folder(Path(), Path("here")) == where.BOARD_SITE / "here"
    monkeypatch.setenv("STATE_DIRECTORY", "/run/quay")
    assert state_folder(where.BOARD_SITE, None) == Path("/run/quay")
