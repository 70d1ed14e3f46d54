"""A rig with every fault that does not make it impossible. Each is found at its place."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from gloaming.shows.analysis.finding import Finding
from gloaming.shows.analysis.wiring import ranges, rig_findings
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.load import load_rig
from tests.shows.rig.many import many_strings
from tests.steps import steps

RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1-8"

[[controller]]
name = "mast"
universes = "20"

[[supply]]
name = "left-12v"
volts = 12
amps = 29

[[supply]]
name = "spare"
volts = 5
amps = 10

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 600
port = 1
fuse_a = 5
volts = 5
supply = "left-12v"

[[string]]
name = "eaves"
controller = "left"
universe = 5
slot = 4
pixels = 600
port = 1
slots_per_universe = 512
"""


def info(name: str, *universes: tuple[int, int]) -> FrameFileInfo:
    made, offset = [], 0
    for number, slots in universes:
        made.append(Universe(number, slots, offset))
        offset += slots
    return FrameFileInfo(Path(f"pieces/{name}.frames"), Fraction(40), 100, offset, tuple(made))


def found(tmp_path: Path) -> tuple[Finding, ...]:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    files = {"tide": info("tide", *((n, 510) for n in range(1, 8)), (30, 510), (31, 510))}
    return rig_findings(load_rig(tmp_path / "rig.toml"), files, dict.fromkeys(files, "site.toml:9"))


def test_a_rig_with_every_fault_has_each_found_at_its_place(tmp_path: Path) -> None:
    said = [(one.severity, one.place, one.text) for one in found(tmp_path)]
    assert said == [
        ("warning", "rig.toml:6", "controller mast has no strings"),
        (
            "warning",
            "rig.toml:20",
            "port 1 of controller left drives 1200 pixels; common practice is 1024",
        ),
        ("error", "rig.toml:20", "string ridge needs 5 V, but left-12v supplies 12 V"),
        ("warning", "rig.toml:15", "supply spare feeds no string"),
        ("warning", "rig.toml:30", "no fuse_a is given for eaves"),
        ("fact", "rig.toml:30", "no supply is given for eaves"),
        ("warning", "rig.toml:30", "pixel 170 of string eaves lies across universes 5 and 6"),
        ("error", "site.toml:9", "tide has frames for universes that no controller has: 30-31"),
        ("warning", "site.toml:9", "tide has fewer slots than the strings of universes 5-7 need"),
        ("warning", "rig.toml:1", "no frame file fills universes 8 of controller left: they stay black"),
        ("warning", "rig.toml:6", "no frame file fills universes 20 of controller mast: they stay black"),
        ("fact", "rig.toml:1", "no string uses slots 1-3 of universe 5 of controller left"),
    ]


def test_each_fault_has_a_hint(tmp_path: Path) -> None:
    assert all(one.hint for one in found(tmp_path) if one.severity != "fact")


def said_of(tmp_path: Path, keys: str) -> dict[str, str | None]:
    """The findings of a rig of one string on a supply of 5 V, and what to do."""
    rig = (
        '[[controller]]\nname = "left"\nuniverses = "1-500"\n[[supply]]\nname = "box"\nvolts = 5\namps = 9\n'
        f'[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 300\nsupply = "box"\n{keys}\n'
    )
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    return {one.text: one.hint for one in rig_findings(load_rig(tmp_path / "rig.toml"), {}, {})}


@pytest.mark.parametrize(
    ("slot", "order", "until", "advice"),
    [
        (2, "RGB", 510, [{"slot": 1}, {"slot": 4}]),
        (509, "RGB", 510, [{"slot": 508}]),
        (511, "RGB", 512, [{"slot": 508, "slots_per_universe": 510}]),
        (3, "GRBW", 510, [{"slot": 1, "slots_per_universe": 508}, {"slot": 5, "slots_per_universe": 508}]),
        (1, "RGB", 2, [{"slots_per_universe": 3}]),
    ],
)
def test_advice_on_pixels_that_are_split_splits_none(
    tmp_path: Path, slot: int, order: str, until: int, advice: list[dict[str, int]]
) -> None:
    def split(**keys: object) -> list[str | None]:
        text = "\n".join(f"{key} = {value!r}" for key, value in keys.items())
        return [hint for text, hint in said_of(tmp_path, text).items() if "lies across" in text]

    keys = {"slot": slot, "order": order, "slots_per_universe": until}
    (hint,) = split(**keys)
    places = " or ".join(str(one["slot"]) for one in advice if "slot" in one).replace(" or", ", or")
    wanted = [f"slot = {places}"] if places else []
    wanted += [f"slots_per_universe = {one}" for one in {one.get("slots_per_universe") for one in advice} if one]
    assert hint and hint.endswith(f": {' and '.join(wanted)}")
    for one in advice:
        assert not split(**{**keys, **one})


def test_a_supply_with_too_few_volts_has_its_own_hint(tmp_path: Path) -> None:
    hint = said_of(tmp_path, "volts = 12")["string ridge needs 12 V, but box supplies 5 V"]
    assert hint and "light badly" in hint and "burns" not in hint


def test_a_rig_without_strings_has_a_finding(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG.partition("[[supply]]")[0], encoding="utf-8")
    (finding,) = rig_findings(load_rig(tmp_path / "rig.toml"), {}, {})
    assert "currents and flashes are unknown" in finding.text


def test_numbers_are_written_as_a_person_writes_them() -> None:
    assert ranges([7, 1, 2, 3, 4]) == "1-4, 7"


@pytest.mark.parametrize("one_each", [False, True])
def test_findings_about_twice_as_many_strings_take_twice_the_work(tmp_path: Path, one_each: bool) -> None:
    def work(count: int) -> int:
        path = tmp_path / f"{count}.toml"
        path.write_text(many_strings(count, count if one_each else 4), encoding="utf-8")
        rig = load_rig(path)
        files = {"tide": info("tide", *((number + 1, 150) for number in range(count)))}
        return steps(lambda: rig_findings(rig, files, {"tide": "site.toml:3"}))

    assert work(200) < 2.1 * work(100)
