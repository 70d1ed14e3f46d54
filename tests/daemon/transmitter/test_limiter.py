"""The limiter against sums of its own in fractions: frames within limits stay as they are, and none draws too much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.transmitter.limiter import RELEASE_NS, Limiter

Bytes = npt.NDArray[np.uint8]
Spans = tuple[tuple[int, int, int], ...]
SLOTS = {1: 510, 2: 510, 3: 510}
OFFSETS = {1: 0, 2: 510, 3: 1020}


@dataclass(frozen=True)
class Run:
    """A string of a test, with its own fuse, its port and its supply."""

    name: str
    spans: Spans
    ma: float = 20.0
    idle_ma: float = 0.0
    fuse_ma: float | None = None
    port: str | None = None
    supply: str | None = None


def string(name: str, *spans: tuple[int, int, int], **more: Any) -> Run:
    return Run(name, spans, **more)


def fused(name: str, *spans: tuple[int, int, int], **more: Any) -> Run:
    return Run(name, spans, **{"fuse_ma": 5000.0, **more})


def limits_of(runs: tuple[Run, ...], ports: dict[str, float], supplies: dict[str, float]) -> Limits:
    """Fuses of strings, then ports, then supplies, each a level of its own."""
    fuses = {run.name: run.fuse_ma for run in runs if run.fuse_ma is not None}

    def level(kind: str, allowed: dict[str, float], group_of: Callable[[Run], str | None]) -> tuple[CurrentLimit, ...]:
        members = {name: tuple(at for at, run in enumerate(runs) if group_of(run) == name) for name in allowed}
        return tuple(
            CurrentLimit(kind, name, ma, sum(runs[at].idle_ma for at in members[name]), members[name])
            for name, ma in allowed.items()
        )

    return Limits(
        tuple(StringDraw(run.ma, run.spans) for run in runs),
        (
            level("string", fuses, lambda run: run.name),
            level("port", ports, lambda run: run.port),
            level("supply", supplies, lambda run: run.supply),
        ),
    )


def limiter(*runs: Run, ports: dict[str, float] | None = None, **supplies: float) -> Limiter:
    return Limiter(limits_of(runs, ports or {}, supplies), OFFSETS, SLOTS)


def slots_of(one: Run, mixed: Bytes) -> Bytes:
    parts = [mixed[OFFSETS[universe] + first - 1 : OFFSETS[universe] + last] for universe, first, last in one.spans]
    return np.concatenate(parts)


def amps(one: Run, mixed: Bytes) -> float:
    """A plain reference: every slot by itself, in 64-bit floating point, and what is always drawn."""
    return sum(float(value) / 255 * one.ma / 1000 for value in slots_of(one, mixed)) + one.idle_ma / 1000


def mixed(value: int = 0) -> Bytes:
    return np.full(1530, value, np.uint8)


def test_nine_amperes_on_a_fuse_of_five_become_five() -> None:
    ridge = fused("ridge", (1, 1, 450))
    found = limiter(ridge)
    frame = mixed(255)
    found.limit(frame, 0)
    assert 4.95 < amps(ridge, frame) <= 5.0
    assert (frame[450:] == 255).all()
    assert found.figures(1) == [
        {"kind": "string", "name": "ridge", "frames": 1, "lowest": 0.5555, "ma": 9000, "limit_ma": 5000}
    ]


def test_a_frame_that_is_mixed_for_two_leads_is_counted_once() -> None:
    found = limiter(fused("ridge", (1, 1, 450)))
    for at_ns in (0, 10, 25, 35, 50):  # the second lead has not had the third frame yet
        found.limit(mixed(255), at_ns * 1_000_000)
    assert [one["frames"] for one in found.figures(2)] == [3]


def test_a_frame_within_its_limits_is_unchanged() -> None:
    found = limiter(fused("ridge", (1, 1, 450)), fused("eaves", (2, 1, 450), supply="box"), box=5000.0)
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
    found = limiter(fused("ridge", (1, 1, 450)))
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
    one, two = fused("one", (1, 1, 150), supply="box"), string("two", (1, 151, 300), supply="box")
    other = fused("other", (1, 301, 450))
    found = limiter(one, two, other, box=4000.0)
    frame = mixed(255)
    found.limit(frame, 0)
    assert 3.9 < amps(one, frame) + amps(two, frame) <= 4.0
    assert len(set(frame[:300])) == 1
    assert (frame[300:] == 255).all()
    assert found.figures(1)[0]["kind"] == "supply"


def test_a_supply_is_checked_after_the_fuses() -> None:
    """9 A on a 5 A fuse do not overload a supply of 5.2 A."""
    found = limiter(fused("ridge", (1, 1, 450), supply="box"), box=5200.0)
    found.limit(mixed(255), 0)
    assert [one["kind"] for one in found.figures(1)] == ["string"]


def test_a_string_over_three_universes_has_one_fuse() -> None:
    long = string("long", (1, 1, 510), (2, 1, 510), (3, 1, 180), fuse_ma=10_000.0)
    frame = mixed(255)
    limiter(long).limit(frame, 0)
    assert 9.9 < amps(long, frame) <= 10.0
    assert len(set(slots_of(long, frame))) == 1
    assert (frame[1200:] == 255).all()


def test_two_strings_of_3_6_a_on_a_port_of_5_a_are_lowered_alike_to_5_a() -> None:
    one, two = string("one", (1, 1, 180), port="3 of left"), string("two", (3, 1, 180), port="3 of left")
    other = string("other", (1, 181, 510), port="4 of left")
    found = limiter(one, two, other, ports={"3 of left": 5000.0, "4 of left": 7000.0})
    frame = mixed(255)
    found.limit(frame, 0)
    assert 4.95 < amps(one, frame) + amps(two, frame) <= 5.0
    assert slots_of(one, frame).tobytes() == slots_of(two, frame).tobytes()
    assert len(set(slots_of(one, frame))) == 1
    assert (slots_of(other, frame) == 255).all()
    assert found.figures(1) == [
        {"kind": "port", "name": "3 of left", "frames": 1, "lowest": 0.6944, "ma": 7200, "limit_ma": 5000}
    ]


def test_a_port_counts_what_a_fuse_has_left_and_a_supply_what_the_ports_have_left() -> None:
    """9 A become 5 A, 5 A and 2 A on a port of 6 A become 6 A, which a supply of 6.5 A gives."""
    one = fused("one", (1, 1, 450), port="3 of left", supply="box")
    two = string("two", (2, 1, 100), port="3 of left", supply="box")
    found = limiter(one, two, ports={"3 of left": 6000.0}, box=6500.0)
    found.limit(mixed(255), 0)
    assert [(one["kind"], one["ma"]) for one in found.figures(1)] == [("string", 9000), ("port", 7000)]


@pytest.mark.parametrize(
    "spans", [((1, 1, 450),), ((1, 1, 200), (1, 201, 450)), ((1, 1, 200), (3, 1, 250))], ids=["one", "two", "apart"]
)
def test_the_brightest_frame_within_a_limit_stays_and_the_next_is_lowered(spans: Spans) -> None:
    """450 slots of 20 mA draw 4976 mA at 141 and 5012 mA at 142."""
    runs = [string(f"{at}", span, port="3 of left") for at, span in enumerate(spans)]
    for level, kept in ((141, True), (142, False)):
        frame = mixed()
        for run in runs:
            for universe, first, last in run.spans:
                frame[OFFSETS[universe] + first - 1 : OFFSETS[universe] + last] = level
        before = frame.copy()
        limiter(*runs, ports={"3 of left": 5000.0}).limit(frame, 0)
        assert (frame == before).all() == kept


def test_what_is_always_drawn_leaves_less_for_light() -> None:
    """150 dark pixels of 1 mA: 4.85 A of a fuse of 5 A are left for light."""
    ridge = fused("ridge", (1, 1, 450), idle_ma=150.0)
    found = limiter(ridge)
    frame = mixed(255)
    found.limit(frame, 0)
    assert 4.95 < amps(ridge, frame) <= 5.0
    assert 4.8 < amps(ridge, frame) - 0.15 <= 4.85
    assert found.figures(1) == [
        {"kind": "string", "name": "ridge", "frames": 1, "lowest": 0.5389, "ma": 9150, "limit_ma": 5000}
    ]


@pytest.mark.parametrize("idle_ma", [5000.0, 5000.1, 1e6])
def test_where_dark_pixels_alone_reach_a_limit_no_light_is_left(idle_ma: float) -> None:
    ridge, eaves = string("ridge", (1, 1, 30), idle_ma=idle_ma, port="3 of left"), string("eaves", (2, 1, 30))
    found = limiter(ridge, eaves, ports={"3 of left": 5000.0})
    with np.errstate(all="raise"):
        for number, value in enumerate([255, 1, 0, 255, 1]):
            frame = mixed(value)
            found.limit(frame, number * 10**10)
            assert not slots_of(ridge, frame).any()
            assert (slots_of(eaves, frame) == value).all()
    (figures,) = found.figures(1)
    assert (figures["lowest"], figures["frames"]) == (0, 4)


amounts = st.floats(50, 1500)
"""Of a string of 30 slots at 1 to 60 mA."""
runs_ = st.lists(
    st.builds(
        lambda place, ma, idle_ma, fuse_ma, port, supply: Run(
            f"{place}", ((place[0], place[1] * 30 - 29, place[1] * 30),), ma, idle_ma, fuse_ma, port, supply
        ),
        st.tuples(st.integers(1, 3), st.integers(1, 17)),
        st.floats(1, 60),
        st.sampled_from([0.0, 10.0, 200.0]),
        st.none() | amounts,
        st.sampled_from([None, "1 of left", "2 of left"]),
        st.sampled_from([None, "box", "case"]),
    ),
    min_size=1,
    max_size=12,
    unique_by=lambda run: run.name,
)
ports_ = st.fixed_dictionaries({"1 of left": amounts, "2 of left": amounts})
supplies_ = st.fixed_dictionaries({"box": st.floats(100, 4000), "case": st.floats(100, 4000)})
pictures = st.lists(
    st.tuples(
        st.sampled_from([0, 60, 255]),
        st.integers(0, 2**32 - 1),
        st.integers(0, 800_000_000),
        st.none() | st.sets(st.integers(0, 11)),
    ),
    max_size=6,
)
"""The brightest slot, the seed of all slots, how much later it is, and which strings alone are lit, if not all."""


def lit_ma(limits: Limits, strings: tuple[int, ...], frame: Bytes) -> Fraction:
    """The light of some strings, in exact fractions."""
    total = Fraction(0)
    for index in strings:
        draw = limits.strings[index]
        slots = sum(int(value) for value in slots_of(string("", *draw.spans), frame))
        total += Fraction(draw.ma) * slots / 255
    return total


class Reference:
    """What a limiter must make of its frames: every string by itself, in plain floating point."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.gains = [[1.0 for _ in level] for level in limits.levels]
        self.at_ns = 0

    def string_gains(self, frame: Bytes, at_ns: int) -> list[float]:
        release, self.at_ns = (at_ns - self.at_ns) / RELEASE_NS, at_ns
        found = [1.0 for _ in self.limits.strings]
        for level, gains in zip(self.limits.levels, self.gains, strict=True):
            for at, one in enumerate(level):
                would_ma = sum(found[index] * float(lit_ma(self.limits, (index,), frame)) for index in one.strings)
                left_ma = max(0.0, one.ma - one.always_ma)
                gains[at] = min(1.0, gains[at] + release, left_ma / would_ma if would_ma else 1.0)
            for at, one in enumerate(level):
                for index in one.strings:
                    found[index] *= gains[at]
        return found


