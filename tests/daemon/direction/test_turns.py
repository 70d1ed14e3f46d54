"""Repeated pieces of any length: the picture is the same as turn by turn, and a turn costs nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.decide import decide, lit, score
from gloaming.daemon.direction.occurrences import occurrence_of
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.rundown import Occurrence, RundownPiece
from gloaming.daemon.direction.running_order import rundown
from gloaming.daemon.direction.score import State
from gloaming.daemon.reports.nights import season
from gloaming.daemon.reports.rehearsal import rehearse
from gloaming.daemon.reports.survey_energy import energy
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.nights import nights
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameWriter, Universe
from gloaming.shows.rig.draw import MainsWatts
from tests.daemon.direction.test_day_plan import DAY, NTSC, H, S, day_with, evening, frame, level, override
from tests.daemon.quay_site import PLACE, RIG, ns, performance

STILL = RundownPiece("look", "/x/look.frames", 1, Fraction(40))
ALONE = evening(order=(STILL,), gap_ns=0, goes_round=True)
OPENS = DAY + 17 * H


def site_of(folder: Path, lengths: dict[str, int], more: str = "", times: str = 'from = "17:00"\nto = "22:00"') -> Site:
    """A site whose one show gives pieces of so many frames at 40 a second."""
    (folder / "pieces").mkdir(parents=True)
    tables = [PLACE]
    for name, frames in lengths.items():
        with FrameWriter(folder / f"pieces/{name}.frames", Fraction(40), [Universe(1, 3, 0)]) as writer:
            writer.write(np.full((frames, 3), 200, np.uint8))
        tables.append(f'\n[[piece]]\nname = "{name}"\nframes = "pieces/{name}.frames"\n')
    order = ", ".join(f'"{name}"' for name in lengths)
    tables.append(f'\n[[show]]\nname = "evening"\norder = [{order}]\n{more}\n')
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    (folder / "site.toml").write_text("".join([*tables, performance(times)]), encoding="utf-8")
    return load_site(folder, datetime.fromisoformat("2026-11-25T12:00:00+00:00"))


def parts_of(day: DayPlan, occurrence: Occurrence) -> int:
    return sum(len(block.parts) for block in day.rundown(occurrence).blocks)


def test_a_still_for_the_whole_evening_is_one_part_of_the_score(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"look": 1})
    opens_ns = ns("2026-12-18T17:00")
    segments = score(opens_ns, opens_ns + 5 * H, site)
    assert [(one.level_from, one.level_until) for one in segments] == [(0, 1), (1, 1), (1, 0)]
    assert len({one.picture for one in segments}) == 1
    decision = decide(opens_ns + H, site)
    assert (decision.piece, decision.frame, decision.brightness, decision.next_ns) == ("look", 0, 1, opens_ns + 5 * H)


def test_every_frame_of_a_joined_piece_is_due_at_its_exact_time() -> None:
    """Frame n at n / fps, however many turns have gone by: 1000 frames at 30000/1001 are no whole nanoseconds."""
    day = day_with(occurrences=(evening(order=(NTSC,), gap_ns=0, goes_round=True),))
    for turn in (1, 2, 3, 100, 400):
        exact_ns = OPENS + Fraction(turn * 1000 * 1001 * S, 30000)
        begins_ns = -(-exact_ns.numerator // exact_ns.denominator)
        assert (frame(day, begins_ns - 1), frame(day, begins_ns)) == (("ntsc", 999), ("ntsc", 0))


@pytest.mark.parametrize("piece", [NTSC, STILL, replace(STILL, frames=7, fps=Fraction(60000, 1001))])
def test_a_joined_piece_finishes_with_its_last_frame_whole(piece: RundownPiece) -> None:
    to_ns = OPENS + 10 * 60 * S + 1
    occurrence = evening(to_ns=to_ns, latest_ns=to_ns + 60 * S, finish=True, order=(piece,), gap_ns=0, goes_round=True)
    day = day_with(occurrences=(occurrence,))
    turns = -(-(to_ns - OPENS) * piece.fps // (piece.frames * S))
    assert day.end_of(occurrence) == OPENS + piece.frames_ns(int(turns))
    assert frame(day, day.end_of(occurrence) - 1) == (piece.name, piece.frames - 1)
    assert day.segment_at(day.end_of(occurrence)).state == State.DARK


def test_many_pauses_and_skips_of_a_joined_piece_cost_a_few_parts_each() -> None:
    asked = [
        Override(number, kind, OPENS + number * 60 * S + number, OPENS + number * 60 * S + 20 * S)
        for number, kind in enumerate([Kind.PAUSE, Kind.SKIP] * 100, 1)
    ]
    day = day_with(*asked, occurrences=(ALONE,))
    assert parts_of(day, ALONE) <= 4 * len(asked)
    assert len(list(day.segments)) <= 10 * len(asked)


class Instant(int):
    """An instant that counts its comparisons."""

    compared = 0

    def __lt__(self, other: int) -> bool:
        Instant.compared += 1
        return int(self) < other

    def __gt__(self, other: int) -> bool:
        Instant.compared += 1
        return int(self) > other


def test_many_skips_cost_a_few_comparisons_each() -> None:
    """A stuck button: a skip every six seconds all night. Each piece compares only the next skip."""
    skips = tuple(Instant(OPENS + number * 6 * S) for number in range(1, 2000))
    Instant.compared = 0
    occurrence = evening(order=(replace(STILL, frames=40), NTSC), gap_ns=0)
    laid_out = rundown(occurrence, (), skips, ZoneInfo("Europe/London"))
    assert {part.from_ns for block in laid_out.blocks for part in block.parts} >= set(skips)
    assert Instant.compared <= 100 * len(skips)


def test_a_pause_stops_a_joined_piece_and_does_not_change_the_past() -> None:
    piece = replace(NTSC, frames=7)
    occurrence = evening(order=(piece,), gap_ns=0, goes_round=True)
    pause_ns = OPENS + 1234 * S + 5
    before, after = (
        day_with(occurrences=(occurrence,)),
        day_with(override(Kind.PAUSE, pause_ns, pause_ns + 61 * S), occurrences=(occurrence,)),
    )
    for at_ns in range(OPENS, pause_ns + S, 333_333_333):
        assert frame(before, at_ns) == frame(after, at_ns)
        assert at_ns >= pause_ns or before.segment_at(at_ns).reasons == after.segment_at(at_ns).reasons
    for at_ns in range(pause_ns + S, pause_ns + 20 * S, 333_333_333):
        assert frame(after, at_ns + 60 * S) == frame(before, at_ns)
    assert level(after, pause_ns + 30 * S) == 0


def test_a_skip_begins_a_joined_piece_again() -> None:
    skip_ns = OPENS + 1234 * S + 5
    occurrence = evening(order=(NTSC,), gap_ns=0, goes_round=True)
    day = day_with(override(Kind.SKIP, skip_ns, skip_ns + S), occurrences=(occurrence,))
    assert frame(day, skip_ns) == ("ntsc", 0)
    assert frame(day, skip_ns - 1) == frame(day_with(occurrences=(occurrence,)), skip_ns - 1)


def test_rounds_of_short_pieces_are_laid_out_once(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"flood": 80, "ebb": 80})
    (night,) = nights(site, date(2026, 12, 18), date(2026, 12, 18))
    occurrence = occurrence_of(night, site)
    day = DayPlan(ns("2026-12-18T00:00"), replace(day_with().facts, occurrences=(occurrence,)))
    assert parts_of(day, occurrence) <= 8
    opens_ns = night.opens_ns
    assert [frame(day, opens_ns + at_s * S) for at_s in (0, 2, 4, 17_998)] == [
        ("flood", 0),
        ("ebb", 0),
        ("flood", 0),
        ("ebb", 0),
    ]
    segments = score(opens_ns, opens_ns + 60 * S, site)
    assert len({one.picture for one in segments}) == 30
    assert all(first.until_ns == second.from_ns for first, second in pairwise(segments))


@pytest.mark.parametrize("more", ['gap = "4 s"', 'gap = "4 s"\nplay = "shuffled"', 'cross_fade = "1 s"', ""])
def test_what_a_season_burns_is_what_its_scores_have(tmp_path: Path, more: str) -> None:
    site = site_of(tmp_path, {"flood": 80, "ebb": 130, "slack": 410}, more)
    rows = season(site, date(2026, 12, 18), date(2026, 12, 19))
    joules = 0.0
    for row in rows:
        for one in score(row.night.opens_ns, row.closes_ns, site):
            watts = {"flood": 1.0, "ebb": 10.0, "slack": 100.0}[one.picture.piece] if one.picture else 0.0
            joules += watts * (one.level_from + one.level_until) / 2 * (one.until_ns - one.from_ns) / S
    of_string = {"flood": 1.0, "ebb": 10.0, "slack": 100.0}
    found = energy(site, {piece: {"ridge": MainsWatts(watts, 0.0)} for piece, watts in of_string.items()}, rows)
    assert found
    assert found.season_kwh * 3_600_000 == pytest.approx(joules, rel=1e-9)
    if not more:
        found_lit = list(lit(rows[0].night.opens_ns, rows[0].closes_ns, site))
        assert len(found_lit) < 30, "repeated rounds are counted together"


def test_a_rehearsal_counts_every_turn_of_a_joined_piece(tmp_path: Path) -> None:
    found = rehearse(site_of(tmp_path, {"tide": 840}, times='from = "17:00"\nto = "17:10"'), *[date(2026, 12, 18)] * 2)
    assert found.pieces == {"tide": 29}
    (cut,) = found.cuts
    assert (cut.what, cut.at_ns) == ("tide", ns("2026-12-18T17:10"))


def test_turns_that_are_too_short_for_a_board_are_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        site_of(tmp_path / "two", {"port": 1, "starboard": 1})
    (config_error,) = caught.value.errors
    assert (config_error.line, config_error.key) == (17, "show[0].order")
    assert "0.025 s on the average" in config_error.problem
    assert "name one piece alone" in str(config_error.hint)
    with pytest.raises(InputError, match=r"show\[0\].order"):
        site_of(tmp_path / "gap", {"port": 1}, 'gap = "0.5 s"')
    assert site_of(tmp_path / "slow", {"port": 1}, 'gap = "1 s"')
    assert site_of(tmp_path / "clock", {"port": 1, "starboard": 1}, 'start_every = "1 min"')
    assert site_of(tmp_path / "fade", {"port": 1}, 'cross_fade = "2 s"'), "nobody sees that a still fades into itself"
