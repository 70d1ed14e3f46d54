"""Currents compared with sums by hand: 20 mA a colour at full (common practice, no source), so 60 mA a white pixel."""

from __future__ import annotations

from fractions import Fraction
from math import inf
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.shows.analysis.currents import Load
from gloaming.shows.analysis.pieces import Judge, analyse
from gloaming.shows.framefile.reader import FrameFileInfo, FrameWriter, Universe
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.sheet import sheet_of


def rig(*strings: dict[str, object], supplies: tuple[dict[str, object], ...] = ()) -> Rig:
    named = [
        {"name": f"run {at}", "controller": "left", "universe": 1, "idle_ma": 0, **one}
        for at, one in enumerate(strings)
    ]
    return Rig.model_validate(
        {"controller": [{"name": "left", "universes": "1-9"}], "string": named, "supply": list(supplies)}
    )


def loads(frames: npt.NDArray[np.uint8], of: Rig, *slots: int, fps: int = 40) -> dict[str, Load]:
    universes = tuple(Universe(at + 1, count, sum(slots[:at])) for at, count in enumerate(slots))
    judge = Judge(FrameFileInfo(Path("x"), Fraction(fps), len(frames), sum(slots), universes), of, 7)
    judge.add(frames)
    return {load.name: load for load in judge.currents.loads()}


def full(frames: int, slots: int) -> npt.NDArray[np.uint8]:
    return np.full((frames, slots), 255, np.uint8)


def test_150_pixels_full_white_draw_nine_amperes_and_at_thirty_percent_2_7() -> None:
    found = loads(full(80, 450), rig({"pixels": 150, "fuse_a": 5}), 450)["run 0"]
    assert (found.peak_a, found.mean_a, found.steady_a) == (9.0, 9.0, 9.0)
    assert found.at(0.3).peak_a == pytest.approx(2.7, rel=1e-15)
    assert found.holds_at == 5 / 9


def test_a_white_channel_draws_as_the_colours_do() -> None:
    """50 pixels x 4 channels x 20 mA = 4 A; of white alone 1 A."""
    of = rig({"pixels": 50, "order": "RGBW"})
    assert loads(full(9, 200), of, 200)["run 0"].peak_a == 4.0
    white = np.zeros((9, 200), np.uint8)
    white[:, 3::4] = 255
    assert loads(white, of, 200)["run 0"].peak_a == 1.0


def test_a_string_over_three_universes_is_one_string() -> None:
    """400 pixels are 1200 slots: 510, 510 and 180 of three universes. 400 x 60 mA = 24 A."""
    frames = full(9, 510 * 3)
    assert loads(frames, rig({"pixels": 400}), 510, 510, 510)["run 0"].peak_a == 24.0
    frames[:, 510:1020] = 0  # 170 of its pixels are black
    assert loads(frames, rig({"pixels": 400}), 510, 510, 510)["run 0"].peak_a == 13.8


def test_adjacent_strings_and_unused_slots() -> None:
    of = rig(
        {"pixels": 100, "order": "GRB", "ma_per_channel": 12},
        {"pixels": 20, "slot": 301, "ma_per_channel": 5},
        {"pixels": 100, "universe": 2},
        {"pixels": 10, "universe": 8},
    )
    found = loads(full(9, 360 + 150), of, 360, 150)
    assert [load.peak_a for load in found.values()] == [3.6, 0.3, 3.0, 0.0]


def test_a_string_of_very_many_pixels_is_added_up_exactly() -> None:
    of = rig({"pixels": 1530, "ma_per_channel": 20})
    assert loads(full(9, 510 * 9), of, *[510] * 9)["run 0"].peak_a == 1530 * 0.06


def test_the_highest_moment_and_the_heaviest_ten_seconds_are_found() -> None:
    """At 40 frames a second: 9 A in frame 6240 (2:36) alone, and 4.5 A for ten seconds from frame 1200 on."""
    frames = np.zeros((8000, 450), np.uint8)
    frames[6240] = 255
    frames[1200:1600, ::2] = 255
    found = loads(frames, rig({"pixels": 150}), 450)["run 0"]
    assert (found.peak_a, found.peak_frame) == (9.0, 6240)
    assert (found.steady_a, found.steady_frame) == (4.5, 1200)
    assert found.mean_a == pytest.approx((9.0 + 400 * 4.5) / 8000, rel=1e-12)


def test_steady_over_ten_seconds_is_a_mean_over_ten_seconds() -> None:
    random = np.random.default_rng(6)
    frames = random.integers(0, 256, (1000, 30), np.uint8)
    found = loads(frames, rig({"pixels": 10}), 30, fps=25)["run 0"]
    amps = frames.astype(float).sum(axis=1) * 20 / 255_000
    means = np.convolve(amps, np.ones(250) / 250, "valid")
    assert found.steady_a == pytest.approx(means.max(), rel=1e-9)
    assert found.steady_frame == means.argmax()
    assert found.peak_frame == amps.argmax()


