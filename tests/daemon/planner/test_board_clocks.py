"""Boards measure each other's clocks. Clocks, network and kernel are the test's. Messages are JSON, as on the wire."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.planner.board_clocks import ANSWERS_MAX, ASK_S, BoardClock, BoardClocks, Judgement, judge
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.kernel_clock import KernelClock
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from tests.api.house import instant, write_site

MS, S = 1_000_000, 1_000_000_000
DELAY_NS = MS
SYNCHRONISED = KernelClock(True, 2 * MS, MS, "chronyd")
HALF_MS = 12.5
"""Half a frame of the site's pieces, which have 40 frames a second."""


@dataclass
class Network:
    """The boards of a site, and the true time."""

    site: Path
    states: Path
    names: tuple[str, ...]
    now_ns: int = field(default_factory=lambda: instant("2026-12-12T18:00"))
    boards: dict[str, Simulated] = field(default_factory=dict)
    sent: list[tuple[str, str]] = field(default_factory=list)
    """Kind and addressee of every message."""
    delay_ns: int = DELAY_NS
    """Of a message on its way."""

    def look(self, times: int = 1) -> None:
        """Each board looks so many times."""
        for _ in range(times):
            for board in self.boards.values():
                board.clocks.look()
            self.now_ns += round(ASK_S * S)


class Simulated:
    """A board: in the place of its link to the broker, and of its machine."""

    def __init__(self, network: Network, name: str, ahead_ms: float, kernel: KernelClock) -> None:
        self.network, self.name, self.kernel = network, name, kernel
        self.ahead_ns, self.suspended_ns = round(ahead_ms * MS), 0
        self.taken: dict[str, Callable[[dict[str, Any]], None]] = {}
        self.said: dict[str, object] = {}
        self.changes = 0
        self.reached = True
        clock = Clock(0, lambda: network.now_ns + self.ahead_ns, lambda: network.now_ns - self.suspended_ns)
        self.store = Store(network.states / name, clock.now_ns())
        self.situation = Situation(load_site(network.site), self.store, clock, lambda: None)
        self.situation.trust._ask_kernel = lambda: self.kernel
        self.situation.trust.look()
        self.clocks = BoardClocks(self.situation, self)

    def on(self, kind: str, take: Callable[[dict[str, Any]], None]) -> None:
        self.taken[kind] = take

    def send(self, board: str, kind: str, message: dict[str, Any]) -> None:
        self.network.now_ns += self.network.delay_ns
        self.network.sent.append((kind, board))
        if board in self.network.boards:
            self.network.boards[board].taken[kind](json.loads(json.dumps({**message, "from": self.name})))

    def say(self, key: str, value: object) -> None:
        self.changes += self.said.get(key) != value
        self.said[key] = value

    def seen(self) -> tuple[BoardSeen, ...]:
        boards = self.network.boards
        found = ((name, boards[name]) if name in boards else (name, None) for name in self.network.names)
        return tuple(
            BoardSeen(name, one is None or one.reached, None, json.loads(json.dumps(one.said)) if one else {})
            for name, one in found
        )

    @property
    def troubles(self) -> list[str]:
        found = self.clocks.troubles()
        assert all((one.code, one.kind) == ("board-clock", "boards") and "time server" in one.do for one in found)
        return [f"{one.subject}: {one.text}" for one in found]


