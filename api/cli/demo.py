"""`gloaming demo`: plays the demonstration season on this machine, and counts the packets with its own receiver."""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gloaming.api.cli.http_call import direct_opener
from gloaming.api.cli.parser import Commands, Group, Parser, add_command, answer, argument
from gloaming.api.cli.progress import StatusLine, bars, coloured
from gloaming.shows.config_files.errors import ConfigError, InputError

if TYPE_CHECKING:
    from gloaming.shows.demonstration.receiver import DemoReceiver

Show = Callable[[dict[int, bytes], str, str], None]
"""Takes the last levels of every universe, what plays, and what was received."""
EVENING = date(2026, 12, 12)
"""The evening that is moved to now."""
LEAD_NS = 2_500_000_000
"""How long before its opening the moved evening begins, so that both processes can start."""
ADDRESSES = 20
START_TIMEOUT_S = 120.0
"""A small board takes long to start."""
TELEMETRY_TIMEOUT_S = 3.0


def add_parser(commands: Commands[Parser]) -> None:
    """Add `demo`."""
    add_command(
        commands,
        "demo",
        "play the demonstration season on this machine alone",
        run_demo,
        argument(
            "--for",
            "end after this time",
            "60",
            "Ctrl-C ends it; with --json 20",
            dest="seconds",
            type=float,
            metavar="SECONDS",
        ),
        examples=("demo", "demo --for 60"),
        group=Group.PLAY,
        json_help="print one object of counts at the end, and nothing else",
    )


def run_demo(args: argparse.Namespace) -> int:
    """Make the season, play it, count the packets that arrive."""
    if args.seconds is not None and not 0 < args.seconds <= 86_400:
        raise InputError(
            ConfigError("--for", None, None, f"{args.seconds:g} is not a number of seconds", "as --for 20")
        )
    if args.json and args.seconds is None:
        args.seconds = 20.0
    console = coloured(stderr=args.json)
    with tempfile.TemporaryDirectory(prefix="gloaming-") as folder:
        site = Path(folder) / "pier-road"
        receiver, address = _receiver()
        _make(args, site, address)
        result = _play(site, receiver, args.seconds, console, live=not args.json)
    if args.json:
        answer(args, result)
    else:
        counts = ("frames_sent", "packets_sent", "packets_received", "packets_lost", "out_of_sequence")
        console.print(", ".join(f"{name.replace('_', ' ')} {result[name]}" for name in counts))
    return 0


def _receiver() -> tuple[DemoReceiver, str]:
    """A receiver on the first loopback address with a free port, and the address."""
    from gloaming.shows.demonstration.receiver import DemoReceiver
    from gloaming.shows.protocols.e131 import PORT

    for number in range(1, ADDRESSES):
        address = f"127.0.0.{number}"
        try:
            return DemoReceiver(address), address
        except OSError:
            continue
    problem = f"port {PORT} is taken on 127.0.0.1 to 127.0.0.{ADDRESSES - 1}"
    raise InputError(ConfigError("demo", None, None, problem, "end the other receiver of E1.31 first"))


def _make(args: argparse.Namespace, site: Path, address: str) -> None:
    from gloaming.shows.demonstration.season import make_season

    with bars(args) as progress:
        make_season(site, address, "127.0.0.1:0", lambda name, done, of: progress(f"rendering {name}", done, of))


def _play(site: Path, receiver: DemoReceiver, seconds: float | None, console: Any, live: bool) -> dict[str, Any]:
    from gloaming.api.supervisor import Supervisor
    from gloaming.daemon.reports.nights import season
    from gloaming.daemon.site.load import load_site

    loaded = load_site(site)
    with_sound = [piece.name for piece in loaded.pieces.values() if piece.sound]
    if with_sound:
        console.print(_sound_text(with_sound))
    opens_ns = season(loaded, EVENING, EVENING)[0].night.opens_ns
    offset_ns = opens_ns - LEAD_NS - time.time_ns()
    evening = datetime.fromtimestamp(opens_ns / 1e9, loaded.timezone)
    console.print(
        f"[bold]{loaded.name}[/]: the evening of {evening:%d %B %Y}, which opens at {evening:%H:%M:%S}, is moved to "
        "now. This machine alone: nothing leaves it."
    )
    state = site / "state"
    last: dict[str, Any] = {}
    supervisor = Supervisor(
        site,
        state,
        offset_ns,
        report=lambda text: console.print(text, style="yellow"),
        between_ends=lambda: last.update(_last_telemetry(state)),
    )
    ending = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ending.set())
    receiver.start()
    running = threading.Thread(target=supervisor.run, name="supervisor")
    running.start()
    try:
        base, token = _wait_for_planner(state, running, ending)
        passcode = (state / "passcode").read_text().strip()
        console.print(f"address [bold]{base}[/]  passcode [bold]{passcode}[/]")
        console.print(f"to pause it: gloaming pause {site}", soft_wrap=True)  # one line, to be copied
        deadline = None if seconds is None else time.monotonic() + seconds
        if live and (console.is_terminal or sys.stderr.isatty()):
            _watch(receiver, base, token, ending, deadline, console)
        else:
            ending.wait(seconds)
    finally:
        supervisor.stop()
        running.join()
    return _result(last, receiver)


