"""When a trigger may call: where nothing stronger than a call is in force, and no more often than the file says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.http.schemas.overrides import override_request
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.precedence import LIMITS, stronger_kinds
from gloaming.daemon.direction.requests import ask
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import Reason, ReasonCode
from gloaming.daemon.direction.trigger_rule import called_by, refusal
from gloaming.daemon.site.schema_outside import Trigger
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.rules import rule_id
from tests.daemon.quay_site import RIG, SECOND_NS, TABLES, ns, performance, site_of

S, MIN = SECOND_NS, 60 * SECOND_NS
HOUR = 60 * MIN
HOURS = """
[neighbours]
dark = [{ from = "22:30", to = "07:00" }]
quiet = [{ from = "21:00", to = "09:00" }]
dim = [{ from = "20:00", to = "22:30", brightness = 0.5 }]
"""
ROOF = """
[[string]]
name = "ridge"
controller = "left"
universe = 2
pixels = 50
group = "roof"

[[string]]
name = "path"
controller = "left"
universe = 1
pixels = 1
"""
EVENING = performance('from = "17:00"\nto = "22:00"')
AT = ns("2026-12-14T18:30")


def trigger(**keys: Any) -> Trigger:
    return Trigger.model_validate({"name": "gate", "show": "turn of the year", "http": True, **keys})


def code(found: Reason | None) -> ReasonCode | None:
    return found.code if found else None


def made(site: Site, at_ns: int, who: str = "the porch", **request: Any) -> Override:
    return replace(ask(override_request(request), at_ns, site, (), who), id=7)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_of(tmp_path, HOURS, TABLES, EVENING, rig=RIG + ROOF)


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("18:30", None),
        ("20:30", None),  # dim hours lower the light and refuse nothing
        ("21:00", ReasonCode.QUIET_HOURS),
        ("22:30", ReasonCode.DARK_HOURS),
        ("06:59", ReasonCode.DARK_HOURS),
        ("08:59", ReasonCode.QUIET_HOURS),
        ("09:00", None),
    ],
)
def test_never_in_dark_or_quiet_hours(site: Site, at: str, expected: ReasonCode | None) -> None:
    assert code(refusal(trigger(while_waiting=True), ns(f"2026-12-14T{at}"), site)) == expected


def test_hours_that_hold_after_a_step_of_the_clock_refuse_too(site: Site) -> None:
    held = (HeldRule(rule_id(site.neighbours.dark[0], site.spot), AT - HOUR, AT + HOUR),)
    assert code(refusal(trigger(), AT, site, (), held)) == ReasonCode.DARK_HOURS


@pytest.mark.parametrize("kind", sorted(stronger_kinds(Kind.CALL)))
def test_whatever_is_stronger_than_a_call_refuses_it_and_is_its_reason(site: Site, kind: Kind) -> None:
    override = Override(3, kind, AT - MIN, AT + MIN, "the porch")
    for one in (trigger(), trigger(while_waiting=True), trigger(zone="roof")):
        found = refusal(one, AT, site, (override,))
        assert found and (found.code, found.override) == (ReasonCode(kind.value), 3)
        assert refusal(one, AT + MIN, site, (override,)) is None


@pytest.mark.parametrize("kind", sorted(one.claim for one in LIMITS if isinstance(one.claim, Kind)))
def test_what_only_lowers_light_or_sound_refuses_nothing(site: Site, kind: Kind) -> None:
    assert refusal(trigger(), AT, site, (Override(3, kind, AT - MIN, AT + MIN, level=0.3),)) is None


def test_a_zone_that_is_dark_refuses_its_own_triggers_alone(site: Site) -> None:
    dark = made(site, AT - MIN, kind="dark", zone="roof")
    assert code(refusal(trigger(zone="roof"), AT, site, (dark,))) == ReasonCode.DARK
    assert refusal(trigger(zone="path"), AT, site, (dark,)) is None
    assert refusal(trigger(), AT, site, (dark,)) is None


def test_a_string_out_of_service_does_not_refuse_the_rest_of_its_zone(tmp_path: Path) -> None:
    gable = '[[string]]\nname = "gable"\ncontroller = "left"\nuniverse = 3\npixels = 50\ngroup = "roof"\n'
    site = site_of(tmp_path, HOURS, TABLES, EVENING, rig=RIG + ROOF + gable)
    broken = [made(site, AT - MIN, kind="out-of-service", zone=name) for name in ("ridge", "gable")]
    assert refusal(trigger(zone="roof"), AT, site, broken[:1]) is None
    assert code(refusal(trigger(zone="roof"), AT, site, broken)) == ReasonCode.OUT_OF_SERVICE


def test_only_during_a_show_unless_the_file_says_also_while_waiting(site: Site) -> None:
    before = ns("2026-12-14T16:00")
    assert code(refusal(trigger(), before, site)) == ReasonCode.NO_SHOW
    assert refusal(trigger(while_waiting=True), before, site) is None
    for waits in (False, True):
        one = trigger(show="evening", only_during=["turn of the year"], while_waiting=waits)
        found = refusal(one, AT, site)
        assert found and found.code == ReasonCode.OTHER_SHOW
        assert found.text == "evening is on, and gate works only during turn of the year"
    assert refusal(trigger(only_during=["evening"]), AT, site) is None
    assert refusal(trigger(only_during=["evening"], while_waiting=True), before, site) is None


def test_a_show_that_is_on_already_is_not_called_again(site: Site) -> None:
    assert code(refusal(trigger(show="evening"), AT, site)) == ReasonCode.PLAYS_ALREADY
    call = made(site, AT, "trigger gate", kind="call", show="turn of the year")
    assert code(refusal(trigger(), AT + MIN, site, (call,))) == ReasonCode.PLAYS_ALREADY
    assert refusal(trigger(show="evening"), AT + MIN, site, (call,)) is None


def test_it_rests_after_a_call_to_the_nanosecond(site: Site) -> None:
    resting = trigger(cool_down="2 min")
    found = refusal(resting, AT + 2 * MIN - 1, site, called=(AT - HOUR, AT))
    assert found and found.code == ReasonCode.COOL_DOWN and found.rule.endswith("trigger.cool_down")
    assert found.text == "gate has called, and rests until 18:32:00"
    assert refusal(resting, AT + 2 * MIN, site, called=(AT,)) is None


def test_without_a_cool_down_a_contact_that_bounces_is_one_event(site: Site) -> None:
    assert code(refusal(trigger(), AT, site, called=(AT,))) == ReasonCode.COOL_DOWN
    assert code(refusal(trigger(), AT + S - 1, site, called=(AT,))) == ReasonCode.COOL_DOWN
    assert refusal(trigger(), AT + S, site, called=(AT,)) is None


def test_no_more_calls_within_any_hour_than_the_file_says(site: Site) -> None:
    three = trigger(most_per_hour=3)
    called = (AT, AT + 10 * MIN, AT + 20 * MIN)
    found = refusal(three, AT + HOUR - 1, site, called=called)
    assert found and found.code == ReasonCode.MOST_PER_HOUR
    assert found.text == "gate has called as often as it may within an hour (3); it rests until 19:30:00"
    assert refusal(three, AT + HOUR, site, called=called) is None
    assert refusal(trigger(most_per_hour=4), AT + 30 * MIN, site, called=called) is None


def test_a_contact_that_is_damaged_calls_two_times_a_minute_at_most(site: Site) -> None:
    called = tuple(AT + second * S for second in range(120))
    assert code(refusal(trigger(), AT + HOUR - 1, site, called=called)) == ReasonCode.MOST_PER_HOUR
    assert refusal(trigger(), AT + HOUR, site, called=called) is None


def test_calls_of_a_clock_that_was_ahead_do_not_count(site: Site) -> None:
    assert refusal(trigger(cool_down="2 min", most_per_hour=1), AT, site, called=(AT + 6 * HOUR,)) is None


def test_its_calls_are_the_overrides_that_it_made(site: Site) -> None:
    calls = [made(site, at_ns, "trigger gate", kind="call", show="turn of the year") for at_ns in (AT + MIN, AT)]
    others = [made(site, AT, "trigger bell", kind="call", show="turn of the year"), made(site, AT, kind="dark")]
    assert called_by("gate", [*calls, *others]) == (AT, AT + MIN)
