"""The work of `gloaming sound`: lists devices; plays clicks and flashes with its own transmitter."""

from __future__ import annotations

import argparse
import asyncio
import json
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
import wave
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from uuid import uuid4

import numpy as np

from gloaming.api.cli.parser import answer
from gloaming.api.cli.where import site_of, state_folder
from gloaming.daemon.direction.occurrences import neighbours_windows
from gloaming.daemon.integrations.host_names import HostNames, host_troubles
from gloaming.daemon.planner.messages import setup_of, windows_of
from gloaming.daemon.score.protocol import Op
from gloaming.daemon.score.score import Picture, Score, Segment
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.schema import read_delay
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter.sound.device import NoDeviceError, devices
from gloaming.shows.config_files.errors import ConfigError, InputError, WrongValueError
from gloaming.shows.framefile.layout import bytes_of
from gloaming.shows.framefile.reader import FrameWriter
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.rig.wire import unscaled
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

CLAP_FPS, CLAP_RATE_HZ = 40, 48_000
CLAP_LEVEL = 0.3
"""How bright the flashes are: people watch the test from close by."""
FLASH_FRAMES, CLICK_S = 4, 0.01
BEFORE_NS = 4 * SECOND_NS
CAUTION = "The whole rig flashes once a second at 30 %. Keep people with photosensitive epilepsy away from it."


def list_devices(args: argparse.Namespace) -> int:
    """`gloaming sound devices`; exit 1 where there is none."""
    try:
        found = devices()
    except NoDeviceError as error:
        print(error, file=sys.stderr)
        return 1
    lines = (
        f"{'*' if one.default else ' '} {one.name}  ({one.channels} channels, {one.rate_hz} samples a second)"
        for one in found
    )
    answer(args, [asdict(device) for device in found], *lines)
    if not found:
        print("this machine has no sound device", file=sys.stderr)
    return 0 if found else 1


def click_and_flash(args: argparse.Namespace) -> int:
    """`gloaming sound test`; exit 1 where the neighbours' hours forbid it, or the sound has a trouble."""
    if not 5 <= args.seconds <= 300:
        raise InputError(
            ConfigError("--for", None, None, f"{args.seconds:g} is not from 5 to 300 seconds", "as --for 30")
        )
    folder = site_of(args)
    site = load_site(folder, strict=False)
    try:
        delay_ns = site.sound.delay if args.delay is None else read_delay(args.delay)
    except WrongValueError as error:
        raise InputError(ConfigError("--delay", None, None, error.problem, error.hint)) from None
    now_ns = time.time_ns()
    until_ns = now_ns + BEFORE_NS + round(args.seconds) * SECOND_NS
    for window in neighbours_windows(site, now_ns, until_ns):
        if window.ceiling == 0 or (window.quiet and window.volume == 0):
            print(f"{window.reason.text} ({window.reason.rule})", file=sys.stderr)
            return 1
    _refuse_beside_a_planner(state_folder(folder, args.state) / "transmitter.sock")
    print(CAUTION)
    by = "later" if delay_ns >= 0 else "earlier"
    print(f"a click and a flash each second, the click {abs(delay_ns) / 1e6:g} ms {by} ([sound] delay); Ctrl-C ends it")
    with tempfile.TemporaryDirectory(prefix="gloaming-") as name:
        silent = _play(Path(name), site, now_ns + BEFORE_NS, until_ns, delay_ns)
    print("click after flash: a smaller delay; click before flash: a greater one. Try with --delay.")
    return 1 if silent else 0


