"""`gloaming record` from the network: what to listen to, a line of progress, an end by Ctrl-C."""

from __future__ import annotations

import argparse
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from glob import escape
from pathlib import Path

from gloaming.api.cli.progress import StatusLine, bar
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.writer import is_written, place_problem
from gloaming.shows.protocols.datagrams import PacketReader
from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE
from gloaming.shows.recording.live import Listener, Live
from gloaming.shows.recording.other_protocol import OtherProtocol, other_than
from gloaming.shows.recording.receive import DISCOVERY_S, Receiver
from gloaming.shows.recording.recorder import Outcome, Wanted
from gloaming.shows.recording.report import ranges
from gloaming.shows.recording.sockets import Sockets

TICK_S = 0.05
LINE_S = 0.5
ELSEWHERE_S = 1.0
SPARE_SOCKETS = 12
"""Room for the groups of some hundreds of universes that are found later."""


def record_live(args: argparse.Namespace, wanted: Wanted, out: Path) -> Outcome:
    """Record into the frame file `out` until Ctrl-C, or until it ends by itself. InputError without a frame."""
    if problem := place_problem(out):
        raise input_error(out, problem)
    stop = threading.Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda *_: stop.set())

    def restore_signals(_: Path) -> None:  # the file is complete: from now on a second Ctrl-C ends the command
        for number, handler in before.items():
            signal.signal(number, handler)

    _report_unfinished(args, out)
    reader, every = wanted.reader, wanted.universes is None
    elsewhere = _Elsewhere(args, wanted)
    universes = wanted.universes or ()
    if every and reader.multicast:
        universes = _announced(args, reader, stop, elsewhere)
    listened = [*universes, DISCOVERY_UNIVERSE] if every else universes
    sockets = Sockets(listened, args.address, args.interface, SPARE_SOCKETS if every else 0, reader)
    for note in sockets.notes:
        report(f"warning: {note}")
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


def _report_unfinished(args: argparse.Namespace, out: Path) -> None:
    """Report the files of recordings that were interrupted, or are still being written to `out`."""
    pattern = escape(out.name) if out == args.out else "recording-*.frames"
    for old in sorted(out.parent.glob(f"{pattern}.*.part")):
        if is_written(old):
            if out == args.out:
                report(f"warning: {out} is already being written, as {old.name}; the recording that ends last stays")
            continue
        report(f"note: {old} is of an interrupted recording; `gloaming frames mend` makes a frame file of it")


def _announced(
    args: argparse.Namespace, reader: PacketReader, stop: threading.Event, elsewhere: _Elsewhere
) -> tuple[int, ...]:
    """Every universe that is announced or received within the time in which each source must announce."""
    report(f"listening for {DISCOVERY_S + 1:.0f} s to find the universes")
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
    report(f"recording {ranges(sorted(listener.universes))}")
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
            report(f"note: there are {text}")
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


def report(text: str) -> None:
    """Print a note or a warning for a person."""
    print(text, file=sys.stderr)
