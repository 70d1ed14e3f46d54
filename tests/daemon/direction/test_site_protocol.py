"""Direction decides for any object with the attributes of `SiteProtocol`, without files and tables of site.toml."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from gloaming.daemon.direction.decide import decide, instant
from gloaming.daemon.direction.score import State
from tests.daemon.direction.plain_site import LONDON, SITE

TOP = Path(__file__).resolve().parents[3]
BY_THE_RIG = {"rig_check"}
"""It reads the tables of rig.toml, as the patterns do."""


def at(clock: str) -> int:
    return instant(datetime.fromisoformat(f"2026-12-01T{clock}").replace(tzinfo=LONDON))


@pytest.mark.parametrize(
    ("clock", "state", "frame", "brightness", "sound", "rule"),
    [
        ("16:59:59", State.WAITING, None, 0, False, "a test performance"),
        ("17:00:10.025", State.PLAYING, 1, 0.8, True, "a test show"),
        ("21:10:00", State.PLAYING, 0, 0.8, False, "a test show"),
        ("21:40:00", State.PLAYING, 0, 0.5, False, "a test show"),
        ("23:00:00", State.DARK, None, 0, False, "a test neighbours.dark"),
    ],
)
def test_an_evening_of_plain_values_is_decided(
    clock: str, state: State, frame: int | None, brightness: float, sound: bool, rule: str
) -> None:
    """A piece of 100 frames at 40 a second takes 2.5 s; quiet from 21:00, half as bright from 21:30."""
    decision = decide(at(clock), SITE)
    assert (decision.state, decision.frame, decision.sound) == (state, frame, sound)
    assert decision.brightness == pytest.approx(brightness)
    assert decision.reasons[0].rule == rule


ALONE = """
import importlib, json, sys
for name in {names}:
    importlib.import_module(name)
from gloaming.daemon.direction.decide import decide, score
from tests.daemon.direction.plain_site import SITE
opened = []
sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == "open" else None)
found = decide({at_ns}, SITE)
evening = score({at_ns}, {at_ns} + 86_400_000_000_000, SITE)
print(json.dumps([found.piece, len(evening), opened, sorted(sys.modules)]))
"""


def test_direction_and_timetable_load_no_table_and_open_no_file() -> None:
    rooms = [TOP / "daemon" / room for room in ("direction", "timetable")]
    paths = [path for room in rooms for path in room.glob("*.py") if path.stem not in {"__init__", *BY_THE_RIG}]
    names = [f"gloaming.daemon.{path.parent.name}.{path.stem}" for path in paths]
    code = ALONE.format(names=names, at_ns=at("17:00:10"))
    run = subprocess.run([sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    piece, segments, opened, modules = json.loads(run.stdout)
    assert piece == "tide"
    assert segments > 5
    assert opened == []
    loaded = [name for name in modules if name.split(".")[0] in ("pydantic", "tomllib", "sqlite3", "numpy")]
    assert loaded + [name for name in modules if name.startswith("gloaming.daemon.site")] == []
