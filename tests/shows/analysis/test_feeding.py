"""What feeds a rig: two voltages, runs without a fuse or too long, circuits, fixtures that need a caution."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.analysis.feeding import feeding_findings, unknown_limits
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig

BASE = """[[controller]]
name = "left"
universes = "1-9"
[[supply]]
name = "five"
volts = 5
amps = 40
[[supply]]
name = "twelve"
volts = 12
amps = 29
"""
PORT = '[[port]]\ncontroller = "left"\nnumber = {number}\n{keys}\n'
LAMP = """[[fixture]]
name = "bell-lamp"
controller = "left"
universe = 9
slot = 1
channels = [{channels}]
"""


def string(name: str, universe: int, keys: str = "") -> str:
    return f'[[string]]\nname = "{name}"\ncontroller = "left"\nuniverse = {universe}\npixels = 100\n{keys}\n'


def circuit(name: str, keys: str = "") -> str:
    return f'[[circuit]]\nname = "{name}"\namps = 16\nvolts = 230\n{keys}\n'


def rig_of(tmp_path: Path, *parts: str) -> Rig:
    (tmp_path / "rig.toml").write_text(BASE + "".join(parts), encoding="utf-8")
    return load_rig(tmp_path / "rig.toml")


def found(tmp_path: Path, *parts: str) -> dict[FindingCode, Finding]:
    """The findings by their code. Supplies that these rigs do not use have several; the last one is here."""
    return {FindingCode(one.code): one for one in feeding_findings(rig_of(tmp_path, *parts))}


def test_strings_of_two_voltages_on_one_port_are_an_error(tmp_path: Path) -> None:
    strings = (string("ridge", 1, "port = 3\nvolts = 5"), string("eaves", 2, "port = 3\nvolts = 12"))
    finding = found(tmp_path, *strings)[FindingCode.PORT_VOLTS_DIFFER]
    assert (finding.severity, finding.place) == ("error", "rig.toml:12")
    assert finding.text == "port 3 of left has strings for 5 V and 12 V"
    assert "burns" in (finding.hint or "")


def test_a_port_that_two_supplies_feed_with_two_voltages_is_an_error(tmp_path: Path) -> None:
    port = PORT.format(number=3, keys='supply = "twelve"')
    finding = found(tmp_path, port, string("ridge", 1, 'port = 3\nsupply = "five"'))[FindingCode.PORT_VOLTS_DIFFER]
    assert finding.text == "port 3 of left is fed with 5 V and 12 V"


@pytest.mark.parametrize(
    ("keys", "source"),
    [
        ('supply = "twelve"', "twelve"),
        ("volts = 12", "port 3 of left"),
        ('supply = "five"\nvolts = 12', "port 3 of left"),
    ],
)
def test_twelve_volts_reach_a_five_volt_string_through_its_port_too(tmp_path: Path, keys: str, source: str) -> None:
    parts = PORT.format(number=3, keys=keys), string("ridge", 1, "port = 3\nvolts = 5")
    finding = found(tmp_path, *parts)[FindingCode.VOLTS_DIFFER]
    assert (finding.severity, finding.text) == ("error", f"string ridge needs 5 V, but {source} supplies 12 V")
    assert "burns" in (finding.hint or "")


def test_a_string_with_a_right_supply_on_a_wrong_port_is_found(tmp_path: Path) -> None:
    port = PORT.format(number=3, keys='supply = "twelve"')
    codes = found(tmp_path, port, string("ridge", 1, 'port = 3\nvolts = 5\nsupply = "five"'))
    assert codes[FindingCode.VOLTS_DIFFER].text == "string ridge needs 5 V, but twelve supplies 12 V"


def test_a_port_without_a_fuse_is_an_unfused_run_and_one_with_a_fuse_covers_its_strings(tmp_path: Path) -> None:
    strings = string("ridge", 1, "port = 3"), string("eaves", 2, "port = 4"), string("star", 3)
    ports = PORT.format(number=3, keys="fuse_a = 5"), PORT.format(number=4, keys="")
    finding = found(tmp_path, *strings, *ports)[FindingCode.NO_FUSE]
    assert (finding.severity, finding.text) == ("warning", "no fuse_a is given for port 4 of left, star")


@pytest.mark.parametrize(("run_m", "long"), [(76, False), (76.5, True)])
def test_a_data_run_above_250_feet_is_long(tmp_path: Path, run_m: float, long: bool) -> None:
    """250 ft are 76.2 m (a foot is 0.3048 m exactly): common practice, no source."""
    codes = found(tmp_path, PORT.format(number=3, keys=f"run_m = {run_m}"), string("ridge", 1, "port = 3"))
    assert (FindingCode.DATA_RUN_LONG in codes) is long


def test_a_supply_and_a_circuit_that_feed_nothing_are_named(tmp_path: Path) -> None:
    parts = string("ridge", 1, 'supply = "five"'), circuit("shed", "rcd = true")
    codes = found(tmp_path, *parts)
    assert codes[FindingCode.SUPPLY_UNUSED].text == "supply twelve feeds nothing"
    assert codes[FindingCode.CIRCUIT_UNUSED].text == "circuit shed feeds nothing"


def test_a_fixture_uses_its_supply_or_its_circuit(tmp_path: Path) -> None:
    lamp = LAMP.format(channels='"dimmer"')
    strings = string("ridge", 1, 'supply = "five"')
    codes = found(tmp_path, strings, circuit("shed", "rcd = true"), lamp, 'watts = 60\ncircuit = "shed"\n')
    assert FindingCode.CIRCUIT_UNUSED not in codes
    codes = found(tmp_path, strings, lamp, 'watts = 60\nsupply = "twelve"\n')
    assert FindingCode.SUPPLY_UNUSED not in codes


def test_a_port_without_a_table_beside_ports_with_one_may_be_a_typo(tmp_path: Path) -> None:
    port = PORT.format(number=3, keys="fuse_a = 5")
    strings = string("ridge", 1, "port = 3"), string("eaves", 2, "port = 30\nfuse_a = 5")
    finding = found(tmp_path, port, *strings)[FindingCode.PORT_WITHOUT_TABLE]
    assert (finding.severity, finding.place) == ("fact", "rig.toml:22")
    assert "eaves" in (finding.hint or "")
    assert FindingCode.PORT_WITHOUT_TABLE not in found(tmp_path, *strings)  # where none has a table
    assert found(tmp_path, port, strings[1])[FindingCode.PORT_UNUSED].text == "no string is on port 3 of left"


@pytest.mark.parametrize(("keys", "severity"), [("", "fact"), ("rcd = false", "warning"), ("rcd = true", None)])
def test_a_circuit_without_a_residual_current_device(tmp_path: Path, keys: str, severity: str | None) -> None:
    finding = found(tmp_path, circuit("shed", keys)).get(FindingCode.CIRCUIT_WITHOUT_RCD)
    assert (finding and finding.severity) == severity
    assert finding is None or ("local codes" in (finding.hint or "") and "licensed" in (finding.hint or ""))


def test_everything_on_one_breaker_is_a_fact(tmp_path: Path) -> None:
    both = BASE.replace("volts = 5\n", 'volts = 5\ncircuit = "shed"\n').replace("29\n", '29\ncircuit = "shed"\n')
    (tmp_path / "rig.toml").write_text(both + circuit("shed") + circuit("jetty"), encoding="utf-8")
    codes = {one.code: one for one in feeding_findings(load_rig(tmp_path / "rig.toml"))}
    assert codes[FindingCode.ONE_CIRCUIT].place == "rig.toml:14"
    assert "everything is on circuit shed" in codes[FindingCode.ONE_CIRCUIT].text
    elsewhere = both.replace('29\ncircuit = "shed"', '29\ncircuit = "jetty"') + circuit("shed") + circuit("jetty")
    (tmp_path / "rig.toml").write_text(elsewhere, encoding="utf-8")
    assert FindingCode.ONE_CIRCUIT not in [one.code for one in feeding_findings(load_rig(tmp_path / "rig.toml"))]


@pytest.mark.parametrize(
    ("channel", "code", "cautions"),
    [
        ("strobe", FindingCode.FIXTURE_STROBES, ("epilepsy", "WCAG 2.2, 2.3.1", "drivers", "local code")),
        ("fog", FindingCode.FIXTURE_FOGS, ("roads", "lungs", "smoke alarms", "local code")),
    ],
)
def test_a_channel_that_is_dangerous_has_its_cautions_beside_it(
    tmp_path: Path, channel: str, code: FindingCode, cautions: tuple[str, ...]
) -> None:
    finding = found(tmp_path, LAMP.format(channels=f'"dimmer", "{channel}"'))[code]
    assert finding.text == f"there is a {channel} channel on bell-lamp"
    assert all(caution in (finding.hint or "") for caution in cautions)
    assert code not in found(tmp_path, LAMP.format(channels='"dimmer", "red", "other"'))


def test_the_light_of_a_fixture_is_not_judged_and_that_is_said(tmp_path: Path) -> None:
    finding = found(tmp_path, LAMP.format(channels='"dimmer", "strobe"'))[FindingCode.FIXTURE_FLASHES_UNKNOWN]
    assert (finding.severity, finding.text) == ("fact", "flashes are not looked for in the light of bell-lamp")
    assert FindingCode.FIXTURE_FLASHES_UNKNOWN not in found(tmp_path, LAMP.format(channels='"fog"'))


def test_what_is_not_known_of_the_limits_is_listed_by_key(tmp_path: Path) -> None:
    """A circuit is asked for only where the rig has circuits."""
    parts = string("ridge", 1, 'port = 3\nsupply = "five"'), string("eaves", 2, "fuse_a = 5")
    lamp = LAMP.format(channels='"dimmer"')
    unknown = unknown_limits(rig_of(tmp_path, *parts, lamp))
    names = {key: [name for name, _ in tables] for key, tables in unknown.items()}
    assert names == {"fuse_a": ["port 3 of left"], "supply": ["eaves"], "watts": ["bell-lamp"]}
    unknown = unknown_limits(rig_of(tmp_path, *parts, circuit("shed"), lamp, "watts = 60\n"))
    names = {key: [name for name, _ in tables] for key, tables in unknown.items()}
    assert names == {"fuse_a": ["port 3 of left"], "supply": ["eaves", "bell-lamp"], "circuit": ["five", "twelve"]}
