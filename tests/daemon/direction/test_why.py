"""The reasons of a decision, and what comes next."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from gloaming.daemon.direction.decide import decide, next_piece, score
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.score import ReasonCode, State
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, local, ns, performance, site_of

HOURS = """
[neighbours]
dark = [
  { days = "mon-thu,sun", from = "22:30", to = "07:00" },
  { days = "fri,sat", from = "23:00", to = "07:00" },
]
quiet = [{ days = "daily", from = "21:00", to = "09:00" }]
dim = [{ days = "daily", from = "21:30", to = "23:00", brightness = 0.5 }]
"""


def test_a_filler_is_named_in_the_reasons(tmp_path: Path) -> None:
    shows = TABLES.replace('gap = "4 s"', 'gap = "4 s"\nbetween = "swell"\nstart_every = "30 min"')
    times = 'from = "17:10"\nto = "22:00"\nat_close = "finish"\ngrace = "1 min"'
    site = site_of(tmp_path, shows, performance(times))
    before = decide(ns("2026-12-24T17:20"), site)
    assert (before.state, before.piece) == (State.WAITING, "swell")
    assert before.reasons[0].text == "the order begins later, on the clock, swell fills the time"
    assert decide(ns("2026-12-24T17:30"), site).piece == "bells"
    # 21:30 bells 100 s, tide 225 s, lanterns 140 s with gaps of 4 s; then the swell until 22:00
    assert decide(ns("2026-12-24T21:45"), site).piece == "swell"
    after = decide(ns("2026-12-24T21:31:43"), site)
    assert after.reasons[0].text == "between pieces, swell fills the time"


def test_a_piece_that_cannot_end_in_time_does_not_begin_and_is_named(tmp_path: Path) -> None:
    times = 'from = "17:00"\nto = "17:05"\nat_close = "finish"\ngrace = "30 s"'
    site = site_of(tmp_path, TABLES, performance(times))
    # bells to 17:01:40, a gap, tide would end at 17:05:29, within the grace
    assert decide(ns("2026-12-24T17:05:20"), site).piece == "tide"
    assert (
        decide(ns("2026-12-24T17:05:29"), site).state == State.WAITING
        or not decide(ns("2026-12-24T17:05:29"), site).show
    )
    shorter = site_of(tmp_path, TABLES, performance(times.replace("30 s", "20 s")))
    waiting = decide(ns("2026-12-24T17:02"), shorter)
    assert waiting.state == State.WAITING
    assert waiting.reasons[0].text == "tide could not end in time"
    cut = site_of(tmp_path, TABLES, performance(times.replace("finish", "cut")))
    assert decide(ns("2026-12-24T17:04:59"), cut).piece == "tide"
    assert decide(ns("2026-12-24T17:05"), cut).show is None


def test_after_the_closing_of_an_evening_its_closing_is_named_until_midnight(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING)

    def codes(at: str) -> list[ReasonCode]:
        return [one.code for one in decide(ns(at), site).reasons]

    assert codes("2026-12-24T22:30") == [ReasonCode.OPENS, ReasonCode.CLOSED]
    assert decide(ns("2026-12-24T22:30"), site).reasons[1].text == "evening closed at 22:00 (to 22:00)"
    assert codes("2026-12-25T00:00") == codes("2026-12-25T12:00") == [ReasonCode.OPENS]
    late = site_of(tmp_path, TABLES, EVENING.replace('"22:00"', '"01:00"'))
    assert [one.code for one in decide(ns("2026-12-25T01:15"), late).reasons] == [ReasonCode.OPENS, ReasonCode.CLOSED]


@pytest.mark.parametrize("year", [1, 1899, 1970, 2038, 2100, 2106, 2262, 9999])
def test_a_clock_in_another_century_finds_dark_or_an_evening(tmp_path: Path, year: int) -> None:
    """A clock without a battery can be at 1970, one of 32 bits at 2106 (2**32 s). Neither may stop the planner."""
    by_rule = performance('rrule = "FREQ=WEEKLY;BYDAY=FR"\nfrom = "dusk"\nto = "23:00"')
    site = site_of(tmp_path, HOURS, TABLES, by_rule)
    for month, day in ((1, 1), (12, 31)):
        passed = datetime(year, month, day, 19, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        at_ns = (passed.days * 86_400 + passed.seconds) * SECOND_NS
        call = Override(1, Kind.CALL, at_ns, at_ns + 600 * SECOND_NS, show="evening")
        decision = decide(at_ns, site)
        assert decision.show is None or datetime(year, month, day, tzinfo=UTC).weekday() == 4
        assert score(at_ns, at_ns + 1800 * SECOND_NS, site, (call,))
        if not 1900 <= year <= 2100:
            assert decide(at_ns, site, (call,)).brightness == 0
            assert (decision.state, decision.next_ns) == (State.DARK, None)


def test_a_season_that_is_over_is_dark_to_the_end_of_the_calendar(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING.replace("11-27..01-06", "2026-11-27..2027-01-06"))
    for day in range(-40, 40):
        at_ns = ns(f"{date(2099, 12, 1) + timedelta(days=day)}T20:00")
        assert (decide(at_ns, site).state, decide(at_ns, site).next_ns) == (State.DARK, None)


def test_the_next_piece_is_found(tmp_path: Path) -> None:
    """bells 100 s, 4 s of gap, tide 225 s, 4 s, lanterns 140 s: from 17:00:00 on, in a round."""
    site = site_of(tmp_path, TABLES, performance('from = "17:00"\nto = "18:00"'))

    def after(at: str, *overrides: Override) -> tuple[str, str] | None:
        found = next_piece(ns(f"2026-12-24T{at}"), site, overrides)
        return None if found is None else (local(found[0], site)[11:19], found[1])

    assert after("12:00") == ("17:00:00", "bells")
    assert after("17:00:10") == ("17:01:44", "tide")
    assert after("17:01:42") == ("17:01:44", "tide")
    assert after("17:02") == ("17:05:33", "lanterns")
    assert after("18:30") == ("17:00:00", "bells")
    pause = Override(1, Kind.PAUSE, ns("2026-12-24T17:00:10"), ns("2026-12-24T17:10:10"), "the porch")
    assert after("17:05", pause) == ("17:11:43", "tide"), "a paused piece continues before the next begins"
