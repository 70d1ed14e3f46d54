"""The plan of a day: fades, pauses, calls, and the properties that hold for all overrides."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.rules_in_force import DayFacts, HoursWindow
from gloaming.daemon.direction.rundown import Occurrence, RundownPiece
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.shows.time_units import DAY_NS, SECOND_NS

S = SECOND_NS
MIN = 60 * S
H = 3600 * S
DAY = 20_000 * DAY_NS
LONDON = ZoneInfo("Europe/London")
BELLS = RundownPiece("bells", "/x/bells.frames", 4000, Fraction(40))  # 100 s
TIDE = RundownPiece("tide", "/x/tide.frames", 9000, Fraction(40), sound=True)  # 225 s
NTSC = RundownPiece("ntsc", "/x/ntsc.frames", 1000, Fraction(30000, 1001))


def evening(opens_ns: int = DAY + 17 * H, to_ns: int = DAY + 22 * H, **more: object) -> Occurrence:
    usual: dict[str, object] = {
        "show": "evening",
        "date": date(2024, 10, 4),
        "opens_ns": opens_ns,
        "to_ns": to_ns,
        "latest_ns": to_ns,
        "finish": False,
        "rank": 0,
        "order": (BELLS, TIDE),
        "gap_ns": 4 * S,
    }
    return Occurrence(**{**usual, **more})  # type: ignore[arg-type]  # a test's shorthand


def window(from_ns: int, until_ns: int, ceiling: float | None = 0.0, quiet: bool = False) -> HoursWindow:
    return HoursWindow(
        from_ns, until_ns, Reason("site.toml:9 neighbours", "hours", ReasonCode.DARK_HOURS), ceiling, quiet
    )


def day_with(
    *overrides: Override,
    occurrences: tuple[Occurrence, ...] | None = None,
    windows: tuple[HoursWindow, ...] = (),
    fade_ns: int = S,
) -> DayPlan:
    usual = (evening(),) if occurrences is None else occurrences
    return DayPlan(
        DAY,
        DayFacts(
            usual,
            windows,
            overrides,
            LONDON,
            0.8,
            Reason("site.toml:20", "brightness 0.8", ReasonCode.BRIGHTNESS),
            fade_ns,
        ),
    )


def override(kind: Kind, at_ns: int, until_ns: int, **more: object) -> Override:
    return Override(1, kind, at_ns, until_ns, **more)  # type: ignore[arg-type]  # a test's shorthand


def level(day: DayPlan, at_ns: int) -> float:
    return day.segment_at(at_ns).level_at(at_ns)


def frame(day: DayPlan, at_ns: int) -> tuple[str, int] | None:
    picture = day.segment_at(at_ns).picture
    return (picture.piece, picture.frame_at(at_ns)) if picture else None


def test_an_opening_fades_in_and_a_closing_has_faded_out_when_it_comes() -> None:
    day = day_with()
    assert level(day, DAY + 17 * H) == 0
    assert abs(level(day, DAY + 17 * H + S // 2) - 0.4) < 1e-9
    assert level(day, DAY + 17 * H + S) == 0.8
    assert level(day, DAY + 22 * H - S) == 0.8
    assert abs(level(day, DAY + 22 * H - S // 4) - 0.2) < 1e-9
    assert day.segment_at(DAY + 22 * H).level_from == 0
    assert day.segment_at(DAY + 22 * H - 1).state == State.PLAYING
    assert day.segment_at(DAY + 22 * H).state == State.DARK


def test_a_pause_fades_when_it_begins_and_resumes_at_the_same_frame() -> None:
    p = DAY + 17 * H + 50 * S
    day = day_with(override(Kind.PAUSE, p, p + 10 * MIN))
    assert level(day, p) == 0.8
    assert abs(level(day, p + S // 2) - 0.4) < 1e-9
    assert level(day, p + S) == 0
    assert day.segment_at(p + S).state == State.PAUSED
    assert frame(day, p + 5 * MIN) == ("bells", 51 * 40)
    assert frame(day, p + 10 * MIN) == ("bells", 51 * 40)
    assert frame(day, p + 10 * MIN + S) == ("bells", 52 * 40)
    assert level(day, p + 10 * MIN + S) == 0.8


def test_a_pause_that_lets_the_show_continue_moves_nothing() -> None:
    p = DAY + 17 * H + 50 * S
    day = day_with(override(Kind.PAUSE, p, p + 20 * S, show_continues=True))
    assert frame(day, p + 20 * S) == ("bells", 70 * 40)


def test_a_resume_in_mid_fade_rises_from_where_the_light_was() -> None:
    p = DAY + 17 * H + 50 * S
    day = day_with(override(Kind.PAUSE, p, p + H, ended_ns=p + S // 2))
    assert abs(level(day, p + S // 2) - 0.4) < 1e-9
    assert level(day, p + S // 2 + S) == 0.8
    assert frame(day, p + 10 * S) == ("bells", 60 * 40)


def test_a_fade_into_dark_hours_ends_when_they_begin() -> None:
    day = day_with(windows=(window(DAY + 21 * H, DAY + 23 * H),))
    assert level(day, DAY + 21 * H - S) == 0.8
    assert abs(level(day, DAY + 21 * H - S // 2) - 0.4) < 1e-9
    assert level(day, DAY + 21 * H) == 0
    assert day.segment_at(DAY + 21 * H).state == State.DARK
    assert day.segment_at(DAY + 21 * H).reasons[0].rule == "site.toml:9 neighbours"


def test_dim_hours_lower_the_ceiling_and_a_dim_override_goes_lower_still() -> None:
    dim = override(Kind.DIM, DAY + 21 * H, DAY + 21 * H + MIN, level=0.2)
    day = day_with(dim, windows=(window(DAY + 20 * H, DAY + 24 * H, 0.5),))
    assert level(day, DAY + 20 * H - S) == 0.8
    assert level(day, DAY + 20 * H) == 0.5
    assert level(day, DAY + 21 * H + S) == 0.8 * 0.2
    assert level(day, DAY + 21 * H + MIN + S) == 0.5


def test_quiet_hours_and_mute_silence_the_sound_alone() -> None:
    at = DAY + 17 * H + 110 * S
    assert day_with().segment_at(at).sound
    assert not day_with(windows=(window(at - S, at + S, None, quiet=True),)).segment_at(at).sound
    assert not day_with(override(Kind.MUTE, at - S, at + S)).segment_at(at).sound
    assert level(day_with(override(Kind.MUTE, at - S, at + S)), at) == 0.8


def test_a_piece_that_ends_within_the_grace_finishes() -> None:
    to = DAY + 17 * H + 4 * MIN
    occurrence = evening(to_ns=to, latest_ns=to + 3 * MIN, finish=True)
    day = day_with(occurrences=(occurrence,))
    assert day.end_of(occurrence) == DAY + 17 * H + (100 + 4 + 225) * S
    assert day.segment_at(to + MIN).state == State.PLAYING
    assert day.segment_at(day.end_of(occurrence)).state == State.DARK


def test_a_piece_that_cannot_end_in_time_does_not_begin() -> None:
    to = DAY + 17 * H + 3 * MIN
    occurrence = evening(to_ns=to, latest_ns=to + MIN, finish=True, between=NTSC)
    day = day_with(occurrences=(occurrence,))
    segment = day.segment_at(to - 5 * S)
    assert segment.state == State.WAITING
    assert segment.picture and segment.picture.piece == "ntsc"
    assert "tide could not end in time" in segment.reasons[0].text
    assert day.end_of(occurrence) == to


def test_a_pause_in_the_grace_does_not_change_the_past() -> None:
    to = DAY + 17 * H + 4 * MIN
    occurrence = evening(to_ns=to, latest_ns=to + 3 * MIN, finish=True)
    p = to + 30 * S
    before, after = (
        day_with(occurrences=(occurrence,)),
        day_with(override(Kind.PAUSE, p, p + H), occurrences=(occurrence,)),
    )
    for at in range(DAY + 17 * H, p, 7 * S):
        assert frame(before, at) == frame(after, at)
        assert level(before, at) == level(after, at)


def test_a_show_that_closed_in_a_pause_stays_closed_after_a_later_pause() -> None:
    to = DAY + 17 * H + 4 * MIN
    occurrence = evening(to_ns=to, latest_ns=to + 3 * MIN, finish=True)
    first, second = (Override(id, Kind.PAUSE, at, at + H) for id, at in ((1, to - 30 * S), (2, to + MIN)))
    assert day_with(first, occurrences=(occurrence,)).end_of(occurrence) == to
    assert day_with(first, second, occurrences=(occurrence,)).end_of(occurrence) == to
    assert day_with(second, occurrences=(occurrence,)).end_of(occurrence) == to + MIN


def test_a_skip_begins_the_next_piece_at_once_and_has_no_effect_once_undone() -> None:
    k = DAY + 17 * H + 50 * S
    assert frame(day_with(override(Kind.SKIP, k, k + MIN)), k) == ("tide", 0)
    gap = DAY + 17 * H + 102 * S
    assert frame(day_with(override(Kind.SKIP, gap, gap + MIN)), gap) == ("tide", 0)
    undone = override(Kind.SKIP, k, k + MIN, ended_ns=k + 5 * S)
    assert frame(day_with(undone), k + 10 * S) == ("bells", 60 * 40)


def test_a_call_has_precedence_and_the_evening_moves_on_meanwhile() -> None:
    at = DAY + 18 * H
    call = Override(7, Kind.CALL, at, at + 10 * MIN, show="extra")
    called = evening(at, at + 10 * MIN, show="extra", order=(NTSC,), rank=99, called=7)
    day = day_with(call, occurrences=(evening(), called))
    assert frame(day, at + S) == ("ntsc", 29)
    assert frame(day, at + 10 * MIN + S) == frame(day_with(), at + 10 * MIN + S)
    ended = Override(7, Kind.CALL, at, at + 10 * MIN, show="extra", ended_ns=at + MIN)
    assert frame(day_with(ended, occurrences=(evening(), called)), at + MIN) == frame(day_with(), at + MIN)


def test_the_order_begins_on_the_clock() -> None:
    occurrence = evening(opens_ns=DAY + 17 * H + 10 * MIN, start_every_ns=30 * MIN, between=NTSC)
    day = day_with(occurrences=(occurrence,))
    assert frame(day, DAY + 17 * H + 20 * MIN) is not None
    assert day.segment_at(DAY + 17 * H + 20 * MIN).state == State.WAITING
    for mark in (DAY + 17 * H + 30 * MIN, DAY + 18 * H, DAY + 18 * H + 30 * MIN):
        assert frame(day, mark) == ("bells", 0)


def test_a_shuffled_order_gives_every_piece_once_a_round_and_none_twice_in_a_row() -> None:
    pieces = tuple(RundownPiece(name, f"/x/{name}", 400, Fraction(40)) for name in "abcd")
    occurrence = evening(order=pieces, shuffled=True, gap_ns=0)
    day = day_with(occurrences=(occurrence,))
    names = [frame(day, DAY + 17 * H + number * 10 * S) for number in range(400)]
    played = [name[0] for name in names if name]
    for begin in range(0, 400, 4):
        assert sorted(played[begin : begin + 4]) == ["a", "b", "c", "d"]
    assert all(first != second for first, second in pairwise(played))
    assert played != sorted(played)
    other = day_with(occurrences=(evening(order=pieces, shuffled=True, gap_ns=0, date=date(2024, 10, 5)),))
    assert [frame(other, DAY + 17 * H + n * 10 * S) for n in range(400)] != names


instants = st.integers(0, 24 * 3600 * 10 - 1).map(lambda tenth: DAY + tenth * S // 10)
lengths = st.one_of(st.integers(1, 50).map(lambda n: n * S // 10), st.integers(1, 3 * 3600).map(lambda n: n * S))
pieces = st.lists(st.sampled_from((BELLS, TIDE, NTSC)), min_size=0, max_size=4).map(tuple)


@st.composite
def some_occurrences(draw: st.DrawFn) -> Occurrence:
    opens, length = draw(instants), draw(lengths)
    finish = draw(st.booleans())
    return evening(
        opens,
        opens + length,
        latest_ns=opens + length + (draw(st.integers(0, 300)) * S if finish else 0),
        finish=finish,
        order=draw(pieces),
        gap_ns=draw(st.sampled_from((0, S // 2, 4 * S))),
        cross_fade_ns=draw(st.sampled_from((0, S, 7 * S))),
        between=draw(st.sampled_from((None, NTSC))),
        shuffled=draw(st.booleans()),
        rank=draw(st.integers(0, 5)),
        start_every_ns=draw(st.sampled_from((None, None, 30 * MIN))),
    )


@st.composite
def some_overrides(draw: st.DrawFn) -> Override:
    at, length = draw(instants), draw(lengths)
    kind = draw(st.sampled_from((Kind.PAUSE, Kind.DARK, Kind.DIM, Kind.MUTE, Kind.SKIP)))
    ended = draw(st.none() | st.integers(0, length).map(lambda ns: at + ns))
    dim = draw(st.floats(0, 1)) if kind == Kind.DIM else None
    return Override(
        draw(st.integers(1, 999)), kind, at, at + length, ended_ns=ended, level=dim, show_continues=draw(st.booleans())
    )


@st.composite
def some_windows(draw: st.DrawFn) -> HoursWindow:
    at, length = draw(instants), draw(lengths)
    ceiling, quiet = draw(st.sampled_from(((0.0, False), (0.5, False), (0.25, False), (None, True))))
    return window(at, at + length, ceiling, quiet)


days = st.builds(
    lambda occurrences, windows, overrides, fade: day_with(
        *overrides, occurrences=tuple(occurrences), windows=tuple(windows), fade_ns=fade
    ),
    st.lists(some_occurrences(), max_size=4),
    st.lists(some_windows(), max_size=4),
    st.lists(some_overrides(), max_size=8),
    st.sampled_from((0, S // 4, S, 5 * S)),
)


@settings(max_examples=300, deadline=None)
@given(days, st.lists(instants, min_size=4, max_size=20))
def test_the_neighbours_hours_hold_for_all_overrides(day: DayPlan, at: list[int]) -> None:
    edges = [edge for w in day.facts.windows for edge in (w.from_ns, w.until_ns - 1) if DAY <= edge < DAY + DAY_NS]
    for instant in (*at, *edges):
        segment = day.segment_at(instant)
        assert segment.from_ns <= instant < segment.until_ns
        for hours in day.facts.windows:
            if not hours.from_ns <= instant < hours.until_ns:
                continue
            if hours.quiet:
                assert not segment.sound
            else:
                assert hours.ceiling is not None
                assert segment.level_at(instant) <= hours.ceiling + 1e-9
                assert segment.level_until <= hours.ceiling + 1e-9 or segment.until_ns > hours.until_ns
            if hours.ceiling == 0:
                assert segment.state == State.DARK


@settings(max_examples=150, deadline=None)
@given(days)
def test_segments_follow_each_other_without_a_gap_and_levels_without_a_jump_up(day: DayPlan) -> None:
    assert day.segments[0].from_ns == DAY
    assert day.segments[-1].until_ns == DAY + DAY_NS
    for first, second in pairwise(day.segments):
        assert first.until_ns == second.from_ns
        if day.facts.fade_ns and first.picture and second.picture:
            assert second.level_from <= first.level_until + 1e-9


@settings(max_examples=150, deadline=None)
@given(days)
def test_a_piece_never_goes_backwards(day: DayPlan) -> None:
    for first, second in pairwise(day.segments):
        a, b = first.picture, second.picture
        if a and b and a.piece == b.piece and first.state == second.state == State.PLAYING and a.zero_ns != b.zero_ns:
            assert b.zero_ns > a.zero_ns or first.reasons != second.reasons


@settings(max_examples=100, deadline=None)
@given(
    st.lists(some_occurrences(), max_size=3),
    st.lists(some_windows(), max_size=3),
    st.lists(some_overrides(), max_size=6),
)
def test_a_later_override_does_not_change_the_past(
    occurrences: list[Occurrence], windows: list[HoursWindow], overrides: list[Override]
) -> None:
    """A day as it was known at an instant equals the later day up to that instant."""
    ordered = sorted((o for o in overrides if o.kind != Kind.SKIP), key=lambda o: o.at_ns)
    for place, last in enumerate(ordered):
        known = [o for o in ordered[: place + 1] if o.at_ns < last.at_ns]
        then = [
            Override(
                o.id,
                o.kind,
                o.at_ns,
                o.until_ns,
                o.who,
                None if (o.ended_ns or 0) >= last.at_ns else o.ended_ns,
                o.show,
                o.level,
                o.show_continues,
            )
            for o in known
        ]
        before = day_with(*then, occurrences=tuple(occurrences), windows=tuple(windows))
        after = day_with(*ordered, occurrences=tuple(occurrences), windows=tuple(windows))
        for at in range(DAY, min(last.at_ns, DAY + DAY_NS), 97 * MIN // 7):
            if at < min([o.ended_ns for o in known if o.ended_ns], default=DAY + DAY_NS):
                assert level(before, at) == level(after, at)
                assert frame(before, at) == frame(after, at)


def test_between_performances_is_neither_a_gap_nor_a_pause_nor_a_hush_in_one() -> None:
    """The streams may end outside a performance only, whatever the reason for the dark."""
    hush = override(Kind.DARK, DAY + 19 * H, DAY + 19 * H + 5 * MIN)
    pause = Override(2, Kind.PAUSE, DAY + 20 * H, DAY + 20 * H + 5 * MIN)
    day = day_with(hush, pause, windows=(window(DAY + 21 * H, DAY + 21 * H + 5 * MIN),))

    def rests(at_ns: int) -> bool:
        return day.segment_at(at_ns).show is None

    (gap_ns,) = [one.from_ns for one in day.segments if one.state == State.WAITING and one.show][:1]
    within = (17 * H, 18 * H, 19 * H + MIN, 20 * H + MIN, 21 * H + MIN)
    assert not any(rests(at_ns) for at_ns in (gap_ns, *(DAY + at_ns for at_ns in within)))
    assert all(rests(DAY + at_ns) for at_ns in (0, 16 * H, 22 * H + MIN, 24 * H - S))
