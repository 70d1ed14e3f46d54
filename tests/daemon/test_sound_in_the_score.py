"""What sound is allowed when: quiet hours, mute, pauses, fades; the table of site.toml; the survey of it."""

from __future__ import annotations

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

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.programme import DAY_NS, Giving, Piece
from gloaming.daemon.direction.score import SECOND_NS, Reason
from gloaming.daemon.direction.stage import Facts, Stage, Window
from gloaming.daemon.sound_tables import read_delay, read_level
from gloaming.daemon.survey_sound import survey_sounds
from gloaming.shows.mistake import MistakeError
from tests.daemon.quay_site import EVENING, TABLES, site_of, write

S = SECOND_NS
MIN, H = 60 * S, 3600 * S
DAY = 20_000 * DAY_NS
TIDE = Piece("tide", "/x/tide.frames", 9000, Fraction(40), sound=True)  # 225 s
OPENS, CLOSES = DAY + 17 * H, DAY + 22 * H
WHY = Reason("site.toml:9 neighbours", "hours")


def stage(*overrides: Override, windows: tuple[Window, ...] = (), volume: float = 1.0, piece: Piece = TIDE) -> Stage:
    giving = Giving("evening", date(2024, 10, 4), OPENS, CLOSES, CLOSES, False, 0, (piece,), gap_ns=4 * S)
    return Stage(DAY, Facts((giving,), windows, overrides, ZoneInfo("Europe/London"), 0.8, WHY, S, volume))


def volume_at(day: Stage, at_ns: int) -> float:
    return day.segment_at(at_ns).sound_at(at_ns)


def level_at(day: Stage, at_ns: int) -> float:
    return day.segment_at(at_ns).level_at(at_ns)


def quiet(from_ns: int, until_ns: int, volume: float = 0.0) -> Window:
    return Window(from_ns, until_ns, WHY, None, True, volume)


