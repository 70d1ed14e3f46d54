"""The sound process: plays a plan on a device and reports what is really heard. It ends with the transmitter.

It also ends when the device fails. The transmitter then starts a new process, which finds the present devices.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import resource
import select
import signal
import socket
import sys
import time
from collections import deque
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from gloaming.daemon.transmitter.sound.clock import ClockFit, DeviceClock
from gloaming.daemon.transmitter.sound.device import DeviceReport, NoDeviceError, devices, find, open_stream
from gloaming.daemon.transmitter.sound.mixer import SoundVoice, mix
from gloaming.daemon.transmitter.sound.plan import SoundPass, SoundPlan, read_plan
from gloaming.daemon.transmitter.sound.quiet import QuietWindows, read_quiet
from gloaming.daemon.transmitter.sound.reader import SoundReader
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.sound_info import inspect_sound
from gloaming.shows.media.sound_reading import SoundMissingError
from gloaming.shows.time_units import SECOND_NS

STEP_S = 0.04
AHEAD_NS = 2 * SECOND_NS
"""How long before its start a sound file is opened."""
DECODING_NS = 250_000_000
"""The time to decode a sound whose start has passed already."""
REPORT_NS = 100_000_000
STALLED_NS = 800_000_000
OPENING_NS = 5 * SECOND_NS
"""How long a device may take to start: an idle sound server may take two seconds of samples at once."""
RUNAWAY_NS = 10 * SECOND_NS
"""A device that takes this much more sound than time has passed plays to nobody: ALSA's null, or a file."""
JUMP_NS = 30_000_000
"""After a larger jump of the device the sound starts anew; after a smaller one the frames follow."""
LAST_SOUND_NS, CLOSING_NS_MAX = 50_000_000, 2 * SECOND_NS
"""At the end: the wait after the last sound, and the longest wait in all."""
DEVICE_LOST = 3
PRIORITY = 10


