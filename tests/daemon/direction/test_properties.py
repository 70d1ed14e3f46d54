"""Properties that hold for every site, instant and override, on thousands of random cases (`tests/cases.py`).

A case comes from one number, `drawn(seed)`, so that it is cheap and can be repeated. The neighbours' hours by the clock
are compared with a second reading of the local clock that shares no code with the timetable.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from fractions import Fraction
from functools import cache, wraps
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch
from zoneinfo import ZoneInfo

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.api.http.schemas.overrides import override_request
from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.decide import decide, score
from gloaming.daemon.direction.occurrences import facts
from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.direction.requests import SOUND_AHEAD_NS, Refusal, ask
from gloaming.daemon.direction.running_order import _Layout, rundown
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.segments import join
from gloaming.daemon.reports.nights import season
from gloaming.daemon.site.schema import Neighbours
from gloaming.daemon.site.schema_rules import Hours, Performance
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.nights import nights
from gloaming.daemon.timetable.rules import windows
from gloaming.daemon.timetable.sun import Spot
from gloaming.shows.config_files.errors import InputError
from tests.cases import cases
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, site_of

S = SECOND_NS
PLACES = (
    (54.486, -0.613, "Europe/London"),
    (69.65, 18.96, "Europe/Oslo"),
    (1.87, -157.4, "Pacific/Kiritimati"),
    (-31.5, 159.1, "Australia/Lord_Howe"),
    (40.7, -74.0, "America/New_York"),
    (64.84, -147.72, "America/Anchorage"),
    (-54.8, -68.3, "America/Argentina/Ushuaia"),
    (-44.0, -176.5, "Pacific/Chatham"),
    (13.5, 144.8, "Pacific/Guam"),
    (27.7, 85.3, "Asia/Kathmandu"),
)
SPOTS = tuple(Spot(north, east, 10.0, ZoneInfo(zone)) for north, east, zone in PLACES)
CLOCKS = tuple(f"{hour:02}:{minute:02}" for hour in range(24) for minute in (0, 15, 30, 50))
SUNS = ("sunset", "sunset + 20 min", "dusk", "sun at -4 - 30 min", "sunset + 4 h")
DAYS = ("daily", "mon-thu,sun", "fri,sat", "mon,wed", "sat")
LENGTHS_NS = {"bells": (2407 * S // 2, 1300 * S), "tide": (5407 * S // 2, 2000 * S), "swell": (727 * S // 2, 375 * S)}
"""The lengths of frames and sound of a piece."""
CHECK = Check("colours of the whole rig", "/x/colours.frames", 16, Fraction(2))
ANY = st.integers(0, 2**40)
TEN = 10
often: dict[str, Any] = {"deadline": None, "suppress_health_check": list(HealthCheck), "database": None}


def many(count: int) -> Callable[[Callable[[int], None]], Callable[[], None]]:
    """A test of so many cases: ten for each number that hypothesis draws, because a draw costs as much as a case."""

    def of(test: Callable[[int], None]) -> Callable[[], None]:
        @settings(max_examples=cases(count) // TEN, **often)
        @given(ANY)
        @wraps(test)
        def ten(seed: int) -> None:
            for number in range(TEN * seed, TEN * seed + TEN):
                try:
                    test(number)
                except BaseException as error:
                    error.add_note(f"the case is drawn({number})")
                    raise

        return ten

    return of


@cache
def base() -> Site:
    """The quay's shows with pieces twelve times as long, so that an evening has fewer of them.

    The sounds of bells and swell are longer than their frames; the sound of tide is shorter.
    """
    site = site_of(Path(tempfile.mkdtemp(prefix="quay-")), TABLES, EVENING)
    pieces = {
        name: replace(piece, info=replace(piece.info, frames=12 * piece.info.frames + 7))
        for name, piece in site.pieces.items()
        if piece.info
    }
    for name, (_, sound_ns) in LENGTHS_NS.items():
        pieces[name] = replace(pieces[name], sound=Path(f"{name}.flac"), sound_ns=sound_ns)
    shows = {name: show.model_copy(update={"cross_fade": 3 * S}) for name, show in site.shows.items()}
    return replace(site, pieces=pieces, shows=shows)


@dataclass(frozen=True)
class Drawn:
    """A site, the UTC midnight of a day, and the overrides around that day."""

    site: Site
    day_ns: int
    overrides: tuple[Override, ...]
    chance: Random

    def instants(self, count: int) -> list[int]:
        """Instants of the day, most of them where something begins or ends."""
        edges = [w for begin, end, _ in self.windows(self.site.neighbours.dark) for w in (begin, end)]
        edges += [at for one in self.overrides for at in (one.at_ns, one.end_ns)]
        near = [edge + shift for edge in edges for shift in (-1, 0, S // 2)]
        within = [at for at in near if self.day_ns <= at < self.day_ns + 86_400 * S]
        some = self.chance.sample(within, min(len(within), count // 2))
        return [*some, *(self.day_ns + self.chance.randrange(86_400 * S) for _ in range(count - len(some)))]

    def windows(self, rules: tuple[Hours, ...]) -> tuple[tuple[int, int, Hours], ...]:
        return windows(rules, self.site.spot, self.day_ns - 3 * 86_400 * S, self.day_ns + 2 * 86_400 * S)


def hours(chance: Random, **more: object) -> dict[str, object]:
    begin = chance.choice(CLOCKS) if chance.random() < 0.8 else chance.choice(SUNS)
    return {"days": chance.choice(DAYS), "from": begin, "to": chance.choice(CLOCKS), "place": "site.toml:9", **more}


HELD = {Kind.PAUSE: Kind.HOLD_PAUSE, Kind.DARK: Kind.HOLD_DARK, Kind.DIM: Kind.HOLD_DIM}
"""What a hold does, beside what a person does."""


def asked(chance: Random, id: int, day_ns: int) -> Override:
    kind = chance.choice((Kind.PAUSE, Kind.DARK, Kind.CALL, Kind.DIM, Kind.MUTE, Kind.SKIP, Kind.BURN_IN))
    at_ns = day_ns + chance.randrange(86_400) * S
    length_ns = chance.choice((5, 60, 900, 3600, 14_400)) * (6 if kind == Kind.BURN_IN else 1) * S
    piece = chance.choice(("bells", "tide", "lanterns")) if kind == Kind.CALL and chance.random() < 0.6 else None
    return Override(
        id,
        HELD.get(kind, kind) if id % 3 == 0 else kind,
        at_ns,
        at_ns + length_ns,
        ended_ns=at_ns + chance.randrange(length_ns) if chance.random() < 0.3 else None,
        show=chance.choice(("evening", "turn of the year")) if kind == Kind.CALL and not piece else None,
        level=chance.random() if kind in (Kind.DIM, Kind.BURN_IN) else None,
        check=CHECK if kind == Kind.BURN_IN else None,
        show_continues=kind == Kind.PAUSE and chance.random() < 0.3,
        piece=piece,
        after=piece is not None and chance.random() < 0.6,
    )


def drawn(seed: int, most: int = 6) -> Drawn:
    """A site with one to three performances, neighbours' hours, and up to so many overrides."""
    chance = Random(seed)
    performances = [
        {
            "show": chance.choice(("evening", "turn of the year")),
            "days": chance.choice(DAYS),
            "from": chance.choice(SUNS) if chance.random() < 0.6 else chance.choice(CLOCKS),
            "to": chance.choice(CLOCKS),
            "at_close": chance.choice(("finish", "cut")),
            "grace": "3 min",
            "rank": rank,
            "place": f"site.toml:{40 + rank}",
        }
        for rank in range(chance.randint(1, 3))
    ]
    neighbours = {
        "dark": [hours(chance) for _ in range(chance.randint(0, 2))],
        "quiet": [hours(chance, volume=chance.choice((0.0, 0.0, 0.3))) for _ in range(chance.randint(0, 2))],
        "dim": [hours(chance, brightness=chance.choice((0.5, 0.25, 0.0))) for _ in range(chance.randint(0, 2))],
        "rig_check": chance.choice((None, 0.1)),
    }
    site = replace(
        base(),
        spot=chance.choice(SPOTS),
        performances=tuple(Performance.model_validate(one) for one in performances),
        neighbours=Neighbours.model_validate(neighbours),
    )
    day_ns = (20_450 + chance.randrange(800)) * 86_400 * S
    return Drawn(site, day_ns, tuple(asked(chance, id + 1, day_ns) for id in range(chance.randint(0, most))), chance)