def test_sound_rises_with_the_light_and_falls_with_it() -> None:
    day = stage(volume=0.6)
    assert volume_at(day, OPENS) == 0
    assert volume_at(day, OPENS + S // 2) == pytest.approx(0.3)
    assert volume_at(day, OPENS + MIN) == pytest.approx(0.6)
    assert volume_at(day, CLOSES - S // 2) == pytest.approx(0.3)
    assert volume_at(day, CLOSES) == 0


def test_the_fade_into_quiet_hours_is_complete_when_they_begin() -> None:
    day = stage(windows=(quiet(OPENS + 2 * H, OPENS + 3 * H),))
    assert volume_at(day, OPENS + 2 * H - S) == 1
    assert volume_at(day, OPENS + 2 * H - S // 2) == pytest.approx(0.5)
    assert volume_at(day, OPENS + 2 * H) == 0
    assert level_at(day, OPENS + 2 * H + MIN) == 0.8, "the light goes on"
    assert not day.segment_at(OPENS + 2 * H + MIN).sound
    assert volume_at(day, OPENS + 3 * H + 2 * S) == 1


def test_quiet_hours_may_allow_some_volume() -> None:
    day = stage(windows=(quiet(OPENS + 2 * H, OPENS + 3 * H, 0.3),), volume=0.8)
    assert volume_at(day, OPENS + 2 * H + MIN) == pytest.approx(0.3)
    assert day.segment_at(OPENS + 2 * H + MIN).sound


def test_a_mute_fades_when_it_is_asked_and_leaves_the_light() -> None:
    asked = OPENS + H
    day = stage(Override(1, Kind.MUTE, asked, asked + 10 * MIN))
    assert volume_at(day, asked) == 1 and volume_at(day, asked + S) == 0
    assert level_at(day, asked + S) == 0.8
    assert volume_at(day, asked + 10 * MIN + S) == 1


@pytest.mark.parametrize("kind", [Kind.PAUSE, Kind.DARK])
def test_a_pause_and_a_dark_fade_light_and_sound_together(kind: Kind) -> None:
    asked = OPENS + H
    day = stage(Override(1, kind, asked, asked + 10 * MIN))
    for part in range(0, 10):
        at_ns = asked + part * S // 10
        assert volume_at(day, at_ns) == pytest.approx(level_at(day, at_ns) / 0.8)
    assert volume_at(day, asked + 5 * MIN) == 0


def test_a_dimmed_light_leaves_the_sound_as_it_is() -> None:
    day = stage(Override(1, Kind.DIM, OPENS + H, OPENS + 2 * H, level=0.2))
    assert volume_at(day, OPENS + H + MIN) == 1


def test_a_show_without_sound_has_no_edges_for_it() -> None:
    silent = Piece("tide", "/x/tide.frames", 9000, Fraction(40))
    mute = Override(1, Kind.MUTE, OPENS + H, OPENS + 2 * H)
    assert all(one.sound_from == one.sound_until == 0 for one in stage(mute, piece=silent).segments)


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
    day = stage(*overrides, windows=rules, volume=0.9)
    for one in day.segments:
        for rule in rules:
            if rule.from_ns < one.until_ns and one.from_ns < rule.until_ns:
                assert one.sound_at(max(one.from_ns, rule.from_ns)) <= rule.volume + 1e-9
                assert one.sound_at(min(one.until_ns, rule.until_ns)) <= rule.volume + 1e-9
    steps = [abs(b.sound_from - a.sound_until) for a, b in pairwise(day.segments)]
    ceilings = {rule.from_ns for rule in rules}
    assert all(step < 1e-6 or b.from_ns in ceilings for step, (_, b) in zip(steps, pairwise(day.segments), strict=True))


def test_delays_and_levels_are_read() -> None:
    assert read_delay("120 ms") == 120_000_000
    assert read_delay("-1.5 s") == -1_500_000_000
    assert read_level("-16 LUFS") == -16.0


@pytest.mark.parametrize(
    ("line", "said"),
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
def test_what_is_wrong_in_the_sound_table_is_said_with_its_line(line: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(MistakeError) as caught:
        site_of(tmp_path, TABLES, EVENING, f"\n[sound]\n{line}\n")
    text = str(caught.value)
    number = (tmp_path / "site.toml").read_text().splitlines().index(line) + 1
    assert said in text and f"site.toml:{number}" in text and "sound" in text


def tone(seconds: float, level: float, rate: int = 48_000, channels: int = 2) -> np.ndarray:
    wave = level * np.sin(2 * np.pi * 997 * np.arange(int(seconds * rate)) / rate)
    return np.repeat(wave[:, None], channels, axis=1)


def test_the_survey_hears_loudness_lengths_and_damage(tmp_path: Path) -> None:
    write(tmp_path)
    soundfile.write(tmp_path / "pieces/bells.flac", tone(98, 0.05, channels=1), 48_000)
    (tmp_path / "pieces/tide.flac").write_bytes(b"no sound at all, only words" * 9)
    found = survey_sounds(site_of(tmp_path, TABLES, EVENING, '\n[sound]\nlevel = "-16 LUFS"\n'))
    said = {finding.text: finding for finding in found}
    (cannot,) = [one for one in found if one.severity == "error"]
    assert cannot.place == "tide.flac" and "not sound that can be played" in cannot.text and cannot.todo
    assert any("2.0 s shorter than its frames: the end of bells is silent" in text for text in said)
    assert any("FLAC PCM_16, 48 kHz, mono" in text for text in said)
    (loud,) = [text for text in said if "LUFS" in text]
    # A 997 Hz sine of 0.05 on one channel is 26.02 + 3.01 dB below full scale: -29.0 LUFS (BS.1770-4, note 1).
    assert "bells has -29.0 LUFS, true peak -26.0 dBTP; +13.0 dB bring it to -16.0 LUFS" in loud


def test_the_survey_says_where_peaks_hold_a_piece_back(tmp_path: Path) -> None:
    write(tmp_path)
    sharp = tone(20, 0.05)
    sharp[48_000:48_010] = 0.9
    soundfile.write(tmp_path / "pieces/bells.flac", sharp, 48_000)
    soundfile.write(tmp_path / "pieces/tide.flac", tone(20, 0.2), 48_000)
    site = site_of(tmp_path, TABLES, EVENING, '\n[sound]\nlevel = "-6 LUFS"\n')
    found = [one for one in survey_sounds(site) if "peaks" in one.text]
    assert [one.place for one in found] == ["bells.flac"]
    assert found[0].severity == "warning" and found[0].todo and "level =" in found[0].todo


def test_a_site_without_sound_has_no_findings_of_it(tmp_path: Path) -> None:
    tables = TABLES.replace('sound = "pieces/bells.flac"\n', "").replace('sound = "pieces/tide.flac"\n', "")
    assert survey_sounds(site_of(tmp_path, tables, EVENING)) == ()
