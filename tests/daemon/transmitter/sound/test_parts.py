"""The parts of sound, each alone: the device's clock, the follower, the plan, the mixer, the reader. No device."""

from __future__ import annotations

import random
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from gloaming.daemon.score.score import Picture, Score, Segment
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.transmitter.sound.clock import DeviceClock
from gloaming.daemon.transmitter.sound.follow import Follower
from gloaming.daemon.transmitter.sound.mixer import SoundVoice, mix
from gloaming.daemon.transmitter.sound.plan import SoundPass, plan_of, read_plan
from gloaming.daemon.transmitter.sound.quiet import QuietWindows, quiet_of, read_quiet
from gloaming.daemon.transmitter.sound.reader import SoundReader
from gloaming.shows.media.sound_info import measure
from gloaming.shows.media.sound_reading import to_channels

RATE = 48_000
S = 1_000_000_000
MS = 1_000_000


def reports(seconds: float, ppm: float = 0.0, noise_ms: float = 0.3, begin_ns: int = S) -> Iterator[tuple[int, int]]:
    """The reports of a device whose clock is `ppm` slow: every 25 ms, with the jitter of a busy machine."""
    jitter = random.Random(7)
    for index in range(0, int(seconds * RATE), 1200):
        heard_ns = begin_ns + index * S / RATE * (1 + ppm / 1e6)
        yield index, round(heard_ns + jitter.gauss(0, noise_ms) * MS)


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 200.0])
def test_the_clock_learns_how_far_the_device_is_off(ppm: float) -> None:
    clock = DeviceClock(RATE)
    worst_ns = 0.0
    for index, heard_ns in reports(60, ppm):
        clock.add(index, heard_ns)
        if clock.line and index > RATE:
            truth_ns = S + index * S / RATE * (1 + ppm / 1e6)
            worst_ns = max(worst_ns, abs(clock.line.heard_ns(index) - truth_ns))
    assert clock.line is not None
    assert clock.line.slope * 1e6 == pytest.approx(ppm, abs=15)
    assert worst_ns < 0.5 * MS
    assert clock.line.index_at(clock.line.heard_ns(5 * RATE)) == pytest.approx(5 * RATE, abs=1)


