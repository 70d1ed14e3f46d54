"""For tests of sound: a sound server with a null sink, recordings of its monitor, and pieces with clicks and flashes.

The measurements share no code with the player. Sound is timed by when the recorder got its samples, light by when the
packets came.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from tests.daemon.transmitter.process_harness import Heard, PacketListener, write_frames

RATE = 44_100
SO_TIMESTAMPNS = 35  # asm-generic/socket.h
FPS = 40
EVERY_S = 0.5
FIRST_S = 0.25
FLASH_FRAMES = 4
SCRIPT = """load-module module-native-protocol-unix auth-anonymous=1
load-module module-null-sink sink_name=quay rate=44100
set-default-sink quay
"""
ALSA = """</usr/share/alsa/alsa.conf>
pcm.!default {{ type {0} }}
ctl.!default {{ type {0} }}
"""


BLOCKS = "context.properties = { default.clock.min-quantum = 1024 }"
PIPEWIRE = """pipewire &
until [ -S "$XDG_RUNTIME_DIR/pipewire-0" ]; do sleep 0.1; done
wireplumber &
pipewire-pulse &
wait
"""


SOUND_SERVER = ("alsa-pulse", "pactl", "parec", "portaudio", "pulseaudio")
"""The tools that a quay needs. A `PipeQuay` needs more."""
PIPEWIRE_SERVER = ("dbus-run-session", "pipewire", "pipewire-pulse", "wireplumber")


class Quay:
    """A PulseAudio server. A process with its `environment` finds this server and no other."""

    def __init__(self, folder: Path, alsa: str = "pulse") -> None:
        self.folder = folder
        folder.mkdir(mode=0o700, exist_ok=True)
        (folder / "script.pa").write_text(SCRIPT)
        (folder / "asound.conf").write_text(ALSA.format(alsa))
        (folder / "client.conf").write_text("autospawn = no\n")
        self.environment = {
            "HOME": str(folder),
            "PULSE_RUNTIME_PATH": str(folder),
            "PULSE_CLIENTCONFIG": str(folder / "client.conf"),
            "PULSE_SERVER": f"unix:{folder}/native",
            "ALSA_CONFIG_PATH": str(folder / "asound.conf"),
        }
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        options = ["--daemonize=no", "-n", "-F", str(self.folder / "script.pa"), "--exit-idle-time=-1", "--log-level=0"]
        options += ["--realtime=yes", "--high-priority=yes"]  # as on a board, if it is granted
        self._run("pulseaudio", *options)

    def _run(self, *command: str) -> None:
        environment = {**os.environ, **self.environment}
        self.process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL, start_new_session=True)
        deadline = time.monotonic() + 30
        while self.control("info").returncode:
            assert self.process.poll() is None and time.monotonic() < deadline, f"{command[0]} does not start"
            time.sleep(0.1)

    def control(self, *what: str) -> subprocess.CompletedProcess[bytes]:
        """Run a command of pactl."""
        environment = {**os.environ, **self.environment}
        return subprocess.run(["pactl", *what], env=environment, capture_output=True, check=False)

    def kill(self) -> None:
        if self.process:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None
            for name in ("native", "pid", "pulse/native", "pulse/pid", "pipewire-0", "pipewire-0.lock"):
                (self.folder / name).unlink(missing_ok=True)


class PipeQuay(Quay):
    """A PipeWire server with its session manager and its PulseAudio service, on a message bus of their own.

    Its blocks have the usual 21 ms. Without that the recorder would make them so short that a busy machine misses many.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        (folder / "pulse").mkdir(exist_ok=True)
        (folder / "config/pipewire/pipewire.conf.d").mkdir(parents=True, exist_ok=True)
        (folder / "config/pipewire/pipewire.conf.d/blocks.conf").write_text(BLOCKS)
        self.environment |= {
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PULSE_RUNTIME_PATH": str(folder / "pulse"),
            "PULSE_SERVER": f"unix:{folder}/pulse/native",
        }

    def start(self) -> None:
        self._run("dbus-run-session", "--", "sh", "-c", PIPEWIRE)
        assert not self.control("load-module", "module-null-sink", "sink_name=quay", f"rate={RATE}").returncode
        deadline = time.monotonic() + 30
        while b"Default Sink: quay" not in self.control("info").stdout:
            assert time.monotonic() < deadline, "PipeWire does not make the null sink its default"
            self.control("set-default-sink", "quay")
            time.sleep(0.1)


