"""The survey of a site with several boards: what each feeds, and what is left over."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.daemon.reports.survey_boards import board_findings
from gloaming.daemon.reports.survey_machine import near_rig
from gloaming.daemon.site import board_name
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.finding import Finding
from tests.daemon.quay_site import EVENING, TABLES, site_of

RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1"
[[controller]]
name = "right"
host = "192.0.2.22"
universes = "2"
[[supply]]
name = "box"
volts = 12
amps = 29
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 100
supply = "box"
[[string]]
name = "rail"
controller = "right"
universe = 2
pixels = 100
supply = "box"
"""
QUAY, EAST = (
    '[[board]]\nname = "quay"\ncontrollers = ["left"]\n',
    '[[board]]\nname = "east"\ncontrollers = ["right"]\n',
)
SPARE = '[[board]]\nname = "loft"\nspare_for = "quay"\n'
SHARING = '[sharing]\nbroker = "mqtt://192.0.2.9/pier-road"\n'


def found(folder: Path, *boards: str) -> dict[str, Finding]:
    """What is wrong, by its code."""
    findings = board_findings(site(folder, *boards))
    return {str(one.code): one for one in findings if one.severity != "fact"}


def site(folder: Path, *boards: str) -> Site:
    return site_of(folder, TABLES, EVENING, *boards, rig=RIG)


@pytest.fixture(autouse=True)
def name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(board_name.VARIABLE, "quay")


def test_boards_that_share_out_the_rig_have_one_warning_of_the_supply_that_they_share(tmp_path: Path) -> None:
    (shared,) = found(tmp_path, QUAY, EAST, SPARE, SHARING).values()  # a spare is no second feeder
    assert (shared.code, shared.severity) == ("supply-shared", "warning")
    assert "box feeds strings of east and quay" in shared.text
    assert found(tmp_path, QUAY, EAST, SHARING, "[output]\nlimiter = false\n") == {}
    facts = [one.text for one in board_findings(site(tmp_path, QUAY, EAST, SPARE))][:3]
    assert facts == ["board quay feeds left", "board east feeds right", "board loft is a spare for quay"]


def test_a_site_without_boards_has_no_finding_of_boards(tmp_path: Path) -> None:
    assert list(board_findings(site(tmp_path))) == []


def test_a_controller_that_no_board_feeds_and_one_that_two_feed_are_errors(tmp_path: Path) -> None:
    none = found(tmp_path, QUAY, SPARE, SHARING)["controller-without-board"]
    assert (none.severity, none.place) == ("error", "rig.toml:5")
    assert "no board feeds controller right" in none.text
    both = found(tmp_path, QUAY, EAST.replace('"right"', '"left", "right"'), SHARING)["controller-of-two-boards"]
    assert (both.severity, both.place) == ("error", "rig.toml:1")
    assert "quay and east" in both.text


def test_boards_without_a_broker_are_warned_that_a_pause_reaches_one_alone(tmp_path: Path) -> None:
    alone = found(tmp_path, QUAY, EAST)["boards-alone"]
    assert (alone.severity, alone.place) == ("warning", "site.toml:40")
    assert "reaches that board alone" in alone.text


def test_a_machine_that_is_no_board_of_the_site_is_told_the_names_that_exist(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(board_name.VARIABLE, "kay")
    unknown = found(tmp_path, QUAY, EAST, SHARING)["board-unknown"]
    assert (unknown.severity, unknown.place) == ("warning", "machine")
    assert "'kay' ($GLOAMING_BOARD); its boards are quay, east" in unknown.text


def test_a_board_is_to_reach_its_own_controllers_and_a_machine_that_is_none_reaches_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert [one.name for one in near_rig(site(tmp_path, QUAY, EAST)).controller] == ["left"]
    monkeypatch.setenv(board_name.VARIABLE, "kay")
    assert [one.name for one in near_rig(site(tmp_path, QUAY, EAST)).controller] == ["left", "right"]
