"""The transmitter's main loop: reads messages of the planner, calls the player. Only this module reads the clocks."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import sys
import time
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from gloaming.daemon.score.protocol import Op, build
from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.service.log import ERROR, LOG, open_log
from gloaming.daemon.service.notify import Notifier, managed
from gloaming.daemon.transmitter.counters import Totals
from gloaming.daemon.transmitter.others import as_troubles
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.process import ask_for_grants, follow_grants, listen
from gloaming.daemon.transmitter.readahead import ReadAhead
from gloaming.daemon.transmitter.sound.client import SoundClient
from gloaming.daemon.transmitter.telemetry import telemetry
from gloaming.daemon.transmitter.troubles import Troubles, Unreached
from gloaming.daemon.transmitter.view import View
from gloaming.daemon.transmitter.watch import QUIET_NS, SourceWatch
from gloaming.shows.protocols.e131 import IPV4
from gloaming.shows.time_units import SECOND_NS

RETRY_OUTPUT_NS = SECOND_NS
RETRY_LISTEN_S = 1.0
"""The wait before another try to listen."""
PLAYING_NS = SECOND_NS // 20
"""The shortest time between two `playing` messages: during a fade each frame changes the level."""
LAST_SEND_S = 1.0
UNREAD_BYTES_MAX = 1 << 20
"""The transmitter disconnects a planner that leaves more than this unread."""
LINE_BYTES_MAX = 16 << 20
"""The longest message: a setup of all universes. The transmitter disconnects a planner that sends a longer line."""


class Transmitter:
    """Owns the sockets, the player and the messages to the planner."""

    def __init__(self, path: Path) -> None:
        self.listener = listen(path)
        self.wakeup, waker = socket.socketpair()
        for end in (self.wakeup, waker):
            end.setblocking(False)
        signal.set_wakeup_fd(waker.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._stop)
        self.stopping = False
        self.planner: socket.socket | None = None
        self.unread, self.unsent = bytearray(), b""
        self.troubles, self.unreached = Troubles(self._send), Unreached()
        self.sound = SoundClient(self._trouble)
        self.grants = ask_for_grants()
        ahead = ReadAhead(lambda: self._wake(waker), partial(follow_grants, self.grants))
        self.player = Player(ahead, self._frames_trouble, self.sound.shift_ns)
        self.build = build()
        self.totals = Totals()
        self.watch: SourceWatch | None = None
        self.manager = Notifier()
        self.view = View()
        self.setup: Setup | None = None
        self.before: Output | None = None
        """The newest output, open or closed."""
        self.playing_reported: tuple[object, ...] | None = None
        self.next_playing_ns = self.next_telemetry_ns = self.next_output_ns = 0

    @staticmethod
    def _wake(waker: socket.socket) -> None:
        try:
            waker.send(b"\0")
        except BlockingIOError:
            return  # an earlier wake-up is still unread

    def _stop(self, *_: object) -> None:
        self.stopping = True

    def run(self) -> None:
        """Tick, then wait for the next tick or for something to read, until a stop is asked for."""
        self.manager.notify("READY=1")
        while not self.stopping:
            now_ns = time.monotonic_ns()
            next_ns = self.player.tick(now_ns, time.time_ns())
            self.sound.set_held(self.player.holds.held)
            self._report(now_ns)
            self._wait_until(min(next_ns, self.next_telemetry_ns, self._report_playing(now_ns)))
        self._end()

    def _wait_until(self, next_ns: int) -> None:
        """Wait for an instant or for something to read."""
        wait_s = max(0, next_ns - time.monotonic_ns()) / SECOND_NS
        reading = [self.listener, self.wakeup, *(one for one in (self.planner, self.sound.sock) if one)]
        writing = [self.planner] if self.planner and self.unsent else []
        for ready in select.select(reading, writing, [], wait_s)[0]:
            if ready is self.wakeup:
                self.wakeup.recv(4096)
            elif ready is self.listener:
                self._accept()
            elif ready is self.sound.sock:
                self.sound.read(time.monotonic_ns())
            elif ready is self.planner:
                self._read()

    def _end(self) -> None:
        """Send black, since most receivers keep the last look, then terminate the streams."""
        self.player.go_black()
        self.sound.close()
        if self.player.output:
            self.player.output.terminate()
        self._report(time.monotonic_ns(), last=True)
        if self.planner and self.unsent:  # the last telemetry is worth a short wait
            self.planner.settimeout(LAST_SEND_S)
            with suppress(OSError):
                self.planner.sendall(self.unsent)
        self.sound.wait()

    def _accept(self) -> None:
        if self.planner:
            self.planner.close()
        self.planner, _ = self.listener.accept()
        self.planner.setblocking(False)
        self.unread, self.unsent = bytearray(), b""
        self.playing_reported = None
        self._hello()
        self.troubles.repeat()

    def _hello(self) -> None:
        way = self.player.output.sender.way if self.player.output else None
        hello = {"op": Op.HELLO, "pid": os.getpid(), "wire": way, "grants": self.grants, "build": self.build}
        self._send(hello)

    def _read(self) -> None:
        assert self.planner
        try:
            data = self.planner.recv(1 << 20)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data or len(self.unread) > LINE_BYTES_MAX:
            self.planner.close()
            self.planner = None
            LOG.line(
                "restart", "the planner is gone; the transmitter plays the last score to its end and then stays dark"
            )
            return
        *lines, rest = data.split(b"\n")
        if lines:
            lines[0] = bytes(self.unread) + lines[0]
            self.unread.clear()
        self.unread += rest
        for line in lines:
            try:
                self._handle(json.loads(line))
            except (ValueError, LookupError, TypeError, ArithmeticError, AttributeError, RecursionError) as error:
                self.totals.messages_unread += 1
                self._trouble("score", "message", f"a message cannot be read: {error!r}"[:500])

    def _handle(self, message: dict[str, Any]) -> None:
        match message["op"]:
            case Op.SETUP:
                self._set_up(Setup.from_json(message))
            case Op.WINDOWS:
                self.player.windows = Windows.from_json(message)
                self.sound.set_windows(self.player.windows)
            case Op.SCORE:
                before, score = self.player.score, Score.from_json(message)
                self.player.score = score
                if before is None or score.files is None or score.files != before.files:
                    self.player.look_again()
                self.sound.play(score, time.monotonic_ns())
                self.playing_reported = None
            case Op.VIEW:
                self._send_view(message)
            case Op.STOP:
                self.stopping = True

    def _send_view(self, message: dict[str, Any]) -> None:
        """Send the last levels of the picked slots. Skip them while earlier messages are unread."""
        if "picks" in message:
            self.view.pick(message["picks"])
        output = self.player.output
        if output is not None and not self.unsent:
            self._send({"op": Op.VIEW, "levels": self.view.levels(output.mixer, output.blocks())})

    def _set_up(self, setup: Setup) -> None:
        """Make new packets and a new socket, unless nothing differs but the sequence number and the known boards."""
        output, known = self.player.output, self.setup
        if output and known and setup == replace(known, sequence_from=setup.sequence_from, boards=setup.boards):
            self.setup = output.setup = replace(known, boards=setup.boards)
            if self.watch:
                self.watch.know(setup.boards)
            return
        self.setup = None
        before = self.player.output
        self.player.use(None)
        self._open_output(setup)
        if before:
            before.hand_over(self.player.output)
        self.setup = setup

    def _open_output(self, setup: Setup) -> None:
        if self.watch:
            self.watch.close()
            self.watch = None
        try:
            output = Output(setup, self.totals, self.before)
        except OSError as error:
            self.next_output_ns = time.monotonic_ns() + RETRY_OUTPUT_NS
            subject = setup.interface or "network"
            self._trouble("network", subject, f"no socket can be opened: {error.strerror or error}")
        else:
            self.player.use(output)
            self.before = output
            begin = partial(follow_grants, self.grants)
            self.watch = SourceWatch(setup.targets, output.sender.index, setup.heading.cid, setup.boards, begin)
            self._hello()

    def _report_playing(self, now_ns: int) -> int:
        """Report what is sent and heard, and by which score, when it changes. Returns when to look again."""
        score, shown, volume = self.player.score, self.player.shown, self.sound.volume
        if score is None or self.player.output is None:
            return now_ns + SECOND_NS
        playing = (score.id, shown.piece, shown.level, volume, self.player.areas_shown)
        if playing == self.playing_reported:
            return now_ns + SECOND_NS
        if self.playing_reported is None or now_ns >= self.next_playing_ns:
            self.playing_reported, self.next_playing_ns = playing, now_ns + PLAYING_NS
            what: dict[str, Any] = {"piece": shown.piece, "frame": shown.frame, "level": shown.level, "volume": volume}
            what |= {"black": self.player.black_by(), "areas": self.player.area_figures()}
            self._send({"op": Op.PLAYING, "id": score.id, "at_ns": now_ns + score.offset_ns, **what})
        return self.next_playing_ns

    def _report(self, now_ns: int, last: bool = False) -> None:
        """Do the work of once a second: telemetry, troubles, sound, network."""
        player, score = self.player, self.player.score
        if now_ns < self.next_telemetry_ns and not last:
            return
        self.next_telemetry_ns = now_ns + SECOND_NS
        self.manager.notify("WATCHDOG=1")
        if not last:
            self.sound.maintain(now_ns)
            self._maintain_network(now_ns)
        self.troubles.report_ended(now_ns)
        figures = telemetry(player, self.totals, self.watch)
        at_ns = time.time_ns() if score is None else now_ns + score.offset_ns
        self._send({"op": Op.TELEMETRY, "at_ns": at_ns, **figures, "sound": self.sound.figures()})

    def _maintain_network(self, now_ns: int) -> None:
        """Reopen sockets, report refused packets and other sources, send universe discovery."""
        output = self.player.output
        if output and output.sender.moved():
            self.setup = replace(output.setup, sequence_from=output.sequence)
            output.close()
            self.player.use(output := None)
        if output is None and self.setup and now_ns >= self.next_output_ns:
            self._open_output(self.setup)
        if output is None:
            return
        for host, text, quiet_ns in self.unreached.seen(now_ns, output.take_errors(), len(output.hosts)):
            subject = host or output.setup.interface or "network"
            self.troubles.seen(now_ns, "network", subject, text, quiet_ns=quiet_ns)
        if output.without_source():
            interface = output.setup.interface or "the interface"
            text = f"{interface} has no IPv4 address: multicast leaves from 0.0.0.0 and no controller receives it"
            self.troubles.seen(now_ns, "network", IPV4, text)
        output.announce(now_ns)
        others = self.watch.standing() if self.watch else ()
        for subject, text, more, since_ns in as_troubles(others, output.setup.interface or "network"):
            more = {**more, "since_ns": since_ns + time.time_ns() - now_ns}
            self.troubles.seen(now_ns, "other-source", subject, text, more, QUIET_NS)

    def _frames_trouble(self, kind: str, subject: str, text: str, segment: Segment, frame: int | None) -> None:
        more = {"piece": segment.piece, "frame": frame}
        if kind == "frames":  # report every time: the planner leaves the piece out
            self._send({"op": Op.TROUBLE, "kind": kind, "subject": subject, "text": text, "over": False, **more})
        else:
            self.troubles.seen(time.monotonic_ns(), kind, subject, text, more)

    def _trouble(self, kind: str, subject: str, text: str) -> None:
        self.troubles.seen(time.monotonic_ns(), kind, subject, text)

    def _send(self, message: dict[str, Any]) -> None:
        """Send to the planner without waiting: what it does not take now is kept, up to a bound.

        Without a planner, troubles go to the service's log.
        """
        if not self.planner:
            if message["op"] == Op.TROUBLE:
                over = "over: " if message["over"] else ""
                about = {key: message.get(key) for key in ("subject", "piece", "over")}
                LOG.line("trouble", f"{over}{message['subject']}: {message['text']}", data=about)
            return
        self.unsent += json.dumps(message).encode() + b"\n"
        try:
            self.unsent = self.unsent[self.planner.send(self.unsent) :]
        except BlockingIOError:
            pass
        except OSError:
            self.planner.close()
            self.planner = None
            self.unsent = b""
        if len(self.unsent) > UNREAD_BYTES_MAX and self.planner:
            self.planner.close()
            self.planner = None


def main() -> int:
    """`python -m gloaming.daemon.transmitter SOCKET`."""
    if len(sys.argv) != 2:
        print("transmitter: give the path of the socket to listen on", file=sys.stderr)
        return 2
    open_log("gloaming-transmitter")
    while (transmitter := _begin(Path(sys.argv[1]).absolute())) is None:
        if not managed():
            return 2
        time.sleep(RETRY_LISTEN_S)
    transmitter.run()
    return 0


def _begin(path: Path) -> Transmitter | None:
    try:
        return Transmitter(path)
    except OSError as error:
        LOG.complain(f"transmitter: {error.strerror or error}", ERROR, "fault")
    return None


if __name__ == "__main__":
    sys.exit(main())
