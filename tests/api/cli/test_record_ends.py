"""When a live recording is over by itself, on a clock of its own: what is wanted counts, and not what else goes by."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gloaming.api.cli import record_live
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.protocols.datagrams import Datagrams
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.recording.live import Live
from gloaming.shows.recording.recorder import Outcome, Wanted
from tests.shows.streams import OTHER_CID, Event, data, everything, stream

LEVELS = np.arange(1, 81, dtype=np.uint8)[:, None]


class Wire:
    """Stands for receiver, clock and Ctrl-C: a time that goes on as one waits; at its end somebody stops it."""

    def __init__(self, events: Sequence[Event], end_s: float) -> None:
        self.events = sorted(events, key=lambda event: event[0])
        self.now_s, self.end_s, self.dropped, self.ending = 0.0, end_s, 0, False

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, timeout_s: float) -> None:
        self.now_s += timeout_s

    def is_set(self) -> bool:
        return self.now_s >= self.end_s

    def read(self, timeout_s: float) -> Datagrams | None:
        came = [event for event in self.events if event[0] <= self.now_s * 1e9]
        if not came:
            if self.ending:
                raise EOFError
            self.wait(timeout_s)
            return None
        self.events = self.events[len(came) :]
        lengths = np.array([len(payload) for _, payload in came])
        buffer = np.frombuffer(b"".join(payload.ljust(PACKET_BYTES_MAX, b"\0") for _, payload in came), np.uint8)
        starts = np.arange(len(came)) * PACKET_BYTES_MAX
        return Datagrams(buffer, starts, lengths, np.array([at_ns for at_ns, _ in came]), np.zeros(len(came), np.int64))

    def release(self) -> None:
        pass

    def stop(self) -> None:
        self.ending = True


def recorded(folder: Path, wire: Wire, monkeypatch: pytest.MonkeyPatch, **wanted: Any) -> tuple[list[int], Outcome]:
    """The levels of the one slot of universe 1, once `record` has ended."""
    stand_in: Any = wire
    monkeypatch.setattr(record_live, "time", stand_in)
    live = Live(stand_in, folder / "out.frames", Wanted((1,), "sent", **wanted))
    args = argparse.Namespace(for_s=wanted.get("for_s"), until_still=wanted.get("until_still_s"))
    record_live._run(args, live, stand_in, lambda now_s: None)
    outcome = live.finish(lambda path: None)
    return everything(outcome.info)[:, 0].tolist(), outcome


def still(seconds: float) -> list[Event]:
    """Unchanged data, one packet in 900 ms (E1.31 6.6.2)."""
    return [(number * 900_000_000, data(1, number, [200])) for number in range(int(seconds / 0.9))]


def later(events: Sequence[Event], by_s: float) -> list[Event]:
    return [(at_ns + int(by_s * 1e9), packet) for at_ns, packet in events]


@pytest.mark.parametrize("wanted", [{"for_s": 5.0}, {"until_still_s": 3.0}])
def test_unwanted_data_does_not_prolong_a_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wanted: dict[str, Any]
) -> None:
    others = stream(np.zeros((2400, 1), np.uint8), 1, first_universe=7, cid=OTHER_CID)
    wire = Wire(stream(LEVELS, 1) + others, 59)
    levels, _ = recorded(tmp_path, wire, monkeypatch, **wanted)
    assert wire.now_s < 10 and levels == LEVELS[:, 0].tolist()


@pytest.mark.parametrize("wanted", [{"for_s": 2.0}, {"until_still_s": 3.0}])
@pytest.mark.parametrize("look_s", [1.8, 9.0])
def test_waiting_for_a_change_has_no_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wanted: dict[str, Any], look_s: float
) -> None:
    """A look that is repeated, or one whose source then falls silent, begins nothing and ends nothing."""
    wire = Wire(still(look_s) + later(stream(LEVELS, 1), 20.0), 59)
    levels, _ = recorded(tmp_path, wire, monkeypatch, from_change=True, **wanted)
    assert wire.now_s < 30 and levels == LEVELS[:, 0].tolist()[: len(levels)] and len(levels) >= 79


def test_a_change_that_never_came_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="nothing changed"):
        recorded(tmp_path, Wire(still(9.0), 20), monkeypatch, from_change=True)


@pytest.mark.parametrize(
    "events, text",
    [
        ([], "nothing came for universe 1"),
        (stream(LEVELS, 1, first_universe=7), "nothing came for universe 1, but for universe 7"),
        (
            stream(LEVELS, 1, previewData=True),
            "nothing came for universe 1; 80 packets are marked as preview; --preview records them",
        ),
    ],
)
def test_a_recording_with_a_length_ends_after_it_though_nothing_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, events: list[Event], text: str
) -> None:
    wire = Wire(events, 59)
    with pytest.raises(InputError) as told:
        recorded(tmp_path, wire, monkeypatch, for_s=3.0)
    assert wire.now_s < 4 and str(told.value) == f"--for: it ended after 3 s: {text}"


def test_waiting_for_a_change_waits_for_a_first_packet_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The recording is begun first, then somebody starts the piece elsewhere."""
    levels, _ = recorded(tmp_path, Wire(later(stream(LEVELS, 1), 20.0), 59), monkeypatch, from_change=True, for_s=1.0)
    assert levels == LEVELS[1:41, 0].tolist()
