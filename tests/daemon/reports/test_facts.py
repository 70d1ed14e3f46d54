"""Rehearsing with facts: the rules of triggers and holds, in order of time, and what they make of an evening."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.score import State
from gloaming.daemon.reports.facts import Fact, FactOutcome, play
from gloaming.daemon.reports.rehearsal import rehearse
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError
from tests.daemon.quay_site import TABLES, local, ns, performance, site_of

DAY = "2026-12-12"
NIGHT, NOON = date(2026, 12, 12), ns("2026-12-13T12:00")
HOUR_SHOW = performance('from = "18:00"\nto = "19:00"')
DARK = '\n[neighbours]\ndark = [{ from = "23:00", to = "07:00" }]\n'
OUTSIDE = """
[[trigger]]
name = "gate"
piece = "lanterns"
http = true
cool_down = "10 min"

[[trigger]]
name = "bell"
piece = "swell"
http = true
after_piece = true

[[hold]]
name = "wind"
http = true
above = 14
until_below = 10
for = "30 s"
clear_for = "2 min"
if_silent = "{if_silent}"
silent_after = "5 min"
"""


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_with(tmp_path_factory.mktemp("quay"), "ignore")


def site_with(folder: Path, if_silent: str) -> Site:
    return site_of(folder, TABLES, OUTSIDE.format(if_silent=if_silent), HOUR_SHOW, DARK)


def fact(at: str, **what: Any) -> Fact:
    return Fact(ns(f"{DAY}T{at}"), Path("windy.jsonl"), 7, **what)


def wind(at: str, reading: float | str) -> Fact:
    return fact(at, hold="wind", reading=reading)


def told(outcomes: tuple[FactOutcome, ...], site: Site) -> list[str]:
    return [f"{local(one.at_ns, site)[11:19]} {one.name}: {one.text}" for one in outcomes]


def test_a_trigger_calls_or_is_refused_as_on_the_board(quay: Site) -> None:
    facts = [
        fact("17:50:00", trigger="gate"),
        fact("18:00:40", trigger="gate"),
        fact("18:03:50", trigger="bell"),
        fact("18:05:00", trigger="gate"),
        fact("23:30:00", trigger="gate"),
    ]
    overrides, outcomes = play(quay, facts, NOON)
    texts = told(outcomes, quay)
    assert texts[0].startswith("17:50:00 gate: refused: no show is on, and gate works only during one (site.toml:")
    assert texts[1:3] == ["18:00:40 gate: calls lanterns", "18:03:50 bell: calls swell, at 18:04"]
    assert texts[3].startswith("18:05:00 gate: refused: gate has called, and rests until 18:10:40 (site.toml:")
    assert texts[4].startswith("23:30:00 gate: refused: dark hours 23:00 to 07:00: no light (site.toml:")
    assert [(one.who, one.piece) for one in overrides] == [("trigger gate", "lanterns"), ("trigger bell", "swell")]
    assert decide(ns(f"{DAY}T18:00:41"), quay, overrides).piece == "lanterns"


def test_a_hold_begins_and_ends_at_its_own_instants_and_refuses_a_trigger_meanwhile(quay: Site) -> None:
    facts = [
        wind("18:11:00", 9),
        wind("18:10:00", 15.2),  # the file may have any order
        fact("18:10:35", trigger="gate"),
        wind("18:11:10", "strong"),
    ]
    overrides, outcomes = play(quay, facts, NOON)
    assert told(outcomes, quay) == [
        "18:10:00 wind: 15.2 is above 14",
        "18:10:30 wind: lights off: 15.2 is above 14 since 18:10",
        "18:10:35 gate: refused: wind: 15.2 is above 14 since 18:10 (override 1 hold-dark)",
        "18:11:00 wind: 9 is not above 14",
        "18:11:10 wind: this reading does not count: 'strong' came; a number is expected",
        "18:13:00 wind: is over",
    ]
    (hold,) = overrides
    for at, state in (("18:10:29", State.PLAYING), ("18:10:30", State.DARK), ("18:12:59", State.DARK)):
        assert decide(ns(f"{DAY}T{at}"), quay, overrides).state == state
    assert decide(hold.end_ns, quay, overrides).state == State.PLAYING


def test_a_source_is_silent_after_its_last_reading(tmp_path: Path) -> None:
    site = site_with(tmp_path, "hold")
    _, outcomes = play(site, [wind("18:10:00", 3)], NOON)
    assert told(outcomes, site)[1:] == ["18:15:00 wind: lights off: no reading since 18:10"]


def test_a_person_pauses_and_a_request_that_the_rules_forbid_is_refused(quay: Site) -> None:
    facts = [
        fact("18:20:00", request={"kind": "pause", "minutes": 5}),
        fact("18:21:00", request={"kind": "pause", "minutes": 10}),
        fact("23:30:00", request={"kind": "call", "show": "evening"}),
    ]
    overrides, outcomes = play(quay, facts, NOON)
    texts = told(outcomes, quay)
    assert texts[:2] == ["18:20:00 by hand: pause until 18:25", "18:21:00 by hand: pause until 18:31"]
    assert texts[2].startswith("23:30:00 by hand: refused: dark hours 23:00 to 07:00: no light")
    assert [local(one.end_ns, quay)[11:19] for one in overrides] == ["18:21:00", "18:31:00"]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"trigger": "gate2"}, "windy.jsonl:7: trigger: there is no trigger 'gate2'; did you mean gate?"),
        ({"hold": "rain", "reading": 1.0}, "windy.jsonl:7: hold: there is no hold 'rain'; use wind"),
        (
            {"request": {"kind": "call", "show": "morning"}},
            "windy.jsonl:7: show: there is no show 'morning'; use evening, turn of the year",
        ),
    ],
    ids=str,
)
def test_a_name_that_the_site_does_not_have_is_named_with_its_line(
    given: dict[str, Any], expected: str, quay: Site
) -> None:
    with pytest.raises(InputError) as found:
        play(quay, [fact("18:00:00", **given)], NOON)
    assert str(found.value) == expected


def test_a_piece_that_goes_on_after_a_call_or_a_pause_is_given_once(quay: Site) -> None:
    """Of the hour, 140 s are the called lanterns, 30 s the swell and 300 s the pause: 3130 s are left for the show.

    A round of bells, tide and lanterns lasts 477 s: six rounds, bells once more, and tide is cut after 164 s. The hold
    leaves no light from 18:10:30 to 18:13: lanterns are cut by it, and the bells after them are never seen.
    """
    facts = [
        fact("18:00:40", trigger="gate"),
        fact("18:03:50", trigger="bell"),
        wind("18:10:00", 15.2),
        wind("18:11:00", 9),
        fact("18:20:00", request={"kind": "pause", "minutes": 5}),
    ]
    result = rehearse(quay, NIGHT, NIGHT, facts=facts)
    assert dict(result.pieces) == {"bells": 7 - 1, "tide": 7, "lanterns": 6 + 1, "swell": 1}
    cuts = [(local(cut.at_ns, quay)[11:19], cut.what) for cut in result.cuts]
    assert cuts == [("18:10:30", "lanterns"), ("19:00:00", "tide")]
    assert result.cuts[0].by == "wind: 15.2 is above 14 since 18:10 (override 3 hold-dark)"
    assert len(result.facts) == 7
    alone = rehearse(quay, NIGHT, NIGHT)
    assert (alone.facts, "facts" in alone.as_json(quay)) == ((), False)


def test_a_called_piece_is_given_where_no_show_is(quay: Site) -> None:
    facts = [fact("17:30:00", request={"kind": "call", "piece": "lanterns"})]
    with_call, without = rehearse(quay, NIGHT, NIGHT, facts=facts), rehearse(quay, NIGHT, NIGHT)
    assert with_call.pieces["lanterns"] == without.pieces["lanterns"] + 1
