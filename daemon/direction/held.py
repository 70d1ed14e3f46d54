"""Windows of the neighbours' hours that had begun when the clock was set: each holds for as long as it would have held.

A held window goes with each step of the clock, so that its end stays the same instant of the monotonic clock. It is a
fact that `decide` is given. Only an edit of its rule in site.toml ends it early.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from gloaming.daemon.direction.scene import Window
from gloaming.shows.time_units import DAY_NS


class Held(NamedTuple):
    """A window by the clock of now. `rule` names what its rule says (`rule_id`)."""

    rule: str
    from_ns: int
    until_ns: int


def after_step(held: Iterable[Held], windows: Iterable[Window], now_ns: int, step_ns: int) -> tuple[Held, ...]:
    """What holds once the clock was set, by `step_ns` to `now_ns`: the windows that had begun, and what was held."""
    before_ns = now_ns - step_ns
    begun = [Held(one.rule, one.from_ns, one.until_ns) for one in windows if one.from_ns <= before_ns < one.until_ns]
    moved = (Held(one.rule, one.from_ns + step_ns, one.until_ns + step_ns) for one in (*held, *begun))
    return tuple(dict.fromkeys(one for one in moved if one.until_ns > now_ns - DAY_NS))


def told(
    held: tuple[Held, ...], windows: Iterable[Window], others: Iterable[tuple[str, int]], now_ns: int, slack_ns: int
) -> tuple[Held, ...]:
    """With what a transmitter holds and nobody here knew: `others` are rules and until when each holds."""
    known = [*held, *(Held(one.rule, one.from_ns, one.until_ns) for one in windows)]
    new = [
        Held(rule, now_ns, until_ns)
        for rule, until_ns in others
        if until_ns > now_ns + slack_ns
        and not any(one.rule == rule and one.from_ns <= now_ns and one.until_ns >= until_ns - slack_ns for one in known)
    ]
    return (*held, *new)