def _sound_text(pieces: list[str]) -> str:
    """Where the sound goes, or what is missing. A separate process asks: PortAudio looks for devices only once."""
    command = [sys.executable, "-m", "gloaming.daemon.transmitter.sound.device", ""]
    asked = subprocess.run(command, capture_output=True, text=True, check=False)
    problem = json.loads(asked.stdout)["problem"] if asked.returncode == 0 else "the sound device cannot be asked for"
    names = ", ".join(pieces)
    return f"no sound for {names}: {problem}" if problem else f"sound for {names} goes to this machine's own device"


def _wait_for_planner(state: Path, running: threading.Thread, ending: threading.Event) -> tuple[str, str]:
    """The planner's address and a token, once it answers. KeyboardInterrupt once `ending` is set."""
    deadline = time.monotonic() + START_TIMEOUT_S
    while time.monotonic() < deadline and running.is_alive():
        try:
            base, token = _address_and_token(state)
            _now(base, token)
            return base, token
        except OSError:
            if ending.wait(0.1):
                raise KeyboardInterrupt from None
    raise InputError(ConfigError("demo", None, None, "the planner does not answer", "see its messages above"))


def _address_and_token(state: Path) -> tuple[str, str]:
    return (state / "address").read_text().strip(), (state / "token").read_text().strip()


def _last_telemetry(state: Path) -> dict[str, Any]:
    """The last telemetry of a transmitter that has ended, from the planner, which still runs."""
    deadline = time.monotonic() + TELEMETRY_TIMEOUT_S
    while True:
        try:
            health = _ask(*_address_and_token(state), "/api/health")  # /api/now has None then
        except OSError:
            return {}
        if any(trouble["kind"] == "transmitter" for trouble in health["troubles"]) or time.monotonic() > deadline:
            return dict(health["transmitter"] or {})
        time.sleep(0.05)


def _now(base: str, token: str) -> dict[str, Any]:
    return _ask(base, token, "/api/now")


def _ask(base: str, token: str, path: str) -> dict[str, Any]:
    request = urllib.request.Request(base + path, headers={"Authorization": f"Bearer {token}"})
    with direct_opener().open(request, timeout=5) as response:
        answer: dict[str, Any] = json.load(response)
        return answer


def _watch(
    receiver: DemoReceiver, base: str, token: str, ending: threading.Event, deadline: float | None, console: Any
) -> None:
    """Show what arrives, ten times a second, until the end: as a picture, or in one line without escape codes."""
    now, asked = _now(base, token), time.monotonic()
    with _picture(console) if console.is_terminal and not console.is_dumb_terminal else _one_line() as show:
        while not ending.wait(0.1) and (deadline is None or time.monotonic() < deadline):
            if time.monotonic() - asked > 0.5:
                try:
                    now, asked = _now(base, token), time.monotonic()
                except OSError:
                    asked = time.monotonic()  # the planner is being restarted; the picture goes on
            telemetry = now["health"]["transmitter"] or {}
            counts = receiver.counts
            late = telemetry.get("lateness_us", {})
            shown = f"{now['state']}  {now['piece'] or ''}  {now['position_s'] or 0:.1f} s  at {now['brightness']:.0%}"
            counted = f"received {counts.packets}  lost {counts.lost}  out of sequence {counts.out_of_sequence}   "
            counted += f"late p50 {late.get('p50', 0)} us, p99 {late.get('p99', 0)} us   Ctrl-C ends it"
            show(dict(counts.levels), shown, counted)


@contextmanager
def _picture(console: Any) -> Iterator[Show]:
    """The live view: the picture of the boathouse, and two lines."""
    from rich.console import Group
    from rich.live import Live
    from rich.text import Text

    from gloaming.api.cli.terminal_view import TerminalPicture

    def show(levels: dict[int, bytes], shown: str, counted: str) -> None:
        columns, rows = max(20, min(console.width, 140)), max(6, min(console.height - 6, 44))
        if pictures.keys() != {(columns, rows)}:
            pictures.clear()
            pictures[columns, rows] = TerminalPicture(columns, rows)
        texts = (Text(line, no_wrap=True, overflow="ellipsis") for line in (shown, counted))
        view.update(Group(pictures[columns, rows].render(levels), *texts))

    pictures: dict[tuple[int, int], TerminalPicture] = {}
    with Live(console=console, refresh_per_second=10, transient=False) as view:
        yield show


@contextmanager
def _one_line() -> Iterator[Show]:
    line = StatusLine()
    try:
        yield lambda _, shown, counted: line.show(f"{shown}  {counted}")
    finally:
        line.show("")


def _result(last: dict[str, Any], receiver: DemoReceiver) -> dict[str, Any]:
    """The transmitter's last telemetry, beside the receiver's counts."""
    from gloaming.shows.demonstration.pieces import FPS

    counts = receiver.stop()
    if not last:
        raise InputError(
            ConfigError("demo", None, None, "the planner ended before it answered", "see its messages above")
        )
    return {
        "universes": len(counts.sequences),
        "fps": FPS,
        "frames_due": last["frames_due"],
        "frames_sent": last["frames_sent"],
        "packets_sent": last["packets_sent"],
        "packets_received": counts.packets,
        "packets_lost": last["packets_sent"] - counts.packets,
        "out_of_sequence": counts.out_of_sequence,
        "lateness_us": last["lateness_us"],
    }
