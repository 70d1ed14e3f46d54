"""The work of `gloaming record`: a recording, a line of progress, an end by Ctrl-C, a report."""

from __future__ import annotations

import argparse
import secrets
import shlex
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from glob import escape
from pathlib import Path

from gloaming.api.cli.frames_rig import RememberedRig, remembered_rig
from gloaming.api.cli.frames_verbs import apart, folder_of, made_line
from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import StatusLine, bar
from gloaming.api.cli.split_verb import Pieces, Split, wanted_split
from gloaming.shows.config_files.errors import InputError, WrongValueError, input_error
from gloaming.shows.framefile.source import parse_fps, parse_universes
from gloaming.shows.framefile.writer import is_written, place_problem
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import PORT_ADDRESS_MAX
from gloaming.shows.protocols.artnet.parse import NO_UNIVERSE, ArtNetReader, mapping
from gloaming.shows.protocols.datagrams import PacketReader
from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE
from gloaming.shows.protocols.e131.parse import E131Reader
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.live import Listener, Live
from gloaming.shows.recording.other_protocol import OtherProtocol, other_than
from gloaming.shows.recording.receive import DISCOVERY_S, Receiver
from gloaming.shows.recording.recorder import Outcome, Wanted
from gloaming.shows.recording.report import ranges
from gloaming.shows.recording.sockets import Sockets
from gloaming.shows.rig.values import read_port_addresses

TICK_S = 0.05
LINE_S = 0.5
ELSEWHERE_S = 1.0
SPARE_SOCKETS = 12
"""Room for the groups of some hundreds of universes that are found later."""


def record_(args: argparse.Namespace) -> int:
    """`record`."""
    split = _split(args)
    if split is None:
        outcome, rig = _recorded(args, args.out)
        _print_outcome(args, outcome, None)
        rig.report(args.out)
    else:
        with folder_of(split.folder):
            outcome, rig = _recorded(args, split.folder / f"recording-{secrets.token_hex(4)}.frames")
            pieces = _cut(args, split, outcome)
        _print_outcome(args, outcome, pieces)
        rig.report(pieces.paths[0])
    return 1 if outcome.broken else 0


def _recorded(args: argparse.Namespace, out: Path) -> tuple[Outcome, RememberedRig]:
    """Record into the frame file `out`."""
    rig = remembered_rig(args.rig, out)
    wanted = _wanted(args, rig.json)
    if args.capture:
        if args.for_s is not None:
            raise input_error("--for", "a capture has its own length", "leave out --for, or --capture")
        if args.interface is not None or args.address is not None:
            hint = "leave out --interface and --address, or --capture"
            raise input_error("--capture", "a capture is read from a file, not from an interface", hint)
        apart(out, args.capture)
        with bar(args, "reading", "packets") as progress:
            outcome = from_capture(args.capture, out, wanted, progress)
    else:
        outcome = _live(args, wanted, out)
    if outcome.broken:
        _report(f"{out}: {outcome.broken}; the frames before it are in the file")
    return outcome, rig


def _cut(args: argparse.Namespace, split: Split, outcome: Outcome) -> Pieces:
    """Cut the recording into its pieces. It is removed when all of them are there, and kept if it cannot be cut."""
    whole = outcome.info.path
    try:
        pieces = split.cut(args, outcome.info)
    except BaseException:
        words = [
            "gloaming",
            "frames",
            "split",
            str(whole),
            str(split.folder),
            "--at-black",
            f"{float(split.black_s):g}",
        ]
        _report(f"note: the whole recording is kept; `{shlex.join(words)}` cuts it")
        raise
    whole.unlink()
    return pieces


def _split(args: argparse.Namespace) -> Split | None:
    if args.black_s is None:
        if args.names:
            raise input_error("--names", "only pieces have names", "add --split-at-black 3, or leave out --names")
        return None
    split = wanted_split(args, "--split-at-black")
    if args.until_still is not None and args.until_still <= split.black_s:
        problem = f"it would end the recording at the first {args.until_still:g} s of black"
        raise input_error("--until-still", problem, f"use more than {float(split.black_s):g} s")
    return split


def _wanted(args: argparse.Namespace, rig: str) -> Wanted:
    universes = None if args.universes == "all" else parse_universes(args.universes)
    universes, reader = _protocol(args, universes)
    slots: str | int = args.slots
    if args.slots not in ("used", "sent"):
        if not args.slots.isascii() or not args.slots.isdecimal() or not 1 <= int(args.slots) <= 512:
            raise input_error("--slots", f"{args.slots!r} is not used, sent, or a number from 1 to 512")
        slots = int(args.slots)
    for key, seconds in (("--for", args.for_s), ("--until-still", args.until_still)):
        if seconds is not None and not 0 < seconds < 1e7:
            raise input_error(key, f"{seconds:g} is not a number of seconds")
    fps = parse_fps(args.fps) if args.fps else None
    return Wanted(universes, slots, fps, args.from_change, args.until_still, args.for_s, reader, rig)