def test_the_first_reports_of_an_empty_buffer_do_not_count() -> None:
    """PortAudio fills its buffer at once: it reports five blocks as heard now, before the device has begun."""
    clock = DeviceClock(RATE)
    for index in range(0, 6000, 1200):
        clock.add(index, S + index)
    for index, heard_ns in reports(3, begin_ns=S + 97 * MS):
        clock.add(index + 6000, heard_ns + 6000 * S // RATE)
    assert clock.line
    assert abs(clock.line.heard_ns(RATE) - (S + 97 * MS + S)) < MS


def test_a_driver_that_reports_its_time_roughly_is_averaged() -> None:
    clock = DeviceClock(RATE)
    for index, heard_ns in reports(30, noise_ms=8):
        clock.add(index, heard_ns)
    assert clock.line
    assert abs(clock.line.heard_ns(25 * RATE) - 26 * S) < 4 * MS


def test_a_jump_of_the_device_is_reported_and_a_stray_report_is_not() -> None:
    clock = DeviceClock(RATE)
    for number, (index, heard_ns) in enumerate(reports(10)):
        stray_ns = 200 * MS if number == 150 else 0
        jump_ns = 80 * MS if index > 5 * RATE else 0
        clock.add(index, heard_ns + stray_ns + jump_ns)
    assert clock.jumped_ns == pytest.approx(80 * MS, abs=2 * MS)


def worst_off_ms(off_ms: Callable[[float], float], starved_s: float = -1, ppm: float = 200) -> dict[int, float]:
    """The clock's worst error in each second, when the device's reports are off by `off_ms(second)`."""
    clock = DeviceClock(RATE)
    worst: dict[int, float] = {}
    for index, heard_ns in reports(120, ppm):
        second = index / RATE
        clock.add(index, heard_ns + round(off_ms(second) * MS), abs(second - starved_s) < 0.02)
        if clock.line:
            off = (clock.line.heard_ns(index) - S - index * S / RATE * (1 + ppm / 1e6)) / MS
            worst[int(second)] = max(worst.get(int(second), 0.0), off, -off)
    return worst


@pytest.mark.parametrize("off_ms", [-8.0, 40.0, -36.0])
@pytest.mark.parametrize("begin_s", [20, 65])
def test_late_reports_of_a_server_are_not_followed(off_ms: float, begin_s: float) -> None:
    """As recorded from PulseAudio on a busy machine: wrong at once, then a third less every 1.7 s."""

    def off(second: float) -> float:
        steps = int((second - begin_s) / 1.7)
        return off_ms * 0.67**steps if second >= begin_s else 0.0

    assert max(worst_off_ms(off).values()) < 2.5


@pytest.mark.parametrize(("starved_s", "within_s"), [(-1, 9), (60, 4)])
def test_a_device_that_stays_off_is_followed_and_sooner_after_an_underrun(starved_s: float, within_s: int) -> None:
    worst = worst_off_ms(lambda second: 25.0 if second >= 60 else 0.0, starved_s)
    assert max(worst[second] for second in range(5, 60)) < 1
    assert all(abs(worst[second] - 25) < 1.5 for second in range(60 + within_s, 120))


@pytest.mark.parametrize("ppm", [-1000.0, 1000.0])
def test_a_device_that_is_far_off_its_rate_is_fitted_too(ppm: float) -> None:
    worst = worst_off_ms(lambda second: 0.0, ppm=ppm)
    assert max(worst.values()) < 1.5


KEY = ("/x.flac", 5, 0)


def test_frames_follow_the_sound_without_a_jump() -> None:
    follower = Follower()
    follower.shift_ns(KEY, 0)
    shifts = []
    for tick in range(1, 400):
        at_ns = tick * 25 * MS
        if tick % 4 == 0:
            follower.heard(KEY, at_ns, 30 * MS + round(at_ns * 200e-6), 200e-6)
        shifts.append(follower.shift_ns(KEY, at_ns))
    steps = np.diff(shifts)
    assert abs(steps).max() <= 0.25 * MS + 1
    assert shifts[-1] == pytest.approx(30 * MS + 399 * 25 * MS * 200e-6, abs=0.1 * MS)


def test_frames_stay_where_they_are_when_the_sound_is_gone() -> None:
    follower = Follower()
    follower.shift_ns(KEY, 0)
    follower.heard(KEY, 0, 4 * MS, 0.0)
    for tick in range(1, 30):
        follower.shift_ns(KEY, tick * 25 * MS)
    assert follower.shift_ns(KEY, 750 * MS) == 4 * MS
    for tick in range(31, 120):
        follower.shift_ns(KEY, tick * 25 * MS)
    assert follower.shift_ns(KEY, 3000 * MS) == 4 * MS
    assert not follower.following(3000 * MS)
    assert follower.lead == (KEY, 4 * MS)


def test_another_piece_begins_by_the_score() -> None:
    follower = Follower()
    follower.shift_ns(KEY, 0)
    follower.heard(KEY, 0, 5 * MS, 0.0)
    for tick in range(1, 40):
        follower.shift_ns(KEY, tick * 25 * MS)
    assert follower.shift_ns(("/y.flac", 5, 0), 1000 * MS) == 0


def test_controllers_with_a_lead_do_not_move_the_frames_of_those_without() -> None:
    """They already play the next piece while the others play the end of this one, by its sound."""
    follower, after = Follower(), ("/y.flac", 15, 0)
    for tick in range(200):
        follower.heard(KEY, tick * 25 * MS, 40 * MS, 0.0)
        found = follower.shift_ns(KEY, tick * 25 * MS)
    assert found == 40 * MS
    for tick in range(200, 208):
        assert follower.shift_ns(after, tick * 25 * MS) == 0
        assert follower.shift_ns(KEY, tick * 25 * MS) == 40 * MS


def score(*segments: Segment, delay_ns: int = 0) -> Score:
    return Score(1, 100 * S, 0, segments, None, delay_ns)


def sounding(
    from_s: float, until_s: float, zero_s: float, volume: tuple[float, float] = (1, 1), **more: Any
) -> Segment:
    """A piece of 10 s at 40 frames a second; the score's time runs 100 s ahead of the monotonic clock."""
    picture = replace(Picture("x", "/x.frames", 400, Fraction(40), round(zero_s * S)), **more)
    levels = {"level_from": 1.0, "level_until": 1.0, "sound_from": volume[0], "sound_until": volume[1]}
    ends = (round(from_s * S), round(until_s * S))
    return Segment(*ends, "evening", picture, sound_path="/x.flac", **levels)  # type: ignore[arg-type]  # all floats


def test_a_plan_has_each_turn_of_a_piece_that_repeats() -> None:
    plan = plan_of(score(sounding(100, 125, 100)))
    found = [
        (sound_pass.from_ns / S, sound_pass.until_ns / S, sound_pass.zero_ns / S, sound_pass.key[2])
        for sound_pass in plan.passes(0)
    ]
    assert found == [(0, 10, 0, 0), (10, 20, 10, 1), (20, 25, 20, 2)]
    assert [sound_pass.key[2] for sound_pass in plan.passes(12 * S)] == [1, 2]


def test_no_turn_of_a_piece_begins_after_its_frames_are_over() -> None:
    """301 frames at 30000/1001 end between two nanoseconds: the following sound is next, and opened in time."""
    until_ns = 100 * S + -(-301 * 1001 * S // 30_000)
    piece = replace(sounding(100, 101, 100, frames=301, fps=Fraction(30_000, 1001)), until_ns=until_ns)
    next_picture = piece.picture and piece.picture.later(until_ns - 100 * S)
    following = replace(piece, from_ns=until_ns, until_ns=until_ns + 9 * S, picture=next_picture, sound_path="/y.flac")
    assert [sound_pass.path for sound_pass in plan_of(score(piece, following)).passes(0)] == ["/x.flac", "/y.flac"]


def test_a_piece_that_resumes_in_the_middle_is_at_its_place() -> None:
    (sound_pass,) = plan_of(score(sounding(107, 110, 100))).passes(0)
    assert (sound_pass.from_ns, sound_pass.zero_ns) == (7 * S, 0)


def test_a_delay_moves_the_sound_but_never_the_quiet() -> None:
    parts = (sounding(100, 105, 100), sounding(105, 110, 100, (0, 0)))
    for delay_ns in (-2 * S, 120 * MS, 2 * S):
        plan = plan_of(score(*parts, delay_ns=delay_ns))
        assert [sound_pass.zero_ns for sound_pass in plan.passes(-S * 9)] == [delay_ns]
        assert plan.level_at(5 * S - 1) == 1
        assert plan.level_at(5 * S) == plan.level_at(9 * S) == plan.level_at(-1) == 0


def test_a_sound_that_outlasts_its_frames_goes_on_and_does_not_repeat() -> None:
    ended = sounding(110, 114, 100, ended=True)
    plan = plan_of(score(sounding(100, 110, 100), ended, sounding(114, 116, 100, (0, 0), ended=True)))
    (sound_pass,) = plan.passes(0)
    assert (sound_pass.from_ns, sound_pass.until_ns, sound_pass.zero_ns, sound_pass.key[2]) == (0, 16 * S, 0, 0)
    (resumed,) = plan_of(score(ended)).passes(0)
    assert resumed.same(sound_pass) and resumed.from_ns == 10 * S


def test_a_plan_passes_from_process_to_process() -> None:
    plan = plan_of(score(sounding(100, 104, 100, (0, 1)), sounding(104, 110, 100)))
    assert read_plan(plan.as_json()) == plan
    assert len(plan.stretches) == 1
    assert plan.level_at(2 * S) == 0.5
    assert plan.heard_within(0, S) and not plan.heard_within(11 * S, 12 * S)


KNOWN: dict[str, Any] = {"from_ns": 0, "until_ns": 900 * S, "windows": [], "rules": [], "held": [], "rig_checks": []}


def dark_and_quiet(dark: list[tuple[float, float]], quiet: list[tuple[float, float, float]]) -> QuietWindows:
    """Windows by a score 100 s ahead of the clock and a wall clock 5 s behind the right time; known for 900 s."""
    limits = [*((begin, end, 0.0, 0.0) for begin, end in dark), *((begin, end, 1.0, low) for begin, end, low in quiet)]
    windows = [[round(begin * S), round(end * S), light, sound, "rule", None] for begin, end, light, sound in limits]
    limited = Windows.from_json({**KNOWN, "windows": windows})
    found = read_quiet(quiet_of(limited, replace(score(), wall_offset_ns=5 * S)).as_json())
    assert found
    return found


def test_quiet_and_dark_windows_and_unknown_hours_are_silent() -> None:
    quiet = dark_and_quiet([(300, 400)], [(200, 250, 0.0), (240, 260, 0.5), (500, 600, 0.25)])
    loud = {
        at_s: quiet.ceiling((at_s - 100) * S, 95 * S) for at_s in (199, 200, 249, 251, 261, 299, 300, 399, 400, 550)
    }
    assert loud == {199: 1, 200: 0, 249: 0, 251: 0.5, 261: 1, 299: 1, 300: 0, 399: 0, 400: 1, 550: 0.25}
    assert quiet.ceiling(-101 * S, 95 * S) == quiet.ceiling(800 * S, 95 * S) == 0


def test_quiet_by_either_clock_is_quiet() -> None:
    quiet = dark_and_quiet([], [(200, 250, 0.0)])
    assert quiet.ceiling(90 * S, 95 * S) == 1
    assert quiet.ceiling(90 * S, 105 * S) == 0, "by the wall clock"
    assert quiet.ceiling(110 * S, 0) == 0, "by the score's"


def test_a_message_without_windows_is_read_and_one_with_nonsense_is_refused() -> None:
    assert Windows.from_json(KNOWN).windows == ()
    with pytest.raises(ValueError, match="from 0 to 1"):
        Windows.from_json({**KNOWN, "windows": [[1, 2, 1, 3, "rule", None]]})


class GivenSamples(SoundReader):
    """A reader with given samples, of which some may be missing."""

    def __init__(self, samples: np.ndarray, begin: int = 0) -> None:
        self.rate_hz, self.channels, self.trouble = RATE, 2, None
        self._samples, self._begin = np.repeat(samples[:, None], 2, axis=1).astype(np.float32), begin

    def take(self, position: int, out: np.ndarray) -> int:
        part = self._samples[position - self._begin :][: len(out)]
        out[: len(part)] += part
        return len(part)

    def ended(self, position: int) -> bool:
        return False


def played(voices: list[SoundVoice], frames: int, block: int = 480) -> np.ndarray:
    out = np.zeros((frames, 2), dtype=np.float32)
    for first in range(0, frames, block):
        mix(out[first : first + block], first, voices, 1.0, 1.0)
    return out[:, 0]


def sound_pass(gain: float = 1.0) -> SoundPass:
    return SoundPass(0, 10 * S, "/x.flac", 0, gain, KEY)


def steepest(samples: np.ndarray) -> float:
    return float(np.abs(np.diff(samples)).max())


def test_a_voice_that_begins_and_ends_in_the_middle_does_not_click() -> None:
    """Without a fade a steady level of 0.8 would jump by 0.8 from one sample to the next."""
    voice = SoundVoice(sound_pass(), GivenSamples(np.full(RATE, 0.8), begin=1000), 1000, 1000, 9000)
    out = played([voice], 12_000)
    assert out[5000] == pytest.approx(0.8)
    assert not out[:999].any() and not out[9000:].any()
    assert steepest(out) < 0.005


def test_a_voice_that_leaves_fades() -> None:
    voice = SoundVoice(sound_pass(), GivenSamples(np.full(RATE, 0.8), begin=100), 0, 100, RATE)
    out = np.concatenate([played([voice], 4800), np.zeros(0)])
    voice.leave(4800)
    after = np.zeros((2400, 2), dtype=np.float32)
    mix(after, 4800, [voice], 1.0, 1.0)
    assert steepest(np.concatenate([out, after[:, 0]])) < 0.005
    assert not after[-1].any()


def test_late_samples_leave_a_soft_gap_and_keep_the_place() -> None:
    samples = np.full(RATE, 0.5)
    reader = GivenSamples(samples[:2000], begin=100)
    voice = SoundVoice(sound_pass(), reader, 0, 100, RATE)
    out = np.zeros((4800, 2), dtype=np.float32)
    for first in range(0, 4800, 480):
        if first == 3360:
            reader._samples = np.repeat(samples[:, None], 2, axis=1).astype(np.float32)
        mix(out[first : first + 480], first, [voice], 1.0, 1.0)
    assert voice.missed > 0
    assert out[1000, 0] == out[-1, 0] == 0.5 and not out[2500:3360].any()
    assert steepest(out[:, 0]) < 0.01


def test_levels_change_in_a_line_and_nothing_exceeds_full_scale() -> None:
    voice = SoundVoice(sound_pass(gain=4.0), GivenSamples(np.full(RATE, 0.9)), 0, 0, RATE)
    out = np.zeros((4800, 2), dtype=np.float32)
    mix(out, 0, [voice], 1.0, 0.0)
    assert out.max() == 1.0 and out[-1, 0] == 0.0
    mix(out, 4800, [voice], 0.0, 0.0)
    assert not out.any()


def wave(seconds: float, rate: int, channels: int = 2, hz: float = 440.0) -> np.ndarray:
    tone = 0.5 * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate)
    return np.repeat(tone[:, None], channels, axis=1)


def take_all(reader: SoundReader, position: int, frames: int) -> np.ndarray:
    out = np.zeros((frames, reader.channels), dtype=np.float32)
    deadline = time.monotonic() + 30
    done = 0
    while done < frames and time.monotonic() < deadline:
        done += reader.take(position + done, out[done:])
        if reader.ended(position + done):
            break
        time.sleep(0.01)
    return out[:done]


@pytest.mark.parametrize(("rate", "channels"), [(48_000, 2), (44_100, 2), (8_000, 1), (192_000, 2), (48_000, 6)])
@pytest.mark.parametrize("begin_s", [0.0, 1.5])
def test_any_rate_and_channels_are_converted_to_the_device_s_from_any_place(
    rate: int, channels: int, begin_s: float, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "x.wav", wave(3, rate, channels), rate, subtype="FLOAT")
    position = round(begin_s * RATE)
    reader = SoundReader(str(tmp_path / "x.wav"), position, RATE, 2)
    found = take_all(reader, position, RATE)
    due = wave(3, RATE)[position : position + RATE] * (1.0 if channels < 6 else 0.0)
    assert len(found) == RATE
    if channels < 6:
        assert np.abs(found[2400:-2400] - due[2400:-2400]).max() < 0.01
    reader.close()


@pytest.mark.parametrize(("name", "format", "subtype"), [("x.mp3", "MP3", None), ("x.ogg", "OGG", "VORBIS")])
def test_compressed_formats_start_at_the_right_place(
    name: str, format: str, subtype: str | None, tmp_path: Path
) -> None:
    """A click each second: the one at 7 s comes when it is due, from any start."""
    samples = np.zeros((RATE * 12, 2))
    for second in range(1, 12):
        samples[second * RATE : second * RATE + 480] = wave(0.01, RATE, hz=2000)
    soundfile.write(tmp_path / name, samples, RATE, format=format, subtype=subtype)
    for begin in (RATE * 6 + 12_345, RATE * 5 + 99):
        reader = SoundReader(str(tmp_path / name), begin, RATE, 2)
        found = take_all(reader, begin, RATE * 7 + 4800 - begin)
        recent = found[RATE * 6 + 24_000 - begin :] if begin < RATE * 6 else found
        at = begin + len(found) - len(recent) + int(np.flatnonzero(np.abs(recent[:, 0]) > 0.15)[0])
        assert abs(at - RATE * 7) < RATE // 200
        reader.close()


def holed(folder: Path, name: str, at: float = 0.4, **kind: Any) -> tuple[Path, np.ndarray]:
    """A file of 20 s with 4 KB of zeros in it, and its samples before the damage."""
    samples = np.random.default_rng(1).normal(0, 0.1, (RATE * 20, 2))
    path = folder / name
    soundfile.write(path, samples, RATE, **kind)
    whole, _ = soundfile.read(path, dtype="float32")
    content = bytearray(path.read_bytes())
    place = int(len(content) * at)
    content[place : place + 4096] = bytes(4096)
    path.write_bytes(content)
    return path, whole


MP3_AND_FLAC = [
    ("x.mp3", {"format": "MP3", "bitrate_mode": "CONSTANT"}),
    ("x.mp3", {"format": "MP3", "bitrate_mode": "VARIABLE"}),
    ("x.flac", {"format": "FLAC"}),
]


@pytest.mark.parametrize(("name", "kind"), MP3_AND_FLAC)
@pytest.mark.parametrize("begin_s", [0, 5, 8, 11])
def test_the_sound_after_a_damaged_place_is_heard_at_its_time(
    name: str, kind: dict[str, Any], begin_s: int, tmp_path: Path
) -> None:
    """Decoded by libsndfile from the whole file: the same samples from a second after the hole on."""
    path, whole = holed(tmp_path, name, **kind)
    reader = SoundReader(str(path), begin_s * RATE, RATE, 2)
    found = take_all(reader, begin_s * RATE, (20 - begin_s) * RATE)
    reader.close()
    assert len(found) > (19.9 - begin_s) * RATE
    off = np.abs(found[: len(whole)] - whole[begin_s * RATE :][: len(found)]).max(axis=1)
    wrong_s = (np.flatnonzero(off > 1e-3) / RATE) + begin_s
    assert len(wrong_s) == 0 or (wrong_s[0] > 7.5 and wrong_s[-1] < 9.5 and wrong_s[-1] - wrong_s[0] < 1.0)
    assert np.abs(found).max() < 1.5 * np.abs(whole).max(), "no burst at the edges of the damage"


@pytest.mark.parametrize(("name", "kind"), MP3_AND_FLAC)
def test_the_player_and_the_survey_name_the_same_damaged_place(name: str, kind: dict[str, Any], tmp_path: Path) -> None:
    path, _ = holed(tmp_path, name, **kind)
    reader = SoundReader(str(path), 0, RATE, 2)
    take_all(reader, 0, 20 * RATE)
    reader.close()
    found = measure(path)
    assert found.damage == reader.trouble
    place = re.search(r"from ([.\d]+) s to ([.\d]+) s it cannot be decoded", found.damage)
    assert place
    assert 7.5 < float(place[1]) < float(place[2]) < 9.5
    assert abs(found.length_ns - 20 * S) < S // 10


def test_several_damaged_places_of_an_mp3_are_silent_and_the_others_on_time(tmp_path: Path) -> None:
    path, whole = holed(tmp_path, "x.mp3", at=0.2, format="MP3")
    content = bytearray(path.read_bytes())
    for at, size in ((0.5, 700), (0.7, 20_000)):
        content[int(len(content) * at) : int(len(content) * at) + size] = bytes(size)
    path.write_bytes(content)
    reader = SoundReader(str(path), 0, RATE, 2)
    found = take_all(reader, 0, 20 * RATE)
    reader.close()
    for begin_s, end_s in ((0, 3.8), (6, 9.8), (11, 13.8), (17, 19.8)):
        part = slice(int(begin_s * RATE), int(end_s * RATE))
        assert np.abs(found[part] - whole[part]).max() < 1e-3
    assert reader.trouble and "2 more places" in reader.trouble


def test_an_mp3_with_tags_at_its_ends_has_no_damage(tmp_path: Path) -> None:
    """ID3v2 (id3.org, "ID3 tag version 2.3.0", 3.1) with a picture in it, and ID3v1 at the end."""
    path = tmp_path / "x.mp3"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, (RATE * 3, 2)), RATE, format="MP3")
    picture = b"\xff\xfb\x90\x00" * 500
    size = bytes(len(picture) >> shift & 127 for shift in (21, 14, 7, 0))
    path.write_bytes(b"ID3\x03\x00\x00" + size + picture + path.read_bytes() + b"TAG" + bytes(125))
    found = measure(path)
    assert found.damage == "" and abs(found.length_ns - 3 * S) < S // 10


