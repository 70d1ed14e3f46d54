"""The limiter against sums in floating point: frames within limits stay as they are, and none draws too much."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.score.setup import Limits, StringLimit
from gloaming.daemon.transmitter.limiter import RELEASE_NS, Limiter

Bytes = npt.NDArray[np.uint8]
SLOTS = {1: 510, 2: 510, 3: 510}
OFFSETS = {1: 0, 2: 510, 3: 1020}


def string(name: str, *spans: tuple[int, int, int], **more: object) -> StringLimit:
    return StringLimit(**{"name": name, "ma": 20.0, "fuse_ma": 5000.0, "supply": None, "spans": spans, **more})  # type: ignore[arg-type]  # a test's short hand


def limiter(*strings: StringLimit, **supplies: float) -> Limiter:
    return Limiter(Limits(strings, tuple(supplies.items())), OFFSETS, SLOTS)


def slots_of(one: StringLimit, mixed: Bytes) -> Bytes:
    parts = [mixed[OFFSETS[universe] + first - 1 : OFFSETS[universe] + last] for universe, first, last in one.spans]
    return np.concatenate(parts)


def amps(one: StringLimit, mixed: Bytes) -> float:
    """A plain reference: every slot by itself, in 64-bit floating point."""
    return sum(float(value) / 255 * one.ma / 1000 for value in slots_of(one, mixed))


def mixed(value: int = 0) -> Bytes:
    return np.full(1530, value, np.uint8)


def test_nine_amperes_on_a_fuse_of_five_become_five() -> None:
    ridge = string("ridge", (1, 1, 450))
    found = limiter(ridge)
    frame = mixed(255)
    found.limit(frame, 0)
    assert 4.95 < amps(ridge, frame) <= 5.0
    assert (frame[450:] == 255).all()
    assert found.figures(1) == [
        {"kind": "string", "name": "ridge", "frames": 1, "lowest": 0.5555, "ma": 9000, "limit_ma": 5000}
    ]


def test_a_frame_that_is_mixed_for_two_leads_is_counted_once() -> None:
    found = limiter(string("ridge", (1, 1, 450)))
    for at_ns in (0, 10, 25, 35, 50):  # the second lead has not had the third frame yet
        found.limit(mixed(255), at_ns * 1_000_000)
    assert [one["frames"] for one in found.figures(2)] == [3]


def test_a_frame_within_its_limits_is_unchanged() -> None:
    found = limiter(string("ridge", (1, 1, 450)), string("eaves", (2, 1, 450), supply="box"), box=5000.0)
    random = np.random.default_rng(6)
    for _ in range(20):
        frame = random.integers(0, 100, 1530, np.uint8)
        before = frame.copy()
        found.limit(frame, 0)
        assert (frame == before).all()
    assert found.figures(1) == []


@pytest.mark.parametrize("fps", [2, 20, 40])
def test_a_lowered_string_rises_smoothly_to_full_light_within_a_second_at_any_frame_rate(fps: int) -> None:
    """From 56 % (5 A of 9 A) to full light: not at once, and within 44 % of the time from nothing to full."""
    found = limiter(string("ridge", (1, 1, 450)))
    found.limit(mixed(255), 10**15)
    seen = []
    for number in range(1, fps + 1):
        frame = mixed(100)
        found.limit(frame, 10**15 + number * 10**9 // fps)
        seen.append(int(frame[0]))
    steps = np.diff([55, *seen])
    assert (steps >= 0).all()
    assert steps.max() <= 100 * 10**9 / fps / RELEASE_NS + 1
    assert seen[0] < 90
    assert seen[-1] == 100


def test_an_overloaded_supply_lowers_all_its_strings_alike_and_no_other() -> None:
    one, two = string("one", (1, 1, 150), supply="box"), string("two", (1, 151, 300), supply="box", fuse_ma=None)
    other = string("other", (1, 301, 450))
    found = limiter(one, two, other, box=4000.0)
    frame = mixed(255)
    found.limit(frame, 0)
    assert 3.9 < amps(one, frame) + amps(two, frame) <= 4.0
    assert len(set(frame[:300])) == 1
    assert (frame[300:] == 255).all()
    assert found.figures(1)[0]["kind"] == "supply"


def test_a_supply_is_checked_after_the_fuses() -> None:
    """9 A on a 5 A fuse do not overload a supply of 5.2 A."""
    found = limiter(string("ridge", (1, 1, 450), supply="box"), box=5200.0)
    found.limit(mixed(255), 0)
    assert [one["kind"] for one in found.figures(1)] == ["string"]


def test_a_string_over_three_universes_has_one_fuse() -> None:
    long = string("long", (1, 1, 510), (2, 1, 510), (3, 1, 180), fuse_ma=10_000.0)
    frame = mixed(255)
    limiter(long).limit(frame, 0)
    assert 9.9 < amps(long, frame) <= 10.0
    assert len(set(slots_of(long, frame))) == 1
    assert (frame[1200:] == 255).all()


strings_ = st.lists(
    st.tuples(st.integers(1, 3), st.integers(1, 17), st.floats(1, 60), st.floats(50, 9000), st.booleans()),
    min_size=1,
    max_size=12,
    unique_by=lambda one: one[:2],
)


@settings(max_examples=150, deadline=None)
@given(strings_, st.integers(0, 2**32 - 1), st.floats(100, 20_000))
def test_no_frame_draws_too_much_and_sums_equal_a_plain_reference(
    drawn: list[tuple[int, int, float, float, bool]], seed: int, supply_ma: float
) -> None:
    strings = [
        string(f"{at}", (universe, place * 30 - 29, place * 30), ma=ma, fuse_ma=fuse, supply="box" if fed else None)
        for at, (universe, place, ma, fuse, fed) in enumerate(drawn)
    ]
    found = limiter(*strings, box=supply_ma)
    random = np.random.default_rng(seed)
    for _ in range(6):
        frame = random.integers(0, 256, 1530, np.uint8) * random.integers(0, 2)
        frame = frame.astype(np.uint8)
        before = frame.copy()
        found.limit(frame, 0)
        found.add_up(before)
        assert found.strings.drawn / 1000 == pytest.approx([amps(one, before) for one in strings], rel=0.01, abs=1e-6)
        for one in strings:
            assert amps(one, frame) * 1000 <= (one.fuse_ma or 0)
        assert sum(amps(one, frame) for one in strings if one.supply) * 1000 <= supply_ma
        owned = np.zeros(1530, bool)
        for one in strings:
            for universe, first, last in one.spans:
                owned[OFFSETS[universe] + first - 1 : OFFSETS[universe] + last] = True
        assert (frame[~owned] == before[~owned]).all()
        assert (frame <= before).all()


def test_a_string_of_universes_that_are_not_sent_draws_nothing() -> None:
    found = limiter(string("elsewhere", (9, 1, 450)), string("ridge", (3, 61, 510)))
    frame = mixed(255)
    found.limit(frame, 0)
    assert found.strings.drawn == pytest.approx([0, 9000])


def test_a_rig_that_can_never_draw_too_much_needs_no_limiter() -> None:
    """10 pixels at 60 mA are 0.6 A; two of them 1.2 A."""
    short = string("short", (1, 1, 30), fuse_ma=600.0, supply="box")
    assert not limiter(short, box=600.0).needed
    assert limiter(string("short", (1, 1, 30), fuse_ma=599.0)).needed
    assert limiter(short, string("other", (1, 31, 60), supply="box"), box=1199.0).needed
    assert limiter(string("two", (1, 1, 30), (3, 1, 30), fuse_ma=1199.0)).needed


def test_limits_are_read_from_a_setup() -> None:
    message = {
        "strings": [{"name": "ridge", "ma": 20, "fuse_ma": None, "supply": "box", "spans": [[1, 1, 450]]}],
        "supplies": [["box", 29_000]],
    }
    limits = Limits.from_json(message)
    assert limits == Limits((string("ridge", (1, 1, 450), fuse_ma=None, supply="box"),), (("box", 29_000.0),))
    with pytest.raises(KeyError):
        Limits.from_json({"strings": [{}], "supplies": []})
