"""The findings of the survey about power: ports, circuits, voltage, and what the report says of the limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.api.cli.main import main
from tests.daemon.reports.test_survey import Page
from tests.daemon.surveyed_site import RIG, SITE, calm, make, surveyed, texts

PORTS = """[[controller]]
name = "left"
host = "127.0.0.1"
universes = "1"
[[supply]]
name = "box"
volts = 12
amps = 29
[[port]]
controller = "left"
number = 3
fuse_a = 5
supply = "box"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 75
idle_ma = 0
port = 3
[[string]]
name = "eaves"
after = "ridge"
pixels = 75
idle_ma = 0
port = 3
"""
"""Two strings of 4.5 A: 3.6 A each at brightness 0.8."""


def white(frames: npt.NDArray[np.uint8]) -> None:
    frames[:] = 255


def codes(told: dict[str, object]) -> list[str]:
    findings = told["findings"]
    assert isinstance(findings, list)
    return [one["code"] for one in findings]


def test_two_strings_of_3_6_a_on_one_port_with_a_5_a_fuse_overload_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each string alone is below 5 A; the port's fuse carries 7.2 A. 5 / 9 of full brightness is within it."""
    code, told = surveyed(make(tmp_path, white, rig=PORTS), capsys)
    assert code == 1
    assert codes(told).count("port-overloaded") == 1
    assert "string-overloaded" not in codes(told)
    assert texts(told, "error") == [
        "site.toml:12 tide at 0:00: port 3 of left: 7.2 A, fuse 5 A; over 10 s 7.2 A; the limiter lowers it"
    ]
    assert told["holds_at_brightness"] == pytest.approx(5 / 9)
    assert told["limits"] == "no limit in rig.toml is exceeded up to brightness 0.55; it is set to 0.8"
    assert main(["survey", str(tmp_path), "--ask-nobody"]) == 1
    report = capsys.readouterr().out
    assert "at any brightness" not in report
    assert "the heaviest port: 3 of left, 7.2 of 5 A in tide at 0:00" in report


def test_the_brightness_of_a_zone_counts_where_it_is_the_highest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 0.5 the port has 4.5 A of 5 A. With the ridge at 0.8 it has 3.6 + 2.25 A at least."""
    site = SITE.replace("brightness = 0.8", "brightness = 0.5")
    _, told = surveyed(make(tmp_path, white, rig=PORTS, site=site), capsys)
    assert "port-overloaded" not in codes(told)
    brighter = f'{site}\n[[output.zone]]\nname = "ridge"\nbrightness = 0.8\n'
    _, told = surveyed(make(tmp_path, white, rig=PORTS, site=brighter), capsys)
    assert "port-overloaded" in codes(told)


@pytest.mark.parametrize(("brightness", "fuse_a"), [(1.0, 9.15), (0.8, 7.35), (0.3, 2.85)])
def test_a_current_that_is_just_its_limit_is_within_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], brightness: float, fuse_a: float
) -> None:
    """150 pixels: 0.15 A when dark, and 9 A times the brightness."""
    site = SITE.replace("brightness = 0.8", f"brightness = {brightness}")
    rig = RIG.replace("idle_ma = 0\n", "").replace("fuse_a = 5", f"fuse_a = {fuse_a}").replace("amps = 8", "amps = 29")
    told = surveyed(make(tmp_path, white, site, rig), capsys)[1]
    assert "string-overloaded" not in codes(told)
    assert told["holds_at_brightness"] == pytest.approx(brightness)
    if brightness == 1:
        assert told["limits"] == "no limit in rig.toml is exceeded at any brightness; it is set to 1"


def test_a_port_that_is_used_to_four_fifths_for_long_is_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = PORTS.replace("fuse_a = 5", "fuse_a = 8")
    told = surveyed(make(tmp_path, white, rig=rig), capsys)[1]
    assert "port-loaded" in codes(told)
    text = "port 3 of left: 7.2 A over 10 s, fuse 8 A; common practice is four fifths of it"
    assert f"site.toml:12 tide at 0:00: {text}" in texts(told, "warning")


@pytest.mark.parametrize(
    ("rig", "limits"),
    [
        (
            RIG.replace("fuse_a = 5", "fuse_a = 10").replace("amps = 8", "amps = 29"),
            "at any brightness; it is set to 0.8",
        ),
        (PORTS.replace("fuse_a = 5\n", ""), "at any brightness; it is set to 0.8. Not known: fuse_a of port 3 of left"),
        (RIG.replace('supply = "box"\n', ""), "up to brightness 0.55; it is set to 0.8. Not known: supply of ridge"),
    ],
)
def test_the_report_says_what_it_does_not_know_of_the_limits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rig: str, limits: str
) -> None:
    """Full white at full brightness is 9 A: more than any string's fuse of 5 A."""
    told = surveyed(make(tmp_path, white, rig=rig), capsys)[1]
    assert told["limits"] == f"no limit in rig.toml is exceeded {limits}"


