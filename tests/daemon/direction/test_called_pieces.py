"""A called piece, now or after the one that plays: the show stands still, and goes on at the very frame."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import PurePath
from random import Random

import pytest

from gloaming.daemon.direction.decide import Decision, called_at, decide, next_piece, score
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.requests import PAUSES_NS, SOUND_AHEAD_NS, WAITING_MAX, Refusal, ask
from gloaming.daemon.direction.score import ReasonCode, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.time_units import SECOND_NS
from tests.daemon.direction.plain_site import (
    PlainFrames,
    PlainPerformance,
    PlainPiece,
    PlainShow,
    PlainSite,
    clock,
)

S, MIN, H = SECOND_NS, 60 * SECOND_NS, 3600 * SECOND_NS
DAY = 20_800 * 24 * H  # 2026-12-13, in winter: London has UTC
OPENS, CLOSES = DAY + 17 * H, DAY + 22 * H
FPS = Fraction(40)


def piece(name: str, seconds: float, sound: bool = False) -> PlainPiece:
    file = PurePath(f"/nowhere/{name}.frames")
    return PlainPiece(file, file.with_suffix(".flac") if sound else None, PlainFrames(int(seconds * 40), FPS))


PIECES = {"tide": piece("tide", 210), "swell": piece("swell", 90.5, sound=True), "bells": piece("bells", 47)}
PIECES |= {"lanterns": piece("lanterns", 20), "foghorn": piece("foghorn", 12, sound=True)}
SHOWS = {
    "evening": PlainShow(order=("tide", "swell"), gap=4 * S),
    "round": PlainShow("round", order=("lanterns",)),
}


def site_with(show: PlainShow = SHOWS["evening"], **performance: object) -> SiteProtocol:
    usual = PlainPerformance(clock("17:00"), clock("22:00"), show=show.name)
    return PlainSite(
        performances=(replace(usual, **performance),),  # type: ignore[arg-type]  # a test's shorthand
        shows={**SHOWS, show.name: show},
        pieces=dict(PIECES),
    )


SITE = site_with()


@dataclass
class Asked:
    """The overrides of an evening, asked for one after the other as the planner does."""

    site: SiteProtocol = SITE
    overrides: tuple[Override, ...] = ()
    ids: Iterator[int] = field(default_factory=lambda: iter(range(1, 1000)))

    def ask(self, at_ns: int, kind: str = "call", **more: object) -> Override:
        made = replace(ask({"kind": kind, **more}, at_ns, self.site, self.overrides, "anna"), id=next(self.ids))
        ends = {one.id for one in self.standing(made.at_ns) if made.replaces(one)}
        self.overrides = tuple(replace(o, ended_ns=made.at_ns) if o.id in ends else o for o in self.overrides)
        self.overrides = (*self.overrides, made)
        return made

    def undo(self, at_ns: int, id: int) -> None:
        self.overrides = tuple(replace(o, ended_ns=at_ns) if o.id == id else o for o in self.overrides)

    def standing(self, at_ns: int) -> list[Override]:
        called = {one.call.id: one for one in called_at(at_ns, self.site, self.overrides)}
        planned = (
            replace(one, at_ns=called[one.id].from_ns, until_ns=called[one.id].until_ns) if one.id in called else one
            for one in self.overrides
        )
        return [one for one in planned if at_ns < one.end_ns]

    def at(self, at_ns: int, zone: str | None = None) -> Decision:
        return decide(at_ns, self.site, self.overrides, zone=zone)

    def shown(self, at_ns: int) -> tuple[str | None, int | None]:
        found = self.at(at_ns)
        return found.piece, found.frame


def test_a_piece_called_now_plays_once_and_the_show_goes_on_at_the_very_frame() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    call = asked.ask(at_ns, piece="bells")
    assert asked.shown(at_ns - 1) == ("tide", 3999)
    assert asked.shown(at_ns) == ("bells", 0)
    assert asked.shown(at_ns + 47 * S - 1) == ("bells", 47 * 40 - 1)
    assert asked.shown(at_ns + 47 * S) == ("tide", 4000)
    assert asked.at(at_ns + S).show == "evening"
    began = asked.at(at_ns + S).reasons[0]
    assert (began.code, began.override) == (ReasonCode.CALLED_PIECE, call.id)
    assert began.text == "bells began at 17:01:40, called by anna; evening stands still"
    assert asked.at(at_ns + 5 * S).brightness == 0.8  # no fade: the light goes on


def test_after_begins_at_the_end_of_the_piece_and_before_the_gap() -> None:
    asked = Asked()
    asked.ask(OPENS + 100 * S, piece="bells", after=True)
    ends_ns = OPENS + 210 * S
    assert asked.shown(ends_ns - 1) == ("tide", 210 * 40 - 1)
    assert asked.shown(ends_ns) == ("bells", 0)
    assert asked.at(ends_ns + 47 * S).state == State.WAITING
    assert asked.shown(ends_ns + (47 + 4) * S) == ("swell", 0)
    assert asked.at(ends_ns + 52 * S).reasons[0].text == "swell began at 17:04:21, in order"


def test_without_a_gap_the_next_piece_begins_after_the_called_one() -> None:
    asked = Asked(site_with(replace(SHOWS["evening"], gap=0)))
    asked.ask(OPENS + 100 * S, piece="bells", after=True)
    assert asked.shown(OPENS + 257 * S) == ("swell", 0)
    assert asked.at(OPENS + 258 * S).reasons[0].text == "swell began at 17:04:17, in order"


def test_after_in_a_gap_is_now() -> None:
    asked = Asked()
    call = asked.ask(OPENS + 212 * S, piece="bells", after=True)
    assert not call.after
    assert asked.shown(OPENS + 212 * S) == ("bells", 0)
    assert asked.shown(OPENS + (212 + 47 + 2) * S) == ("swell", 0)


def test_calls_with_after_queue_up_and_a_piece_called_now_comes_before_those_that_wait() -> None:
    asked = Asked()
    asked.ask(OPENS + 100 * S, piece="bells", after=True)
    asked.ask(OPENS + 101 * S, piece="lanterns", after=True)
    assert asked.shown(OPENS + 257 * S) == ("lanterns", 0)
    asked.ask(OPENS + 220 * S, piece="foghorn")  # bells play; the foghorn has sound
    begins_ns = OPENS + 220 * S + SOUND_AHEAD_NS
    assert asked.shown(begins_ns) == ("foghorn", 0)
    assert asked.shown(begins_ns + 12 * S) == ("lanterns", 0)
    assert asked.at(begins_ns + 32 * S).state == State.WAITING
    assert asked.shown(begins_ns + 36 * S) == ("swell", 0)


def test_a_pause_lengthens_a_called_piece_and_one_of_hours_ends_it() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    call = asked.ask(at_ns, piece="bells")
    asked.ask(at_ns + 10 * S, "pause", minutes=15)
    assert asked.at(at_ns + MIN).state == State.PAUSED
    assert [one.until_ns for one in asked.standing(at_ns + MIN) if one.piece] == [at_ns + 46 * S + 15 * MIN]
    assert asked.shown(at_ns + 10 * S + 15 * MIN) == ("bells", 11 * 40)
    assert asked.shown(at_ns + 46 * S + 15 * MIN) == ("tide", 4000)
    assert not [one for one in asked.standing(at_ns + 46 * S + 15 * MIN) if one.piece]
    asked.ask(at_ns + 12 * S, "pause", minutes=240)
    assert asked.shown(at_ns + 12 * S + 4 * H) == ("tide", 4000)
    assert call.until_ns == at_ns + 47 * S + PAUSES_NS


def test_a_call_in_a_pause_waits_for_its_end() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, "pause", minutes=15)
    asked.ask(at_ns + MIN, piece="bells")
    assert asked.at(at_ns + 2 * MIN).state == State.PAUSED
    assert asked.shown(at_ns + 15 * MIN) == ("bells", 0)
    assert asked.shown(at_ns + 15 * MIN + 47 * S) == ("tide", 4040)


def test_a_skip_ends_the_called_piece_and_not_the_piece_of_the_show() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, piece="bells")
    skip = asked.ask(at_ns + 10 * S, "skip")
    assert asked.shown(skip.at_ns - 1)[0] == "bells"
    assert asked.shown(skip.at_ns) == ("tide", 4000)
    asked.ask(at_ns + 20 * S, "skip")
    assert asked.at(at_ns + 21 * S).piece == "swell"


def test_a_skip_of_the_piece_begins_the_one_that_was_called_after_it() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, piece="bells", after=True)
    skip = asked.ask(at_ns + S, "skip")
    assert asked.shown(skip.at_ns) == ("bells", 0)
    assert asked.shown(skip.at_ns + 47 * S) == ("swell", 0)


def test_an_undo_ends_it_at_once_and_one_that_waits_is_not_given() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    now, after = asked.ask(at_ns, piece="bells"), asked.ask(at_ns + S, piece="lanterns", after=True)
    last = asked.ask(at_ns + 2 * S, piece="foghorn", after=True)
    asked.undo(at_ns + 5 * S, after.id)
    assert [(one.id, one.at_ns) for one in asked.standing(at_ns + 5 * S)] == [
        (now.id, at_ns),
        (last.id, at_ns + 47 * S),
    ]
    asked.undo(at_ns + 6 * S, last.id)
    asked.undo(at_ns + 10 * S, now.id)
    assert asked.shown(at_ns + 10 * S) == ("tide", 4000)
    assert asked.standing(at_ns + 10 * S) == []
    assert asked.shown(at_ns + 60 * S) == ("tide", 6000)


def test_a_called_show_ends_called_pieces_and_a_piece_interrupts_it() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, piece="bells")
    asked.ask(at_ns + S, piece="bells", after=True)
    show = asked.ask(at_ns + 10 * S, show="round", minutes=30)
    assert [one.id for one in asked.standing(at_ns + 10 * S)] == [show.id]
    assert asked.shown(at_ns + 10 * S) == ("lanterns", 0)
    asked.ask(at_ns + 25 * S, piece="bells", after=True)
    assert asked.shown(at_ns + 30 * S) == ("bells", 0)  # after this turn of a picture that repeats
    assert asked.shown(at_ns + 77 * S) == ("lanterns", 0)
    assert asked.at(at_ns + 78 * S).show == "round"


@pytest.mark.parametrize("at_ns", [DAY + 12 * H, CLOSES + MIN], ids=["before the opening", "after the closing"])
def test_without_a_show_it_plays_alone_with_fades_and_ends(at_ns: int) -> None:
    asked = Asked()
    assert not asked.ask(at_ns, piece="bells", after=True).after
    found = asked.at(at_ns + 20 * S)
    level = 0.8 if at_ns < OPENS else 0.5  # dim hours
    assert (found.state, found.show, found.piece, found.brightness) == (State.PLAYING, None, "bells", level)
    assert asked.at(at_ns).brightness == 0
    assert asked.at(at_ns + 47 * S).brightness == 0
    assert asked.at(at_ns + 48 * S).state in (State.WAITING, State.DARK)
    skip = asked.ask(at_ns + 10 * S, "skip")
    assert asked.at(skip.at_ns - 1).brightness == level
    assert asked.at(skip.at_ns + 2 * S).brightness == 0


def test_one_that_plays_at_the_opening_delays_the_show_and_one_at_the_closing_plays_to_its_end() -> None:
    asked = Asked()
    asked.ask(OPENS - 10 * S, piece="bells")
    assert asked.shown(OPENS) == ("bells", 400)
    assert asked.shown(OPENS + 37 * S) == ("tide", 0)
    asked.ask(CLOSES - 10 * S, piece="bells")
    assert asked.shown(CLOSES + 36 * S) == ("bells", 46 * 40)
    assert asked.at(CLOSES + 36 * S).show is None
    assert asked.at(CLOSES + 38 * S).piece is None


def test_dark_hours_cut_it_and_refuse_one_that_would_begin_in_them() -> None:
    dark_ns = DAY + 22 * H + 30 * MIN
    asked = Asked()
    asked.ask(dark_ns - 10 * S, piece="bells")
    assert asked.at(dark_ns - 5 * S).piece == "bells"
    assert asked.at(dark_ns).brightness == 0
    for after in (False, True):
        with pytest.raises(Refusal) as refused:
            asked.ask(dark_ns + MIN if not after else dark_ns - 5 * S, piece="bells", after=after)
        assert [one.code for one in refused.value.reasons] == [ReasonCode.DARK_HOURS]


def test_what_cannot_be_played_is_refused_and_an_eleventh_that_would_wait() -> None:
    asked = Asked(replace(SITE, pieces={**PIECES, "lost": replace(PIECES["bells"], info=None)}))  # type: ignore[type-var]  # a plain value stands for a site
    with pytest.raises(Refusal) as refused:
        asked.ask(OPENS + S, piece="lost")
    assert refused.value.reasons[0].code == ReasonCode.NO_FRAMES
    with pytest.raises(InputError, match="there is no piece 'bels'; did you mean bells"):
        asked.ask(OPENS + S, piece="bels")
    for number in range(WAITING_MAX):
        asked.ask(OPENS + number * S, piece="bells", after=True)
    with pytest.raises(Refusal) as refused:
        asked.ask(OPENS + 20 * S, piece="bells", after=True)
    assert refused.value.reasons[0].code == ReasonCode.TOO_MANY_CALLS
    asked.ask(OPENS + 20 * S, piece="bells")


def test_damage_ends_it_at_once_and_the_show_goes_on() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, piece="bells", after=True)
    damaged = replace(PIECES["bells"], damaged=((at_ns + S, None),))
    asked.site = replace(SITE, pieces={**PIECES, "bells": damaged})  # type: ignore[type-var]  # a plain value stands for a site
    assert asked.at(OPENS + 212 * S).state == State.WAITING
    assert asked.shown(OPENS + 214 * S) == ("swell", 0)


def test_the_next_piece_is_the_called_one_and_then_the_one_that_goes_on() -> None:
    asked, at_ns = Asked(), OPENS + 100 * S
    asked.ask(at_ns, piece="bells", after=True)
    assert next_piece(at_ns, asked.site, asked.overrides) == (OPENS + 210 * S, "bells")
    asked.ask(at_ns + S, piece="lanterns")
    assert next_piece(at_ns + 2 * S, asked.site, asked.overrides) == (at_ns + 21 * S, "bells")
    assert next_piece(at_ns + 30 * S, asked.site, asked.overrides) == (at_ns + 68 * S, "tide")


def test_a_piece_that_finishes_ends_later_by_what_was_called_but_not_after_the_latest_end() -> None:
    usual = site_with(at_close="finish", grace=5 * MIN)
    (last,) = [one for one in score(CLOSES - MIN, CLOSES + 5 * MIN, usual) if one.from_ns < CLOSES <= one.until_ns]
    ends_ns = next(one for one in range(CLOSES, CLOSES + 5 * MIN, S // 2) if not decide(one, usual).piece)
    for grace_ns, shift_ns in ((5 * MIN, 47 * S), (ends_ns - CLOSES + 20 * S, 20 * S)):
        asked = Asked(site_with(at_close="finish", grace=grace_ns))
        asked.ask(CLOSES - 30 * S, piece="bells")
        assert asked.at(CLOSES + 16 * S).piece == "bells"
        assert asked.at(CLOSES + 18 * S).piece == last.piece
        assert asked.at(ends_ns + shift_ns - S).piece == last.piece
        assert asked.at(ends_ns + shift_ns).piece is None


ROOF: SiteProtocol = replace(SITE, zones={"roof": ((1, 1, 30),)})  # type: ignore[type-var]  # it is a PlainSite


def test_in_a_zone_the_show_goes_on_beneath_in_step_with_the_rest() -> None:
    asked, at_ns = Asked(ROOF), OPENS + 100 * S
    asked.ask(at_ns, piece="bells", zone="roof")
    asked.ask(at_ns + S, piece="lanterns", zone="roof", after=True)
    assert asked.shown(at_ns + S) == ("tide", 4040)
    found = asked.at(at_ns + S, "roof")
    assert (found.piece, found.frame, found.show) == ("bells", 40, "evening")
    assert found.reasons[0].text == "roof: bells began at 17:01:40, called by anna"
    assert asked.at(at_ns + 48 * S, "roof").piece == "lanterns"
    assert asked.at(at_ns + 68 * S, "roof").frame == asked.at(at_ns + 68 * S).frame == (100 + 68) * 40
    asked.ask(at_ns + 70 * S, piece="bells")  # for the whole rig
    asked.ask(at_ns + 72 * S, piece="lanterns", zone="roof", after=True)
    assert asked.at(at_ns + 117 * S, "roof").piece == "lanterns"  # after what plays there


def test_for_the_whole_rig_all_of_it_begins_at_once_and_the_show_of_a_zone_stands_still_too() -> None:
    asked, at_ns = Asked(ROOF), OPENS + 100 * S
    asked.ask(at_ns, show="round", zone="roof")
    call = asked.ask(at_ns + S, piece="bells", after=True)
    assert not [one for one in asked.standing(at_ns) if one.ended_ns]
    begins_ns = OPENS + 210 * S
    for zone in (None, "roof"):
        assert (asked.at(begins_ns, zone).piece, asked.at(begins_ns, zone).frame) == ("bells", 0)
    assert [one.at_ns for one in asked.standing(at_ns + S) if one.id == call.id] == [begins_ns]
    assert asked.at(begins_ns - 1, "roof").frame == 10 * 40 - 1
    assert asked.at(begins_ns + 47 * S, "roof").frame == 10 * 40
    show = asked.ask(begins_ns + 10 * S, show="round", zone="roof")  # what is called later is stronger there
    assert asked.at(show.at_ns, "roof").piece == "lanterns"
    assert asked.at(show.at_ns).piece == "bells"


def test_the_sound_of_the_show_goes_on_at_its_place() -> None:
    """The sound of swell: its place follows the frames before and after the foghorn."""
    asked, at_ns = Asked(), OPENS + 240 * S
    call = asked.ask(at_ns, piece="foghorn")
    assert call.at_ns == at_ns + SOUND_AHEAD_NS
    heard = [
        (one.picture.piece, one.from_ns, one.from_ns - one.picture.zero_ns)
        for one in score(at_ns, at_ns + 20 * S, asked.site, asked.overrides)
        if one.picture and one.sound and one.sound_from == one.sound_until == 1
    ]
    place_ns = call.at_ns - (OPENS + 214 * S)
    assert heard == [
        ("swell", at_ns, at_ns - (OPENS + 214 * S)),
        ("foghorn", call.at_ns, 0),
        ("swell", call.at_ns + 12 * S, place_ns),
    ]


# drawn evenings


def reference(site: SiteProtocol, calls: list[tuple[int, str, bool]]) -> list[tuple[int, int, str]]:
    """When called pieces play, `(from_ns, until_ns, piece)`, counted by hand from the evening without calls.

    The show's own time is the wall's time without that of the called pieces.
    """
    plain = score(OPENS, CLOSES, site)
    begins = [OPENS]
    for one, two in pairwise(plain):
        if (one.picture, one.state) != (two.picture, two.state):
            begins.append(two.from_ns)
    if site.goes_round(site.performances[0].show):
        begins = list(range(OPENS, CLOSES, 20 * S))
    played: list[tuple[int, int, str]] = []
    waiting: list[tuple[int, str]] = []
    free_ns = 0
    events = sorted(calls)
    while events or waiting:
        if waiting and (not events or free_ns <= events[0][0]):
            _, name = waiting.pop(0)
            begin_ns = free_ns
        else:
            at_ns, name, after = events.pop(0)
            if after:
                if free_ns <= at_ns:
                    stopped_ns = sum(until - begin for begin, until, _ in played)
                    own_ns = at_ns - stopped_ns
                    playing = decide(own_ns, site).state == State.PLAYING
                    free_ns = begins[bisect_right(begins, own_ns)] + stopped_ns if playing else at_ns
                waiting.append((at_ns, name))
                continue
            begin_ns = at_ns
            if played and played[-1][1] > at_ns:
                played[-1] = (played[-1][0], at_ns, played[-1][2])
        info = site.pieces[name].info
        assert info
        free_ns = begin_ns + info.frames * 25_000_000
        played.append((begin_ns, free_ns, name))
    return played


@pytest.mark.parametrize("seed", range(24))
def test_the_evening_without_the_time_of_the_called_pieces_is_the_evening_without_calls(seed: int) -> None:
    chance = Random(seed)
    order = tuple(chance.choices(sorted(PIECES), k=chance.randint(2, 4)))
    drawn = PlainShow(
        order=order,
        gap=chance.choice((0, 4 * S)),
        play=chance.choice(("in-order", "shuffled")),
        cross_fade=chance.choice((0, 2 * S)),
    )
    site = site_with(chance.choice((drawn, drawn, drawn, SHOWS["round"])))
    calls = sorted(
        (OPENS + chance.randrange(40 * 60 * 1000) * 1_000_003, chance.choice(("tide", "bells", "lanterns")), True)
        for _ in range(chance.randint(1, 8))
    )
    calls = [(at_ns, name, chance.random() < 0.6) for at_ns, name, _ in calls]
    overrides: list[Override] = []
    for id, (at_ns, name, after) in enumerate(calls, 1):
        overrides.append(Override(id, Kind.CALL, at_ns, at_ns + 6 * H, piece=name, after=after))
    played = reference(site, calls)
    given = (one for one in called_at(OPENS, site, overrides) if one.from_ns < one.until_ns)
    found = [(one.from_ns, one.until_ns, one.call.piece) for one in given]
    assert found == [one for one in played if one[0] < one[1]]
    edges = [edge + shift for begin, until, _ in played for edge in (begin, until) for shift in (-1, 0, S)]
    for at_ns in [*edges, *(OPENS + chance.randrange(2 * 3600) * S for _ in range(10))]:
        within = next((one for one in played if one[0] <= at_ns < one[1]), None)
        shown = decide(at_ns, site, overrides)
        if within:
            begin_ns, _, name = within
            assert (shown.piece, shown.frame) == (name, (at_ns - begin_ns) // 25_000_000)
        elif at_ns >= OPENS:
            own_ns = at_ns - sum(until - begin for begin, until, _ in played if until <= at_ns)
            plain = decide(own_ns, site)
            assert (shown.piece, shown.frame, shown.state) == (plain.piece, plain.frame, plain.state)


def drawn_requests(chance: Random) -> list[tuple[int, dict[str, object] | None]]:
    """Instants and requests of an evening; None undoes something."""
    found: list[tuple[int, dict[str, object] | None]] = []
    begin_ns, length_ns = chance.choice(((OPENS - 5 * MIN, 40 * MIN), (CLOSES - 10 * MIN, 39 * MIN)))
    for _ in range(chance.randint(3, 9)):
        calls: dict[str, object] = {"kind": "call", "piece": chance.choice(sorted(PIECES))}
        request = chance.choice(
            (
                calls,
                calls,
                {**calls, "after": True},
                {**calls, "after": True},
                {"kind": "pause", "minutes": chance.choice((0.5, 3, 120))},
                {"kind": "skip"},
                {"kind": "call", "show": "round", "minutes": chance.choice((1, 10))},
                None,
            )
        )
        found.append((begin_ns + chance.randrange(length_ns // 1_000_003) * 1_000_003, request))
    return sorted(found, key=lambda one: one[0])


@pytest.mark.parametrize("seed", range(24))
def test_no_later_fact_changes_an_earlier_instant_and_dark_hours_hold(seed: int) -> None:
    chance = Random(seed)
    show = replace(SHOWS["evening"], gap=chance.choice((0, 4 * S)))
    show, at_close = chance.choice((show, show, SHOWS["round"])), chance.choice(("cut", "finish"))
    site = site_with(show, at_close=at_close, grace=3 * MIN)
    asked = Asked(site)
    looked: dict[int, tuple[object, ...]] = {}

    def shown(at_ns: int) -> tuple[object, ...]:
        found = asked.at(at_ns)
        return found.state, found.show, found.piece, found.frame, found.sound

    for at_ns, request in drawn_requests(chance):
        for earlier_ns in [at_ns - 1, *(OPENS - 5 * MIN + chance.randrange(at_ns - OPENS + 5 * MIN) for _ in range(3))]:
            looked.setdefault(earlier_ns, shown(earlier_ns))
        standing = asked.standing(at_ns)
        try:
            if request is not None:
                asked.ask(at_ns, **request)  # type: ignore[arg-type]  # a test's shorthand
            elif standing:
                asked.undo(at_ns, chance.choice(standing).id)
        except Refusal:
            continue
        for earlier_ns, before in looked.items():
            assert shown(earlier_ns) == before, (seed, request, (at_ns - OPENS) / S, (earlier_ns - OPENS) / S)
    for _ in range(5):
        dark_ns = DAY + 22 * H + 30 * MIN + chance.randrange(8 * H)
        found = asked.at(dark_ns)
        assert (found.state, found.brightness, found.sound) == (State.DARK, 0, False)
    assert not [one for one in asked.standing(CLOSES + 6 * H) if one.piece]


def test_a_day_of_many_calls_compares_each_a_few_times(monkeypatch: pytest.MonkeyPatch) -> None:
    compared, equal = 0, Override.__eq__

    def counted(one: Override, other: object) -> bool:
        nonlocal compared
        compared += 1
        return equal(one, other)

    calls = tuple(
        Override(id, Kind.CALL, OPENS + id * S, OPENS + id * S + MIN, ended_ns=OPENS + (id + 1) * S, piece="lanterns")
        for id in range(1, 401)
    )
    monkeypatch.setattr(Override, "__eq__", counted)
    assert decide(OPENS + 400 * S, SITE, calls).piece == "lanterns"
    assert compared < 10 * len(calls)