@settings(max_examples=150, deadline=None)
@given(runs_, ports_, supplies_, pictures)
def test_nothing_draws_too_much_and_every_slot_is_that_of_a_plain_reference(
    runs: list[Run],
    ports: dict[str, float],
    supplies: dict[str, float],
    pictures: list[tuple[int, int, int, set[int] | None]],
) -> None:
    limits = limits_of(tuple(runs), ports, supplies)
    found, reference = Limiter(limits, OFFSETS, SLOTS), Reference(limits)
    owner = np.full(1530, -1)
    for index, run in enumerate(runs):
        for universe, first, last in run.spans:
            owner[OFFSETS[universe] + first - 1 : OFFSETS[universe] + last] = index
    at_ns = 0
    for brightest, seed, later_ns, alone in pictures:
        at_ns += later_ns
        before = np.random.default_rng(seed).integers(0, brightest + 1, 1530).astype(np.uint8)
        if alone is not None:
            before[~np.isin(owner, list(alone))] = 0
        frame = before.copy()
        found.limit(frame, at_ns)
        for one in (one for level in limits.levels for one in level):
            assert lit_ma(limits, one.strings, frame) <= max(Fraction(0), Fraction(one.ma) - Fraction(one.always_ma))
        for run, gain in zip(runs, reference.string_gains(before, at_ns), strict=True):
            was, now = slots_of(run, before), slots_of(run, frame)
            if gain == 1:
                assert (now == was).all()
            else:
                assert (np.abs(now - np.floor(was * gain)) <= 1).all()
        assert (frame[owner < 0] == before[owner < 0]).all()


