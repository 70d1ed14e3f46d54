"""`gloaming journal`: lines, report and picture of a running planner."""

from __future__ import annotations

import json
import os
import signal
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gloaming.api.cli.main import main
from tests.api.evening import gloaming
from tests.daemon.broken_evening import Broken, broken_evening


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broken]:
    with broken_evening(tmp_path_factory.mktemp("journal"), "127.0.74.47") as found:
        found.wait_until_lit()
        found.says("playing", "playing")
        yield found


def test_the_journal_shows_who_did_what(broken: Broken) -> None:
    code, asked = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5, "minutes": 1})
    assert code == 201
    lines = gloaming("journal", broken.folder, "--lines", "200")
    assert lines.returncode == 0
    assert "start     the planner has started" in lines.stdout
    assert any(
        "override" in line and "dim until" in line and "this machine" in line for line in lines.stdout.splitlines()
    )
    found = json.loads(gloaming("journal", broken.folder, "--kind", "override", "--json").stdout)
    assert {row["kind"] for row in found} == {"override"}
    unknown = gloaming("journal", broken.folder, "--kind", "overide")
    assert (unknown.returncode, unknown.stderr.strip()) == (
        2,
        "--kind: the journal has no line of this kind: overide; did you mean override?",
    )
    broken.evening.ask("DELETE", f"/api/overrides/{asked['id']}")


def test_the_journal_has_the_site_s_times_in_any_time_zone_of_the_machine(
    broken: Broken, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    told = gloaming("journal", "--lines", "1000", broken.folder).stdout
    row = json.loads(gloaming("journal", "--lines", "1000", broken.folder, "--json").stdout)[0]
    quay = datetime.fromtimestamp(row["at_ns"] / 1e9, ZoneInfo("Europe/London"))
    assert told.startswith(f"{quay:%Y-%m-%d %H:%M:%S}")


def test_the_report_has_tonight_under_way_with_its_interruption_and_the_nights_before_left_out(broken: Broken) -> None:
    os.kill(broken.evening.pid("transmitter"), signal.SIGKILL)
    broken.says("the transmitter is gone", "restart")
    broken.wait_until_lit()
    report = gloaming("journal", broken.folder, "--report", "--json", "--from", "2026-11-29", "--days", "3")
    assert report.returncode == 0, report.stderr
    found = json.loads(report.stdout)
    assert [night["outcome"] for night in found["nights"]] == ["left out", "left out", "under way"]
    tonight = found["nights"][-1]
    assert 0 < tonight["lit_s"] < 600
    assert tonight["pieces"].get("tide", 0) + tonight["pieces"].get("lanterns", 0) >= 1
    assert any("the transmitter is gone" in text for text in tonight["interruptions"])
    table = gloaming("journal", broken.folder, "--report", "--from", "2026-11-29", "--days", "3").stdout
    assert "3 nights (2 left out, 1 under way)" in table


def test_the_report_can_be_a_picture(broken: Broken, tmp_path: Path) -> None:
    out = tmp_path / "season.svg"
    assert gloaming("journal", broken.folder, "--svg", out, "--days", "30").returncode == 0
    picture = ET.parse(out).getroot()
    assert picture.tag == "{http://www.w3.org/2000/svg}svg"
    words = " ".join(element.text or "" for element in picture.iter())
    assert "the season as it was" in words
    assert "Tuesday 01 December: evening under way" in words


@pytest.mark.parametrize(("options", "holds"), [([], "the journal</h1>"), (["--report"], "the season as it was</h1>")])
def test_the_journal_and_its_report_can_be_pages_to_print(
    options: list[str], holds: str, broken: Broken, tmp_path: Path
) -> None:
    out = tmp_path / "page.html"
    done = gloaming("journal", broken.folder, *options, "--html", out)
    assert (done.returncode, done.stderr) == (0, "")
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>") and holds in text
    assert "the planner has started" in text
    assert ("under way" in text) == bool(options)


def test_a_report_that_cannot_be_written_is_reported_on_one_line(
    board: Any, token: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    where = ["--token-file", str(token), "--url", board.url]
    board.answer = lambda path: (200, {"Content-Type": "image/svg+xml"}, b"<svg/>")
    assert main(["journal", "--svg", str(tmp_path / "no" / "season.svg"), *where]) == 2
    assert capfd.readouterr().err.endswith("season.svg: it cannot be written (No such file or directory)\n")
    assert main(["journal", "--svg", str(tmp_path / "x.svg"), "--from", "1. Advent&days=3", *where]) == 0
    assert board.asked[-1][1] == "/api/report?days=60&from=1.+Advent%26days%3D3"