def test_a_supply_carries_its_strings_at_the_same_moment() -> None:
    """Two strings of 3 A that are never lit together load their supply with 3 A, not with 6."""
    of = rig(
        {"pixels": 50, "supply": "box"},
        {"pixels": 50, "slot": 151, "supply": "box"},
        {"pixels": 10, "universe": 2},
        supplies=({"name": "box", "volts": 12, "amps": 2.5},),
    )
    frames = np.zeros((10, 330), np.uint8)
    frames[:5, :150] = frames[5:, 150:300] = 255
    found = loads(frames, of, 300, 30)
    assert (found["box"].peak_a, found["box"].mean_a) == (3.0, 3.0)
    assert (found["run 0"].peak_a, found["run 0"].mean_a) == (3.0, 1.5)
    assert found["box"].holds_at == pytest.approx(2.5 / 3)


def test_a_frame_file_is_read_once_and_its_damage_reported(tmp_path: Path) -> None:
    path = tmp_path / "tide.frames"
    frames = np.random.default_rng(1).integers(0, 256, (400, 450), np.uint8)
    with FrameWriter(path, Fraction(40), (Universe(1, 450, 0),)) as writer:
        writer.write(frames)
    text: list[tuple[int, int]] = []
    found = analyse(path, rig({"pixels": 150}), progress=lambda done, all_: text.append((done, all_)))
    assert found.loads[0].mean_a == pytest.approx(frames.sum() * 20 / 255_000 / 400)
    assert text[-1] == (400, 400)
    assert not found.damaged
    damaged = bytearray(path.read_bytes())
    at = len(damaged) // 2
    damaged[at : at + 8] = bytes(value ^ 0xFF for value in damaged[at : at + 8])
    path.write_bytes(damaged)
    assert analyse(path, rig({"pixels": 150})).damaged


PORTS = """[[controller]]
name = "left"
universes = "1-9"
brightness = {brightness}
[[circuit]]
name = "shed"
amps = 15
volts = 120
[[supply]]
name = "box"
volts = 12
amps = 29
circuit = "shed"
efficiency = 0.8
[[port]]
controller = "left"
number = 3
fuse_a = 5
supply = "box"
"""


def string(name: str, slot: int, keys: str = "idle_ma = 0\nport = 3") -> str:
    """A string of 60 pixels: 3.6 A at full."""
    return f'[[string]]\nname = "{name}"\ncontroller = "left"\nuniverse = 1\nslot = {slot}\npixels = 60\n{keys}\n'


def written(tmp_path: Path, *parts: str, brightness: float = 1) -> Rig:
    (tmp_path / "rig.toml").write_text(PORTS.format(brightness=brightness) + "".join(parts), encoding="utf-8")
    return load_rig(tmp_path / "rig.toml")


def test_two_strings_of_3_6_a_on_one_port_load_its_fuse_with_7_2_a(tmp_path: Path) -> None:
    """60 pixels x 60 mA = 3.6 A each. The port's fuse is no limit of a string."""
    found = loads(full(9, 360), written(tmp_path, string("ridge", 1), string("eaves", 181)), 360)
    assert [(one.kind, one.limit_a, one.peak_a) for one in found.values()] == [
        ("string", None, 3.6),
        ("string", None, 3.6),
        ("port", 5, 7.2),
        ("supply", 29, 7.2),
        ("circuit", 15, pytest.approx(7.2 * 12 / 0.8 / 120)),
    ]
    assert found["3 of left"].volts == 12
    assert found["3 of left"].holds_at == pytest.approx(5 / 7.2)


def test_strings_of_one_port_that_are_never_lit_together_do_not_add_up(tmp_path: Path) -> None:
    frames = full(10, 360)
    frames[:5, :180] = frames[5:, 180:] = 0
    found = loads(frames, written(tmp_path, string("ridge", 1), string("eaves", 181)), 360)
    assert found["3 of left"].peak_a == 3.6


def test_a_controllers_own_brightness_lowers_its_currents_and_not_those_of_dark_pixels(tmp_path: Path) -> None:
    """At 0.3: 0.3 x 3.6 A and 60 x 2 mA. The limit is reached where 0.12 A + x times 1.08 A = 5 A: never below 1."""
    rig = written(tmp_path, string("ridge", 1, "idle_ma = 2\nport = 3"), brightness=0.3)
    port = loads(full(9, 180), rig, 180)["3 of left"]
    assert (port.peak_a, port.fixed_a) == (pytest.approx(1.2), pytest.approx(0.12))
    assert port.holds_at == pytest.approx((5 - 0.12) / 1.08)


