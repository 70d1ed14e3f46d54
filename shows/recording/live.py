"""A live recording: what comes off the wire is first looked at for a moment, then recorded. Told when to end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from gloaming.shows.importing import Progress, mistake
from gloaming.shows.recording.packets import Kind, Packets, announced, read
from gloaming.shows.recording.receive import Receiver
from gloaming.shows.recording.recorder import Outcome, Recording, Wanted, lay_out
from gloaming.shows.recording.report import ranges
from gloaming.shows.recording.rhythm import Census

LOOK_NS = 1_500_000_000
"""How long a stream is looked at before its rhythm is trusted; unchanged data come at least once a second."""

HELD_MAX = 40_000
"""Packets of a look that never changes; with that many of them, nobody waits any longer to see a rate."""


class Ear:
    """Hears which universes there are: those that sources announce (E1.31 section 8), and those that come in."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self.universes: set[int] = set()

    def listen(self, timeout_s: float) -> None:
        """Take what has come."""
        datagrams = self._receiver.read(timeout_s)
        if datagrams is None:
            return
        packets = read(datagrams)
        for number, kind in enumerate(packets.kind):
            if kind == Kind.DISCOVERY:
                self.universes.update(one for one in announced(packets, number) if 1 <= one <= 63999)
            elif kind == Kind.DATA:
                self.universes.add(packets.universe[number])
        self._receiver.release()


class Live:
    """Records what a receiver hears into `out`, until `finish`. `recording` is None until the first look is over."""

    def __init__(self, receiver: Receiver, out: Path, wanted: Wanted) -> None:
        self.recording: Recording | None = None
        self.packets = 0
        self._receiver, self._out, self._wanted = receiver, out, wanted
        self._census = Census()
        self._held: list[Packets] = []
        self._first_ns: int | None = None
        self._looks: dict[int, bytes] = {}

    @property
    def ended(self) -> str | None:
        """Why the recording is over by itself, if it is."""
        return self.recording.ended if self.recording else None

    def pump(self, timeout_s: float) -> bool:
        """Take what has come; False if nothing has. EOFError if nothing can come any more."""
        datagrams = self._receiver.read(timeout_s)
        if datagrams is None:
            return False
        packets = read(datagrams)
        before = self.packets
        self.packets += packets.kind.count(Kind.DATA)
        if self.recording:
            self.recording.take(packets)
        else:
            self._look(packets)
        self._receiver.release()
        return self.packets > before

    def _look(self, packets: Packets) -> None:
        if self._first_ns is None:
            self._first_ns = self._beginning(packets)
        self._census.take(packets)
        self._held.append(packets.kept())
        if self._first_ns is None:  # what came before is of no use but for the last looks
            while packets.at_ns[-1] - self._held[0].at_ns[-1] > LOOK_NS:
                self._held.pop(0)
            return
        busy_ns = self._census.busy_ns
        seen = busy_ns is not None and packets.at_ns[-1] - max(busy_ns, self._first_ns) > LOOK_NS
        if seen or sum(map(len, self._held)) > HELD_MAX:
            self._begin()

    def _beginning(self, packets: Packets) -> int | None:
        """When the first packet came that we want; or the first that changes anything, if we are to wait for it."""
        wanted = self._wanted.universes
        levels = packets.levels() if self._wanted.from_change else None
        for number, (kind, at_ns, universe) in enumerate(
            zip(packets.kind, packets.at_ns, packets.universe, strict=True)
        ):
            if kind != Kind.DATA or not (wanted is None or universe in wanted):
                continue
            if levels is None:
                return at_ns
            look = levels[number].tobytes()
            if self._looks.setdefault(universe, look) != look:
                self._census = Census()
                for held in self._held:
                    self._census.take(held)
                return at_ns
        return None

    def _begin(self) -> None:
        heard = set(self._census.sent)
        numbers = sorted(self._wanted.universes or heard)
        if not heard.intersection(numbers):
            there = f"; there is {ranges(sorted(heard))}" if heard else ""
            raise mistake(self._out, f"nothing came for {ranges(numbers) if numbers else 'any universe'}{there}")
        slots = lay_out(numbers, self._census.sent, {}, "sent" if self._wanted.slots == "used" else self._wanted.slots)
        rhythm = self._census.rhythm(numbers, self._wanted.fps)
        self.recording = Recording(self._out, slots, rhythm, self._wanted, live=True)
        for packets in self._held:
            self.recording.take(packets)
        self._held = []

    def finish(self, closed: Callable[[Path], None], progress: Progress | None = None) -> Outcome:
        """Take what still waits, close the file, say so, tidy it. MistakeError when nothing came."""
        self._receiver.stop()
        try:
            while True:
                self.pump(10.0)
        except EOFError:
            pass  # all of it is here
        if self.recording is None:
            self._begin()
        assert self.recording is not None
        self.recording.tally.dropped = self._receiver.dropped
        outcome = self.recording.close()
        closed(self._out)
        silent = self.recording.silent()
        if silent:
            outcome = replace(outcome, notes=(*outcome.notes, f"nothing came for {ranges(silent)}"))
        return self.recording.tidied(outcome, progress)

    def discard(self) -> None:
        """Leave nothing behind."""
        if self.recording:
            self.recording.discard()
