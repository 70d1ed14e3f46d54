"""A rig with every fault that does not make it impossible. Each is found at its place."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from gloaming.shows.analysis.feeding import feeding_findings
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.timing import timing_findings
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


def info(name: str, *universes: tuple[int, int], fps: float = 40) -> FrameFileInfo:
    made, offset = [], 0
    for number, slots in universes:
        made.append(Universe(number, slots, offset))
        offset += slots
    return FrameFileInfo(Path(f"pieces/{name}.frames"), Fraction(str(fps)), 100, offset, tuple(made))


def found(tmp_path: Path) -> tuple[Finding, ...]:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    files = {"tide": info("tide", *((n, 510) for n in range(1, 8)), (30, 510), (31, 510))}
    rig = load_rig(tmp_path / "rig.toml")
    places = dict.fromkeys(files, "site.toml:9")
    return (*rig_findings(rig, files, places), *timing_findings(rig, files), *feeding_findings(rig))


def test_a_rig_with_every_fault_has_each_found_at_its_place(tmp_path: Path) -> None:
    said = [(one.severity, one.place, one.text) for one in found(tmp_path)]
    sent = "frame files have them, and they are sent as they are"
    assert said == [
        ("warning", "rig.toml:6", "controller mast has no strings"),
        ("warning", "rig.toml:30", "pixel 170 of string eaves lies across universes 5 and 6"),
        ("error", "site.toml:9", "tide has frames for universes that no controller has: 30-31"),
        ("warning", "site.toml:9", "tide has fewer slots than the strings and fixtures of universes 5-7 need"),
        ("warning", "rig.toml:1", "no frame file fills universe 8 of controller left: it stays black"),
        ("warning", "rig.toml:6", "no frame file fills universe 20 of controller mast: it stays black"),
        (
            "fact",
            "rig.toml:1",
            "no string or fixture claims slots 271-510 of universe 4, slots 1-3 of universe 5 of controller left; "
            f"{sent}",
        ),
        (
            "warning",
            "rig.toml:20",
            "port 1 of left: 1200 RGB pixels need 36 ms of 25 at 40 frames a second (tide), and 0.3 ms for a reset",
        ),
        ("error", "rig.toml:20", "string ridge needs 5 V, but left-12v supplies 12 V"),
        ("warning", "rig.toml:15", "supply spare feeds nothing"),
        ("fact", "rig.toml:30", "no supply is given for eaves"),
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
    made = load_rig(tmp_path / "rig.toml")
    return {one.text: one.hint for one in (*rig_findings(made, {}, {}), *feeding_findings(made))}


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
        return steps(
            lambda: (
                *rig_findings(rig, files, {"tide": "site.toml:3"}),
                *timing_findings(rig, files),
                *feeding_findings(rig),
            )
        )

    assert work(200) < 2.1 * work(100)


DDP = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1-8"
protocol = "ddp"
"""


def hung(name: str, universe: int, slot: int, pixels: int, **keys: object) -> str:
    lines = [f"{key} = {value!r}" for key, value in keys.items()]
    place = [f"universe = {universe}", f"slot = {slot}", f"pixels = {pixels}"]
    return "\n".join(["[[string]]", f'name = "{name}"', 'controller = "left"', *place, *lines, ""])


def of_ddp(tmp_path: Path, text: str, *universes: tuple[int, int]) -> list[tuple[str, str, str | None]]:
    """The code, text and hint of each finding about a rig with DDP and a frame file, but for slots that are unused."""
    (tmp_path / "rig.toml").write_text(DDP + text, encoding="utf-8")
    made = rig_findings(load_rig(tmp_path / "rig.toml"), {"tide": info("tide", *universes)}, {"tide": "site.toml:9"})
    unused = (FindingCode.SLOTS_UNUSED, FindingCode.UNIVERSES_UNFILLED)
    return [(one.code, one.text, one.hint) for one in made if one.code not in unused]


def test_a_gap_in_the_stream_of_a_ddp_controller_is_found_before_what_follows_it(tmp_path: Path) -> None:
    """The ends of universes are no gaps: ridge ends at slot 150 of universe 2, and gable begins universe 3."""
    lamp = LAMP.replace('"mast"', '"left"').replace("universe = 20", "universe = 5")
    text = hung("eaves", 1, 11, 50) + hung("ridge", 1, 164, 166) + hung("gable", 3, 1, 10) + lamp
    ends = ", or leave room in the controller's own settings"
    says = "of controller left: nothing hangs there"
    assert of_ddp(tmp_path, text, (1, 510)) == [
        ("stream-gap", f"DDP sends 10 slots as zeros before eaves {says}", f"begin eaves at slot 1{ends}"),
        (
            "stream-gap",
            f"DDP sends 3 slots as zeros before ridge {says}",
            f'hang ridge on the next slots, as after = "eaves"{ends}',
        ),
        ("stream-gap", f"DDP sends 99 slots as zeros before lamp {says}", f"begin lamp at slot 1{ends}"),
        (
            "slots-unclaimed",
            "no string or fixture claims slots 1-10, 161-163 of universe 1 of controller left; frame files have them, "
            "but they are not sent by DDP",
            None,
        ),
    ]


