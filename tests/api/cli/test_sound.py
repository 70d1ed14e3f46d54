"""`gloaming sound`: devices listed; clicks and flashes, refused where the neighbours' hours or a daemon stand."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gloaming.api.cli.main import main
from tests.daemon.quay_site import EVENING, TABLES, write
from tests.daemon.transmitter.process_harness import listening
from tests.daemon.transmitter.quay import SOUND_SERVER, Quay, Recording, quay_at
from tests.tools import needs

RIG = '[[controller]]\nname = "left"\nhost = "127.0.88.8"\nuniverses = "1"\n'


def hours(kind: str) -> str:
    """Neighbours' hours that now lies in."""
    now = datetime.now(ZoneInfo("Europe/London"))
    begin, end = now - timedelta(hours=1), now + timedelta(hours=1)
    return f'\n[neighbours]\n{kind} = [{{ days = "daily", from = "{begin:%H:%M}", to = "{end:%H:%M}" }}]\n'


@needs(*SOUND_SERVER)
def test_devices_are_listed_with_the_names_for_the_site(tmp_path: Path) -> None:
    with quay_at(tmp_path / "pulse"):
        # In a process of its own: PortAudio looks for devices once.
        run = [sys.executable, "-m", "gloaming.api.cli.main", "sound", "devices", "--json"]
        found = json.loads(subprocess.run(run, capture_output=True, check=True).stdout)
    assert [one["name"] for one in found if one["default"]] == ["default"]
    assert all(one["channels"] > 0 and one["rate_hz"] > 0 for one in found)


@needs(*SOUND_SERVER)
def test_clicks_and_flashes_are_played(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = write(tmp_path / "site", TABLES, EVENING, '\n[output]\ninterface = "lo"\n', rig=RIG)
    with quay_at(tmp_path / "pulse") as quay, listening("127.0.88.8") as ear:
        recording = Recording(quay)
        assert main(["sound", "test", str(site), "--for", "6", "--delay", "-40 ms"]) == 0
        recording.end()
        bright = [one for one in ear.data() if any(one.slots)]
    assert bright and max(bright[0].slots) <= 77, "at 30 %"
    assert len(recording.clicks_ns()) >= 2
    assert "40 ms earlier" in capfd.readouterr().out


@pytest.mark.parametrize("kind", ["dark", "quiet"])
def test_the_neighbours_hours_forbid_a_test(kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = write(tmp_path, TABLES, EVENING, hours(kind), rig=RIG)
    assert main(["sound", "test", str(site)]) == 1
    assert f"{kind} hours" in capfd.readouterr().err


def test_a_running_planner_forbids_a_test(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = write(tmp_path / "site", TABLES, EVENING, rig=RIG)
    (tmp_path / "state").mkdir()
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "state" / "transmitter.sock"))
        listener.listen()
        assert main(["sound", "test", str(site), "--state", str(tmp_path / "state")]) == 2
    assert "Gloaming plays this site" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("option", "value"), [("--for", "2"), ("--for", "1e9"), ("--delay", "soon"), ("--delay", "3 s")]
)
def test_a_wrong_call_is_reported(option: str, value: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = write(tmp_path, TABLES, EVENING, rig=RIG)
    assert main(["sound", "test", str(site), option, value]) == 2
    assert option in capfd.readouterr().err


@needs("portaudio")
def test_a_missing_device_is_reported(tmp_path: Path) -> None:
    nowhere = Quay(tmp_path / "nowhere").environment
    run = [sys.executable, "-m", "gloaming.api.cli.main", "sound", "devices"]
    done = subprocess.run(run, capture_output=True, text=True, check=False, env=nowhere)
    assert done.returncode == 1 and "no sound device" in done.stderr
