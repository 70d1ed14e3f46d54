"""A board is killed: a receiver that keeps to the standard shows its spare's frames, and later its own again."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest

from tests.api.evening import Seen
from tests.daemon.transmitter.process_harness import Heard, listening
from tests.three_boards import NETNS, STREET, Board, ThreeBoards, three_boards
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip", "mosquitto", "root")

LOOP = 4000
FRAME_NS = 25_000_000
LATE_FRAMES = 40
"""How late a reader may be on a machine that pauses: a second. A wrong frame is off by any number of frames."""
CHANGE_NS = 3_500_000_000
"""E1.31 6.7.1: the network data loss timeout is 2.5 s."""
GROUP = "239.255.0.1"
RIG = f"""[[controller]]
name = "left"
host = "{STREET}"
multicast = true
universes = "1"

[[controller]]
name = "right"
universes = "2"
"""


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ThreeBoards]:
    """The board quay and its spare, without the third one."""
    folder = tmp_path_factory.mktemp("two")
    with three_boards(folder, interface="eth0", frames=LOOP, start=False) as three:
        for board in three:
            (board.folder / "rig.toml").write_text(RIG, encoding="utf-8")
        three.reader("street")
        with three["quay"].running(), three["spare"].running():
            yield three


def codes(board: Board) -> set[str]:
    """What is wrong on a board, without what a machine of the tests may have."""
    found = {str(one["code"]) for one in board.now()["health"]["troubles"]}
    return found & {"other-source", "spare-carries", "board-unknown"}


def journal(board: Board) -> str:
    """The newest lines; none where the board is asked too often."""
    code, lines = board.ask("GET", "/api/journal")
    return "\n".join(one["text"] for one in lines) if code == 200 else ""


def heard_by(board: Board) -> list[int]:
    """The priorities of the other boards that a board hears."""
    telemetry: dict[str, Any] = board.now()["health"]["transmitter"] or {}
    return [one["priority"] for one in telemetry.get("boards_heard", ())]


def of_priority(packets: list[Heard], priority: int) -> list[Heard]:
    return [one for one in packets if one.is_data and one.data[108] == priority and not one.terminated]


def check_frames(seen: list[Seen]) -> None:
    """Each packet has the frame that its instant demands, by the first one. A reader may be late, never early."""
    first = seen[0]
    for one in seen:
        assert not one.black, f"black after {(one.at_ns - first.at_ns) / 1e9:.3f} s"
        ahead = (one.number - first.number - (one.at_ns - first.at_ns) // FRAME_NS) % LOOP
        assert ahead <= 4 or ahead >= LOOP - LATE_FRAMES, f"{ahead} frames ahead"


def test_the_spare_takes_over_at_the_frame_that_time_demands_and_gives_back_without_a_wrong_one(
    two: ThreeBoards,
) -> None:
    """The board comes back as a copy of its state on another machine, with another CID."""
    quay, spare, reader = two["quay"], two["spare"], two.reader("street")
    with listening(GROUP, namespace=two.street.namespace, interface="bridge") as wire:
        reader.wait_for(lambda seen: [one for one in seen if one.universe == 1 and not one.black], "light")
        wait_until(
            lambda: heard_by(spare) == [120] and heard_by(quay) == [110], "boards that hear each other", every_s=1
        )
        wait_until(lambda: not codes(spare) | codes(quay), "boards that are no rivals", every_s=0.4)
        wait_until(lambda: of_priority(wire.heard, 110), "the spare's packets")
        begun = len(reader.seen())
        reader.wait_for(lambda seen: len(seen) > begun + 20, "frames")
        quay.kill_everything()
        killed = len(reader.seen())
        reader.wait_for(lambda seen: len(seen) > killed + 20, "the spare's frames")
        wait_until(lambda: codes(spare) == {"spare-carries"}, "its trouble", every_s=0.4)
        wait_until(lambda: "the spare carries the light of quay since" in journal(spare), "a line", every_s=0.4)
        passcode, back = (quay.state / "passcode").read_text(), len(wire.heard)
        (NETNS / str(quay.namespace) / "machine-id").write_text("7c5e9b1d2f3a4b6c8d0e1f2a3b4c5d6e\n")
        quay.start()
        wait_until(lambda: len(of_priority(wire.heard[back:], 120)) > 20, "the board again")
        wait_until(lambda: not codes(spare), "the end of that trouble", every_s=0.4)
        assert not codes(quay)
        before, again = of_priority(wire.heard[:back], 120), of_priority(wire.heard[back:], 120)
    seen = reader.seen()[begun:]
    gap_ns = max(after.at_ns - before.at_ns for before, after in pairwise(seen))
    print(f"the receiver had no frame for {gap_ns / 1e9:.2f} s")
    assert gap_ns < CHANGE_NS + LATE_FRAMES * FRAME_NS
    check_frames(seen)
    assert all(any(one.slots) for one in again), "no black from the board that is back"
    ((first,), (second,)) = ({one.data[22:38] for one in packets} for packets in (before, again))
    assert first != second, "another CID on another machine"
    assert (quay.state / "passcode").read_text() == passcode
    wait_until(lambda: "this state comes from another machine" in journal(quay), "a line", every_s=0.4)