def test_the_idle_current_stays_at_any_brightness_and_leaves_less_room(tmp_path: Path) -> None:
    """Two strings of 60 pixels with 10 mA: 1.2 A when dark, 8.4 A at full. 5 A are reached at 3.8 / 7.2."""
    keys = "idle_ma = 10\nport = 3"
    port = loads(full(9, 360), written(tmp_path, string("a", 1, keys), string("b", 181, keys)), 360)["3 of left"]
    assert (port.peak_a, port.mean_a, port.steady_a) == (pytest.approx(8.4),) * 3
    assert port.holds_at == pytest.approx(3.8 / 7.2)
    assert port.at(3.8 / 7.2).peak_a == pytest.approx(5)
    assert port.at(0.5).mean_a == pytest.approx(1.2 + 3.6)
    assert port.at(0).peak_a == pytest.approx(1.2)


def test_dark_pixels_alone_may_be_too_much_and_a_black_piece_has_no_brightness_that_is(tmp_path: Path) -> None:
    rig = written(tmp_path, string("a", 1, "idle_ma = 100\nport = 3"))
    assert loads(full(9, 180), rig, 180)["3 of left"].holds_at == 0
    rig = written(tmp_path, string("a", 1, "idle_ma = 1\nport = 3"))
    black = loads(np.zeros((9, 180), np.uint8), rig, 180)
    assert black["3 of left"].holds_at == inf
    assert black["a"].holds_at is None  # it has no fuse of its own


def test_a_15_a_breaker_with_three_supplies(tmp_path: Path) -> None:
    """By hand: three supplies of 12 V, each with 400 RGB pixels of 60 mA: 24 A, 288 W. With an efficiency of 0.85
    (common practice, no source) each takes 288 / 0.85 = 338.8 W, all three 1016.5 W: 8.47 A at 120 V, of 15 A.
    Their dark pixels take 400 x 1 mA x 12 V x 3 / 0.85 = 16.9 W, 0.14 A. A lamp of 500 W on the same circuit draws
    4.17 A, so the sum is 12.78 A. It is above 12 A, four fifths of 15 A (NEC 210.20(A), continuous load; from memory).
    """
    text = '[[controller]]\nname = "left"\nuniverses = "1-9"\n[[circuit]]\nname = "shed"\namps = 15\nvolts = 120\n'
    for number in range(3):
        text += f'[[supply]]\nname = "box {number}"\nvolts = 12\namps = 29\ncircuit = "shed"\n'
        text += f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {3 * number + 1}\npixels = 400\n'
        text += f'supply = "box {number}"\n'
    lamp = 'controller = "left"\nuniverse = 9\nslot = 512\nchannels = ["dimmer"]\nwatts = 500\ncircuit = "shed"\n'
    (tmp_path / "rig.toml").write_text(f'{text}[[fixture]]\nname = "lamp"\n{lamp}', encoding="utf-8")
    found = loads(full(9, 9 * 510), load_rig(tmp_path / "rig.toml"), *[510] * 9)
    shed = found["shed"]
    assert found["box 1"].peak_a == pytest.approx(24.4)
    assert shed.peak_a - shed.fixed_a == pytest.approx(8.47, abs=0.005)
    assert shed.fixed_a == pytest.approx(0.14 + 4.17, abs=0.005)
    assert shed.peak_a == pytest.approx(12.78, abs=0.01)
    assert shed.limit_a == 15


def test_a_fixture_counts_on_its_supply_at_full_all_the_time(tmp_path: Path) -> None:
    """60 W of 12 V are 5 A, lit or not; the mains feel 60 / 0.8 = 75 W, 0.625 A of 120 V. Nothing but the fixture."""
    lamp = 'controller = "left"\nuniverse = 9\nslot = 1\nchannels = ["dimmer"]\nwatts = 60\nsupply = "box"\n'
    rig = written(tmp_path, f'[[fixture]]\nname = "lamp"\n{lamp}')
    path = tmp_path / "tide.frames"
    with FrameWriter(path, Fraction(40), (Universe(1, 3, 0),)) as writer:
        writer.write(np.zeros((40, 3), np.uint8))
    found = {load.name: load for load in analyse(path, rig).loads}
    assert (found["box"].peak_a, found["box"].mean_a, found["box"].holds_at) == (5, 5, inf)
    assert found["shed"].peak_a == pytest.approx(0.625)


