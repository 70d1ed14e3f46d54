"""A board in a box: the real planner and the real player, with clocks, a kernel and a network that a test controls.

They exchange the messages of the score protocol, as JSON. Only sockets, disks of pieces and time are the test's. The
planner notices a step of the clock when `notice` is called.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Coroutine
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import mkdtemp
from typing import Any, TypeVar, cast

import numpy as np
import pytest

from gloaming.daemon.planner import situation as situation_module
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.kernel_clock import KernelClock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.store import Store
from gloaming.daemon.score.protocol import Op
from gloaming.daemon.score.score import Score
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.readahead import FrameCache, ReadAhead, Want
from gloaming.shows.framefile.reader import FrameFileInfo, FrameWriter, Universe
from tests.daemon.transmitter.player_harness import FakeSender
from tests.daemon.transmitter.process_harness import CID

S = 1_000_000_000
MINUTE_NS = 60 * S
SLOTS = 12
FULL = 200
"""Every slot of every frame."""
HOST = "192.0.2.21"
T = TypeVar("T")


@dataclass(frozen=True)
class Rule:
    """A rule of the neighbours' hours, in UTC: "dark", "dim" with a brightness, or "quiet"."""

    kind: str
    begin: str
    end: str
    limit: float = 0.0

    @property
    def line(self) -> str:
        more = f", brightness = {self.limit}" if self.kind == "dim" else ""
        return f'{{ from = "{self.begin}", to = "{self.end}"{more} }}'

    @property
    def lasts_ns(self) -> int:
        begin, end = map(_minutes, (self.begin, self.end))
        return ((end - begin) % 1440 or 1440) * MINUTE_NS

    def begins_on(self, day: datetime) -> int:
        return int(day.timestamp()) * S + _minutes(self.begin) * MINUTE_NS

    def left_ns(self, at_ns: int) -> int:
        """How much is left at an instant of the window that it lies in; 0 outside."""
        since_ns = (at_ns - _minutes(self.begin) * MINUTE_NS) % (1440 * MINUTE_NS)
        return max(0, self.lasts_ns - since_ns)


