"""The order of precedence: each line decides, and the tests notice a line that is missing or moved."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest

from gloaming.daemon.direction import precedence
from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.direction.precedence import LIMITS, PRECEDENCE, as_diagram
from gloaming.daemon.direction.rules_in_force import DayFacts, HoursWindow
from gloaming.daemon.direction.score import DecidedSegment, Reason, ReasonCode, State
from tests.daemon.direction.test_day_plan import DAY, LONDON, MIN, TIDE, H, S, evening
from tests.places import TOP

README = TOP / "daemon" / "README.md"
AT = DAY + 20 * H
CHECK = Check("walk", "/x/walk.frames", 400, Fraction(40))
DARK_HOURS = HoursWindow(AT - H, AT + H, Reason("site.toml:9 neighbours.dark", "no light", ReasonCode.DARK_HOURS), 0.0)
HOURS = (
    HoursWindow(
        AT - H,
        AT + H,
        Reason("site.toml:10 neighbours.quiet", "quiet", ReasonCode.QUIET_HOURS),
        None,
        quiet=True,
        volume=0.4,
    ),
    HoursWindow(AT - MIN, AT + H, Reason("site.toml:11 neighbours.dim", "dim", ReasonCode.DIM_HOURS), 0.25),
)
PERFORMANCE = evening(order=(TIDE,), gap_ns=0, show_place="evening show")
CALL = evening(
    show="called",
    called=9,
    opens_ns=AT - 2 * MIN,
    to_ns=AT + 2 * MIN,
    order=(TIDE,),
    gap_ns=0,
    show_place="called show",
)
LINES = {
    "dark hours": DARK_HOURS,
    "hold-dark": Override(8, Kind.HOLD_DARK, AT - MIN, AT + MIN, hold="wind", why="15.2 is above 14 since 18:05"),
    "dark": Override(1, Kind.DARK, AT - MIN, AT + MIN),
    "rig-check": Override(2, Kind.RIG_CHECK, AT - MIN, AT + MIN, level=0.3, check=CHECK),
    "out of service": Override(6, Kind.OUT_OF_SERVICE, AT - MIN, AT + MIN, zone="ridge", why="it flickers"),
    "burn-in": Override(7, Kind.BURN_IN, AT - MIN, AT + 12 * H, level=0.4, check=CHECK),
    "hold-pause": Override(9, Kind.HOLD_PAUSE, AT - MIN, AT + MIN, hold="rain", why="it is heavy since 18:05"),
    "pause": Override(3, Kind.PAUSE, AT - MIN, AT + MIN),
    "call": CALL,
    "performance": PERFORMANCE,
}
DIM = Override(4, Kind.DIM, AT - MIN, AT + MIN, level=0.5)
HOLD_DIM = Override(10, Kind.HOLD_DIM, AT - MIN, AT + MIN, level=0.4, hold="wind", why="9 is above 8 since 18:05")
MUTE = Override(5, Kind.MUTE, AT - MIN, AT + MIN)


def segment(*in_force: object, rig_check: float | None = None) -> DecidedSegment:
    """The segment where these are in force together."""
    facts = DayFacts(
        occurrences=tuple(one for one in (PERFORMANCE, CALL) if one in in_force),
        windows=tuple(one for one in in_force if isinstance(one, HoursWindow)),
        overrides=tuple(one for one in in_force if isinstance(one, Override)),
        zone=LONDON,
        brightness=0.8,
        brightness_reason=Reason("site.toml:20 output.brightness", "brightness 0.8", ReasonCode.BRIGHTNESS),
        fade_ns=S,
        volume=0.9,
        check_in_dark=rig_check,
    )
    return DayPlan(DAY, facts).segment_at(AT)


def rules(found: DecidedSegment) -> list[str]:
    return [reason.rule for reason in found.reasons]


def check_lines() -> None:
    """Each line together with all weaker ones: state, light, sound, deciding reason and show."""
    expected = {
        "dark hours": (State.DARK, 0.0, 0.0, "site.toml:9 neighbours.dark", "called"),
        "hold-dark": (State.DARK, 0.0, 0.0, "override 8 hold-dark", "called"),
        "dark": (State.DARK, 0.0, 0.0, "override 1 dark", "called"),
        "rig-check": (State.RIG_CHECK, 0.3, 0.0, "override 2 rig-check", None),
        "out of service": (State.DARK, 0.0, 0.0, "override 6 out-of-service", "called"),
        "burn-in": (State.RIG_CHECK, 0.4, 0.0, "override 7 burn-in", None),
        "hold-pause": (State.PAUSED, 0.0, 0.0, "override 9 hold-pause", "called"),
        "pause": (State.PAUSED, 0.0, 0.0, "override 3 pause", "called"),
        "call": (State.PLAYING, 0.8, 0.9, "called show", "called"),
        "performance": (State.PLAYING, 0.8, 0.9, "evening show", "evening"),
    }
    names = list(LINES)
    for number, name in enumerate(names):
        found = segment(*(LINES[one] for one in names[number:]))
        shown = (found.state, found.level_from, found.sound_from, rules(found)[0], found.show)
        assert shown == expected[name], name


def check_rig_check_in_dark_hours() -> None:
    """Dark hours give way to a rig check where the site allows it, and to nothing else."""
    check, dark = LINES["rig-check"], LINES["dark"]
    assert segment(DARK_HOURS, check).state == State.DARK
    found = segment(DARK_HOURS, check, LINES["pause"], PERFORMANCE, rig_check=0.05)
    assert (found.state, found.level_from) == (State.RIG_CHECK, 0.05)
    assert rules(segment(DARK_HOURS, dark, check, rig_check=0.05)) == ["site.toml:9 neighbours.dark"]
    assert segment(DARK_HOURS, LINES["pause"], PERFORMANCE, rig_check=0.05).state == State.DARK
    burn_in = segment(DARK_HOURS, LINES["burn-in"], PERFORMANCE, rig_check=0.05)  # nobody stands there by night
    assert (burn_in.state, burn_in.level_from) == (State.DARK, 0.0)


def check_limits() -> None:
    """The limits, in the order of their reasons. A dim is a share of the set brightness; hours are absolute."""
    found = segment(PERFORMANCE, *HOURS, MUTE, DIM, HOLD_DIM)
    assert (found.level_from, found.sound_from, found.sound) == (0.25, 0.0, False)
    *_, quiet, dim, hold, by_hand, mute, brightness = rules(found)
    assert (quiet, dim) == ("site.toml:10 neighbours.quiet", "site.toml:11 neighbours.dim")
    assert (hold, by_hand, mute) == ("override 10 hold-dim", "override 4 dim", "override 5 mute")
    assert brightness == "site.toml:20 output.brightness"
    assert segment(PERFORMANCE, *HOURS).sound_from == 0.4
    assert segment(PERFORMANCE, DIM).level_from == 0.4


def check_holds() -> None:
    """Each hold limits the light by itself, so the darker one shows. The reason says which hold, and why."""
    other = replace(HOLD_DIM, id=11, level=0.25)
    assert segment(PERFORMANCE, HOLD_DIM, other).level_from == 0.2
    assert segment(PERFORMANCE, HOLD_DIM, DIM).level_from == 0.8 * 0.4  # each is a share of the brightness that is set
    found = segment(PERFORMANCE, HOLD_DIM, LINES["hold-pause"], LINES["hold-dark"])
    assert (found.state, found.reasons[0].text) == (State.DARK, "wind: 15.2 is above 14 since 18:05")
    found = segment(PERFORMANCE, HOLD_DIM, LINES["hold-pause"])
    assert (found.state, found.reasons[0].text) == (State.PAUSED, "rain: it is heavy since 18:05")
    dimmed = segment(PERFORMANCE, HOLD_DIM).reasons[-2].text
    assert dimmed == "dimmed to 40% of the brightness that is set by wind: 9 is above 8 since 18:05"
    assert segment(DARK_HOURS, LINES["hold-dark"], LINES["rig-check"], rig_check=0.05).state == State.DARK


def check() -> None:
    check_lines()
    check_rig_check_in_dark_hours()
    check_limits()
    check_holds()


def without_one_or_moved(lines: tuple[object, ...]) -> list[tuple[object, ...]]:
    left_out = [lines[:at] + lines[at + 1 :] for at in range(len(lines))]
    moved = [(*lines[:at], lines[at + 1], lines[at], *lines[at + 2 :]) for at, _ in enumerate(pairwise(lines))]
    return left_out + moved


def test_each_line_decides_in_its_order() -> None:
    check()


@pytest.mark.parametrize(
    ("table", "lines"),
    [
        *(("PRECEDENCE", lines) for lines in without_one_or_moved(PRECEDENCE)),
        *(("LIMITS", lines) for lines in without_one_or_moved(LIMITS)),
    ],
)
def test_a_line_that_is_missing_or_moved_fails(
    table: str, lines: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(precedence, table, lines)
    with pytest.raises((AssertionError, TypeError, ValueError)):
        check()


def test_the_readme_has_the_table_as_a_diagram() -> None:
    print(as_diagram())
    assert as_diagram() in README.read_text(), f"daemon/README.md is to have:\n{as_diagram()}"