def test_a_string_of_universes_that_are_not_sent_draws_nothing() -> None:
    found = limiter(fused("elsewhere", (9, 1, 450)), fused("ridge", (3, 61, 510)))
    frame = mixed(255)
    found.add_up(frame)
    assert found.drawn == pytest.approx([0, 9000])


def test_a_rig_that_can_never_draw_too_much_needs_no_limiter() -> None:
    """10 pixels at 60 mA are 0.6 A; two of them 1.2 A."""
    short = fused("short", (1, 1, 30), fuse_ma=600.0, supply="box")
    assert not limiter(short, box=600.0).needed
    assert limiter(fused("short", (1, 1, 30), fuse_ma=599.0)).needed
    assert limiter(fused("short", (1, 1, 30), fuse_ma=600.0, idle_ma=1)).needed
    assert limiter(short, string("other", (1, 31, 60), supply="box"), box=1199.0).needed
    assert limiter(fused("two", (1, 1, 30), (3, 1, 30), fuse_ma=1199.0)).needed
    pair = (string("one", (1, 1, 30), port="a"), string("two", (3, 1, 30), port="a"))
    assert not limiter(*pair, ports={"a": 1200.0}).needed
    assert limiter(*pair, ports={"a": 1199.0}).needed


RIDGE = {"ma": 20, "spans": [[1, 1, 450]]}
BOX = {"kind": "supply", "name": "box", "ma": 29_000, "always_ma": 150, "strings": [0]}


def test_limits_are_read_from_a_setup() -> None:
    limits = Limits.from_json({"strings": [RIDGE], "levels": [[], [BOX]]})
    box = CurrentLimit("supply", "box", 29_000.0, 150.0, (0,))
    assert limits == Limits((StringDraw(20.0, ((1, 1, 450),)),), ((), (box,)))


@pytest.mark.parametrize(
    "json",
    [
        {"strings": [{}], "levels": []},
        {"strings": [RIDGE], "levels": [[{**BOX, "strings": [1]}]]},
        {"strings": [RIDGE], "levels": [[{**BOX, "strings": [-1]}]]},
        {"strings": [RIDGE], "levels": [[{**BOX, "always_ma": -1}]]},
        {"strings": [RIDGE], "levels": [[BOX, BOX]]},
        {"strings": [RIDGE], "levels": [[{**BOX, "strings": [0, 0]}]]},
    ],
)
def test_limits_that_make_no_sense_are_refused(json: dict[str, Any]) -> None:
    with pytest.raises((KeyError, ValueError)):
        Limits.from_json(json)
