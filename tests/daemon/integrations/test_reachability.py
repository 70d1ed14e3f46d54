"""Controllers that are there, and one that goes and comes back: named with its strings."""

from __future__ import annotations

import asyncio
import errno
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gloaming.daemon.integrations import reachability
from gloaming.daemon.integrations.reachability import BACK_NS, PERIOD_S, TRIES, TRY_S, Reachability, answers
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.shows.rig.model import Rig
from gloaming.shows.time_units import SECOND_NS
from tests.namespaces import namespaces
from tests.tools import needs

ASKING = Path(__file__).with_name("asking.py")
SIX = 6


def rig(*names: str, **hosts: str) -> Rig:
    controllers = [
        {"name": name, "universes": str(at + 1), **({"host": hosts[name]} if name in hosts else {})}
        for at, name in enumerate(names)
    ]
    strings = [
        {"name": f"{name} {side}", "controller": name, "universe": at + 1, "slot": slot, "pixels": 10}
        for at, name in enumerate(names)
        for side, slot in (("eaves", 1), ("ridge", 31))
    ]
    return Rig.model_validate({"controller": controllers, "string": strings})


def test_a_controller_that_goes_is_named_within_thirty_five_seconds_whatever_the_moment() -> None:
    """Asked once in 30 s; at the worst it goes just after it was asked, and does not even refuse."""
    assert PERIOD_S <= 30
    assert PERIOD_S + TRIES * 2 * TRY_S + TRY_S < 35


def test_each_controller_that_goes_is_gone_with_its_strings_until_it_is_back() -> None:
    there = {"192.0.2.21": True, "192.0.2.22": True}
    clock = iter(range(1000))

    async def ask(host: str) -> bool:
        return there[host]

    async def script() -> None:
        of = rig("left", "mast", "quay", left="192.0.2.21", mast="192.0.2.22")
        asking = Reachability(of, {}, lambda: next(clock), ask)
        assert asking.found["left"].answers is None
        await asking.look()
        assert not asking.gone
        there["192.0.2.22"] = False
        await asking.look()
        (gone,) = asking.gone
        await asking.look()
        assert asking.gone == (gone,)
        assert gone.text == "controller mast (192.0.2.22) does not answer; dark with it: mast eaves, mast ridge"
        asking.watch(of, {})  # the site is read again
        assert asking.gone == (gone,)
        there["192.0.2.22"] = True
        await asking.look()
        assert asking.found["mast"].text == "controller mast (192.0.2.22) answers"
        assert asking.found["mast"].since_ns > gone.since_ns
        assert asking.found["quay"].text == "controller quay listens to multicast and cannot be asked"
        assert not asking.gone and not asking.outages(())

    asyncio.run(script())


def test_one_that_is_not_there_from_the_first_is_gone_as_well() -> None:
    async def nobody(host: str) -> bool:
        return False

    asking = Reachability(rig("left", left="192.0.2.21"), {}, ask=nobody)
    asyncio.run(asking.look())
    assert [one.controller for one in asking.gone] == ["left"]


CIRCUITS = {
    "circuit": [
        {"name": "A", "amps": 16, "volts": 230},
        {"name": "B", "amps": 16, "volts": 230, "breaker": "panel 2", "rcd": True},
    ],
    "supply": [
        {"name": "a", "volts": 12, "amps": 29, "circuit": "A"},
        {"name": "b1", "volts": 12, "amps": 29, "circuit": "B"},
        {"name": "b2", "volts": 5, "amps": 60, "circuit": "B"},
        {"name": "loose", "volts": 12, "amps": 29},
    ],
}
FED = (("quay", "a"), ("left", "b1"), ("right", "b2"), ("mast", "b2"), ("porch", "loose"))
HOSTS = {name: f"192.0.2.{21 + at}" for at, (name, _) in enumerate(FED)}


class Street:
    """Two circuits whose controllers come and go. `fed` has the controller and the supply of each string."""

    def __init__(self, *fed: tuple[str, str]) -> None:
        controllers = [{"name": name, "host": host, "universes": host[-2:]} for name, host in HOSTS.items()]
        strings = [
            {
                "name": f"{name} {at}",
                "controller": name,
                "universe": int(HOSTS[name][-2:]),
                "pixels": 10,
                "supply": supply,
            }
            for at, (name, supply) in enumerate(fed or FED)
        ]
        self.away: set[str] = set()
        self.unreached: tuple[str, ...] = ()
        self.now_ns = 1_800_000_000 * SECOND_NS
        rig = Rig.model_validate({**CIRCUITS, "controller": controllers, "string": strings})
        self.asking = Reachability(rig, {}, lambda: self.now_ns, self.ask)

    async def ask(self, host: str) -> bool:
        return host not in {HOSTS[name] for name in self.away}

    def look(self, *away: str, after_s: int = 25) -> list[Trouble]:
        self.away = set(away)
        self.now_ns += after_s * SECOND_NS
        asyncio.run(self.asking.look())
        return self.outages()

    def outages(self) -> list[Trouble]:
        return self.asking.outages({HOSTS[name] for name in self.unreached})


ALL_OF_B = (
    "all of circuit B: controllers left, right, mast do not answer; is its breaker (panel 2) off, or its RCD? "
    "Dark with them: left 1, right 2, mast 3"
)


def test_controllers_of_one_circuit_that_go_at_once_are_one_trouble() -> None:
    street = Street()
    assert not street.look()
    (trouble,) = street.look("left", "right", "mast")
    assert (trouble.code, trouble.kind, trouble.subject) == (TroubleCode.CIRCUIT, "controller", "circuit B")
    assert trouble.text == ALL_OF_B
    assert {("controller", "left"), ("controller", "mast"), ("network", "192.0.2.22")} <= trouble.covers
    assert ("controller", "quay") not in trouble.covers
    assert "licensed electrician" in trouble.do


