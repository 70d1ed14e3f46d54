"""A player with a clock that only the test moves, a fake sender and a fake read-ahead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.transmitter.bulk import SendBatch
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.readahead import DamagedFrames, FrameCache, ReadAhead, Want
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from tests.daemon.transmitter.process_harness import SCORE, SECOND_NS, SETUP, segment, universe

UTC_NS = 1_795_000_000 * SECOND_NS
MS = 1_000_000
A, B = "192.0.2.21", "192.0.2.22"
FRAMES = np.arange(1, 201, dtype=np.uint8)[:, None].repeat(20, axis=1)


@dataclass
class FakeSender:
    """In place of `UdpSender`: records in `left` what would have been sent, and when."""

    now_ns: int = 0
    left: list[tuple[int, str, bytes]] = field(default_factory=list)
    way: str = "plain"
    index: int = 1
    broadcast: str = "192.0.2.255"

    def senders(self, batches: list[SendBatch]) -> list[Any]:
        return [_Send(self, batches)]

    def send_now(self, data: bytes, address: str, port: int) -> bool:
        self.left.append((self.now_ns, address, data))
        return True

    def new_frame(self) -> None: ...

    def close(self) -> None: ...

    def retry(self, sock: Any, number: int, tries: int) -> bool:
        return False


@dataclass
class _Send:
    sender: FakeSender
    batches: list[SendBatch]

    def send(self, retry: Any) -> list[Any]:
        self.sender.left += [(self.sender.now_ns, batch.address, batch.data.tobytes()) for batch in self.batches]
        return []


@dataclass
class FakeReadAhead:
    """In place of `ReadAhead`: each file has `FRAMES`. Of files in `gone` no frame comes."""

    gone: set[str] = field(default_factory=set)
    damaged: set[str] = field(default_factory=set)
    damaged_from: int | None = None
    scale: int | None = None
    """The level of all frames; None for those of `pictures`, or `FRAMES`."""
    pictures: dict[str, npt.NDArray[np.uint8]] = field(default_factory=dict)
    """The frames of a path, 20 slots of universe 1 each."""
    wanted: tuple[Want, ...] = ()

    def want(self, *wanted: Want) -> None:
        self.wanted = wanted

    def get(self, path: str, frame: int) -> Any:
        if path in self.damaged or (self.damaged_from is not None and frame >= self.damaged_from):
            return DamagedFrames("it is damaged")
        info = FrameFileInfo(Path(path), Fraction(40), len(FRAMES), 20, (Universe(1, 20, 0),))
        shown = self.pictures.get(path, FRAMES)[frame]
        shown = shown if self.scale is None else np.full_like(shown, self.scale)
        return None if path in self.gone else FrameCache(shown, info)

    def look_again(self) -> None: ...

    def damaged_after(self, path: str, frame: int) -> tuple[int, str] | None:
        """Reads two seconds ahead."""
        near = self.damaged_from is not None and self.damaged_from < frame + 80
        return (max(frame, self.damaged_from or 0), "it is damaged") if near else None


def setup_with(*universes: dict[str, Any], **more: Any) -> Setup:
    """A setup with these universes."""
    return Setup.from_json({**SETUP, "universes": universes, **more})


class PlayerHarness:
    """A player, and a clock that only the test moves."""

    def __init__(self, sender: FakeSender, *universes: dict[str, Any], **more: Any) -> None:
        self.sender, self.read_ahead = sender, FakeReadAhead()
        self.troubles: list[tuple[str, str, str, Segment, int | None]] = []
        self.player = Player(cast(ReadAhead, self.read_ahead), lambda *reported: self.troubles.append(reported))
        self.player.use(Output(setup_with(*(universes or (universe(1, A, slots=20),)), **more)))
        self.dark()

    def dark(self, *windows: tuple[int, int], wall: int = 0) -> None:
        edges = [[UTC_NS + begin, UTC_NS + end, 0.0, 0.0, "rule", None] for begin, end in windows]
        known = {"from_ns": UTC_NS - 10**15, "until_ns": UTC_NS + 10**15, "rules": [], "held": [], "rig_checks": []}
        self.player.windows = Windows.from_json({**known, "windows": edges})
        self.wall_ns = UTC_NS + wall

    def windows(self, *windows: tuple[int, int, float, Any], rules: tuple[str, ...] = (), held: Any = ()) -> None:
        """Windows `(from_ns, until_ns, light, spans)`, of the rules "rule 0", "rule 1" and so on."""
        assert self.player.windows
        made = [
            [UTC_NS + begin, UTC_NS + end, light, 1.0, f"rule {number}", spans]
            for number, (begin, end, light, spans) in enumerate(windows)
        ]
        known = self.player.windows.to_json()
        self.player.windows = Windows.from_json({**known, "windows": made, "rules": rules, "held": held})

    def score(self, *segments: dict[str, Any], areas: Sequence[tuple[Any, list[dict[str, Any]]]] = ()) -> None:
        """A score. Each area has its spans and its segments."""
        score = {**SCORE, "id": 1, "offset_ns": UTC_NS, "segments": [later(one) for one in segments]}
        own = [{"spans": spans, "segments": [later(one) for one in mine]} for spans, mine in areas]
        self.player.score = Score.from_json({**score, "areas": own})

    def play(self, until_ns: int, late_ns: int = 0) -> list[tuple[int, str, bytes]]:
        """What leaves until an instant. Each tick comes `late_ns` too late."""
        before, ticks = len(self.sender.left), 0
        while self.sender.now_ns < until_ns:
            next_ns = self.player.tick(self.sender.now_ns, self.sender.now_ns + self.wall_ns)
            assert next_ns > self.sender.now_ns
            self.sender.now_ns = min(until_ns, next_ns + late_ns)
            ticks += 1
            assert ticks < 100_000, "the player does not wait"
        return self.sender.left[before:]


def later(one: Any) -> Any:
    """A segment with each instant moved by `UTC_NS`."""
    if not isinstance(one, dict):
        return one
    return {
        key: value + UTC_NS if key in ("from_ns", "until_ns", "zero_ns") else later(value) for key, value in one.items()
    }


def film(from_ns: int, until_ns: int, level: tuple[float, float] = (1, 1), **more: Any) -> dict[str, Any]:
    return segment(from_ns, until_ns, level, **{"path": "/film", "piece": "film", "frames": 200, **more})
