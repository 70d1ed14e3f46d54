"""`gloaming backup` and `gloaming restore`: the same evening in a fresh root."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from gloaming.api.cli.main import main
from gloaming.shows.media import low_priority
from gloaming.shows.time_units import MINUTE_NS
from tests.api.evening import gloaming
from tests.api.house import House, instant, planner_on, run, write_site
from tests.daemon.backup.test_restore import tree
from tests.terminal import in_terminal

EVENING = range(instant("2026-12-12T16:30"), instant("2026-12-13T07:30"), 5 * MINUTE_NS)
ASKED = (
    {"kind": "pause", "minutes": 20},
    {"kind": "dim", "level": 0.5, "until": "tonight"},
    {"kind": "out-of-service", "zone": "railing", "until": "2026-12-20"},
    {"kind": "mute", "minutes": 60},
)


def decisions(one: House) -> list[Any]:
    return [one.planner.decision(at_ns, zone) for at_ns in EVENING for zone in (None, "railing")]


async def get(client: httpx.AsyncClient, path: str) -> Any:
    answer = await client.get(path)
    assert answer.status_code == 200
    return answer.json()


def test_in_a_fresh_root_the_same_evening_goes_on(tmp_path: Path) -> None:
    """The same decisions all evening, the same overrides and journal, and whoever was signed in still is."""

    async def evening() -> None:
        old, new, out = tmp_path / "old", tmp_path / "srv" / "pier-road", tmp_path / "backup"
        async with planner_on(write_site(old), old / "state") as one:
            phone = one.device(name="the gate phone")
            passcode = one.passcode
            async with one.client(phone) as client:
                for request in ASKED:
                    assert (await client.post("/api/overrides", json=request)).status_code == 201
                now, journal = await get(client, "/api/now"), await get(client, "/api/journal?limit=100")
            before = decisions(one)
            done = gloaming("backup", out, old)
            assert (done.returncode, done.stderr.count("\n")) == (0, 1), done.stderr
        assert main(["restore", str(out), str(new), "--state", str(tmp_path / "var")]) == 0
        async with planner_on(new, tmp_path / "var") as two:
            assert two.passcode == passcode
            async with two.client(phone) as client:
                again = await get(client, "/api/now")
                assert again["overrides"] == now["overrides"] and len(now["overrides"]) == len(ASKED)
                lines = await get(client, "/api/journal?limit=100")
            assert [one for one in lines if one["id"] <= journal[0]["id"]] == journal
            assert decisions(two) == before
            assert len({str(one.state) for one in before}) >= 4

    run(evening())


@pytest.fixture
def usual_priority(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process of the tests keeps its priority."""
    monkeypatch.setattr(low_priority, "lower_priority", lambda: None)


@pytest.mark.usefixtures("usual_priority")
def test_a_backup_says_what_it_is_and_that_it_holds_secrets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, out = write_site(tmp_path / "site"), tmp_path / "backup"
    assert main(["backup", str(out), str(site), "--without-pieces"]) == 0
    said = capsys.readouterr()
    first, left_out = said.out.splitlines()
    assert first.startswith("backup of Pier Road boathouse, made ") and "2 files" in first
    assert left_out == "left out: 2 files of frames and sound"
    assert said.err == "it holds secrets (tokens, keys, passwords): keep it as you keep a key\n"
    assert out.stat().st_mode & 0o777 == 0o600
    assert [path.name for path in tmp_path.iterdir() if path != site] == ["backup"]
    assert main(["restore", str(out), "--list"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert listed[:2] == [first, left_out]
    assert [line.split()[1] for line in listed[2:]] == ["site/rig.toml", "site/site.toml"]
    assert main(["restore", str(out), "--list", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["site"] == "Pier Road boathouse"
    again = tmp_path / "again"
    assert main(["backup", str(again), str(site), "--without-pieces", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["site"] == "Pier Road boathouse"


def test_a_backup_goes_through_a_pipe(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    command = [sys.executable, "-m", "gloaming.api.cli.main", "backup", "-", site]
    done = subprocess.run(command, capture_output=True, check=True)
    assert len(done.stderr.splitlines()) == 2
    (tmp_path / "backup").write_bytes(done.stdout)
    assert main(["restore", str(tmp_path / "backup"), str(tmp_path / "new")]) == 0
    assert tree(tmp_path / "new") == tree(site)


def refusal(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    capsys.readouterr()
    assert main([*map(str, words)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    return line


@pytest.mark.usefixtures("usual_priority")
def test_a_backup_is_not_written_over_a_file_nor_into_the_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = write_site(tmp_path / "site")
    (tmp_path / "there").write_text("mine")
    assert "there is such a file already" in refusal(capsys, "backup", tmp_path / "there", site)
    assert "it would lie in" in refusal(capsys, "backup", site / "pieces.tar.zst", site)
    assert "is not a site" in refusal(capsys, "backup", tmp_path / "one", tmp_path / "nowhere")
    assert "No such file or directory" in refusal(capsys, "backup", tmp_path / "no" / "one", site)
    assert (tmp_path / "there").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["site", "there"]


def test_a_backup_is_not_written_to_a_terminal(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    code, said = in_terminal([sys.executable, "-m", "gloaming.api.cli.main", "backup", "-", site])
    assert (code, said) == (2, "-: standard output is a terminal; redirect it to a file, or name one\r\n")


def test_what_is_no_backup_is_refused_on_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "one").write_text("a page of text")
    line = refusal(capsys, "restore", tmp_path / "one", tmp_path / "new")
    assert line.startswith(f"{tmp_path / 'one'}: this is no file of gloaming backup")
    assert "No such file or directory" in refusal(capsys, "restore", tmp_path / "two", tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.usefixtures("usual_priority")
def test_a_restore_says_what_it_set_aside_and_what_is_wrong_with_the_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site, out, new = write_site(tmp_path / "site"), tmp_path / "backup", tmp_path / "new"
    with (site / "site.toml").open("a") as text:
        text.write('\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n')
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    assert main(["backup", str(out), str(site), "--without-pieces"]) == 0
    new.mkdir()
    (new / "site.toml").write_text("mine")
    assert "--replace" in refusal(capsys, "restore", out, new)
    monkeypatch.setenv("GLOAMING_BOARD", "spare")
    assert main(["restore", str(out), str(new), "--replace"]) == 0
    said = capsys.readouterr().out
    assert f"what was there is in {new}/before-restore-" in said
    assert "this board is spare, the backup is of quay" in said
    assert "warning: " in said and "tide.frames" in said
    assert f"start it: gloaming run {new}" in said
