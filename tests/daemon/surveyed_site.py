"""A small site for the tests of the survey, and what the survey finds there."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.api.cli.main import main
from gloaming.shows.framefile.reader import FrameWriter, Universe

SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[output]
interface = "lo"
brightness = 0.8
[survey]
price_per_kwh = 0.28
currency = "GBP"
[[piece]]
name = "tide"
frames = "tide.frames"
[[show]]
name = "evening"
order = ["tide"]
[[performance]]
show = "evening"
season = "11-27..11-30"
from = "17:00"
to = "22:00"
"""


RIG = """[[controller]]
name = "left"
host = "127.0.0.1"
universes = "1"
[[supply]]
name = "box"
volts = 12
amps = 8
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150
idle_ma = 0
fuse_a = 5
supply = "box"
"""


def make(folder: Path, draw: Callable[[npt.NDArray[np.uint8]], None], site: str = SITE, rig: str = RIG) -> Path:
    frames = np.full((1600, 450), 40, np.uint8)
    draw(frames)
    with FrameWriter(folder / "tide.frames", Fraction(40), (Universe(1, 450, 0),)) as writer:
        writer.write(frames)
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    return folder


def calm(frames: npt.NDArray[np.uint8]) -> None:
    """Left as it is: 40 of 255 on every slot."""


def surveyed(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, object]]:
    code = main(["survey", str(folder), "--json"])
    return code, json.loads(capsys.readouterr().out)


def texts(told: dict[str, object], severity: str) -> list[str]:
    findings = told["findings"]
    assert isinstance(findings, list)
    return [f"{one['place']}: {one['text']}" for one in findings if one["severity"] == severity]
