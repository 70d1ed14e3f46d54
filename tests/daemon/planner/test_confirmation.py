"""When a command counts as carried out: the score compared with the transmitter's report at one instant."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.score import DecidedSegment, Reason, ReasonCode, State
from gloaming.daemon.planner.confirmation import NOT_CONFIRMED, SentNow, confirm, differs, is_given, words
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.score.score import Picture
from gloaming.shows.time_units import SECOND_NS

TIDE = Picture("tide", "/x/tide.frames", 400, Fraction(40), 0)
PAUSED = Reason("override 7 pause", "paused by Nan at 18:00 until 18:15", ReasonCode.PAUSE, override=7)
HOURS = Reason("site.toml:8 neighbours.dark", "dark hours 22:30 to 07:00: no light", ReasonCode.DARK_HOURS)
BEGAN = Reason("site.toml:22 show", "tide began 18:00:00, in order", ReasonCode.PIECE)


def lit(level: float, sound: float = 0.0, **more: Any) -> DecidedSegment:
    usual: dict[str, Any] = {"state": State.PLAYING, "reasons": (BEGAN,), "show": "evening", "picture": TIDE}
    levels = {"level_from": level, "level_until": level, "sound_from": sound, "sound_until": sound}
    return DecidedSegment(0, 10, **{**usual, **levels, **more})


def dark(state: State, reason: Reason, **more: Any) -> DecidedSegment:
    return DecidedSegment(0, 10, state=state, reasons=(reason,), **more)


def playing(
    level: float = 0.0, piece: str | None = None, volume: float = 0.0, black: str | None = None
) -> dict[str, Any]:
    return {"id": 1, "piece": piece, "frame": 0, "level": level, "black": black, "volume": volume}


def asked(kind: Kind, **more: Any) -> Override:
    return Override(7, kind, 0, 100, "Nan", **more)


def test_what_is_sent_must_be_as_bright_as_the_score_has_it_and_the_same_piece() -> None:
    assert differs(lit(0.35), playing(0.35, "tide")) == ""
    assert differs(lit(0.35), playing(0.7, "tide")) == "the transmitter still sends light, tide, at 70%"
    assert differs(lit(0.35), playing(0.35, "lanterns")) == "the transmitter still sends light, lanterns, at 35%"
    assert differs(lit(0.35), playing()) == "the transmitter still sends black"
    assert differs(dark(State.PAUSED, PAUSED), playing()) == ""
    assert (
        differs(dark(State.PAUSED, PAUSED), playing(0.004, "tide")) == "the transmitter still sends light, tide, at 0%"
    )


def test_what_is_to_be_silent_must_be_heard_no_more() -> None:
    assert differs(lit(1.0), playing(1.0, "tide", volume=0.2)) == "the sound still plays"
    assert differs(lit(1.0), playing(1.0, "tide")) == ""
    assert differs(lit(1.0, sound=0.8), playing(1.0, "tide", volume=0.8)) == ""


def test_what_something_stronger_keeps_away_is_not_given() -> None:
    check = dark(
        State.RIG_CHECK,
        Reason("override 8 rig-check", "rig check", ReasonCode.RIG_CHECK),
        level_from=0.3,
        level_until=0.3,
    )
    assert not is_given(asked(Kind.PAUSE), check) and not is_given(asked(Kind.DARK), lit(0.5))
    assert not is_given(asked(Kind.MUTE), lit(1.0, sound=0.8)) and is_given(asked(Kind.MUTE), lit(1.0))
    call = asked(Kind.CALL, show="evening")
    assert is_given(call, lit(1.0))
    assert not is_given(call, dark(State.PAUSED, PAUSED, show="evening")) and not is_given(call, lit(1.0, show="short"))
    assert is_given(asked(Kind.RIG_CHECK), check) and not is_given(asked(Kind.RIG_CHECK), dark(State.DARK, HOURS))


@pytest.mark.parametrize(
    ("kind", "segment", "sent", "said"),
    [
        (Kind.PAUSE, dark(State.PAUSED, PAUSED), playing(), "black"),
        (Kind.PAUSE, dark(State.DARK, HOURS), playing(), f"black: {HOURS.text}"),
        (Kind.DIM, lit(0.175), playing(0.175, "tide"), "light, tide, at 18%"),
        (Kind.DIM, lit(0.5), playing(0.5, "tide", black="picture"), "black: the picture itself is dark here"),
        (Kind.DIM, lit(0.5), playing(0.5, "tide", black="a newer one's"), "black: a newer one's"),
        (Kind.MUTE, lit(1.0), playing(1.0, "tide"), "light, tide, at 100%; no sound"),
        (Kind.MUTE, lit(1.0, sound=0.8), playing(1.0, "tide", volume=0.8), "light, tide, at 100%; sound, at 80%"),
    ],
)
def test_the_answer_says_what_is_sent_and_why_it_is_black_where_that_was_not_asked(
    kind: Kind, segment: DecidedSegment, sent: dict[str, Any], said: str
) -> None:
    assert words(asked(kind), segment, sent) == said


ROOF_DARK = Reason("override 7 dark", "roof: dark by Nan at 18:00 until 22:00", ReasonCode.DARK, override=7)


@pytest.mark.parametrize(
    ("areas", "sent_id", "on_the_wire", "wire"),
    [
        ([{"piece": None, "level": 0.0, "black": "score"}], 1, True, "black"),
        ([{"piece": None, "level": 0.0, "black": "score"}], 2, False, NOT_CONFIRMED),  # of the score before
        ([{"piece": "tide", "level": 0.8, "black": None}], 1, False, "the transmitter still sends light, tide, at 80%"),
        ([], 1, False, NOT_CONFIRMED),  # an old transmitter plays no areas
    ],
)
def test_an_override_of_a_zone_is_confirmed_by_what_its_area_plays(
    areas: list[dict[str, object]], sent_id: int, on_the_wire: bool, wire: str
) -> None:
    """The rest is light, with sound."""
    asked_zones: list[str | None] = []

    def sent_now(zone: str | None) -> SentNow:
        asked_zones.append(zone)
        return SentNow(5, dark(State.DARK, ROOF_DARK), sent_id, 0)

    async def work() -> tuple[bool, str]:
        client: Any = TransmitterClient(Path("/nowhere"), lambda message: None)
        client.now_playing = {**playing(1.0, "tide", volume=0.8), "areas": areas}
        return tuple(await confirm(client, sent_now, ZoneInfo("Europe/London"), 1, asked(Kind.DARK, zone="roof")))

    assert asyncio.run(work()) == (on_the_wire, wire)
    assert set(asked_zones) == {"roof"}


def test_what_begins_later_is_answered_at_once_when_the_transmitter_has_the_score() -> None:
    """A piece is called for after the one that plays."""
    call = asked(Kind.CALL, piece="bells", after=True)

    async def work() -> tuple[bool, str]:
        client: Any = TransmitterClient(Path("/nowhere"), lambda message: None)
        client.connected = True
        client.now_playing = {**playing(1.0, "tide"), "id": 0}
        later = replace(call, at_ns=3600 * SECOND_NS)
        answer = asyncio.ensure_future(
            confirm(client, lambda zone: SentNow(5, lit(1.0), 1), ZoneInfo("Europe/London"), 1, later)
        )
        await asyncio.sleep(0)
        assert not answer.done()
        client.now_playing = playing(1.0, "tide")
        client.playing.set()
        return tuple(await answer)

    assert asyncio.run(work()) == (False, "it will be at 02:00:00")  # in 1970 London had summer time all year
    assert is_given(call, lit(1.0, picture=replace(TIDE, piece="bells")))
    assert not is_given(call, lit(1.0))