def _refuse_beside_a_planner(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            return
    problem = "Gloaming plays this site, and both would send to the same universes"
    hint = "end it first, and start it again after the test"
    raise InputError(ConfigError(path.parent, None, None, problem, hint))


def _play(folder: Path, site: Site, begin_ns: int, until_ns: int, delay_ns: int) -> bool:
    """Play clicks and flashes; whether the transmitter reported a trouble with the sound."""
    seconds = (until_ns - begin_ns) // SECOND_NS
    frames, sound = _make(folder, site, seconds)
    path = folder / "transmitter.sock"
    transmitter = subprocess.Popen([sys.executable, "-m", "gloaming.daemon.transmitter", str(path)])
    ending: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda number, _: ending.append(number))
    try:
        sock = _connect(path, transmitter)
        clicks = Picture("click and flash", str(frames), seconds * CLAP_FPS, Fraction(CLAP_FPS), begin_ns)
        flashing = Segment(
            begin_ns,
            until_ns,
            picture=clicks,
            level_from=CLAP_LEVEL,
            level_until=CLAP_LEVEL,
            sound_path=str(sound),
            sound_from=1.0,
            sound_until=1.0,
        )
        score = Score(
            id=1,
            offset_ns=time.time_ns() - time.monotonic_ns(),
            wall_offset_ns=0,
            segments=(Segment(begin_ns - BEFORE_NS, begin_ns), flashing),
            device=site.sound.device,
            delay_ns=delay_ns,
        )
        windows = windows_of(site, begin_ns - MINUTE_NS, until_ns)
        names = HostNames({})
        asyncio.run(names.look(site.rig))
        for _, trouble in host_troubles(site.rig, names):
            print(trouble.text, file=sys.stderr)
        for value in (setup_of(site, uuid4(), None, names.addresses), windows, score):
            sock.sendall(json.dumps(value.to_json()).encode() + b"\n")
        return _listen(sock, until_ns, ending)
    finally:
        transmitter.terminate()
        transmitter.wait()


def _make(folder: Path, site: Site, seconds: int) -> tuple[Path, Path]:
    """Make a flash of all light and a click at each full second except the first; the two files."""
    universes, size = universes_of(site.slots), sum(site.slots.values())
    flash = np.full((CLAP_FPS, size), 0, dtype=np.uint8)
    flash[:FLASH_FRAMES] = 255
    flash[:, bytes_of(unscaled(site.rig), {one.number: one for one in universes})] = 0
    with FrameWriter(folder / "flash.frames", Fraction(CLAP_FPS), universes) as writer:
        writer.write(np.zeros((CLAP_FPS, size), dtype=np.uint8))
        for _ in range(seconds - 1):
            writer.write(flash)
    tone = np.zeros(CLAP_RATE_HZ, dtype="<i2")
    at = np.arange(round(CLICK_S * CLAP_RATE_HZ))
    tone[: len(at)] = np.round(16_000 * np.sin(2 * np.pi * 2000 * at / CLAP_RATE_HZ))
    with wave.open(str(folder / "click.wav"), "wb") as file:
        file.setparams((1, 2, CLAP_RATE_HZ, 0, "NONE", ""))
        file.writeframes(bytes(CLAP_RATE_HZ * 2))
        for _ in range(seconds - 1):
            file.writeframes(tone.tobytes())
    return folder / "flash.frames", folder / "click.wav"


def _connect(path: Path, transmitter: subprocess.Popen[bytes]) -> socket.socket:
    for _ in range(500):
        sock = socket.socket(socket.AF_UNIX)
        try:
            sock.connect(str(path))
            return sock
        except OSError:
            sock.close()
            if transmitter.poll() is not None:
                break
            time.sleep(0.02)
    raise InputError(ConfigError("transmitter", None, None, "it does not start", "see its messages above"))


def _listen(sock: socket.socket, until_ns: int, ending: list[int]) -> bool:
    """Print the transmitter's troubles until the end or Ctrl-C; whether one was of the sound."""
    unread, silent = b"", False
    while time.time_ns() < until_ns and not ending:
        if not select.select([sock], [], [], 0.2)[0]:
            continue
        data = sock.recv(1 << 16)
        if not data:
            break
        *lines, unread = (unread + data).split(b"\n")
        for message in map(json.loads, lines):
            if message["op"] == Op.TROUBLE and not message["over"]:
                print(f"{message['subject']}: {message['text']}", file=sys.stderr)
                silent |= message["kind"] == "sound"
    return silent