class Recording:
    """Records the null sink's monitor until `end`."""

    def __init__(self, quay: Quay, channels: int = 1) -> None:
        self.channels = channels
        command = ["parec", "--device=quay.monitor", "--format=s16le", f"--rate={RATE}", "--raw"]
        command += [f"--channels={channels}"]
        self.process = subprocess.Popen(
            [*command, "--latency-msec=5"], env={**os.environ, **quay.environment}, stdout=subprocess.PIPE
        )
        self.chunks: list[tuple[int, bytes]] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        assert self.process.stdout
        while data := os.read(self.process.stdout.fileno(), 1 << 16):
            self.chunks.append((time.monotonic_ns(), data))

    def samples(self, chunks: int = 0) -> npt.NDArray[np.float64]:
        """The samples: `(frames,)` of one channel, else `(frames, channels)`. Of the last chunks alone, if so asked."""
        raw = b"".join(data for _, data in list(self.chunks)[-chunks:])
        size = 2 * self.channels
        found = np.frombuffer(raw[: len(raw) // size * size], "<i2").astype(np.float64) / 32768
        return found if self.channels == 1 else found.reshape(-1, self.channels)

    def place_at(self, monotonic_ns: int) -> int:
        """The sample heard at an instant, to some hundredths of a second."""
        begins = np.cumsum([0, *(len(data) // 2 // self.channels for _, data in self.chunks)])[:-1]
        lag_ns = min(np.array([at_ns for at_ns, _ in self.chunks]) - begins / RATE * 1e9)
        return round((monotonic_ns - lag_ns) / 1e9 * RATE)

    def clicks_ns(self) -> npt.NDArray[np.float64]:
        """The start of each click, by the monotonic clock."""
        samples = self.samples()
        loud = np.flatnonzero(np.abs(samples) > 0.05)
        return self.times_ns(loud[np.concatenate([[True], np.diff(loud) > RATE // 10])] if len(loud) else loud)

    def times_ns(self, places: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """The instants at which some samples were heard, by the monotonic clock.

        A sample arrives no sooner than the sink takes it, and mostly a little later. So the earliest arrivals within
        three seconds give the time of a chunk's first sample. (The span is short because the sink's clock is off by
        some hundred ppm: it counts its blocks in whole microseconds.)
        """
        chunks = list(self.chunks)
        begins = np.cumsum([0, *(len(data) // 2 for _, data in chunks)])[:-1]
        arrived = np.array([at_ns for at_ns, _ in chunks], dtype=np.float64)
        lag = arrived - begins / RATE * 1e9
        return np.array([at / RATE * 1e9 + lag[np.abs(begins - at) < 1.5 * RATE].min() for at in places])

    def end(self) -> None:
        self.process.terminate()
        self.process.wait()
        self._thread.join()


class Wire(PacketListener):
    """Collects packets with the times at which the kernel got them. A busy machine reads them later."""

    def _run(self) -> None:
        for sock in self._socks:
            sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        offset_ns = time.monotonic_ns() - time.time_ns()
        while not self._ending.is_set():
            for sock in select.select(list(self._socks), [], [], 0.1)[0]:
                data, ancillary, _, _ = sock.recvmsg(2048, 64)
                stamps = [struct.unpack("qq", found) for _, kind, found in ancillary if kind == SO_TIMESTAMPNS]
                at_ns = stamps[0][0] * 10**9 + stamps[0][1] + offset_ns if stamps else time.monotonic_ns()
                self.heard.append(Heard(at_ns, self._socks[sock], data))


@contextmanager
def wire_to(address: str) -> Iterator[Wire]:
    wire = Wire(address)
    try:
        yield wire
    finally:
        wire.close()


@contextmanager
def quay_at(folder: Path, kind: type[Quay] = Quay) -> Iterator[Quay]:
    """A running server, with this process's environment set for it."""
    quay = kind(folder)
    before = dict(os.environ)
    try:
        quay.start()
        os.environ.update(quay.environment)
        yield quay
    finally:
        os.environ.clear()
        os.environ.update(before)
        quay.kill()


def clicks_and_flashes(folder: Path, seconds: float, sound: str = "clicks.flac") -> tuple[Path, Path]:
    """A frame file and a sound file with a flash and a click each half second, from 0.25 s on.

    The first two slots of a frame hold its number, the third flashes.
    """
    frames = np.zeros((round(seconds * FPS), 510), dtype=np.uint8)
    numbers = np.arange(len(frames))
    frames[:, 0], frames[:, 1] = numbers >> 8, numbers & 0xFF
    samples = np.zeros((round(seconds * RATE), 2), dtype=np.float32)
    click = 0.8 * np.sin(2 * np.pi * 2000 * np.arange(RATE // 100) / RATE)
    for number in range(int((seconds - FIRST_S) / EVERY_S)):
        at_s = FIRST_S + number * EVERY_S
        frames[round(at_s * FPS) : round(at_s * FPS) + FLASH_FRAMES, 2] = 255
        samples[round(at_s * RATE) :][: len(click)] = click[:, None]
    path = folder / "clicks.frames"
    path.unlink(missing_ok=True)
    write_frames(path, frames)
    soundfile.write(folder / sound, samples, RATE)
    return path, folder / sound


def tone(folder: Path, seconds: float, level: float = 0.5, hz: float = 441.0) -> Path:
    """A steady tone, for tests of edges and levels."""
    wave = level * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)
    soundfile.write(folder / "tone.flac", np.repeat(wave[:, None], 2, axis=1), RATE)
    return folder / "tone.flac"


def flashes_ns(heard: list[Heard]) -> npt.NDArray[np.float64]:
    """The arrival of each flash's first packet."""
    return np.array([b.at_ns for a, b in pairwise(heard) if b.slots[2] > 0 and a.slots[2] == 0], dtype=np.float64)


def numbers(heard: list[Heard]) -> list[int]:
    """The numbers of the frames, in order of arrival."""
    return [one.slots[0] << 8 | one.slots[1] for one in heard]


def offsets_ms(clicks: npt.NDArray[np.float64], flashes: npt.NDArray[np.float64]) -> dict[float, float]:
    """For each flash, by its instant in ns: the delay of its click in ms, if there is one within 0.2 s."""
    found: dict[float, float] = {}
    for flash in flashes:
        if len(clicks):
            off = clicks[np.abs(clicks - flash).argmin()] - flash
            if abs(off) < 2e8:
                found[float(flash)] = float(off / 1e6)
    return found


def sounding(path: Path, sound: Path, seconds: float, **more: Any) -> dict[str, Any]:
    """The fields of a segment with clicks and flashes."""
    frames = round(seconds * FPS)
    usual = {"path": str(path), "piece": "clicks", "frames": frames, "fps": (FPS, 1), "sound_path": str(sound)}
    return {**usual, "sound_level": (1.0, 1.0), **more}


def fast_device(folder: Path, ppm: float) -> str:
    """A folder for PYTHONPATH with a sound device whose rate differs from the one it reports."""
    folder.mkdir(exist_ok=True)
    real = Path(next(p for p in map(Path, sys.path) if (p / "sounddevice.py").exists())) / "sounddevice.py"
    (folder / "sounddevice.py").write_text(
        f"import importlib.util as u, sys\n"
        f"_spec = u.spec_from_file_location('sounddevice', {str(real)!r})\n"
        f"_real = u.module_from_spec(_spec)\nsys.modules['sounddevice'] = _real\n_spec.loader.exec_module(_real)\n"
        f"class OutputStream(_real.OutputStream):\n"
        f"    def __init__(self, *, samplerate, **more):\n"
        f"        super().__init__(samplerate=round(samplerate * (1 + {ppm}e-6)), **more)\n"
        f"_Stream, _real.OutputStream = _real.OutputStream, OutputStream\n"
    )
    return str(folder)