class SoundProcess:
    """Owns the device and the voices. PortAudio calls `_fill` in a thread of its own."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self.plan: SoundPlan | None = None
        self.quiet: QuietWindows | None = None
        self.stream: Any = None
        self.clock: DeviceClock | None = None
        self.line: ClockFit | None = None
        """The last fit of the clock. After a jump the sound goes on by it until there is a new fit."""
        self.rate_hz, self.channels = 0, 0
        self.voices: tuple[SoundVoice, ...] = ()
        self.index = 0
        self._level = 0.0
        self._lead: tuple[tuple[Any, ...], int] = ((), 0)
        """How far the frames have followed a sound. When that sound resumes, it resumes there."""
        self.called_ns = self.opened_ns = 0
        self.starved = 0
        self._reports: deque[tuple[int, int, bool]] = deque(maxlen=256)
        self._blocks: deque[tuple[int, int, float]] = deque(maxlen=1024)
        """Blocks that the device has not played yet: the sample after the block, its score's id, its level."""
        self._heard_id, self._volume = -1, 0.0
        self._unread = b""
        self._next_report_ns = 0
        self._reported_ns: dict[str, int] = {}

    def run(self) -> NoReturn:
        """Run until the transmitter closes its end or the device fails."""
        while True:
            if select.select([self.sock], [], [], STEP_S)[0]:
                self._read()
            now_ns = time.monotonic_ns()
            if self.plan is None:
                continue
            if self.stream is None:
                self._open(now_ns)
            self._watch(now_ns)
            self._update_voices(now_ns)
            self._follow_playback(now_ns)
            self._report(now_ns)

    def _fill(self, out: Any, report: DeviceReport) -> None:
        """PortAudio's callback: fill a block of samples and keep the device's report of its time."""
        now_ns = time.monotonic_ns()
        first, self.index = self.index, self.index + report.frames
        self.called_ns = now_ns
        self.starved += report.starved
        self._reports.append((first, now_ns + int(report.ahead_s * SECOND_NS), report.starved))
        line, plan, quiet = self.line, self.plan, self.quiet
        if line is None or plan is None:
            out.fill(0)
            return
        heard_ns = line.heard_ns(self.index)
        ceiling = quiet.ceiling(heard_ns, time.time_ns() - now_ns) if quiet else 0.0
        before, self._level = self._level, min(plan.level_at(heard_ns), ceiling)
        mix(out, first, self.voices, before, self._level)
        self._blocks.append((self.index, plan.score_id, self._level))

    def _read(self) -> None:
        try:
            data = self.sock.recv(1 << 20)
        except OSError:  # the transmitter ended with messages unread
            data = b""
        if not data:
            self._leave()
        *lines, self._unread = (self._unread + data).split(b"\n")
        for message in map(json.loads, lines):
            self.quiet, self.plan = read_quiet(message["quiet"]), read_plan(message)
            key, lead_ns = message["lead"]
            if key and not self.voices:
                self._lead = (tuple(key), lead_ns)

    def _open(self, now_ns: int) -> None:
        assert self.plan
        first = next(self.plan.passes(now_ns), None)
        wanted_hz = None
        if first:
            with contextlib.suppress(InputError, SoundMissingError):  # its reader reports that later
                wanted_hz = inspect_sound(Path(first.path)).rate_hz
        try:
            device = find(self.plan.device, devices())
            _ask_for_priority()  # before the stream: its threads inherit the priority
            self.stream, self.rate_hz, self.channels = open_stream(device, wanted_hz, self._fill)
            self.clock = DeviceClock(self.rate_hz)
            self.called_ns = self.opened_ns = time.monotonic_ns()
            self.stream.start()
        except NoDeviceError as error:
            self._fail(str(error))
        except Exception as error:  # PortAudioError: its module may be missing
            self._fail(f"the sound device cannot be started: {error}")

    def _watch(self, now_ns: int) -> None:
        """Read the device's reports. End the process if the device has stopped."""
        assert self.clock and self.plan
        if now_ns - self.called_ns > STALLED_NS and now_ns - self.opened_ns > OPENING_NS:
            self._fail("the sound device has stopped")
        if self.index * SECOND_NS // self.rate_hz - (now_ns - self.opened_ns) > RUNAWAY_NS:
            self._fail("the sound device plays faster than real time, so nobody can hear it")
        while self._reports:
            self.clock.add(*self._reports.popleft())
        self.line = self.clock.line or self.line
        jumped_ns, self.clock.jumped_ns = self.clock.jumped_ns, 0
        if abs(jumped_ns) > JUMP_NS:
            for voice in self.voices:
                voice.leave(self.index)

    def _update_voices(self, now_ns: int) -> None:
        """Make voices for the present and the next pass. Fade out voices that have no pass any more."""
        line, plan = self.clock.line if self.clock else None, self.plan
        if line is None or plan is None:
            return
        ahead_ns = max(0, line.heard_ns(self.index) - now_ns)
        wanted: list[SoundPass] = []
        for sound_pass in plan.passes(now_ns):
            if sound_pass.from_ns > now_ns + ahead_ns + AHEAD_NS or len(wanted) == 2:
                break
            wanted.append(sound_pass)
        kept: list[SoundVoice] = []
        for voice in self.voices:
            if voice.ends <= self.index:
                voice.reader.close()
                continue
            same = None if voice.leaving else next((one for one in wanted if one.same(voice.sound_pass)), None)
            if same:
                wanted.remove(same)
                voice.sound_pass, voice.ends = same, int(line.index_at(same.until_ns))
            else:
                voice.leave(self.index)
            kept.append(voice)
        for sound_pass in wanted:
            soonest_ns = now_ns + ahead_ns
            begin_ns = sound_pass.from_ns if sound_pass.from_ns > soonest_ns else soonest_ns + DECODING_NS
            if begin_ns < sound_pass.until_ns:
                kept.append(
                    self._voice(sound_pass, line.index_at(begin_ns), line.index_at(sound_pass.until_ns), begin_ns)
                )
        self.voices = tuple(kept)

    def _voice(self, sound_pass: SoundPass, begins: float, ends: float, begin_ns: int) -> SoundVoice:
        index = -int(-begins // 1)
        late = (index - begins) / self.rate_hz
        lead_ns = self._lead[1] if self._lead[0] == sound_pass.key else 0
        position = max(0, round(((begin_ns + lead_ns - sound_pass.zero_ns) / SECOND_NS + late) * self.rate_hz))
        return SoundVoice(
            sound_pass, SoundReader(sound_pass.path, position, self.rate_hz, self.channels), index, position, int(ends)
        )

    def _follow_playback(self, now_ns: int) -> None:
        """Find the block that is heard now. Report at once when a new score is heard."""
        line = self.clock.line if self.clock else None
        if line is None:
            return
        heard, before = line.index_at(now_ns), self._heard_id
        while self._blocks and self._blocks[0][0] <= heard:
            _, self._heard_id, self._volume = self._blocks.popleft()
        if self._heard_id != before:
            self._next_report_ns = now_ns

    def _report(self, now_ns: int) -> None:
        if now_ns < self._next_report_ns:
            return
        self._next_report_ns = now_ns + REPORT_NS
        line = self.clock.line if self.clock else None
        if line is None:
            return
        heard = line.index_at(now_ns)
        sounding = False
        common = {"id": self._heard_id, "volume": round(self._volume, 4), "starved": self.starved}
        for voice in self.voices:
            if voice.reader.trouble:
                self._trouble(voice.sound_pass.path, voice.reader.trouble, now_ns)
            if voice.begins <= heard < voice.ends:
                shift_ns = (heard - voice.begins + voice.position) / self.rate_hz * SECOND_NS
                shift_ns -= now_ns - voice.sound_pass.zero_ns
                sounding = True
                if not voice.leaving:
                    self._lead = (voice.sound_pass.key, round(shift_ns))
                self._send(
                    {
                        "op": "heard",
                        **common,
                        "key": voice.sound_pass.key,
                        "at_ns": now_ns,
                        "shift_ns": round(shift_ns),
                        "slope": -line.slope,
                        "missed": voice.missed,
                    }
                )
        if not sounding:
            self._send({"op": "ready", **common})

    def _trouble(self, subject: str, text: str, now_ns: int) -> None:
        if now_ns - self._reported_ns.get(subject, 0) > SECOND_NS:
            self._reported_ns[subject] = now_ns
            self._send({"op": "trouble", "subject": subject, "text": text})

    def _fail(self, text: str) -> NoReturn:
        subject = (self.plan.device if self.plan else None) or "sound device"
        self._send({"op": "trouble", "subject": subject, "text": text, "device": True})
        os._exit(DEVICE_LOST)  # to close a device that hangs would hang too

    def _leave(self) -> NoReturn:
        """Fade out, wait until the device has played that, and end the process."""
        for voice in self.voices:
            voice.leave(self.index)
        if self.voices and self.line:
            heard_ns = self.line.heard_ns(max(voice.ends for voice in self.voices)) - time.monotonic_ns()
            time.sleep(max(0, min(heard_ns + LAST_SOUND_NS, CLOSING_NS_MAX)) / SECOND_NS)
        os._exit(0)

    def _send(self, message: dict[str, Any]) -> None:
        try:
            self.sock.sendall(json.dumps(message).encode() + b"\n")
        except OSError:
            self._leave()


def _ask_for_priority() -> None:
    """Ask for a real-time priority below the transmitter's, with a limit on computing without a wait."""
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_RTTIME, (2_000_000, 4_000_000))
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(PRIORITY))


def _silence_libraries() -> None:
    """Discard what PortAudio and ALSA print: a missing device would fill the log. Python's errors still appear."""
    sys.stderr = os.fdopen(os.dup(2), "w", buffering=1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)


def main() -> NoReturn:
    """`python -m gloaming.daemon.transmitter.sound FD`: FD is a socket inherited from the transmitter."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the transmitter gets them too; its end is ours, after a fade
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))  # loading must not delay the transmitter
    _silence_libraries()
    sock = socket.socket(fileno=int(sys.argv[1]))
    np.seterr(all="ignore")
    gc.freeze()
    SoundProcess(sock).run()


if __name__ == "__main__":
    main()
