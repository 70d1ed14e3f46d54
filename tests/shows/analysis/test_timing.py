"""The time that a port needs for a frame, compared with sums by hand.

1.25 us a bit (800 kHz), so 30 us an RGB pixel and 40 us an RGBW pixel, and a reset of 50 to 300 us: common data-sheet
values of single-wire LED drivers, from memory.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.timing import bits_ns, highest_fps, timing_findings
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import PixelString, Rig
from tests.shows.analysis.test_wiring import info


def string(pixels: int, order: str = "RGB", **keys: object) -> PixelString:
    given = {"name": f"run {pixels}", "controller": "left", "universe": 1, "pixels": pixels, "order": order, **keys}
    return PixelString.model_validate(given)


def rig_of(tmp_path: Path, *strings: str) -> Rig:
    text = '[[controller]]\nname = "left"\nuniverses = "1-40"\n'
    for number, keys in enumerate(strings):
        text += f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {10 * number + 1}\n{keys}\n'
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    return load_rig(tmp_path / "rig.toml")


def found(rig: Rig, fps: float = 40, *universes: int) -> list[Finding]:
    pieces = {"tide": info("tide", *((number, 510) for number in universes or (1,)), fps=fps)}
    return list(timing_findings(rig, pieces))


def test_a_port_of_800_rgb_pixels_at_40_frames_a_second(tmp_path: Path) -> None:
    """By hand: 800 pixels x 3 slots x 8 bits x 1.25 us = 24 ms. With the reset of 0.3 ms 24.3 ms, of 1 / 40 s = 25 ms.

    So it fits, up to 1 / 24.3 ms = 41.15 frames a second. 823 pixels are 24.69 + 0.3 ms and fit; 824 do not.
    """
    assert bits_ns([string(800)]) == 24_000_000
    assert highest_fps([string(800)]) == 1 / Fraction("0.0243")
    assert float(highest_fps([string(800)])) == pytest.approx(41.15, abs=0.005)
    assert not found(rig_of(tmp_path, "pixels = 800"))
    assert not found(rig_of(tmp_path, "pixels = 823"))
    assert found(rig_of(tmp_path, "pixels = 824"))


def test_1000_rgbw_pixels_on_one_port_at_40_frames_a_second_need_40_ms_of_25(tmp_path: Path) -> None:
    """By hand: 1000 x 4 x 8 x 1.25 us = 40 ms, and 1 / (40 + 0.3) ms = 24.81 frames a second."""
    (finding,) = found(rig_of(tmp_path, 'pixels = 1000\norder = "RGBW"\nport = 1'))
    assert (finding.code, finding.severity, finding.place) == (FindingCode.PORT_TOO_SLOW, "warning", "rig.toml:4")
    assert finding.text == (
        "port 1 of left: 1000 RGBW pixels need 40 ms of 25 at 40 frames a second (tide), and 0.3 ms for a reset"
    )
    assert "the highest rate that fits is 24.8 frames a second" in (finding.hint or "")
    assert not found(rig_of(tmp_path, 'pixels = 1000\norder = "RGBW"\nport = 1'), 24.8)


def test_the_strings_of_a_port_take_their_turns_and_those_without_a_port_do_not(tmp_path: Path) -> None:
    """600 + 600 RGB pixels need 36 ms; each alone 18 ms."""
    (finding,) = found(rig_of(tmp_path, "pixels = 600\nport = 1", "pixels = 600\nport = 1"))
    assert "1200 RGB pixels need 36 ms of 25" in finding.text
    assert not found(rig_of(tmp_path, "pixels = 600", "pixels = 600"))
    assert not found(rig_of(tmp_path, "pixels = 600\nport = 1", "pixels = 600\nport = 2"))


@pytest.mark.parametrize(("order", "slots"), [("W", 1), ("WRGB", 4), ("RGBWA", 5), ("WRGBW", 5)])
def test_each_channel_of_an_order_takes_eight_bits(order: str, slots: int) -> None:
    assert bits_ns([string(100, order)]) == 100 * slots * 8 * 1250


def test_pixels_that_were_cut_out_take_no_time() -> None:
    assert bits_ns([string(100, missing=[1, 50, 100])]) == 97 * 30_000


def test_the_fastest_piece_that_uses_the_ports_universes_counts(tmp_path: Path) -> None:
    """820 pixels need 24.6 ms in universes 1 to 5. A piece at 60 frames a second elsewhere does not concern them."""
    rig = rig_of(tmp_path, "pixels = 820\nport = 1", "pixels = 100\nport = 2")
    files = {
        "calm": info("calm", (1, 510), (5, 510)),
        "elsewhere": info("elsewhere", (11, 300), fps=60),
    }
    assert not list(timing_findings(rig, files))
    files["quick"] = info("quick", (5, 510), fps=50)
    (finding,) = timing_findings(rig, files)
    assert "at 50 frames a second (quick)" in finding.text
    assert not list(timing_findings(rig, {}))
