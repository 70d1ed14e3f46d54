"""Each cause of a black wire has a code, and a text for a person."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from gloaming.daemon.planner.troubles import BLACK
from gloaming.daemon.score.protocol import Black
from gloaming.daemon.transmitter.readahead import DamagedFrames
from gloaming.daemon.transmitter.telemetry import telemetry
from tests.daemon.transmitter.player_harness import MS, A, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, segment, universe

HOUR_NS = 3600 * SECOND_NS


def lit(sender: FakeSender, **setup: Any) -> PlayerHarness:
    """A piece that plays from 0 s to an hour later."""
    harness = PlayerHarness(sender, **setup)
    harness.score(film(0, HOUR_NS))
    return harness


def after(harness: PlayerHarness, at_ns: int) -> str | None:
    """The code in telemetry at an instant; None is lit. Checks that against the last packet."""
    harness.play(at_ns)
    assert harness.player.output
    code = telemetry(harness.player, harness.player.output.totals, None)["black"]
    sent = [data[126:] for _, _, data in harness.sender.left]
    if sent:
        assert (code is None) == any(sent[-1]), "the code agrees with the last packet"
    return None if code is None else str(code)


def no_output(sender: FakeSender) -> str | None:
    harness = lit(sender)
    output = harness.player.output
    harness.play(SECOND_NS)
    harness.player.use(None)
    assert output
    return str(telemetry(harness.player, output.totals, None)["black"])


def no_score(sender: FakeSender) -> str | None:
    return after(PlayerHarness(sender), SECOND_NS)


def no_windows(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.player.windows = None
    return after(harness, SECOND_NS)


def score_to_come(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender)
    harness.score(film(2 * SECOND_NS, HOUR_NS))
    return after(harness, SECOND_NS)


def score_over(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS))
    assert after(harness, SECOND_NS // 2) is None
    return after(harness, 2 * SECOND_NS)


def score_gap(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS), film(3 * SECOND_NS, HOUR_NS))
    return after(harness, 2 * SECOND_NS)


def score_dark(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS), segment(SECOND_NS, HOUR_NS))
    return after(harness, 2 * SECOND_NS)


def unknown_hours(sender: FakeSender) -> str | None:
    harness = lit(sender)
    assert harness.player.windows
    harness.player.windows = replace(harness.player.windows, until_ns=harness.wall_ns + SECOND_NS)
    assert after(harness, SECOND_NS // 2) is None
    return after(harness, 2 * SECOND_NS)


def dark_hours(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.dark((SECOND_NS, HOUR_NS))
    return after(harness, 2 * SECOND_NS)


def dark_hours_by_wall_clock(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.dark((HOUR_NS, 2 * HOUR_NS), wall=HOUR_NS + SECOND_NS)
    return after(harness, 2 * SECOND_NS)


def dark_hours_held(sender: FakeSender) -> str | None:
    """The clock steps past the end of a window that has begun."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 10 * HOUR_NS))
    harness.dark((SECOND_NS, HOUR_NS))
    assert harness.player.windows
    harness.player.windows = replace(
        harness.player.windows, rules=frozenset(one.rule for one in harness.player.windows.windows)
    )
    assert after(harness, 2 * SECOND_NS) == Black.DARK_HOURS
    assert harness.player.score
    harness.player.score = replace(harness.player.score, offset_ns=harness.player.score.offset_ns + 2 * HOUR_NS)
    harness.wall_ns += 2 * HOUR_NS
    return after(harness, 3 * SECOND_NS)


def starting(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.player.black_by()
    return str(harness.player.black_by())


def file_missing(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.read_ahead.get = lambda path, frame: DamagedFrames("there is no such file", whole=True)  # type: ignore[method-assign]  # once
    return after(harness, SECOND_NS)


def damaged(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.read_ahead.damaged_from = 80
    assert after(harness, SECOND_NS) is None
    return after(harness, 3 * SECOND_NS)


def unread(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.read_ahead.gone.add("/film")
    return after(harness, 2 * SECOND_NS)


def refresh(sender: FakeSender) -> str | None:
    """Black has just been sent when the light begins: 512 slots take 23 ms."""
    harness = PlayerHarness(sender, universe(1, A, slots=512))
    harness.score(segment(0, 10 * MS), film(10 * MS, HOUR_NS))
    return after(harness, 15 * MS)


def universes(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender, universe(7, A, slots=20))
    harness.score(film(0, HOUR_NS))
    return after(harness, SECOND_NS)


def picture(sender: FakeSender) -> str | None:
    harness = lit(sender)
    harness.read_ahead.scale = 0
    return after(harness, SECOND_NS)


def level(sender: FakeSender) -> str | None:
    harness = PlayerHarness(sender)
    harness.score(film(0, HOUR_NS, (0.003, 0.003)))
    return after(harness, SECOND_NS)


def limiter(sender: FakeSender) -> str | None:
    fuse = {"kind": "string", "name": "ridge", "ma": 0.001, "always_ma": 0, "strings": [0]}
    limits = {"strings": [{"ma": 20, "spans": [[1, 1, 20]]}], "levels": [[fuse]]}
    return after(lit(sender, limits=limits), SECOND_NS)


CONDITIONS: dict[Black, Callable[[FakeSender], str | None]] = {
    Black.NO_OUTPUT: no_output,
    Black.NO_SCORE: no_score,
    Black.NO_WINDOWS: no_windows,
    Black.SCORE_TO_COME: score_to_come,
    Black.SCORE_OVER: score_over,
    Black.SCORE_GAP: score_gap,
    Black.SCORE: score_dark,
    Black.UNKNOWN_HOURS: unknown_hours,
    Black.DARK_HOURS: dark_hours,
    Black.DARK_HOURS_BY_WALL_CLOCK: dark_hours_by_wall_clock,
    Black.DARK_HOURS_HELD: dark_hours_held,
    Black.STARTING: starting,
    Black.FILE: file_missing,
    Black.DAMAGED: damaged,
    Black.UNREAD: unread,
    Black.REFRESH: refresh,
    Black.UNIVERSES: universes,
    Black.PICTURE: picture,
    Black.LEVEL: level,
    Black.LIMITER: limiter,
}


@pytest.mark.parametrize("code", list(Black))
def test_each_cause_has_a_code_and_a_text(sender: FakeSender, code: Black) -> None:
    assert CONDITIONS[code](sender) == code
    assert BLACK[code]


def test_a_lit_wire_has_no_code(sender: FakeSender) -> None:
    harness = lit(sender)
    for tenth in range(1, 40):
        assert after(harness, tenth * SECOND_NS // 10) is None
    assert np.any(np.frombuffer(harness.sender.left[-1][2][126:], np.uint8))