def test_a_file_cut_short_says_how_far_it_can_be_decoded(tmp_path: Path) -> None:
    path = tmp_path / "x.flac"
    soundfile.write(path, np.random.default_rng(1).standard_normal((RATE * 4, 2)) * 0.1, RATE)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    reader = SoundReader(str(path), 0, RATE, 2)
    take_all(reader, 0, RATE * 4)
    assert reader.trouble and "only 2.0 s of its 4.0 s" in reader.trouble


def test_a_reader_holds_a_few_seconds_of_a_long_file(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros((RATE * 120, 2), dtype=np.int16), RATE)
    reader = SoundReader(str(tmp_path / "x.wav"), 0, RATE, 2)
    deadline = time.monotonic() + 30
    while reader._decoded < 2 * RATE and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.3)
    assert 2 * RATE < reader._decoded < 5 * RATE
    reader.close()


def test_channels_are_mixed_to_two_without_clipping() -> None:
    """ITU-R BS.775-3, annex 4, table 2: centre and surrounds at -3 dB."""
    full = np.ones((4, 6), dtype=np.float32)
    assert to_channels(full, 2).max() == pytest.approx(1.0)
    centre = np.zeros((4, 6), dtype=np.float32)
    centre[:, 2] = 1
    left, right = to_channels(centre, 2)[0]
    assert left == right == pytest.approx(np.sqrt(0.5) / (1 + 2 * np.sqrt(0.5)))
    assert (to_channels(np.ones((4, 1), dtype=np.float32), 2) == 1).all()
    assert to_channels(np.ones((4, 2), dtype=np.float32), 1).shape == (4, 1)
