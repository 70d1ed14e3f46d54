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
from gloaming.daemon.integrations.reachability import PERIOD_S, TRIES, TRY_S, Reach, Reachability, answers
from gloaming.shows.rig.model import Rig
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


def test_comings_and_goings_are_told_once_each_with_the_strings() -> None:
    there = {"192.0.2.21": True, "192.0.2.22": True}
    told: list[Reach] = []
    clock = iter(range(1000))

    async def ask(host: str) -> bool:
        return there[host]

    async def script() -> None:
        of = rig("left", "mast", "quay", left="192.0.2.21", mast="192.0.2.22")
        asking = Reachability(of, {}, lambda: next(clock), told.append, ask)
        assert asking.found["left"].answers is None
        await asking.look()
        assert not told
        there["192.0.2.22"] = False
        await asking.look()
        await asking.look()
        assert [one.text for one in told] == [
            "controller mast (192.0.2.22) does not answer; dark with it: mast eaves, mast ridge"
        ]
        assert [one.controller for one in asking.gone] == ["mast"]
        since = asking.found["mast"].since_ns
        asking.watch(of, {})  # the site is read again
        assert asking.found["mast"].since_ns == since
        there["192.0.2.22"] = True
        await asking.look()
        assert told[1].text == "controller mast (192.0.2.22) answers"
        assert asking.found["quay"].text == "controller quay listens to multicast and cannot be asked"
        assert not asking.gone

    asyncio.run(script())


def test_one_that_is_not_there_from_the_first_is_told_as_well() -> None:
    told: list[Reach] = []

    async def nobody(host: str) -> bool:
        return False

    asking = Reachability(rig("left", left="192.0.2.21"), {}, lambda: 0, told.append, nobody)
    asyncio.run(asking.look())
    assert [one.controller for one in told] == ["left"]


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