def _protocol(
    args: argparse.Namespace, universes: tuple[int, ...] | None
) -> tuple[tuple[int, ...] | None, PacketReader]:
    """The wanted universes, None for all, and the reader of the protocol."""
    if args.protocol == ProtocolName.E131:
        if args.port_addresses:
            raise input_error("--port-addresses", "only Art-Net has port-addresses", "add --protocol artnet")
        return universes, E131Reader(args.preview)
    if args.preview:
        raise input_error("--preview", "data of Art-Net are never marked as preview", "leave it out")
    if args.port_addresses is None:
        beyond = [number for number in universes or () if number > PORT_ADDRESS_MAX]
        if beyond:
            hint = "name the port-address of each universe with --port-addresses"
            raise input_error("--universes", f"there is no port-address {beyond[0]}; the last is 32767", hint)
        return universes, ArtNetReader()
    try:
        port_addresses = read_port_addresses(args.port_addresses)
    except WrongValueError as error:
        raise input_error("--port-addresses", error.problem, error.hint) from None
    if universes is None:
        if 0 in port_addresses:
            raise input_error("--port-addresses", NO_UNIVERSE)
        return port_addresses, ArtNetReader()
    if len(port_addresses) != len(universes):
        problem = f"{len(port_addresses)} port-addresses for {len(universes)} universes"
        raise input_error("--port-addresses", problem, "name as many as in --universes, in the same order")
    return universes, ArtNetReader(mapping(dict(zip(port_addresses, universes, strict=True))))


def _live(args: argparse.Namespace, wanted: Wanted, out: Path) -> Outcome:
    if problem := place_problem(out):
        raise input_error(out, problem)
    stop = threading.Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda *_: stop.set())

    def restore_signals(_: Path) -> None:  # the file is complete: from now on a second Ctrl-C ends the command
        for number, handler in before.items():
            signal.signal(number, handler)

    pattern = escape(out.name) if out == args.out else "recording-*.frames"
    for old in sorted(out.parent.glob(f"{pattern}.*.part")):
        if is_written(old):
            if out == args.out:
                _report(f"warning: {out} is already being written, as {old.name}; the recording that ends last stays")
            continue
        _report(f"note: {old} is of an interrupted recording; `gloaming frames mend` makes a frame file of it")
    reader, every = wanted.reader, wanted.universes is None
    elsewhere = _Elsewhere(args, wanted)
    universes = wanted.universes or ()
    if every and reader.multicast:
        universes = _announced(args, reader, stop, elsewhere)
    listened = [*universes, DISCOVERY_UNIVERSE] if every else universes
    sockets = Sockets(listened, args.address, args.interface, SPARE_SOCKETS if every else 0, reader)
    for note in sockets.notes:
        _report(f"warning: {note}")
    reported = len(sockets.notes)
    receiver = Receiver(sockets.all)
    live = Live(receiver, out, wanted, lambda new: sockets.join(new.difference(listened)))
    broken = None
    try:
        try:
            _run(args, live, stop, elsewhere.look)
        except EOFError as error:
            broken = str(error)
        with bar(args, "finishing") as progress:
            outcome = live.finish(restore_signals, progress)
        notes = (*outcome.notes, *sockets.notes[reported:])
        return replace(outcome, notes=notes, broken=outcome.broken or broken)
    except BaseException:
        live.discard()
        raise
    finally:
        restore_signals(out)
        elsewhere.close()
        receiver.close()


def _announced(
    args: argparse.Namespace, reader: PacketReader, stop: threading.Event, elsewhere: _Elsewhere
) -> tuple[int, ...]:
    """Every universe that is announced or received within the time in which each source must announce."""
    _report(f"listening for {DISCOVERY_S + 1:.0f} s to find the universes")
    sockets = Sockets([DISCOVERY_UNIVERSE], args.address, args.interface)
    receiver = Receiver(sockets.all)
    listener = Listener(receiver, reader)
    try:
        until_s = time.monotonic() + DISCOVERY_S + 1
        while time.monotonic() < until_s and not stop.is_set():
            listener.listen(TICK_S)
            if not listener.universes:
                elsewhere.look(time.monotonic())
    finally:
        elsewhere.close()
        receiver.close()
    if stop.is_set():
        raise input_error(args.out, "it was ended before the recording began")
    if not listener.universes:
        note = f"; {sockets.notes[0]}" if sockets.notes else ""
        raise input_error("--universes", f"no universe was announced, and none came in{note}", "name them: 1-13")
    _report(f"recording {ranges(sorted(listener.universes))}")
    return tuple(sorted(listener.universes))