def test_without_any_limit_no_limit_is_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = RIG.replace('supply = "box"\n', "").replace("fuse_a = 5\n", "")
    rig = rig.replace('[[supply]]\nname = "box"\nvolts = 12\namps = 8\n', "")
    told = surveyed(make(tmp_path, white, rig=rig), capsys)[1]
    assert told["limits"] == "no limit is known. Not known: fuse_a of ridge; supply of ridge"


CIRCUIT = '[[circuit]]\nname = "shed"\namps = {amps}\nvolts = 120\nrcd = true\n'


@pytest.mark.parametrize(
    ("amps", "code", "severity"),
    [(1.31, None, None), (1.2, "circuit-loaded", "warning"), (1.0, "circuit-overloaded", "error")],
)
def test_a_circuit_adds_up_what_its_supplies_take_from_the_mains(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], amps: float, code: str | None, severity: str | None
) -> None:
    """7.2 A x 12 V / 0.85 / 120 V = 0.847 A, and 24 W of a lamp at 120 V: 0.2 A. 1.047 A are 80 % of 1.309 A."""
    lamp = 'controller = "left"\nuniverse = 1\nslot = 512\nchannels = ["dimmer"]\nwatts = 24\ncircuit = "shed"\n'
    rig = RIG.replace("amps = 8", 'amps = 29\ncircuit = "shed"').replace("fuse_a = 5", "fuse_a = 20")
    rig += CIRCUIT.format(amps=amps) + f'[[fixture]]\nname = "lamp"\n{lamp}'
    told = surveyed(make(tmp_path, white, rig=rig), capsys)[1]
    findings = told["findings"]
    assert isinstance(findings, list)
    found = [(one["code"], one["severity"]) for one in findings if one["section"] == "current"]
    assert found == ([(code, severity)] if code else [])


def test_fixtures_that_draw_more_than_a_supply_gives_do_so_at_any_brightness(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """120 W of 12 V are 10 A of 8 A."""
    lamp = 'controller = "left"\nuniverse = 1\nslot = 512\nchannels = ["dimmer"]\nwatts = 120\nsupply = "box"\n'
    told = surveyed(make(tmp_path, calm, rig=f'{RIG}[[fixture]]\nname = "lamp"\n{lamp}'), capsys)[1]
    (text,) = texts(told, "error")
    assert "dark pixels and fixtures draw that much at any brightness" in text
    assert told["limits"] == "dark pixels and fixtures alone exceed a limit in rig.toml"


def test_a_string_at_the_end_of_a_long_thin_cable_has_too_little_voltage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """7.2 A over 5 m of 18 AWG (0.0204 ohm a metre, out and back) lose 1.47 V of 12 V, 12.2 %. The site allows 10 %."""
    rig = RIG.replace("fuse_a = 5", "fuse_a = 20\nawg = 18\nfeed_m = 5").replace("amps = 8", "amps = 29")
    told = surveyed(make(tmp_path, white, rig=rig), capsys)[1]
    assert codes(told).count("voltage-low") == 1
    assert (
        "site.toml:12 tide at 0:00: string ridge: 10.53 V of 12 V at pixel 1, at 7.2 A; its feed takes 1.47 V, its own "
        "wires an unknown part"
    ) in texts(told, "warning")
    site = SITE.replace("[survey]", "[survey]\nvoltage_drop = 0.13")
    assert "voltage-low" not in codes(surveyed(make(tmp_path, white, site, rig), capsys)[1])
    rig = rig.replace("feed_m = 5", "feed_m = 5\ninject_at = [150]")
    assert "voltage-low" not in codes(surveyed(make(tmp_path, white, rig=rig), capsys)[1])


def test_dark_pixels_take_power_that_counts_in_the_energy_while_there_is_light(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """150 x 1 mA x 12 V / 0.85 = 2.118 W all the time."""
    without = surveyed(make(tmp_path, calm), capsys)[1]
    told = surveyed(make(tmp_path, calm, rig=RIG.replace("idle_ma = 0\n", "")), capsys)[1]
    assert (without["idle_w"], told["idle_w"]) == (0, 2.118)
    more_kwh = 1.8 / 0.85 * told["energy"]["lit_hours"] / 1000
    assert told["energy"]["season_kwh"] == pytest.approx(without["energy"]["season_kwh"] + more_kwh)
    assert main(["survey", str(tmp_path), "--ask-nobody"]) == 0
    assert "dark pixels take 2.1 W, also while there is no light" in capsys.readouterr().out


def test_the_page_shows_ports_and_circuits_beside_supplies_and_strings(tmp_path: Path) -> None:
    rig = PORTS.replace("amps = 29", 'amps = 29\ncircuit = "shed"') + CIRCUIT.format(amps=15)
    out = tmp_path / "survey.html"
    main(["survey", str(make(tmp_path, calm, rig=rig)), "--html", str(out)])
    page = Page()
    page.feed(out.read_text(encoding="utf-8"))
    assert page.open == []
    for head in ("Circuits", "Supplies", "The heaviest ports", "The heaviest strings"):
        assert f"{head}, over all pieces" in page.words
    assert "port 3 of left" in page.words  # the nearest to its limit
    assert "1.1 of 5 A" in page.words
    assert "its port's" in page.words and "not given" not in page.words
