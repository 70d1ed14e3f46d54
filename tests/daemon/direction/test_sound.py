"""What sound is allowed when: quiet hours, mute, pauses, fades; the table of site.toml; the survey of it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.direction.day_plan import DayPlan
from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.rules_in_force import DayFacts, HoursWindow
from gloaming.daemon.direction.rundown import Occurrence, RundownPiece
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.daemon.planner.messages import windows_of
from gloaming.daemon.reports.rehearsal import rehearse
from gloaming.daemon.reports.survey_sound import survey_sounds
from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.site.schema import read_delay, read_level
from gloaming.daemon.transmitter.sound.plan import plan_of
from gloaming.shows.analysis.finding import FindingCode
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.time_units import DAY_NS, SECOND_NS
from tests.daemon.quay_site import EVENING, TABLES, ns, site_of, write

S = SECOND_NS
MIN, H = 60 * S, 3600 * S
DAY = 20_000 * DAY_NS
TIDE = RundownPiece("tide", "/x/tide.frames", 9000, Fraction(40), sound=True)  # 225 s
OPENS, CLOSES = DAY + 17 * H, DAY + 22 * H
WHY = Reason("site.toml:9 neighbours", "hours", ReasonCode.QUIET_HOURS)


def day_with(
    *overrides: Override, windows: tuple[HoursWindow, ...] = (), volume: float = 1.0, piece: RundownPiece = TIDE
) -> DayPlan:
    occurrence = Occurrence("evening", date(2024, 10, 4), OPENS, CLOSES, CLOSES, False, 0, (piece,), gap_ns=4 * S)
    return DayPlan(DAY, DayFacts((occurrence,), windows, overrides, ZoneInfo("Europe/London"), 0.8, WHY, S, volume))


def volume_at(day: DayPlan, at_ns: int) -> float:
    return day.segment_at(at_ns).sound_at(at_ns)


def level_at(day: DayPlan, at_ns: int) -> float:
    return day.segment_at(at_ns).level_at(at_ns)


def quiet(from_ns: int, until_ns: int, volume: float = 0.0) -> HoursWindow:
    return HoursWindow(from_ns, until_ns, WHY, None, True, volume)


def test_sound_rises_with_the_light_and_falls_with_it() -> None:
    day = day_with(volume=0.6)
    assert volume_at(day, OPENS) == 0
    assert volume_at(day, OPENS + S // 2) == pytest.approx(0.3)
    assert volume_at(day, OPENS + MIN) == pytest.approx(0.6)
    assert volume_at(day, CLOSES - S // 2) == pytest.approx(0.3)
    assert volume_at(day, CLOSES) == 0


def test_the_fade_into_quiet_hours_is_complete_when_they_begin() -> None:
    day = day_with(windows=(quiet(OPENS + 2 * H, OPENS + 3 * H),))
    assert volume_at(day, OPENS + 2 * H - S) == 1
    assert volume_at(day, OPENS + 2 * H - S // 2) == pytest.approx(0.5)
    assert volume_at(day, OPENS + 2 * H) == 0
    assert level_at(day, OPENS + 2 * H + MIN) == 0.8, "the light stays on"
    assert not day.segment_at(OPENS + 2 * H + MIN).sound
    assert volume_at(day, OPENS + 3 * H + 2 * S) == 1


def test_quiet_hours_may_allow_some_volume() -> None:
    day = day_with(windows=(quiet(OPENS + 2 * H, OPENS + 3 * H, 0.3),), volume=0.8)
    assert volume_at(day, OPENS + 2 * H + MIN) == pytest.approx(0.3)
    assert day.segment_at(OPENS + 2 * H + MIN).sound


def test_a_mute_fades_when_it_is_asked_and_leaves_the_light() -> None:
    asked = OPENS + H
    day = day_with(Override(1, Kind.MUTE, asked, asked + 10 * MIN))
    assert volume_at(day, asked) == 1 and volume_at(day, asked + S) == 0
    assert level_at(day, asked + S) == 0.8
    assert volume_at(day, asked + 10 * MIN + S) == 1


@pytest.mark.parametrize("kind", [Kind.PAUSE, Kind.DARK])
def test_a_pause_and_a_dark_fade_light_and_sound_together(kind: Kind) -> None:
    asked = OPENS + H
    day = day_with(Override(1, kind, asked, asked + 10 * MIN))
    for part in range(0, 10):
        at_ns = asked + part * S // 10
        assert volume_at(day, at_ns) == pytest.approx(level_at(day, at_ns) / 0.8)
    assert volume_at(day, asked + 5 * MIN) == 0


def test_a_dimmed_light_leaves_the_sound_as_it_is() -> None:
    day = day_with(Override(1, Kind.DIM, OPENS + H, OPENS + 2 * H, level=0.2))
    assert volume_at(day, OPENS + H + MIN) == 1


def test_a_show_without_sound_has_no_edges_for_it() -> None:
    silent = RundownPiece("tide", "/x/tide.frames", 9000, Fraction(40))
    mute = Override(1, Kind.MUTE, OPENS + H, OPENS + 2 * H)
    assert all(one.sound_from == one.sound_until == 0 for one in day_with(mute, piece=silent).segments)


LONGER = replace(TIDE, sound_ns=240 * S)
SHORTER = replace(TIDE, sound_ns=200 * S)


def seen(day: DayPlan, at_ns: int) -> tuple[float, bool, str]:
    """Brightness, whether there is sound, and the first reason."""
    segment = day.segment_at(at_ns)
    return segment.level_at(at_ns), segment.sound, segment.reasons[0].text


def test_where_the_sound_is_longer_than_the_frames_the_rest_is_dark_and_the_next_piece_waits() -> None:
    day = day_with(piece=LONGER)
    assert seen(day, OPENS + 225 * S - 1) == (0.8, True, "tide began at 18:00:00, in order")
    for at_ns in (OPENS + 225 * S, OPENS + 240 * S - 1):
        assert seen(day, at_ns) == (
            0,
            True,
            "tide began at 18:00:00, in order; its frames have ended, its sound continues",
        )
        assert volume_at(day, at_ns) == 1
        assert day.segment_at(at_ns).state == State.PLAYING
    assert day.segment_at(OPENS + 240 * S).state == State.WAITING
    assert seen(day, OPENS + 244 * S) == (0.8, True, "tide began at 18:04:04, in order")


def test_where_the_sound_is_shorter_than_the_frames_the_rest_is_silent() -> None:
    day = day_with(piece=SHORTER)
    assert seen(day, OPENS + 200 * S - 1)[1]
    assert seen(day, OPENS + 200 * S) == (0.8, False, "tide began at 18:00:00, in order; its sound has ended")
    assert day.segment_at(OPENS + 225 * S).state == State.WAITING


def test_a_piece_that_fills_the_time_is_dark_at_the_end_of_each_turn_whose_sound_is_longer() -> None:
    swell = RundownPiece("swell", "/x/swell.frames", 1200, Fraction(40), sound=True, sound_ns=33 * S)  # 30 s
    occurrence = Occurrence("evening", date(2024, 10, 4), OPENS, CLOSES, CLOSES, False, 0, (TIDE,), gap_ns=70 * S)
    day = DayPlan(DAY, DayFacts((replace(occurrence, between=swell),), (), (), ZoneInfo("Europe/London"), 0.8, WHY, S))
    gap_ns = OPENS + 225 * S
    levels = [level_at(day, gap_ns + part * S) for part in (0, 29, 30, 32, 33, 62, 63, 65, 66, 69)]
    assert levels == [0.8, 0.8, 0, 0, 0.8, 0.8, 0, 0, 0.8, 0.8]
    assert "swell fills the time; its frames have ended" in seen(day, gap_ns + 64 * S)[2]
    for part in (1, 34, 67):
        picture = day.segment_at(gap_ns + part * S).picture
        assert picture and picture.frame_at(gap_ns + part * S) == 40


@pytest.mark.parametrize("hush", [Kind.MUTE, "quiet hours"])
def test_what_is_not_heard_lasts_as_long(hush: Kind | str) -> None:
    span = (OPENS, OPENS + H)
    day = (
        day_with(Override(1, hush, *span), piece=LONGER)
        if isinstance(hush, Kind)
        else (day_with(windows=(quiet(*span),), piece=LONGER))
    )
    assert seen(day, OPENS + 230 * S) == (0, False, seen(day_with(piece=LONGER), OPENS + 230 * S)[2])
    assert day.segment_at(OPENS + 240 * S).state == State.WAITING
    assert seen(day, OPENS + 244 * S)[2] == "tide began at 18:04:04, in order"


def test_a_skip_ends_what_is_left_of_the_sound() -> None:
    asked = OPENS + 230 * S
    day = day_with(Override(1, Kind.SKIP, asked, asked + MIN), piece=LONGER)
    assert seen(day, asked - 1)[2].endswith("its sound continues")
    assert seen(day, asked) == (0.8, True, "tide began at 18:03:50, in order")


def test_a_pause_within_what_is_left_of_the_sound_takes_it_up_at_its_place() -> None:
    asked = OPENS + 230 * S
    day = day_with(Override(1, Kind.PAUSE, asked, asked + 10 * MIN), piece=LONGER)
    paused, resumed = day.segment_at(asked + MIN), day.segment_at(asked + 10 * MIN)
    assert (paused.state, paused.level_from, paused.sound) == (State.PAUSED, 0, False)
    assert paused.picture and paused.picture.frame_at(asked + MIN) == 231 * 40, "the show moves on while it fades"
    assert resumed.picture and resumed.picture.ended and resumed.sound
    assert asked + 10 * MIN - resumed.picture.zero_ns == 231 * S
    assert day.segment_at(asked + 10 * MIN + 9 * S).state == State.WAITING, "nine seconds were left"


def test_dark_hours_within_what_is_left_of_the_sound_are_silent() -> None:
    dark_ns = OPENS + 230 * S
    day = day_with(windows=(HoursWindow(dark_ns, dark_ns + MIN, WHY, 0.0),), piece=LONGER)
    assert volume_at(day, dark_ns - 2 * S) == 1 and volume_at(day, dark_ns) == 0
    assert not day.segment_at(dark_ns).sound
    assert day.segment_at(dark_ns).picture is None


def test_the_score_has_black_and_one_sound_to_its_end() -> None:
    day = day_with(piece=LONGER)
    segments: list[Segment] = [
        replace(segment, sound_path="/x/tide.flac") for segment in day.segments_between(OPENS, OPENS + 240 * S)
    ]
    message = json.dumps(Score(1, OPENS - S, 0, tuple(segments)).to_json())
    score = Score.from_json(json.loads(message))
    black = score.at(OPENS + 230 * S)
    assert black and black.dark and black.seen is None
    plan = plan_of(score)
    (sound_pass,) = plan.passes(S)
    assert (sound_pass.from_ns, sound_pass.until_ns, sound_pass.zero_ns) == (S, 241 * S, S)
    assert plan.level_at(240 * S) == 1


spans = st.tuples(st.integers(0, 300), st.integers(1, 120)).map(lambda v: (OPENS + v[0] * MIN, OPENS + sum(v) * MIN))


@settings(max_examples=60, deadline=None)
@given(
    windows=st.lists(st.tuples(spans, st.sampled_from([0.0, 0.0, 0.3])), max_size=3),
    asked=st.lists(st.tuples(st.sampled_from([Kind.MUTE, Kind.PAUSE, Kind.DARK, Kind.DIM]), spans), max_size=4),
)
def test_no_sound_passes_what_the_quiet_hours_allow(
    windows: list[tuple[tuple[int, int], float]], asked: list[tuple[Kind, tuple[int, int]]]
) -> None:
    rules = tuple(quiet(*span, volume) for span, volume in windows)
    overrides = tuple(
        Override(number, kind, *span, level=0.5 if kind == Kind.DIM else None)
        for number, (kind, span) in enumerate(asked)
    )
    day = day_with(*overrides, windows=rules, volume=0.9)
    for one in day.segments:
        for rule in rules:
            if rule.from_ns < one.until_ns and one.from_ns < rule.until_ns:
                assert one.sound_at(max(one.from_ns, rule.from_ns)) <= rule.volume + 1e-9
                assert one.sound_at(min(one.until_ns, rule.until_ns)) <= rule.volume + 1e-9
    steps = [abs(b.sound_from - a.sound_until) for a, b in pairwise(day.segments)]
    ceilings = {rule.from_ns for rule in rules}
    assert all(step < 1e-6 or b.from_ns in ceilings for step, (_, b) in zip(steps, pairwise(day.segments), strict=True))


def test_the_windows_of_the_transmitter_have_the_quiet_hours_too(tmp_path: Path) -> None:
    hours = (
        '\n[neighbours]\nquiet = [{ from = "20:00", to = "21:00", volume = 0.3 }, { from = "21:00", to = "09:00" }]\n'
    )
    found = windows_of(site_of(tmp_path, TABLES, EVENING, hours), ns("2026-12-01T12:00"), ns("2026-12-02T08:00"))
    eight, nine, morning = ns("2026-12-01T20:00"), ns("2026-12-01T21:00"), ns("2026-12-02T09:00")
    first, second = found.windows
    assert (first[:4], second[:4]) == ((eight, nine, 1.0, 0.3), (nine, morning, 1.0, 0.0))
    assert found.rules == {first.rule, second.rule} and first.rule != second.rule


def test_delays_and_levels_are_read() -> None:
    assert read_delay("120 ms") == 120_000_000
    assert read_delay("-1.5 s") == -1_500_000_000
    assert read_level("-16 LUFS") == -16.0


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('delay = "3 s"', "more than 2 s"),
        ('delay = "soon"', "not a delay"),
        ("delay = 120", "not a delay"),
        ('level = "loud"', "not a loudness"),
        ('level = "+3 LUFS"', "not a loudness"),
        ("volume = 1.5", "volume"),
        ('devise = "USB"', "did you mean device?"),
    ],
)
def test_an_error_in_the_sound_table_is_reported_with_its_line(line: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        site_of(tmp_path, TABLES, EVENING, f"\n[sound]\n{line}\n")
    text = str(caught.value)
    number = (tmp_path / "site.toml").read_text().splitlines().index(line) + 1
    assert message in text and f"site.toml:{number}" in text and "sound" in text


def tone(seconds: float, level: float, rate: int = 48_000, channels: int = 2) -> np.ndarray:
    wave = level * np.sin(2 * np.pi * 997 * np.arange(int(seconds * rate)) / rate)
    return np.repeat(wave[:, None], channels, axis=1)


def test_the_survey_reports_loudness_lengths_and_damage(tmp_path: Path) -> None:
    write(tmp_path)
    soundfile.write(tmp_path / "pieces/bells.flac", tone(98, 0.05, channels=1), 48_000)
    (tmp_path / "pieces/tide.flac").write_bytes(b"no sound at all, only words" * 9)
    found = survey_sounds(site_of(tmp_path, TABLES, EVENING, '\n[sound]\nlevel = "-16 LUFS"\n'))
    texts = {finding.text: finding for finding in found}
    (cannot,) = [one for one in found if one.severity == "error"]
    assert cannot.place == "site.toml:12 tide.flac" and cannot.code == FindingCode.SOUND_UNREADABLE and cannot.hint
    assert any("2.0 s shorter than its frames: bells ends in silence" in text for text in texts)
    assert any("FLAC PCM_16, 48 kHz, mono" in text for text in texts)
    (loud,) = [text for text in texts if "LUFS" in text]
    # A 997 Hz sine of 0.05 on one channel is 26.02 + 3.01 dB below full scale: -29.0 LUFS (BS.1770-4, note 1). It is
    # played on both: -26.0 LUFS.
    assert "bells plays at -16.0 LUFS, true peak -16.0 dBTP" in loud
    assert "(the file has -26.0 LUFS in stereo, gain +10.0 dB)" in loud


def test_the_survey_reports_a_dark_end_and_the_rehearsal_counts_it(tmp_path: Path) -> None:
    write(tmp_path)
    soundfile.write(tmp_path / "pieces/bells.flac", tone(107, 0.05, 8000), 8000)
    soundfile.write(tmp_path / "pieces/tide.ogg", tone(225.05, 0.05, 8000), 8000)
    site = site_of(tmp_path, TABLES.replace("tide.flac", "tide.ogg"), EVENING)
    assert {name: site.pieces[name].sound_ns for name in ("bells", "tide")} == {"bells": 107 * S, "tide": None}
    texts = [finding.text for finding in survey_sounds(site) if "frames" in finding.text]
    assert texts == ["it is 7.0 s longer than its frames: bells ends in the dark"]
    found = rehearse(site, date(2026, 12, 1), date(2026, 12, 1))
    (row,) = found.rows
    # bells, tide and lanterns with a gap of 4 s after each: 107 + 225 + 140 + 3 * 4 = 484 s
    rounds, rest_ns = divmod(row.night.to_ns - row.night.opens_ns, 484 * S)
    assert found.pieces["bells"] == rounds + (rest_ns > 0)
    assert not [cut for cut in found.cuts if cut.what == "bells"] or rest_ns < 107 * S
    at_ns = row.night.opens_ns + 103 * S
    decision = decide(at_ns, site)
    assert (decision.piece, decision.frame, decision.position_ns, decision.brightness) == ("bells", None, 103 * S, 0)


@pytest.mark.parametrize("damage", ["gone", "words", "cut short", "too long a header"])
def test_a_sound_that_cannot_be_read_does_not_change_the_length(damage: str, tmp_path: Path) -> None:
    write(tmp_path)
    path = tmp_path / "pieces/bells.flac"
    noise = np.random.default_rng(1).normal(0, 0.1, (8000 * 130, 1))
    soundfile.write(path, noise, 8000)
    whole = path.read_bytes()
    if damage == "gone":
        path.unlink()
    elif damage == "words":
        path.write_bytes(b"no sound at all, only words" * 9)
    elif damage == "cut short":
        path.write_bytes(whole[: len(whole) // 2])
    else:  # the number of samples (RFC 9639 8.2): four more bits of it
        path.write_bytes(whole[:21] + bytes([whole[21] | 0x0F]) + whole[22:])
    site = site_of(tmp_path, TABLES, EVENING)
    assert site.pieces["bells"].sound_ns is None
    assert site.pieces["bells"].length_ns == 100 * S
    reported = [one.place for one in survey_sounds(site) if one.severity == "error"] + [
        str(one) for one in site.missing_sounds
    ]
    assert [one for one in reported if "bells.flac" in one]


def test_the_survey_reports_a_piece_that_peaks_limit(tmp_path: Path) -> None:
    write(tmp_path)
    sharp = tone(20, 0.05)
    sharp[48_000:48_010] = 0.9
    soundfile.write(tmp_path / "pieces/bells.flac", sharp, 48_000)
    soundfile.write(tmp_path / "pieces/tide.flac", tone(20, 0.2), 48_000)
    site = site_of(tmp_path, TABLES, EVENING, '\n[sound]\nlevel = "-6 LUFS"\n')
    found = [one for one in survey_sounds(site) if "peaks" in one.text]
    assert [one.place for one in found] == ["site.toml:7 bells.flac"]
    assert found[0].severity == "warning" and found[0].hint and "level =" in found[0].hint


def test_the_survey_reports_loudness_with_the_volume_and_without_a_level(tmp_path: Path) -> None:
    write(tmp_path)
    soundfile.write(tmp_path / "pieces/bells.flac", tone(5, 0.1), 48_000)
    soundfile.write(tmp_path / "pieces/tide.flac", tone(5, 0.05), 48_000)

    def heard(*tables: str) -> dict[str, str]:
        found = survey_sounds(site_of(tmp_path, TABLES, EVENING, *tables))
        told = [one for one in found if "plays at" in one.text or "there is no sound" in one.text]
        return {one.place.split()[-1]: one.text for one in told}

    as_it_is = heard()["bells.flac"]
    assert "plays at -20.0 LUFS, true peak -20.0 dBTP" in as_it_is and "gain +0.0 dB" in as_it_is
    level = '\n[sound]\nlevel = "-23 LUFS"\n'
    assert "plays at -29.0 LUFS, true peak -29.0 dBTP" in heard(level + "volume = 0.5\n")["tide.flac"]
    table = (tmp_path / "site.toml").read_text().split("[sound]")[0].count("\n") + 1
    assert heard(level + "volume = 0\n") == {f"site.toml:{table}": "volume = 0 in [sound]: there is no sound"}


def test_a_site_without_sound_has_no_findings_of_it(tmp_path: Path) -> None:
    tables = TABLES.replace('sound = "pieces/bells.flac"\n', "").replace('sound = "pieces/tide.flac"\n', "")
    assert survey_sounds(site_of(tmp_path, tables, EVENING)) == ()