def test_a_pixel_that_was_cut_out_draws_nothing(tmp_path: Path) -> None:
    """57 of 60 pixels hang: 57 x 60 mA, and 57 x 1 mA when dark."""
    rig = written(tmp_path, string("ridge", 1, "missing = [1, 30, 60]"), string("eaves", 181, "idle_ma = 0"))
    found = loads(full(9, 360), rig, 360)
    assert found["ridge"].fixed_a == pytest.approx(0.057)
    assert found["ridge"].peak_a == pytest.approx(57 * 0.061)
    assert found["eaves"].peak_a == 3.6


def test_five_channels_of_a_pixel_draw_alike() -> None:
    """10 pixels x 5 x 20 mA = 1 A."""
    of = rig({"pixels": 10, "order": "RGBWA"}, {"pixels": 10, "slot": 51, "order": "WRGBW"}, {"pixels": 9, "slot": 101})
    assert [load.peak_a for load in loads(full(9, 127), of, 127).values()] == [1.0, 1.0, 0.54]


KINDS = st.tuples(
    st.sampled_from(["RGB", "W", "RGBWA"]),
    st.integers(1, 16),  # pixels: all have room in a universe
    st.sampled_from([None, 1, 2]),  # port
    st.sampled_from([None, "box", "chest"]),  # supply
    st.sampled_from([0, 1.5]),  # idle_ma
)


@settings(max_examples=40, deadline=None)
@given(kinds=st.lists(KINDS, min_size=1, max_size=6), seed=st.integers(0, 99), brightness=st.sampled_from([1.0, 0.3]))
def test_loads_are_the_plain_sums_of_what_hangs_on_each(
    tmp_path_factory: pytest.TempPathFactory,
    kinds: list[tuple[str, int, int | None, str | None, float]],
    seed: int,
    brightness: float,
) -> None:
    """Every current of every frame, added up string by string, for drawn rigs. The sheet has those of full white."""
    text = PORTS.partition("[[port]]")[0].format(brightness=brightness)
    text += '[[supply]]\nname = "chest"\nvolts = 5\namps = 9\ncircuit = "shed"\n'
    slot = 1
    for at, (order, pixels, port, supply, idle) in enumerate(kinds):
        text += string(f"run {at}", slot, f'order = "{order}"\nidle_ma = {idle}').replace(
            "pixels = 60", f"pixels = {pixels}"
        )
        text += f"port = {port}\n" * bool(port) + f'supply = "{supply}"\n' * bool(supply)
        slot += pixels * len(order)
    path = tmp_path_factory.mktemp("rig") / "rig.toml"
    path.write_text(text, encoding="utf-8")
    rig = load_rig(path)
    frames = np.random.default_rng(seed).integers(0, 256, (11, slot), np.uint8)
    drawn = []
    for one in rig.string:
        own = frames[:, one.slot - 1 : one.slot - 1 + one.slots].sum(axis=1, dtype=float)
        drawn.append(own / 255 * 0.02 * brightness + one.pixels * one.idle_ma / 1000)
    supplies = {}
    for supply in rig.supply:
        fed = (a for one, a in zip(rig.string, drawn, strict=True) if one.supply == supply.name)
        supplies[supply.name] = sum(fed, np.zeros(11))
    expected = dict(zip((one.name for one in rig.string), drawn, strict=True)) | supplies
    for port in rig.port:
        expected[port.name] = sum(a for one, a in zip(rig.string, drawn, strict=True) if one.port == port.number)
    expected["shed"] = (supplies["box"] * 12 / 0.8 + supplies["chest"] * 5 / 0.85) / 120
    found = loads(frames, rig, slot)
    assert found.keys() == expected.keys()
    for name, amps in expected.items():
        assert found[name].peak_a == pytest.approx(amps.max())
        assert found[name].mean_a == pytest.approx(amps.mean())
    white, sheet = loads(full(1, slot), rig, slot), sheet_of(rig)
    on_sheet = {port.of.name: port.load for one in sheet.controllers for port in one.ports}
    on_sheet |= {one.of.name: one.load for two in sheet.controllers for one in two.loose if one.load}
    on_sheet |= {supply.name: load for supply, load in sheet.supplies}
    on_sheet |= {circuit.name: load for circuit, load, _ in sheet.circuits}
    for name, load in on_sheet.items():
        assert (load.full_a, load.limit_a) == (pytest.approx(white[name].peak_a), white[name].limit_a)


def test_a_brightness_of_almost_nothing_is_far_below_every_limit() -> None:
    of = Rig.model_validate(
        {
            "controller": [{"name": "left", "universes": 1, "brightness": 1e-300}],
            "string": [{"name": "a", "controller": "left", "universe": 1, "pixels": 9, "idle_ma": 0, "fuse_a": 5}],
        }
    )
    holds_at = loads(full(1, 27), of, 27)["a"].holds_at
    with np.errstate(over="raise"):
        assert holds_at is not None and round(holds_at, 9) > 1e299
