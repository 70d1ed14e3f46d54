"""Each cause of a black wire has a code, and a text for a person."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from gloaming.daemon.planner.health import BLACK
from gloaming.daemon.score.protocol import Black
from gloaming.daemon.transmitter.readahead import DamagedFrames
from gloaming.daemon.transmitter.telemetry import telemetry
from tests.daemon.transmitter.hall import MS, A, Air, Hall, film
from tests.daemon.transmitter.stage import SECOND_NS, segment, universe

HOUR_NS = 3600 * SECOND_NS


def lit(air: Air, **setup: Any) -> Hall:
    """A piece that plays from 0 s to an hour later."""
    hall = Hall(air, **setup)
    hall.score(film(0, HOUR_NS))
    return hall


def after(hall: Hall, at_ns: int) -> str | None:
    """The code in telemetry at an instant; None is lit. Checks that against the last packet."""
    hall.play(at_ns)
    assert hall.player.output
    code = telemetry(hall.player, hall.player.output.totals, None)["black"]
    sent = [data[126:] for _, _, data in hall.air.left]
    if sent:
        assert (code is None) == any(sent[-1]), "the code agrees with the last packet"
    return None if code is None else str(code)


def no_output(air: Air) -> str | None:
    hall = lit(air)
    output = hall.player.output
    hall.play(SECOND_NS)
    hall.player.use(None)
    assert output
    return str(telemetry(hall.player, output.totals, None)["black"])


def no_score(air: Air) -> str | None:
    return after(Hall(air), SECOND_NS)


def no_windows(air: Air) -> str | None:
    hall = lit(air)
    hall.player.windows = None
    return after(hall, SECOND_NS)


def score_to_come(air: Air) -> str | None:
    hall = Hall(air)
    hall.score(film(2 * SECOND_NS, HOUR_NS))
    return after(hall, SECOND_NS)


def score_over(air: Air) -> str | None:
    hall = Hall(air)
    hall.score(film(0, SECOND_NS))
    assert after(hall, SECOND_NS // 2) is None
    return after(hall, 2 * SECOND_NS)


def score_gap(air: Air) -> str | None:
    hall = Hall(air)
    hall.score(film(0, SECOND_NS), film(3 * SECOND_NS, HOUR_NS))
    return after(hall, 2 * SECOND_NS)


def score_dark(air: Air) -> str | None:
    hall = Hall(air)
    hall.score(film(0, SECOND_NS), segment(SECOND_NS, HOUR_NS))
    return after(hall, 2 * SECOND_NS)


def unknown_hours(air: Air) -> str | None:
    hall = lit(air)
    assert hall.player.windows
    hall.player.windows = replace(hall.player.windows, until_ns=hall.wall_ns + SECOND_NS)
    assert after(hall, SECOND_NS // 2) is None
    return after(hall, 2 * SECOND_NS)


def dark_hours(air: Air) -> str | None:
    hall = lit(air)
    hall.dark((SECOND_NS, HOUR_NS))
    return after(hall, 2 * SECOND_NS)


def dark_hours_by_wall_clock(air: Air) -> str | None:
    hall = lit(air)
    hall.dark((HOUR_NS, 2 * HOUR_NS), wall=HOUR_NS + SECOND_NS)
    return after(hall, 2 * SECOND_NS)


def dark_hours_held(air: Air) -> str | None:
    """The clock steps past the end of a window that has begun."""
    hall = Hall(air)
    hall.score(film(0, 10 * HOUR_NS))
    hall.dark((SECOND_NS, HOUR_NS))
    assert hall.player.windows
    hall.player.windows = replace(hall.player.windows, rules=frozenset(one.rule for one in hall.player.windows.windows))
    assert after(hall, 2 * SECOND_NS) == Black.DARK_HOURS
    assert hall.player.score
    hall.player.score = replace(hall.player.score, offset_ns=hall.player.score.offset_ns + 2 * HOUR_NS)
    hall.wall_ns += 2 * HOUR_NS
    return after(hall, 3 * SECOND_NS)


def starting(air: Air) -> str | None:
    hall = lit(air)
    hall.player.black_by()
    return str(hall.player.black_by())


def file_missing(air: Air) -> str | None:
    hall = lit(air)
    hall.shelf.get = lambda path, frame: DamagedFrames("there is no such file", whole=True)  # type: ignore[method-assign]  # once
    return after(hall, SECOND_NS)


def damaged(air: Air) -> str | None:
    hall = lit(air)
    hall.shelf.damaged_from = 80
    assert after(hall, SECOND_NS) is None
    return after(hall, 3 * SECOND_NS)


def unread(air: Air) -> str | None:
    hall = lit(air)
    hall.shelf.gone.add("/film")
    return after(hall, 2 * SECOND_NS)


def refresh(air: Air) -> str | None:
    """Black has just been sent when the light begins: 512 slots take 23 ms."""
    hall = Hall(air, universe(1, A, slots=512))
    hall.score(segment(0, 10 * MS), film(10 * MS, HOUR_NS))
    return after(hall, 15 * MS)


def universes(air: Air) -> str | None:
    hall = Hall(air, universe(7, A, slots=20))
    hall.score(film(0, HOUR_NS))
    return after(hall, SECOND_NS)


def picture(air: Air) -> str | None:
    hall = lit(air)
    hall.shelf.scale = 0
    return after(hall, SECOND_NS)


def level(air: Air) -> str | None:
    hall = Hall(air)
    hall.score(film(0, HOUR_NS, (0.003, 0.003)))
    return after(hall, SECOND_NS)


def limiter(air: Air) -> str | None:
    string = {"name": "ridge", "ma": 20, "fuse_ma": 0.001, "supply": None, "spans": [[1, 1, 20]]}
    return after(lit(air, limits={"strings": [string], "supplies": []}), SECOND_NS)


CONDITIONS: dict[Black, Callable[[Air], str | None]] = {
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
def test_each_cause_has_a_code_and_a_text(air: Air, code: Black) -> None:
    assert CONDITIONS[code](air) == code
    assert BLACK[code]


def test_a_lit_wire_has_no_code(air: Air) -> None:
    hall = lit(air)
    for tenth in range(1, 40):
        assert after(hall, tenth * SECOND_NS // 10) is None
    assert np.any(np.frombuffer(hall.air.left[-1][2][126:], np.uint8))
