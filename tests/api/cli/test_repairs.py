"""`gloaming repairs`, by a running planner; and where else its marks are: on the sheet and in the season's report."""

from __future__ import annotations

import json
from pathlib import Path

from gloaming.api.cli.main import main
from tests.api.daemon import Daemon
from tests.api.evening import gloaming


def test_marks_are_listed_mended_and_taken_back_and_on_the_sheet(daemon: Daemon, tmp_path: Path) -> None:
    def run(*words: str) -> tuple[int, str]:
        done = gloaming("repairs", *words, str(daemon.site))
        return done.returncode, done.stdout or done.stderr

    assert run("list") == (0, "nothing is to be mended\n")
    for pixel, fault in ((37, "dead"), (4, "cut-out"), (5, "loose")):
        daemon.ask("POST", "/api/repairs", {"part": "ridge", "pixel": pixel, "fault": fault})
    assert run("undo", "3") == (0, "ridge, pixel 5 is not marked any more: loose\n")
    assert run("done", "9") == (1, "there is no mark 9; `gloaming repairs` lists them\n")
    code, text = run("list")
    assert (code, len(text.splitlines())) == (0, 2)
    assert "   2  ridge, pixel 4: cut out, by this machine 2026-12-12 18:0" in text
    assert "write missing = [4] into string ridge of rig.toml" in text

    sheet = tmp_path / "sheet.html"
    assert main(["rig", "sheet", str(daemon.site), "--html", str(sheet)]) == 0
    page = sheet.read_text(encoding="utf-8")
    assert "To mend" in page and "ridge, pixel 37" in page and "1 : 109" in page  # (37 - 1) x 3 + 1

    assert run("done", "1") == (0, "ridge, pixel 37 is mended: dead\n")
    found = json.loads(run("list", "--json")[1])
    assert [one["pixel"] for one in (*found["open"], *found["mended"])] == [4, 37]
    alone = gloaming("repairs", "--json", "--state", str(daemon.state))
    assert json.loads(alone.stdout) == found
    report = gloaming("journal", "--report", "--days", "2", str(daemon.site))
    assert "repairs: 2 marked, 1 mended, 1 open" in report.stdout
