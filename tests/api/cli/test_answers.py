"""--json: each command that answers prints one JSON document on stdout and nothing else; errors stay one line."""

from __future__ import annotations

import json
import shlex
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.api.cli import where
from gloaming.api.cli.main import main
from gloaming.api.cli.where import VARIABLE
from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.api.cli.test_parser import CALLED, UNANSWERED
from tests.api.daemon import Daemon
from tests.places import REFERENCE

PLANNER = {
    "now": "now",
    "pause": "pause 15",
    "resume": "resume",
    "dark": "dark --zone roof",
    "call": "call short 5",
    "dim": "dim 0.5",
    "mute": "mute 30m",
    "skip": "skip",
    "out-of-service": 'out-of-service ridge --why "it flickers"',
    "overrides": "overrides",
    "in-service": "in-service ridge",
    "undo": "undo",
    "rig-check": "rig-check walk --string ridge",
    "burn-in": "burn-in 1 --controller left",
    "repairs list": "repairs list",
    "repairs done": "repairs done 1",
    "repairs undo": "repairs undo 2",
    "triggers": "triggers",
    "holds": "holds",
    "boards": "boards",
    "why": "why 22:45",
    "journal": "journal --lines 5",
    "pair": "pair",
    "devices": "devices",
    "passcode": "passcode",
    "trigger-token": "trigger-token gate",
    "hold-token": "hold-token wind",
}
OUTSIDE = """
[[trigger]]
name = "gate"
show = "short"
http = true

[[hold]]
name = "wind"
http = true
above = 14
if_silent = "ignore"
"""
FILES = {
    "nights": "nights --from 2026-12-01 --days 3",
    "rehearse": "rehearse --from 2026-12-01 --days 1",
    "survey": "survey --ask-nobody",
    "rig export": "rig export quay.csv",
    "rig import": "rig import quay.csv new.toml",
    "rig sheet": "rig sheet --html sheet.html",
    "frames info": "frames info tide.frames",
    "frames verify": "frames verify tide.frames",
    "frames import": "frames import levels.npy made.frames --fps 20",
    "frames export": "frames export tide.frames tide.npy",
    "frames preview": "frames preview tide.frames",
    "frames trim": "frames trim tide.frames short.frames --until 1",
    "frames split": "frames split tide.frames pieces",
    "frames join": "frames join tide.frames tide.frames --out both.frames",
    "frames gain": "frames gain tide.frames dim.frames --by 0.5",
    "frames rename-universes": "frames rename-universes tide.frames moved.frames --to 101",
    "frames remap": "frames remap made.frames remapped.frames --from rig.toml --to rig.toml",
    "frames mend": "frames mend cut.frames.part mended.frames",
    "record": "record recorded.frames --capture quay.pcapng",
}
ELSEWHERE = {
    "controllers": "test_controllers.py",
    "network": "test_network_on_the_wire.py",
    "demo": "test_demo.py",
    "sound devices": "test_sound.py",
    "backup": "test_backup.py",
    "restore": "test_backup.py",
    "site push": "test_site_push.py",
}
"""The test of what needs a port of its own, a sound server, other boards, or a process with a low priority."""


@pytest.fixture
def here(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a site whose planner runs, as a person stands in it."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.chdir(daemon.site)
    np.save("levels.npy", np.zeros((20, 630), np.uint8))
    shutil.copy(REFERENCE / "moving-picture-13-universes-25fps.pcapng", "quay.pcapng")
    with FrameWriter(Path("cut.frames"), Fraction(20), [Universe(1, 510, 0)]) as writer:
        writer.write(np.zeros((20, 510), np.uint8))
        writer.flush()
        (written,) = Path().glob("cut.frames.*.part")
        shutil.copy(written, "cut.frames.part")  # as a killed writer leaves it
    return daemon.site


def test_every_command_that_answers_is_called_below() -> None:
    answering = {name.removeprefix("gloaming ") for name in CALLED.keys() - UNANSWERED}
    assert {*PLANNER, *FILES, *ELSEWHERE} == answering
    for name, file in ELSEWHERE.items():
        lines = Path(__file__).with_name(file).read_text().splitlines()
        assert any(all(f'"{word}"' in line for word in (*name.split(), "--json")) for line in lines), name


@pytest.mark.parametrize("calls", [PLANNER, FILES], ids=["planner", "files"])
def test_json_is_one_document_on_stdout_and_nothing_else(
    calls: dict[str, str], daemon: Daemon, here: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with Path("site.toml").open("a", encoding="utf-8") as site:
        site.write("" if calls is FILES else OUTSIDE)
    daemon.ask("POST", "/api/reload", {})
    for fault in ("dead", "loose") if calls is PLANNER else ():
        daemon.ask("POST", "/api/repairs", {"part": "ridge", "pixel": 37, "fault": fault})
    for name, call in calls.items():
        code = main([*shlex.split(call), "--json"])
        said = capfd.readouterr()
        assert code == 0, (name, said.err)
        assert json.loads(said.out), name


def test_an_error_is_one_line_on_stderr_and_nothing_on_stdout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """In a folder with no site and no file."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr(where, "BOARD_SITE", tmp_path / "no-site")
    monkeypatch.setattr(where, "BOARD_STATE", tmp_path / "no-state")
    monkeypatch.chdir(tmp_path)
    for name, call in {**PLANNER, **FILES}.items():
        code = main([*shlex.split(call), "--json"])
        said = capfd.readouterr()
        assert (code, said.out, said.err.count("\n")) == (2, "", 1), (name, said.err)
    assert list(tmp_path.iterdir()) == []