def stands(rule: Hours, at: datetime) -> bool:
    """Whether hours by the clock hold a local time, as a person with a clock and a calendar reads them."""
    assert rule.from_.clock is not None
    assert rule.to.clock is not None
    assert rule.days is not None
    today, yesterday = at.weekday() in rule.days, (at.weekday() - 1) % 7 in rule.days
    clock, begin, end = at.time(), rule.from_.clock, rule.to.clock
    if begin < end:
        return today and begin <= clock < end
    return (today and clock >= begin) or (yesterday and clock < end)


def plain(site: Site, at_ns: int) -> bool:
    """Whether the clocks do not change there within a day and a half."""
    near = (datetime.fromtimestamp(at_ns // S + shift, site.timezone).utcoffset() for shift in (-129_600, 0, 129_600))
    return len(set(near)) == 1


def in_force(case: Drawn, rules: tuple[Hours, ...], at_ns: int) -> list[Hours]:
    """The hours that hold an instant: as a person reads them where the clocks do not change, else by the timetable."""
    local = datetime.fromtimestamp(at_ns // S, case.site.timezone).replace(tzinfo=None)
    by_clock = [rule for rule in rules if rule.from_.clock and plain(case.site, at_ns)]
    others = tuple(rule for rule in rules if rule not in by_clock)
    found = [rule for rule in by_clock if stands(rule, local)]
    return found + [rule for begin, end, rule in case.windows(others) if begin <= at_ns < end]


@many(1300)
def test_the_neighbours_hours_hold_and_decide_is_the_score_at_every_instant(seed: int) -> None:
    case = drawn(seed)
    neighbours = case.site.neighbours
    for at_ns in case.instants(3):
        whole = score(at_ns - case.chance.randrange(1, 60 * S), at_ns + S, case.site, case.overrides)
        decision = decide(at_ns, case.site, case.overrides)
        if in_force(case, neighbours.dark, at_ns):
            assert decision.brightness == 0
            assert decision.state == State.DARK
            assert not decision.sound
        for rule in in_force(case, neighbours.quiet, at_ns):
            segment = next(one for one in whole if one.from_ns <= at_ns < one.until_ns)
            assert not segment.sound or segment.sound_at(at_ns) <= rule.volume + 1e-9  # type: ignore[attr-defined]  # quiet
        for rule in in_force(case, neighbours.dim, at_ns):
            assert decision.brightness <= rule.brightness + 1e-9  # type: ignore[attr-defined]  # dim hours have one

        assert decide(at_ns, case.site, case.overrides) == decision
        (segment,) = [one for one in whole if one.from_ns <= at_ns < one.until_ns]
        assert segment.state == decision.state
        assert segment.reasons == decision.reasons
        assert segment.show == decision.show
        assert segment.sound == decision.sound
        assert abs(segment.level_at(at_ns) - decision.brightness) < 1e-9
        assert (segment.picture.piece if segment.picture else None) == decision.piece
        if segment.picture and segment.picture.ended:
            assert (decision.frame, decision.brightness) == (None, 0)
        else:
            assert (segment.picture.frame_at(at_ns) if segment.picture else None) == decision.frame
        if segment.picture and segment.show and segment.state in (State.PLAYING, State.WAITING):
            frames_ns, sound_ns = LENGTHS_NS.get(segment.picture.piece, (86_400 * S, 0))
            place_ns = (at_ns - segment.picture.zero_ns) % max(frames_ns, sound_ns)
            assert segment.picture.ended == (place_ns >= frames_ns)
            assert place_ns < sound_ns or not segment.sound


@many(100)
def test_a_burn_in_is_dark_in_dark_hours_and_lit_outside_them(seed: int) -> None:
    """Also where the neighbours allow a rig check in dark hours: it has the light of its own for ten minutes."""
    case = drawn(seed, most=0)
    at_ns = case.day_ns - case.chance.randrange(20 * 3600) * S
    burn_in = Override(1, Kind.BURN_IN, at_ns, at_ns + 24 * 3600 * S, level=0.4, check=CHECK)
    for instant_ns in case.instants(8):
        decision = decide(instant_ns, case.site, (burn_in,))
        dim = [one.brightness for one in in_force(case, case.site.neighbours.dim, instant_ns)]  # type: ignore[attr-defined]
        if in_force(case, case.site.neighbours.dark, instant_ns) or 0 in dim:
            assert (decision.state, decision.brightness) == (State.DARK, 0)
        elif burn_in.in_force_at(instant_ns):
            assert decision.state == State.RIG_CHECK
            assert decision.piece == "rig check: colours of the whole rig" or decision.brightness == 0  # a fade begins
            assert decision.brightness <= min([0.4, *dim])


@many(640)
def test_a_score_cut_and_joined_anywhere_is_the_same_score(seed: int) -> None:
    case = drawn(seed)
    from_ns, cut_ns, until_ns = sorted(
        {case.day_ns + case.chance.randrange(3600) * S + shift * 86_400 * S // 2 for shift in (0, 1, 2)}
    )
    whole = score(from_ns, until_ns, case.site, case.overrides)
    joined = join(score(from_ns, cut_ns, case.site, case.overrides), score(cut_ns, until_ns, case.site, case.overrides))
    assert [replace(one, level_from=0, level_until=0, sound_from=0, sound_until=0) for one in joined] == [
        replace(one, level_from=0, level_until=0, sound_from=0, sound_until=0) for one in whole
    ]
    for one, two in zip(joined, whole, strict=True):
        assert abs(one.level_from - two.level_from) + abs(one.level_until - two.level_until) < 1e-6
        assert abs(one.sound_from - two.sound_from) + abs(one.sound_until - two.sound_until) < 1e-6
    assert whole[0].from_ns == from_ns
    assert whole[-1].until_ns == until_ns


def short_pieces(case: Drawn) -> Site:
    """The site with pieces a fifth as long, so that rounds repeat. The piece of a show may repeat without a gap."""
    pieces = {
        name: replace(piece, info=piece.info and replace(piece.info, frames=piece.info.frames // 5), sound_ns=None)
        for name, piece in case.site.pieces.items()
    }
    gap_ns, fade_ns = case.chance.choice((0, 4 * S)), case.chance.choice((0, 3 * S))
    shows = {
        name: show.model_copy(update={"gap": gap_ns, "cross_fade": fade_ns}) for name, show in case.site.shows.items()
    }
    return replace(case.site, pieces=pieces, shows=shows)


def with_damage(case: Drawn, site: Site) -> Site:
    """The site with a piece that is damaged from an instant on, and repaired later or not at all."""
    name, since_ns = case.chance.choice(tuple(site.pieces)), case.day_ns + case.chance.randrange(86_400) * S
    until_ns = since_ns + case.chance.randrange(7200) * S if case.chance.random() < 0.5 else None
    damaged = replace(site.pieces[name], damaged=((since_ns, until_ns),))
    return replace(site, pieces={**site.pieces, name: damaged})


@many(40)
def test_repeated_rounds_equal_rounds_laid_out_one_by_one(seed: int) -> None:
    case = drawn(seed, most=8)
    site = short_pieces(case)
    known = facts(with_damage(case, site) if seed % 2 else site, case.day_ns, case.overrides)
    rundown.cache_clear()
    rounds = DayPlan(case.day_ns, known)
    as_rounds = rounds.segments
    rundown.cache_clear()
    with patch.object(_Layout, "repeat", lambda self: None):
        one_by_one = DayPlan(case.day_ns, known)
        assert as_rounds == one_by_one.segments
    rundown.cache_clear()
    assert all(rounds.end_of(occurrence) == one_by_one.end_of(occurrence) for occurrence in rounds.occurrences)
    for at_ns in case.instants(5):
        state = one_by_one.segment_at(at_ns).state
        later = (one for one in one_by_one.segments if one.from_ns > at_ns and one.state != state)
        first = next(later, None)
        assert rounds.change_after(at_ns, state) == (first and (first.from_ns, first.state))


@many(40)
def test_damage_does_not_change_the_past_and_its_piece_does_not_begin_from_then_on(seed: int) -> None:
    case = drawn(seed, most=0 if seed % 2 else 6)
    site = short_pieces(case)
    damaged = with_damage(case, site)
    ((name, since_ns, until_ns),) = [(one.name, *span) for one in damaged.pieces.values() for span in one.damaged]
    for segment in score(case.day_ns, since_ns, site, case.overrides) if since_ns > case.day_ns else ():
        for at_ns in (segment.from_ns, segment.until_ns - 1):
            before, after = decide(at_ns, site, case.overrides), decide(at_ns, damaged, case.overrides)
            assert (before.piece, before.frame, before.reasons) == (after.piece, after.frame, after.reasons)
            assert (before.state, before.sound) == (after.state, after.sound)
    for segment in score(since_ns, case.day_ns + 86_400 * S, damaged, case.overrides):
        if segment.state == State.PLAYING and segment.picture and segment.picture.piece == name:
            from_ns = segment.picture.zero_ns
            assert from_ns <= since_ns or (until_ns and segment.from_ns >= until_ns) or case.overrides


@many(640)
def test_without_an_override_the_position_never_goes_backwards(seed: int) -> None:
    case = drawn(seed, most=0)
    last: dict[tuple[str, str, int], int] = {}
    seen: list[tuple[str, str]] = []
    for segment in score(case.day_ns, case.day_ns + 86_400 * S, case.site):
        if segment.state != State.PLAYING or not segment.picture or not segment.show:
            continue
        key = (segment.show, segment.picture.piece, segment.picture.zero_ns)
        begin, end = segment.picture.frame_at(segment.from_ns), segment.picture.frame_at(segment.until_ns - 1)
        assert last.get(key, 0) <= begin <= end
        last[key] = end
        if not seen or seen[-1] != key[:2]:
            seen.append(key[:2])
    order = {"evening": ["bells", "tide", "lanterns"], "turn of the year": ["lanterns"]}
    for (show, piece), (after_show, after) in pairwise(seen):
        if show == after_show and after != order[show][0] and len(nights_of_the_day(case)) == 1:
            assert order[show].index(after) == order[show].index(piece) + 1


def nights_of_the_day(case: Drawn) -> tuple[object, ...]:
    day = datetime.fromtimestamp(case.day_ns // S, case.site.timezone).date()
    return nights(case.site, day - timedelta(days=2), day + timedelta(days=1))


@many(140)
def test_each_night_opens_and_closes_at_most_once_for_each_performance(seed: int) -> None:
    case = drawn(seed, most=0)
    first = date(2026, 1, 1) + timedelta(days=case.chance.randrange(700))
    rows = season(case.site, first, first + timedelta(days=2))
    keys = [(row.night.date, row.night.performance.place) for row in rows]
    assert len(keys) == len(set(keys))
    for row in rows:
        assert row.night.opens_ns < row.closes_ns
        for dark_from, dark_until, _ in windows(case.site.dark, case.site.spot, row.night.opens_ns, row.closes_ns):
            assert dark_until <= row.night.opens_ns or dark_from >= row.closes_ns
        assert decide(row.night.opens_ns, case.site).show == row.night.show
        assert decide(row.closes_ns - S, case.site).show == row.night.show


REQUESTS = st.fixed_dictionaries(
    {"kind": st.sampled_from(["pause", "dark", "call", "dim", "mute", "skip", "light", 3])},
    optional={
        "minutes": st.sampled_from([15, 0.5, 0, -1, 1e9, float("nan"), "15", True]),
        "until": st.sampled_from(["22:15", "tonight", "2026-12-24T22:15:00+00:00", "2026-12-24", "soon", 5]),
        "show": st.sampled_from(["evening", "matinee", None]),
        "level": st.sampled_from([0.4, 1, 1.5, "0.4", float("nan")]),
        "show_continues": st.sampled_from([True, False, "yes"]),
        "colour": st.just("red"),
    },
)


@settings(max_examples=cases(600), **often)
@given(REQUESTS, ANY)
def test_a_request_is_accepted_refused_or_invalid_and_never_lights_the_dark_hours(
    request: dict[str, object], seed: int
) -> None:
    case = drawn(seed, most=2)
    at_ns = case.instants(1)[0]
    try:
        override = ask(override_request(request), at_ns, case.site, case.overrides, "the porch")
    except InputError as error:
        assert "\n" not in str(error)
        assert error.errors[0].hint
        return
    except Refusal as refusal:
        assert refusal.reasons
        assert request["kind"] in ("call", "skip")
        return
    assert override.at_ns - at_ns in ((0, SOUND_AHEAD_NS) if override.kind == Kind.SKIP else (0,))
    assert override.at_ns < override.until_ns
    if override.kind == Kind.CALL:
        assert not in_force(case, case.site.neighbours.dark, at_ns)
    if in_force(case, case.site.neighbours.dark, at_ns):
        assert decide(at_ns + S, case.site, (*case.overrides, override)).brightness == 0 or not in_force(
            case, case.site.neighbours.dark, at_ns + S
        )


def test_there_are_thousands_of_cases() -> None:
    tests = [value for name, value in globals().items() if name.startswith("test_") and hasattr(value, "hypothesis")]
    drawn_for = {test: test._hypothesis_internal_use_settings.max_examples for test in tests}
    asked_for = drawn_for.pop(test_a_request_is_accepted_refused_or_invalid_and_never_lights_the_dark_hours)
    assert TEN * sum(drawn_for.values()) + asked_for >= cases(3400)


def test_a_persons_reading_of_the_clock_is_a_reading_of_the_clock() -> None:
    rule = Hours.model_validate({"days": "fri,sat", "from": "23:00", "to": "07:00"})
    friday = datetime.combine(date(2026, 12, 18), time(23))
    assert stands(rule, friday)
    assert stands(rule, friday + timedelta(hours=7))
    assert not stands(rule, friday + timedelta(hours=8))
    assert not stands(rule, friday - timedelta(seconds=1))
    assert not stands(rule, friday - timedelta(days=1))