Make = Callable[..., Network]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder of a site, and its site.toml without boards."""
    folder = write_site(tmp_path_factory.mktemp("boards") / "site")
    return folder, (folder / "site.toml").read_text()


@pytest.fixture
def network(tmp_path: Path, site: tuple[Path, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Make]:
    """Makes the boards of a site, each with its clock ahead by so many ms; the first as `kernel` says."""
    made = []

    def make(*ahead_ms: float, kernel: KernelClock = SYNCHRONISED, names: tuple[str, ...] = ()) -> Network:
        folder, text = site
        found = Network(folder, tmp_path, names or ("quay", "shed", "slip")[: len(ahead_ms)])
        tables = (f'\n[[board]]\nname = "{name}"\ncontrollers = ["left"]\n' for name in found.names)
        (folder / "site.toml").write_text(text + "".join(tables))
        for name, ahead in zip(found.names, ahead_ms, strict=False):
            monkeypatch.setenv("GLOAMING_BOARD", name)
            found.boards[name] = Simulated(found, name, ahead, SYNCHRONISED if found.boards else kernel)
        made.append(found)
        return found

    yield make
    for each in made:
        for board in each.boards.values():
            board.store.close()


def test_each_board_knows_how_far_the_others_are_ahead(network: Make) -> None:
    found = network(0, 8, -3)
    found.look(4)
    for board in found.boards.values():
        offsets = board.clocks.offsets()
        assert offsets.keys() == found.boards.keys() - {board.name}
        for name, one in offsets.items():
            true_ns = found.boards[name].ahead_ns - board.ahead_ns
            assert abs(one.offset_ns - true_ns) <= one.error_ns <= 3 * DELAY_NS
        assert not board.troubles


def test_a_clock_that_is_not_synchronised_is_reported_on_both_boards(network: Make) -> None:
    found = network(40, 0, kernel=KernelClock())
    quay, shed = found.boards.values()
    found.look(2)
    assert not quay.troubles + shed.troubles, "two measures may be chance"
    found.look(2)
    told = "more than half a frame (12.5 ms); it is likely wrong: it is not synchronised"
    assert quay.troubles == [f"this board's clock: it is 40 ms (to within 1 ms) ahead of that of shed, {told}"]
    assert shed.troubles == [f"the clock of board quay: this board's clock is 40 ms (to within 1 ms) behind it, {told}"]
    quay.ahead_ns, quay.kernel = 0, SYNCHRONISED
    found.look(1)
    assert not quay.troubles + shed.troubles


def test_a_board_that_differs_is_asked_again_before_the_others(network: Make) -> None:
    found = network(0, 90, 0)
    for _ in range(4):
        found.boards["quay"].clocks.look()
    assert [name for kind, name in found.sent if kind == "stamp"] == ["shed", "shed", "shed", "slip"]


@pytest.mark.parametrize(("apart_ms", "one_way_ms"), [(HALF_MS - 1, 1), (30, 60), (0, 2000)])
def test_what_may_be_the_network_s_delay_is_no_trouble(network: Make, apart_ms: float, one_way_ms: float) -> None:
    found = network(0, apart_ms)
    found.delay_ns = round(one_way_ms * MS)
    found.look(6)
    assert [board.troubles for board in found.boards.values()] == [[], []]
    known = found.boards["quay"].clocks.offset_ms("shed")
    assert known == pytest.approx(apart_ms, abs=1) if one_way_ms == 1 else known is None, "too coarse to be shown"


def test_a_machine_that_was_suspended_or_paused_gives_no_alarm(network: Make) -> None:
    """CLOCK_MONOTONIC stands while a machine is suspended; CLOCK_REALTIME goes on (clock_gettime(2))."""
    found = network(0, 0)
    quay, shed = found.boards.values()
    for turn in range(8):
        found.look(1)
        found.delay_ns = 3 * S if turn % 2 else DELAY_NS  # paused on the way
        quay.suspended_ns += 3600 * S * (turn % 3 == 0)
        assert not quay.troubles + shed.troubles
    assert abs(shed.clocks.offsets()["quay"].offset_ns) <= DELAY_NS


def test_an_answer_that_a_step_of_either_clock_falls_into_does_not_count(network: Make) -> None:
    found = network(0, 0)
    quay, shed = found.boards.values()
    send = shed.send

    def steps(board: Simulated, at: str) -> None:
        def stepping(to: str, kind: str, message: dict[str, Any]) -> None:
            if kind == at:
                board.ahead_ns += 500 * MS
            send(to, kind, message)

        shed.send = stepping  # type: ignore[method-assign]  # the clock is set just before

    steps(quay, "stamped")
    quay.clocks.look()
    assert not quay.clocks.offsets()
    steps(shed, "stamp")
    shed.clocks.look()
    assert not shed.clocks.offsets()


@pytest.mark.parametrize("step_ms", [-500, 500])
def test_a_clock_that_is_set_while_it_answers_gives_no_measure(network: Make, step_ms: int) -> None:
    found = network(0, 0)
    quay, shed = found.boards.values()
    send = shed.send
    shed.send = lambda to, kind, message: send(  # type: ignore[method-assign]  # the clock is set between
        to, kind, {**message, "answered_ns": message["answered_ns"] + step_ms * MS}
    )
    quay.clocks.look()
    assert not quay.clocks.offsets()


def test_a_clock_that_is_slewed_until_it_is_right_is_no_trouble_any_more(network: Make) -> None:
    """The kernel slews CLOCK_REALTIME and CLOCK_MONOTONIC alike, so that nobody sees a step (adjtime(3))."""
    found = network(0, 30)
    quay, shed = found.boards.values()
    found.look(4)
    assert quay.troubles and shed.troubles
    shed.ahead_ns -= 30 * MS
    shed.suspended_ns += 30 * MS
    found.delay_ns *= 2  # so that the earlier samples have the least delay
    found.look(1)
    assert not quay.troubles + shed.troubles


def test_what_was_measured_before_the_other_clock_was_set_is_forgotten(network: Make) -> None:
    found = network(0, 0)
    quay, shed = found.boards.values()
    found.look(3)
    found.delay_ns = 4 * MS  # the old samples would have the least delay
    shed.ahead_ns = 100 * MS
    found.look(1)
    assert quay.clocks.offsets()["shed"].offset_ns == pytest.approx(100 * MS, abs=4 * MS)
    assert shed.clocks.offsets()["quay"].offset_ns == pytest.approx(-100 * MS, abs=4 * MS)


def test_of_three_clocks_the_odd_one_is_named(network: Make) -> None:
    found = network(0, 0, 50)
    found.look(8)
    quay, shed, slip = found.boards.values()
    odd = "it is likely wrong: 2 of 3 boards agree on another time"
    for board in (quay, shed):
        assert [text[:24] for text in board.troubles] == ["the clock of board slip:"]
        assert board.troubles[0].endswith(odd)
    assert len(slip.troubles) == 1
    assert slip.troubles[0].startswith("this board's clock: it is 50 ms (to within 1 ms) ahead of that of quay, shed")
    assert slip.troubles[0].endswith(odd)


def test_which_of_two_clocks_is_wrong() -> None:
    def clock(error_ms: float | None = None, synchronised: bool = True) -> BoardClock:
        return BoardClock(by="chronyd", synchronised=synchronised, error_ms=error_ms, trusted=True)

    assert judge(clock(), clock(synchronised=False), 40, [40]) == Judgement(False, "it is not synchronised")
    assert judge(clock(100), clock(2), 40, [40]) == Judgement(True, "its error is up to 100 ms")
    assert judge(clock(2), clock(100), 40, [40]).own_is_wrong is False
    assert judge(clock(), clock(), 40, [40]) == Judgement(), "nothing tells"
    assert judge(clock(), clock(), 40, [40, 80]) == Judgement(), "three clocks, and none agrees with another"
    assert judge(clock(), clock(), 40, [40, 41]).own_is_wrong is True
    assert judge(clock(), clock(), -40, [-40, 1]) == Judgement(False, "2 of 3 boards agree on another time")


def test_a_board_without_contact_is_no_trouble_and_is_not_asked(network: Make) -> None:
    found = network(60, 0)
    found.look(4)
    quay, shed = found.boards.values()
    assert quay.troubles
    shed.reached = False
    found.sent.clear()
    quay.clocks.look()
    assert (quay.troubles, found.sent) == ([], [])


def test_a_thousand_boards_cost_a_board_no_more_than_two(network: Make) -> None:
    found = network(0, names=tuple(f"quay{number:03}" for number in range(1000)))
    board = found.boards["quay000"]
    for _ in range(4):
        board.clocks.look()
    assert found.sent == [("stamp", f"quay{number:03}") for number in range(1, 5)], "each in its turn"
    found.sent.clear()
    for number in range(1, 1000):
        board.taken["stamp"]({"sent_ns": 1, "from": f"quay{number:03}"})
    assert len(found.sent) == ANSWERS_MAX
    found.now_ns += 10 * S
    board.taken["stamp"]({"sent_ns": 1, "from": "quay007"})
    board.taken["stamp"]({"sent_ns": 1, "from": "a stranger"})
    assert len(found.sent) == ANSWERS_MAX + 1


def test_what_is_no_stamp_is_a_value_error(network: Make) -> None:
    taken = network(0, 0).boards["quay"].taken
    for message in ({}, {"sent_ns": "soon"}, {"sent_ns": 1.5}, {"sent_ns": None, "heard_ns": []}):
        for kind in ("stamp", "stamped"):
            with pytest.raises(ValueError, match="sent_ns"):
                taken[kind]({**message, "from": "shed"})


def test_an_answer_that_was_not_asked_for_does_not_count(network: Make) -> None:
    found = network(0, names=("quay", "shed", "slip"))
    quay = found.boards["quay"]
    stamps = {"heard_ns": found.now_ns, "answered_ns": found.now_ns}
    quay.taken["stamped"]({**stamps, "sent_ns": found.now_ns, "from": "shed"})
    quay.clocks.look()
    asked_ns = found.now_ns - found.delay_ns
    for sender, sent_ns in (("slip", asked_ns), ("shed", asked_ns - 1)):
        quay.taken["stamped"]({**stamps, "sent_ns": sent_ns, "from": sender})
    assert not quay.clocks.offsets()
    quay.taken["stamped"]({**stamps, "sent_ns": asked_ns, "from": "shed"})
    assert quay.clocks.offsets().keys() == {"shed"}


def test_a_board_publishes_what_keeps_its_clock_and_its_error_changes_seldom(network: Make) -> None:
    """The error grows by 500 ppm between two updates of a time program (adjtimex(2)), and falls again: a saw."""
    found = network(0, 0)
    quay = found.boards["quay"]
    for turn in range(40):
        quay.kernel = KernelClock(True, (2 + 8 * (turn % 4)) * MS, MS, "chronyd")
        quay.situation.trust.look()
        quay.clocks.look()
    assert quay.said["clock"] == {"by": "chronyd", "synchronised": True, "error_ms": 50.0, "trusted": True}
    assert quay.changes <= 4
    quay.kernel = KernelClock()
    quay.situation.trust.look()
    quay.clocks.look()
    assert quay.said["clock"] == {"by": "earlier", "synchronised": False, "error_ms": None, "trusted": True}


def test_a_status_that_cannot_be_read_says_nothing(network: Make) -> None:
    found = network(40, 0, kernel=KernelClock())
    quay, shed = found.boards.values()
    found.look(4)
    for status in (None, 7, "chronyd", [], {"by": []}, {"error_ms": "much"}):
        shed.said["clock"] = status
        quay.clocks.look()
        assert [text.rpartition("; ")[2] for text in quay.troubles] == ["either may be wrong"]
