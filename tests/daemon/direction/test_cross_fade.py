"""Cross-fades from one piece to the next: as they are decided, and on the wire."""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.decide import score
from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.rules_in_force import DayFacts
from gloaming.daemon.direction.rundown import RundownPiece
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.segments import join
from tests.daemon.direction.test_day_plan import BELLS, DAY, MIN, NTSC, TIDE, H, S, day_with, evening, override
from tests.daemon.quay_site import EVENING, TABLES, site_of
from tests.daemon.transmitter.process_harness import listening, running_transmitter, universe, write_frames

OPENS = DAY + 17 * H
TIDE_BEGINS = OPENS + 100 * S
FADING = (evening(gap_ns=0, cross_fade_ns=2 * S),)
FILLED = (evening(between=NTSC, cross_fade_ns=2 * S),)
HOST = "127.0.61.21"


def mixed(day: DayPlan, at_ns: int) -> tuple[str, int, float] | None:
    """Piece, frame and share of the picture that fades away at an instant."""
    mix = day.segment_at(at_ns).mix
    return (mix.picture.piece, mix.picture.frame_at(at_ns), mix.share_at(at_ns)) if mix else None


def test_the_last_frame_of_a_piece_fades_away_under_the_next() -> None:
    day = day_with(occurrences=FADING)
    assert mixed(day, TIDE_BEGINS - 1) is None
    assert mixed(day, TIDE_BEGINS) == ("bells", 3999, 1.0)
    assert mixed(day, TIDE_BEGINS + S) == ("bells", 3999, 0.5)
    assert mixed(day, TIDE_BEGINS + 2 * S) is None
    segment = day.segment_at(TIDE_BEGINS + S)
    assert segment.picture and segment.picture.frame_at(TIDE_BEGINS + S) == 40
    assert segment.level_at(TIDE_BEGINS + S) == 0.8


def test_a_filler_comes_and_goes_in_cross_fades_and_moves_on_meanwhile() -> None:
    day = day_with(occurrences=FILLED)
    assert mixed(day, TIDE_BEGINS) == ("bells", 3999, 1.0)
    assert mixed(day, TIDE_BEGINS + 3 * S) is None
    assert mixed(day, TIDE_BEGINS + 4 * S + S) == ("ntsc", 149, 0.5)


def test_nothing_fades_away_at_an_opening_nor_without_a_cross_fade() -> None:
    assert mixed(day_with(occurrences=FADING), OPENS + S) is None
    assert all(segment.mix is None for segment in day_with().segments)


def test_a_skip_fades_from_the_frame_it_came_to() -> None:
    skip = override(Kind.SKIP, OPENS + 30 * S, OPENS + 30 * S)
    assert mixed(day_with(skip, occurrences=FADING), OPENS + 31 * S) == ("bells", 1199, 0.5)


def test_a_pause_in_a_cross_fade_holds_the_new_piece_alone() -> None:
    day = day_with(override(Kind.PAUSE, TIDE_BEGINS - S // 2, TIDE_BEGINS + 5 * MIN), occurrences=FADING)
    paused = day.segment_at(TIDE_BEGINS + MIN)
    assert (paused.state, paused.mix) == (State.PAUSED, None)


def test_after_the_black_end_of_a_long_sound_nothing_fades_away() -> None:
    longer = replace(BELLS, sound=True, sound_ns=110 * S)
    day = day_with(occurrences=(evening(gap_ns=0, cross_fade_ns=2 * S, order=(longer, TIDE)),))
    assert mixed(day, OPENS + 110 * S + S) is None


def test_a_score_cut_within_a_cross_fade_is_the_same_when_it_is_joined(tmp_path: Path) -> None:
    tables = TABLES.replace('gap = "4 s"', 'gap = "4 s"\ncross_fade = "3 s"\nbetween = "swell"')
    site = site_of(tmp_path, tables, EVENING)
    from_ns = 1_798_050_000 * S  # 2026-12-23, 18:20 in London
    whole = score(from_ns, from_ns + 10 * MIN, site)
    fading = next(segment for segment in whole if segment.mix and segment.mix.from_ns > from_ns)
    cut_ns = fading.from_ns + S
    assert join(score(from_ns, cut_ns, site), score(cut_ns, whole[-1].until_ns, site)) == whole
    assert fading.mix is not None and fading.mix.until_ns == fading.mix.from_ns + 3 * S


def test_on_the_wire_every_level_between_the_two_pieces_is_seen(tmp_path: Path) -> None:
    """Bells stay at 40, tide at 240. The received level rises in small steps and never falls."""
    paths = {name: tmp_path / f"{name}.frames" for name in ("bells", "tide")}
    for name, level in (("bells", 40), ("tide", 240)):
        write_frames(paths[name], np.full((80, 30), level, np.uint8))
    pieces = tuple(RundownPiece(name, str(path), 80, Fraction(40)) for name, path in paths.items())
    with listening(HOST) as listener, running_transmitter(tmp_path) as there:
        there.setup([universe(1, HOST, slots=30)])
        there.dark()
        there.wait_for("telemetry")  # a busy machine takes its time to begin
        begin_ns = time.time_ns() + S
        occurrence = evening(begin_ns - H, begin_ns + H, order=pieces, cross_fade_ns=S, gap_ns=0)
        facts = DayFacts((occurrence,), (), (), day_with().facts.zone, 1.0, day_with().facts.brightness_reason, S)
        day = DayPlan(begin_ns // (24 * H) * 24 * H, facts)
        tide = next(one for one in day.segments if one.from_ns >= begin_ns and one.mix and one.picture)
        assert tide.picture is not None
        if tide.picture.piece != "tide":
            tide = next(one for one in day.segments if one.from_ns > tide.from_ns and one.mix)
        before, after = day.segment_at(tide.from_ns - 1), day.segment_at(tide.until_ns)
        there.score(*(one.to_json() for one in (before, tide, after)))
        listener.wait_until(lambda heard: any(one.slots[0] == 240 for one in heard[3:] if one.is_data))
        levels = [one.slots[0] for one in listener.data() if one.slots[0]]
    rising = levels[levels.index(40) :]
    rising = rising[: rising.index(240) + 1]
    assert rising == sorted(rising)
    assert len(set(rising)) >= 35
    assert max(np.diff(rising)) <= 12