def _run(args: argparse.Namespace, live: Live, stop: threading.Event, look: Callable[[float], None]) -> None:
    """Record until Ctrl-C, until the recording ends by itself, or until nothing has arrived for too long.

    `look` gets the time while nothing has come. InputError when nothing arrives within `--for`, unless the recording
    waits for a first change.
    """
    line = _Line(live)
    arrived_s, began_s = 0.0, None
    give_up_s = None if args.for_s is None or live.waits_for_change else time.monotonic() + args.for_s
    while not stop.is_set() and live.ended is None:
        now_s, before = time.monotonic(), live.levels
        if live.pump(TICK_S):
            stop.wait(TICK_S)  # then more packets are read at once
        if began_s is None and live.began:
            began_s = now_s
        if live.levels > before:
            arrived_s = now_s
        elif began_s is not None:
            over = args.for_s is not None and now_s - began_s > args.for_s + 2
            still = args.until_still is not None and now_s - arrived_s > args.until_still
            if over or still:
                break
        elif give_up_s is not None and now_s > give_up_s:
            line.end()
            raise input_error("--for", f"it ended after {args.for_s:g} s: {live.nothing}")
        if not live.packets:
            look(now_s)
        line.show(now_s)
    line.end()


class _Elsewhere:
    """Reports levels that come by the other protocol. It looks after a second in which nothing came."""

    def __init__(self, args: argparse.Namespace, wanted: Wanted) -> None:
        self._args, self._reader = args, other_than(wanted.reader)
        self._universes = wanted.universes or (1,)
        self._due_s: float | None = None
        self._other: OtherProtocol | None = None
        self._reported = False

    def look(self, now_s: float) -> None:
        """Report what has come. Nothing has come by the protocol that is recorded."""
        if self._due_s is None:
            self._due_s = now_s + ELSEWHERE_S
        if self._reported or now_s < self._due_s:
            return
        if self._other is None:
            self._other = OtherProtocol(self._reader, self._opened())
        if text := self._other.look():
            _report(f"note: there are {text}")
            self._reported = True
            self.close()

    def _opened(self) -> list[socket.socket]:
        numbers = [*self._universes, DISCOVERY_UNIVERSE]
        try:
            return Sockets(numbers, self._args.address, self._args.interface, reader=self._reader).all
        except InputError:  # another program has the port: this is no reason to end the recording
            return []

    def close(self) -> None:
        """Close the sockets. The next look opens others."""
        if self._other is not None:
            self._other.close()
            self._other = None


class _Line:
    """The line of progress, if standard error is a terminal."""

    def __init__(self, live: Live) -> None:
        self._live, self._shown_s, self._packets, self._line = live, 0.0, 0, StatusLine()

    def show(self, now_s: float) -> None:
        """Show universes, rate and losses, at most every half second."""
        if now_s - self._shown_s < LINE_S:
            return
        live, recording = self._live, self._live.recording
        rate = (live.packets - self._packets) / (now_s - self._shown_s) if self._shown_s else 0.0
        self._shown_s, self._packets = now_s, live.packets
        text = "waiting for the first packet" if not live.packets else f"{rate:.0f} packets a second"
        if recording:
            counts = recording.counts
            text = (
                f"{counts.elapsed_s:.1f} s  {recording.active} universes  {counts.frames} frames at {recording.fps:.4g}"
                f"  {text}  {counts.lost_in_all} lost"
            )
        self._line.show(text)

    def end(self) -> None:
        self._line.show("")


def _print_outcome(args: argparse.Namespace, outcome: Outcome, pieces: Pieces | None) -> None:
    counts, info = outcome.counts, outcome.info
    lines = [*(pieces.lines if pieces else ()), *counts.lines(info.fps), *outcome.notes]
    report = {
        "path": str(args.out),
        "frames": info.frames,
        "fps": float(info.fps),
        "measured_fps": counts.measured_fps,
        "universes": [one.number for one in info.universes],
        "packets": counts.data,
        "lost": counts.lost_in_all,
        "dropped": counts.dropped,
        "repeated": counts.repeated,
        "out_of_order": counts.out_of_order,
        "frames_lost": counts.frames_lost,
        "frames_filled": counts.frames_filled,
        "lines": lines,
    }
    if pieces:
        report["pieces"] = pieces.rows(info.fps)
    paths = pieces.paths if pieces else (info.path,)
    answer(args, report, *map(made_line, paths), *(f"  {line}" for line in lines))


def _report(text: str) -> None:
    print(text, file=sys.stderr)