def test_strings_without_a_gap_have_no_finding_and_no_pixel_of_a_stream_is_split(tmp_path: Path) -> None:
    text = hung("eaves", 1, 1, 171, slots_per_universe=512) + hung("ridge", 2, 2, 10)
    assert of_ddp(tmp_path, text, (1, 512)) == []
    assert {code for code, *_ in of_ddp(tmp_path, text.replace("ddp", "e131"), (1, 512))} == set()


LAMP = """
[[fixture]]
name = "lamp"
controller = "mast"
universe = 20
slot = 100
channels = ["dimmer", "red"]
"""


def unclaimed(tmp_path: Path, rig: str, *universes: tuple[int, int]) -> list[tuple[str, str]]:
    """The code and text of each finding about slots without a string or fixture, with a frame file of `universes`."""
    (tmp_path / "rig.toml").write_text(rig, encoding="utf-8")
    files = {"tide": info("tide", *universes)} if universes else {}
    made = rig_findings(load_rig(tmp_path / "rig.toml"), files, dict.fromkeys(files, "site.toml:9"))
    codes = (FindingCode.SLOTS_UNCLAIMED, FindingCode.SLOTS_UNUSED)
    return [(one.code, one.text) for one in made if one.code in codes]


def test_slots_of_a_universe_without_a_string_are_listed_where_a_frame_file_has_them(tmp_path: Path) -> None:
    rig = '[[controller]]\nname = "left"\nuniverses = "1-2"\n'
    string = '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 170\n'
    text = "of controller left; frame files have them, and they are sent as they are"
    code = "slots-unclaimed"
    assert unclaimed(tmp_path, rig, (1, 512)) == [(code, f"no string or fixture claims universe 1 {text}")]
    found = unclaimed(tmp_path, rig + string, (1, 512), (2, 512))
    assert found == [(code, f"no string or fixture claims universe 2, slots 511-512 of universe 1 {text}")]


def test_slots_above_a_string_of_100_pixels_are_listed_once_for_the_controller(tmp_path: Path) -> None:
    rig = '[[controller]]\nname = "left"\nuniverses = "1-3"\n' + "".join(
        f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {number}\npixels = 100\n'
        for number in (1, 2, 3)
    )
    ((code, text),) = unclaimed(tmp_path, rig, (1, 510), (2, 302), (3, 300))
    assert code == "slots-unclaimed"
    assert "slots 301-510 of universe 1, slots 301-302 of universe 2 of controller left" in text


def test_slots_of_a_fixture_are_claimed(tmp_path: Path) -> None:
    ((_, left), (_, mast)) = unclaimed(tmp_path, RIG + LAMP, *((n, 510) for n in (*range(1, 9), 20)))
    assert "slots 271-510 of universe 4" in left
    assert "claims slots 1-99, 102-510 of universe 20 of controller mast" in mast


def test_a_controller_with_a_fixture_alone_is_not_without_users(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG + LAMP, encoding="utf-8")
    codes = [one.code for one in rig_findings(load_rig(tmp_path / "rig.toml"), {}, {})]
    assert FindingCode.CONTROLLER_WITHOUT_STRINGS not in codes


def test_a_frame_file_too_short_for_a_fixture_is_named(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG + LAMP, encoding="utf-8")
    files = {"tide": info("tide", (20, 100))}
    made = rig_findings(load_rig(tmp_path / "rig.toml"), files, {"tide": "site.toml:9"})
    assert [one.text for one in made if one.code == FindingCode.SLOTS_TOO_FEW] == [
        "tide has fewer slots than the strings and fixtures of universe 20 need"
    ]


def test_slots_without_any_user_or_frames_are_unused_and_never_said_to_be_sent(tmp_path: Path) -> None:
    """Without frame files: the gaps below the last string of a universe, and whole universes."""
    text = "no string or fixture uses slots 1-3 of universe 5 of controller left"
    assert unclaimed(tmp_path, RIG) == [("slots-unused", text)]
    shorter = unclaimed(tmp_path, RIG, (5, 2))
    assert [code for code, _ in shorter] == ["slots-unclaimed", "slots-unused"]
    assert "slots 1-2 of universe 5" in shorter[0][1]
    assert "uses slot 3 of universe 5" in shorter[1][1]