def _minutes(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


@dataclass(frozen=True)
class Film:
    """A piece: how many frames, and at which rate."""

    frames: int = 400
    fps: Fraction = Fraction(2)


@cache
def _frames(film: Film) -> Path:
    """Its frame file, made once."""
    path = Path(mkdtemp(prefix="gloaming-film-")) / "film.frames"
    with FrameWriter(path, film.fps, [Universe(1, SLOTS, 0)]) as writer:
        for begin in range(0, film.frames, 100_000):
            writer.write(np.full((min(100_000, film.frames - begin), SLOTS), FULL, np.uint8))
    return path


@dataclass
class FakeReadAhead:
    """In the place of the disk: every frame of every file is `FULL`."""

    def want(self, *wanted: Want) -> None: ...

    def look_again(self) -> None: ...

    def damaged_after(self, path: str, frame: int) -> None: ...

    def get(self, path: str, frame: int) -> FrameCache:
        info = FrameFileInfo(Path(path), Fraction(40), 1, SLOTS, (Universe(1, SLOTS, 0),))
        return FrameCache(np.full(SLOTS, FULL, np.uint8), info)


@dataclass
class Lit:
    """A packet with light in it."""

    monotonic_ns: int
    brightest: int


@dataclass
class BoxedBoard:
    """`synchronised` and `outside` are what the kernel says of its clock."""

    folder: Path
    wall_ns: int
    rules: tuple[Rule, ...]
    film: Film = field(default_factory=Film)
    trust: str = "synchronised"
    synchronised: bool = False
    outside: str | None = None
    more: str = ""
    monotonic_ns: int = 1000 * S
    sender: FakeSender = field(default_factory=FakeSender)
    player: Player | None = None
    planner: Planner | None = None
    lit: list[Lit] = field(default_factory=list)
    longest_silence_ns: int = 0
    """Between packets of a universe that is lit, while it plays in all its ticks."""
    next_ns: int = 0

    def __post_init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.patch = pytest.MonkeyPatch()
        self.patch.setattr(output_module, "UdpSender", lambda *options: self.sender)
        self._write_pieces()

    def close(self) -> None:
        self.kill_planner()
        self.loop.close()
        self.patch.undo()

    # the site

    def _write_pieces(self) -> None:
        (self.folder / "pieces").mkdir(parents=True, exist_ok=True)
        for name in ("tide", "lanterns"):
            (self.folder / "pieces" / f"{name}.frames").symlink_to(_frames(self.film))
        (self.folder / "rig.toml").write_text(
            f'[[controller]]\nname = "left"\nhost = "{HOST}"\nuniverses = "1"\n\n'
            f'[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = {SLOTS // 3}\n'
        )
        self.write()

    def write(self, more: str = "") -> None:
        """The site's file, by the rules as they are."""
        kinds = {rule.kind for rule in self.rules}
        hours = [f"{kind} = [{', '.join(one.line for one in self.rules if one.kind == kind)}]\n" for kind in kinds]
        pieces = "".join(
            f'[[piece]]\nname = "{name}"\nframes = "pieces/{name}.frames"\n\n' for name in ("tide", "lanterns")
        )
        (self.folder / "site.toml").write_text(
            '[site]\nname = "Pier Road boathouse"\nlatitude = 54.486\nlongitude = -0.613\ntimezone = "Etc/UTC"\n\n'
            f'[neighbours]\n{"".join(hours)}{self.more}\n[output]\nfade = "0 s"\n\n[clock]\ntrust = "{self.trust}"\n\n'
            f'{pieces}[[show]]\nname = "evening"\norder = {json.dumps(self._order)}\n\n'
            f'[[performance]]\nshow = "evening"\nfrom = "12:00"\nto = "11:59"\n{more}'
        )

    @property
    def _order(self) -> list[str]:
        """Two pieces in turn; of pieces shorter than a second one alone, which goes round."""
        return ["tide", "lanterns"] if self.film.frames >= self.film.fps else ["tide"]

    def edit(self, *rules: Rule) -> None:
        """Somebody edits the rules on the board; a planner that runs reads the file."""
        self.rules = rules
        self.write()
        if self.planner:
            assert self.wait(self.planner._parts.site_watch.reload("its files have changed"))

    # the processes

    def start_planner(self, site: Site | None = None) -> None:
        """With a site, or with the one in the folder."""
        clock = Clock(0, lambda: self.wall_ns, lambda: self.monotonic_ns)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(situation_module, "ClockTrust", self._trust)
            self.planner = Planner(site or load_site(self.folder, strict=False), self.folder / "state", clock)
        self.planner._parts.client.send = self._receive  # type: ignore[method-assign]  # in the place of the socket
        self.planner._parts.store.set_fact("cid", CID)
        self.planner._parts.sender.send_setup()
        self.planner._parts.sender.decide()

    def _trust(self, store: Store, clock: Clock, rule: str, sets: bool) -> ClockTrust:
        return ClockTrust(store, clock, rule, self._kernel, lambda: self.outside, "this boot", sets)

    def _kernel(self) -> KernelClock:
        return KernelClock(self.synchronised)

    def kill_planner(self) -> None:
        if self.planner:
            self.planner._parts.close()
            self.planner = None

    def start_transmitter(self) -> None:
        """Start a new transmitter. A running planner sends it setup, score and windows."""
        self.player = Player(cast(ReadAhead, FakeReadAhead()), lambda *said: None)
        self.next_ns = self.monotonic_ns
        if self.planner:
            for op in (Op.SETUP, Op.SCORE, Op.WINDOWS):
                self._send(self.planner._parts.client._newest[op])

    def kill_transmitter(self) -> None:
        self.player = None

    def _receive(self, message: dict[str, Any]) -> None:
        assert self.planner
        self.planner._parts.client._newest[message["op"]] = message
        self._send(message)

    def _send(self, message: dict[str, Any]) -> None:
        message = json.loads(json.dumps(message))
        if self.player is None:
            return
        match message["op"]:
            case Op.SETUP:
                self.player.use(Output(Setup.from_json(message)))
            case Op.WINDOWS:
                self.player.windows = Windows.from_json(message)
            case Op.SCORE:
                self.player.score = Score.from_json(message)
        self._tick()

    # time

    def notice(self) -> None:
        """The planner checks its clock, and gets the transmitter's report of once a second."""
        if not self.planner:
            return
        self.planner._parts.situation.after_step()
        if self.planner._parts.situation.trust.look():
            self.planner._parts.situation.clock_changed(self.planner._parts.situation.trust.verdict.text)
        self.planner._parts.sender.decide()
        if self.player:
            held = [[one.rule, one.until_ns] for one in self.player.holds.held]
            if self.planner._parts.situation.steps.take_over(held, self.planner.site):
                self.planner._parts.sender.decide_anew()

    def _tick(self) -> None:
        if self.player is None:
            return
        self.sender.now_ns, before = self.monotonic_ns, len(self.sender.left)
        self.next_ns = self.player.tick(self.monotonic_ns, self.wall_ns)
        for at_ns, _, data in self.sender.left[before:]:
            if any(data[126:]):
                self.lit.append(Lit(at_ns, max(data[126:])))

    def play(self, seconds: float, notices: bool = True) -> list[Lit]:
        """Every tick of some seconds; what was lit."""
        before, end_ns = len(self.lit), self.monotonic_ns + round(seconds * S)
        notice_ns, first = self.monotonic_ns + S, len(self.sender.left)
        while self.monotonic_ns < end_ns:
            self._tick()
            next_ns = min(end_ns, notice_ns, max(self.next_ns, self.monotonic_ns + 1_000_000))
            self._pass(next_ns - self.monotonic_ns)
            if self.monotonic_ns >= notice_ns:
                notice_ns = self.monotonic_ns + S
                if notices:
                    self.notice()
        packets = [*self.sender.left[first:], (end_ns, "", b"")]
        silences = (after[0] - at_ns for (at_ns, _, data), after in pairwise(packets) if any(data[126:]))
        self.longest_silence_ns = max(self.longest_silence_ns, *silences, 0)
        return self.lit[before:]

    def skip(self, seconds: float) -> None:
        """A long time: the planner decides every five minutes, and the player looks once a minute and at each edge."""
        end_ns = self.monotonic_ns + round(seconds * S)
        while self.monotonic_ns < end_ns:
            self._tick()
            self._pass(min(end_ns, self._edge_ns(), self.monotonic_ns + 60 * S) - self.monotonic_ns)
            if self.monotonic_ns // S % 300 < 60:
                self.notice()
        self._tick()

    def _edge_ns(self) -> int:
        """The next edge of a window, as the player sees it by the score's clock."""
        player = self.player
        if player is None or player.score is None or player.windows is None:
            return self.monotonic_ns + 60 * S
        at_ns = self.monotonic_ns + player.score.offset_ns
        return self.monotonic_ns + player.windows.next_edge(at_ns) - at_ns

    def _pass(self, lasts_ns: int) -> None:
        self.wall_ns += lasts_ns
        self.monotonic_ns += lasts_ns

    def step(self, seconds: float) -> None:
        """The machine's clock is set."""
        self.wall_ns += round(seconds * S)

    # people

    def wait(self, work: Coroutine[Any, Any, T]) -> T:
        return self.loop.run_until_complete(work)

    def call(self, minutes: float = 30) -> dict[str, object]:
        assert self.planner
        return self.wait(
            self.planner.ask({"kind": "call", "show": "evening", "minutes": minutes}, "the harbour office")
        )

    def check_rig(self) -> dict[str, object]:
        assert self.planner
        return self.wait(self.planner.check_rig({"pattern": "colours", "minutes": 5}, "the harbour office"))

    def give(self, utc_ns: int) -> None:
        assert self.planner
        self.planner.give_time(utc_ns, "a phone")