def test_some_controllers_of_a_circuit_and_one_alone_on_a_circuit_are_no_outage() -> None:
    street = Street()
    assert not street.look("left", "right")  # the mast answers
    assert not street.look("quay")  # it is the only one of circuit A
    assert not street.look("porch")  # its circuit is not known
    assert [one.text for one in street.look("left", "right", "mast", "quay")] == [ALL_OF_B]


def test_one_that_goes_a_look_later_completes_the_outage() -> None:
    street = Street()
    assert not street.look("left", "right")
    assert [one.text for one in street.look("left", "right", "mast")] == [ALL_OF_B]


def test_controllers_come_back_one_after_the_other_and_one_stays_away() -> None:
    street = Street()
    street.look("left", "right", "mast")
    assert [one.text for one in street.look("right", "mast")] == [
        "circuit B: not back yet: right, mast; dark with them: right 2, mast 3"
    ]
    assert [one.text for one in street.look("mast")] == ["circuit B: not back yet: mast; dark with them: mast 3"]
    assert not street.look("mast", after_s=BACK_NS // SECOND_NS)  # a trouble of its own
    assert not street.look()
    assert [one.text for one in street.look("left", "right", "mast")] == [ALL_OF_B]
    assert not street.look()


def test_a_controller_of_two_circuits_says_nothing_about_either() -> None:
    street = Street(*FED, ("right", "a"))
    assert street.asking.found["right"].circuit is None
    (trouble,) = street.look("left", "mast")
    assert trouble.text.startswith("all of circuit B: controllers left, mast do not answer")


def test_a_controller_that_packets_do_not_reach_yet_is_not_back() -> None:
    """Otherwise its trouble of the network would be a message of its own, at the end of the outage."""
    street = Street()
    street.unreached = ("left", "right", "mast")  # controllers that refuse E1.31 and answer an echo request have power
    assert not street.look()
    assert [one.text for one in street.look("left", "right", "mast")] == [ALL_OF_B]
    street.unreached = ("right", "mast")
    assert [one.text for one in street.look()] == [
        "circuit B: not back yet: right, mast; dark with them: right 2, mast 3"
    ]
    street.unreached = ()
    assert not street.outages()


def test_when_no_controller_answers_the_network_may_be_the_cause() -> None:
    (trouble,) = Street().look(*HOSTS)
    assert "or its RCD? No other controller answers, so it may be the network instead. Dark with" in trouble.text


def test_this_machine_answers() -> None:
    assert asyncio.run(answers("127.0.0.1"))
    assert asyncio.run(answers("::1")) or not Path("/proc/net/if_inet6").read_text()


def test_a_way_that_is_missing_for_a_moment_takes_no_controller_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no way, the kernel says so at once; the next try comes when there may be one again."""
    monkeypatch.setattr(reachability, "TRY_S", 0.1)
    tries = []

    async def no_way(address: str) -> bool:
        tries.append(asyncio.get_running_loop().time())
        if tries[-1] - tries[0] < 0.09:
            raise OSError(errno.ENETUNREACH, "Network is unreachable")
        return True

    monkeypatch.setattr(reachability, "_echo", no_way)
    monkeypatch.setattr(reachability, "_handshake", no_way)
    assert asyncio.run(answers("192.0.2.21"))


@pytest.fixture
def quay() -> Iterator[list[str]]:
    """A board with six cables to six controllers, each a network namespace: their names, the board first."""
    with namespaces("board", *map(str, range(SIX))) as (board, *boxes):
        for at, name in enumerate(boxes):
            ip("-n", board, "link", "add", f"c{at}", "type", "veth", "peer", "name", "eth0", "netns", name)
            ip("-n", board, "addr", "add", f"10.77.{at}.1/24", "dev", f"c{at}")
            ip("-n", name, "addr", "add", f"10.77.{at}.2/24", "dev", "eth0")
            ip("-n", board, "link", "set", f"c{at}", "up")
            ip("-n", name, "link", "set", "eth0", "up")
        yield [board, *boxes]


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True)


@needs("ip")
def test_one_of_six_controllers_is_unplugged_and_comes_back(quay: list[str], tmp_path: Path) -> None:
    board, *boxes = quay
    parts = []
    for at in range(SIX):
        parts.append(f'[[controller]]\nname = "box {at}"\nhost = "10.77.{at}.2"\nuniverses = "{at + 1}"\n')
        parts.append(
            f'[[string]]\nname = "run {at}"\ncontroller = "box {at}"\nuniverse = {at + 1}\npixels = 100\nfuse_a = 5\n'
        )
    path = tmp_path / "rig.toml"
    path.write_text("".join(parts), encoding="utf-8")
    command = ["ip", "netns", "exec", board, sys.executable, str(ASKING), str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as asking:
        try:
            assert asking.stdout
            first = [asking.stdout.readline() for _ in range(SIX)]
            assert first == [f"controller box {at} (10.77.{at}.2) answers\n" for at in range(SIX)]
            ip("-n", board, "link", "set", "c3", "down")
            gone = asking.stdout.readline()
            assert gone == "controller box 3 (10.77.3.2) does not answer; dark with it: run 3\n"
            ip("-n", board, "link", "set", "c3", "up")
            assert asking.stdout.readline() == "controller box 3 (10.77.3.2) answers\n"
            ip("-n", boxes[5], "link", "set", "eth0", "down")  # the far end: a box without power
            assert asking.stdout.readline() == "controller box 5 (10.77.5.2) does not answer; dark with it: run 5\n"
        finally:
            asking.kill()
