"""Light and sound at the output: packets on the wire, samples at a null sink's monitor. Bounds suit a busy machine."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy.signal import resample_poly

from gloaming.daemon.reports.survey_sound import survey_sounds
from tests.daemon.planner.test_sound_levels import Asked, care_of, picture
from tests.daemon.quay_site import EVENING, site_of
from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    PacketListener,
    TransmitterProcess,
    running_transmitter,
    segment,
    universe,
)
from tests.daemon.transmitter.quay import (
    EVERY_S,
    FIRST_S,
    PIPEWIRE_SERVER,
    RATE,
    SOUND_SERVER,
    PipeQuay,
    Quay,
    Recording,
    clicks_and_flashes,
    flashes_ns,
    numbers,
    offsets_ms,
    quay_at,
    sounding,
    tone,
    wire_to,
)
from tests.tools import needs

pytestmark = needs(*SOUND_SERVER)
BOUND_MS = 40.0
PATIENCE_S = 60.0


EITHER_SERVER = [
    pytest.param(Quay, id="PulseAudio"),
    pytest.param(PipeQuay, id="PipeWire", marks=needs(*PIPEWIRE_SERVER)),
]


@pytest.fixture
def quay(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Quay]:
    with quay_at(tmp_path / "server", getattr(request, "param", Quay)) as quay:
        yield quay


def begin(transmitter: TransmitterProcess, address: str) -> None:
    transmitter.setup([universe(1, address)])
    transmitter.dark()


def wait_for_clicks(recording: Recording, count: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while len(recording.clicks_ns()) < count:
        assert time.monotonic() < deadline, f"{len(recording.clicks_ns())} clicks were heard, {count} are due"
        time.sleep(0.2)


def lit(listener: PacketListener) -> list[int]:
    """The frames as they came, without the black before the first and after the last."""
    found = numbers(listener.data())
    bright = [place for place, number in enumerate(found) if number]
    return found[bright[0] : bright[-1] + 1]


def goes_on(frames: list[int]) -> bool:
    """Whether the light went on from frame to frame. A busy machine may drop one now and then."""
    span = range(frames[0], frames[-1] + 1)
    return frames == sorted(set(frames)) and len(frames) > 0.95 * len(span) and max(np.diff(frames)) < 20


@pytest.mark.parametrize("quay", EITHER_SERVER, indirect=True)
def test_click_and_flash_coincide_from_the_start_and_after_a_seek(quay: Quay, tmp_path: Path) -> None:
    path, sound = clicks_and_flashes(tmp_path, 20)
    recording = Recording(quay)
    with wire_to("127.0.88.1") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.1")
        now_ns = time.time_ns()
        zero_ns, end_ns = now_ns + 3 * SECOND_NS, now_ns + 60 * SECOND_NS
        content = sounding(path, sound, 20)
        transmitter.score(segment(now_ns - SECOND_NS, zero_ns), segment(zero_ns, end_ns, zero_ns=zero_ns, **content))
        wait_for_clicks(recording, 5)
        middle_ns = time.time_ns()
        sought_ns = time.monotonic_ns()
        transmitter.score(segment(middle_ns, end_ns, zero_ns=middle_ns - 10 * SECOND_NS, **content), id=2)
        wait_for_clicks(recording, 11)
        found = offsets_ms(recording.clicks_ns(), flashes_ns(listener.data()))
        assert not [one for one in transmitter.heard if one["op"] == "trouble" and one["kind"] == "sound"]
    recording.end()
    begun = [off for flash_ns, off in found.items() if flash_ns < sought_ns]
    sought = [off for flash_ns, off in found.items() if flash_ns > sought_ns + SECOND_NS]
    assert min(len(begun), len(sought)) >= 3
    bound_ms = 2 * BOUND_MS if isinstance(quay, PipeQuay) else BOUND_MS
    assert abs(np.median(begun)) < bound_ms
    assert abs(np.median(sought)) < bound_ms


def test_sound_returns_after_its_server_is_killed_in_the_middle_of_a_piece(quay: Quay, tmp_path: Path) -> None:
    path, sound = clicks_and_flashes(tmp_path, 60)
    recording = Recording(quay)
    with wire_to("127.0.88.2") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.2")
        zero_ns = time.time_ns()
        content = sounding(path, sound, 60)
        transmitter.score(segment(zero_ns, zero_ns + 60 * SECOND_NS, zero_ns=zero_ns, **content))
        wait_for_clicks(recording, 3)
        quay.kill()
        recording.end()
        said = transmitter.wait_for("trouble", lambda one: one["kind"] == "sound")
        assert "sound device" in said["subject"] and said["text"]
        quay.start()
        recording = Recording(quay)
        wait_for_clicks(recording, 6)
        found = list(offsets_ms(recording.clicks_ns(), flashes_ns(listener.data())).values())
        transmitter.wait_for("trouble", lambda one: one["kind"] == "sound" and one["over"])
        frames = lit(listener)
        last = transmitter.end()
    recording.end()
    assert abs(np.median(found[-4:])) < BOUND_MS
    assert goes_on(frames)
    assert last["sound"]["restarts"] >= 1


def test_sound_returns_after_its_server_hangs(quay: Quay, tmp_path: Path) -> None:
    path, sound = clicks_and_flashes(tmp_path, 60)
    recording = Recording(quay)
    assert quay.process
    with wire_to("127.0.88.7") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.7")
        zero_ns = time.time_ns()
        transmitter.score(segment(zero_ns, zero_ns + 60 * SECOND_NS, zero_ns=zero_ns, **sounding(path, sound, 60)))
        wait_for_clicks(recording, 3)
        time.sleep(max(0.0, 6 - (time.time_ns() - zero_ns) / SECOND_NS))  # the device has started
        quay.process.send_signal(signal.SIGSTOP)
        said = transmitter.wait_for("trouble", lambda one: one["kind"] == "sound")
        assert "the sound device has stopped" in said["text"]
        quay.process.send_signal(signal.SIGCONT)
        heard = len(recording.clicks_ns())
        wait_for_clicks(recording, heard + 3)
        transmitter.wait_for("trouble", lambda one: one["kind"] == "sound" and one["over"])
        frames = lit(listener)
        assert goes_on(frames)
    recording.end()


def test_quiet_hours_are_silent_while_the_light_goes_on(quay: Quay, tmp_path: Path) -> None:
    path, sound = clicks_and_flashes(tmp_path, 20)
    recording = Recording(quay)
    with wire_to("127.0.88.3") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.3")
        zero_ns = time.time_ns()
        end_ns = zero_ns + 100 * SECOND_NS
        content = sounding(path, sound, 20)
        transmitter.score(segment(zero_ns, end_ns, zero_ns=zero_ns, **content))
        wait_for_clicks(recording, 2)
        quiet_ns = time.time_ns() + SECOND_NS
        transmitter.score(
            segment(zero_ns, quiet_ns, zero_ns=zero_ns, **content),
            segment(quiet_ns, end_ns, zero_ns=zero_ns, **{**content, "sound_level": (0.0, 0.0)}),
            id=2,
        )
        offset_ns = time.monotonic_ns() - time.time_ns()
        before = len(flashes_ns(listener.data()))
        listener.wait_until(lambda heard: len(flashes_ns([one for one in heard if one.is_data])) >= before + 8)
        clicks = recording.clicks_ns()
    recording.end()
    assert clicks.max() < quiet_ns + offset_ns + 50_000_000


def wait_for_sound(recording: Recording) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not np.abs(recording.samples(chunks=20)).max(initial=0) > 0.1:
        assert time.monotonic() < deadline, "nothing is heard"
        time.sleep(0.1)


def test_a_mute_is_silent_when_the_transmitter_reports_it(quay: Quay, tmp_path: Path) -> None:
    path, _ = clicks_and_flashes(tmp_path, 60)
    content = sounding(path, tone(tmp_path, 60), 60)
    recording = Recording(quay)
    with wire_to("127.0.88.9"), running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.9")
        now_ns = time.time_ns()
        zero_ns, end_ns = now_ns + 3 * SECOND_NS, now_ns + 60 * SECOND_NS
        transmitter.score(segment(now_ns, zero_ns), segment(zero_ns, end_ns, zero_ns=zero_ns, **content))
        assert transmitter.find("playing")["volume"] == 0, "no device runs yet"
        wait_for_sound(recording)
        transmitter.wait_for("telemetry", lambda one: one["sound"] and one["sound"]["volume"] == 1)
        mute_ns = time.time_ns()
        muted = {**content, "sound_level": (0.0, 0.0)}
        transmitter.score(segment(mute_ns, end_ns, zero_ns=zero_ns, **muted), id=2)
        told = transmitter.wait_for("playing", lambda one: one["id"] == 2 and one["volume"] == 0)
        told_ns = time.monotonic_ns()
        transmitter.wait_for("telemetry", lambda one: one["sound"]["heard_id"] == 2 and one["sound"]["volume"] == 0)
    recording.end()
    assert told["volume"] == 0
    last_ns = recording.times_ns(np.flatnonzero(np.abs(recording.samples()) > 0.01)[-1:])[0]
    assert last_ns - told_ns < BOUND_MS * 1e6
    assert told_ns - last_ns < SECOND_NS, "the report is prompt"


LENGTH_S = 3


def test_each_piece_is_as_loud_as_the_survey_says(quay: Quay, tmp_path: Path) -> None:
    """Recorded at the monitor, measured by pyloudnorm (its K filter by De Man) and by SciPy's resampling: loudness and
    true peak (ITU-R BS.1770-4) of files with one, two and six channels."""
    noise = np.random.default_rng(3).normal(0, 0.05, (RATE * LENGTH_S, 6))
    centre = noise * [0, 0, 1, 0, 0, 0]
    sharp = noise[:, :2] * 0.02
    sharp[:: RATE // 2] = 0.5
    contents = {"mono": noise[:, :1], "stereo": noise[:, :2], "surround": noise, "centre": centre, "sharp": sharp}
    order = "".join(f'[[piece]]\nname = "{n}"\nframes = "pieces/swell.frames"\nsound = "{n}.wav"\n' for n in contents)
    for name, content in contents.items():
        soundfile.write(tmp_path / f"{name}.wav", content, RATE, subtype="FLOAT")
    show = f"\n[[show]]\nname = 'evening'\norder = {[*contents]}\n"
    site = site_of(tmp_path, order, show, EVENING, '\n[sound]\nlevel = "-16 LUFS"\n')
    said = {name: one.text for name in contents for one in survey_sounds(site) if f"{name} plays at" in one.text}
    care = care_of(Asked(site))
    for name in contents:
        asyncio.run(care._measure(tmp_path / f"{name}.wav"))
    recording = Recording(quay, channels=2)
    with running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.10")
        path, _ = clicks_and_flashes(tmp_path, LENGTH_S)
        begins_ns = [time.time_ns() + (4 + LENGTH_S * number) * SECOND_NS for number in range(len(contents) + 1)]
        segments = []
        for name, begin_ns in zip(contents, begins_ns, strict=False):
            content = sounding(path, tmp_path / f"{name}.wav", LENGTH_S, sound_level=(1.0, 1.0))
            gain = care.of(picture(site, name))[1]
            segments.append(segment(begin_ns, begin_ns + LENGTH_S * SECOND_NS, zero_ns=begin_ns, gain=gain, **content))
        transmitter.score(segment(begins_ns[0] - 5 * SECOND_NS, begins_ns[0]), *segments)
        offset_ns = time.monotonic_ns() - time.time_ns()
        while time.time_ns() < begins_ns[-1] + SECOND_NS:
            transmitter.wait_for("telemetry")
    recording.end()
    heard = recording.samples()
    for name, begin_ns in zip(contents, begins_ns, strict=False):
        first = recording.place_at(begin_ns + offset_ns)
        part = heard[first + RATE // 4 : first + RATE * (4 * LENGTH_S - 1) // 4]
        loudness = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(part)
        peak = 20 * np.log10(np.abs(resample_poly(part, 4, 1, axis=0)).max())
        told = re.search(r"plays at ([-.\d]+) LUFS, true peak ([-.\d]+) dBTP", said[name])
        assert told
        assert loudness == pytest.approx(float(told[1]), abs=0.3)
        assert peak == pytest.approx(float(told[2]), abs=0.5)
        assert peak < -1 + 0.2, "by the tolerance of EBU Tech 3341 for true peaks (from memory)"
        assert loudness < -16 if name == "sharp" else loudness == pytest.approx(-16, abs=0.3)


def test_a_transmitter_that_ends_fades_its_sound(quay: Quay, tmp_path: Path) -> None:
    """Without a fade a steady level of 0.5 would drop by 0.5 from one sample to the next."""
    soundfile.write(tmp_path / "level.flac", np.full((60 * RATE, 2), 0.5), RATE)
    path, _ = clicks_and_flashes(tmp_path, 60)
    recording = Recording(quay)
    with wire_to("127.0.88.11"), running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.11")
        zero_ns = time.time_ns()
        content = sounding(path, tmp_path / "level.flac", 60)
        transmitter.score(segment(zero_ns, zero_ns + 60 * SECOND_NS, zero_ns=zero_ns, **content))
        wait_for_sound(recording)
        time.sleep(1)
        transmitter.end()
        time.sleep(1)
    recording.end()
    heard = recording.samples()
    last = np.flatnonzero(np.abs(heard) > 0.4)[-1]
    assert np.abs(np.diff(heard[last - RATE // 4 :])).max() < 0.01
    assert not heard[last + RATE // 4 :].any()


def test_a_sound_goes_on_after_its_frames_and_is_silent_in_quiet_windows_whatever_the_score(
    quay: Quay, tmp_path: Path
) -> None:
    path, sound = clicks_and_flashes(tmp_path, 20)
    recording = Recording(quay)
    with wire_to("127.0.88.8") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.8")
        offset_ns = time.monotonic_ns() - time.time_ns()
        zero_ns = time.time_ns() + 2 * SECOND_NS
        ended_ns, quiet_ns, loud_ns, end_ns = (zero_ns + seconds * SECOND_NS for seconds in (3, 5, 6, 20))
        transmitter.dark((quiet_ns, loud_ns, 1.0, 0.0))
        content = sounding(path, sound, 20)
        rest = {**content, "ended": True, "level": (0.0, 0.0)}
        transmitter.score(
            segment(zero_ns, ended_ns, zero_ns=zero_ns, **content),
            segment(ended_ns, end_ns, zero_ns=zero_ns, **rest),
        )
        deadline = time.monotonic() + PATIENCE_S
        while len(late := [click for click in recording.clicks_ns() if click > loud_ns + offset_ns]) < 3:
            assert time.monotonic() < deadline, "the sound does not come back"
            time.sleep(0.2)
        lit = [one.at_ns for one in listener.data() if any(one.slots)]
    recording.end()
    clicks = recording.clicks_ns() - offset_ns
    assert max(lit) - offset_ns < ended_ns + 100_000_000
    assert [click for click in clicks if ended_ns < click < quiet_ns], "the sound goes on in the dark"
    assert not [click for click in clicks if quiet_ns - 40_000_000 < click < loud_ns]
    off_ns = (np.array(late) - offset_ns - zero_ns) % (EVERY_S * SECOND_NS) - FIRST_S * SECOND_NS
    assert abs(np.median(off_ns)) < BOUND_MS * 1e6, "it resumes at its place"


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "no such file"), (b"words, and no sound at all", "not a sound file that can be played")],
)
def test_a_sound_that_cannot_be_played_is_reported_and_the_light_goes_on(
    content: bytes | None, said: str, quay: Quay, tmp_path: Path
) -> None:
    path, sound = clicks_and_flashes(tmp_path, 20)
    sound.unlink()
    if content is not None:
        sound.write_bytes(content)
    with wire_to("127.0.88.4") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.4")
        zero_ns = time.time_ns()
        transmitter.score(
            segment(zero_ns, zero_ns + 20 * SECOND_NS, zero_ns=zero_ns, **sounding(path, sound, 20)),
        )
        trouble = transmitter.wait_for("trouble", lambda one: one["kind"] == "sound")
        transmitter.wait_for("telemetry", lambda one: (one["frame"] or 0) > 40)
        assert trouble["kind"] == "sound" and trouble["subject"] == str(sound) and said in trouble["text"]
        frames = lit(listener)
        assert goes_on(frames)


@pytest.mark.parametrize(("device", "said"), [("pulse", "device"), ("null", "faster than real time")])
def test_without_a_device_the_light_goes_on_and_a_trouble_is_reported(
    device: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a server, and with ALSA's null, which takes all samples at once."""
    nowhere = Quay(tmp_path / "nowhere", device)
    for name, value in nowhere.environment.items():
        monkeypatch.setenv(name, value)
    path, sound = clicks_and_flashes(tmp_path, 20)
    with wire_to("127.0.88.5") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.5")
        zero_ns = time.time_ns()
        transmitter.score(segment(zero_ns, zero_ns + 20 * SECOND_NS, zero_ns=zero_ns, **sounding(path, sound, 20)))
        assert said in transmitter.wait_for("trouble", lambda one: one["kind"] == "sound")["text"]
        transmitter.wait_for("telemetry", lambda one: (one["frame"] or 0) > 60)
        frames = lit(listener)
        assert goes_on(frames)


def test_without_the_packages_the_light_goes_on_and_a_trouble_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "sounddevice.py").write_text("raise ImportError('no sounddevice here')")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path / "bare"), os.environ.get("PYTHONPATH", "")]))
    path, sound = clicks_and_flashes(tmp_path, 20)
    with wire_to("127.0.88.6") as listener, running_transmitter(tmp_path) as transmitter:
        begin(transmitter, "127.0.88.6")
        zero_ns = time.time_ns()
        transmitter.score(segment(zero_ns, zero_ns + 20 * SECOND_NS, zero_ns=zero_ns, **sounding(path, sound, 20)))
        said = transmitter.wait_for("trouble", lambda one: one["kind"] == "sound")
        assert "gloaming[sound]" in said["text"]
        transmitter.wait_for("telemetry", lambda one: (one["frame"] or 0) > 40)
        assert lit(listener)
