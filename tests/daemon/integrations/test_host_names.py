"""The addresses of host names: by a resolver that answers, is slow, is silent, and changes its mind."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from gloaming.daemon.integrations import host_names
from gloaming.daemon.integrations.host_names import AT_ONCE_MAX, HostNames, address_of, host_troubles, look_up
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.shows.rig.model import Rig

NO_SUCH_NAME = socket.gaierror(socket.EAI_NONAME, "Name or service not known")
SILENT = socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")


def rig(**hosts: str) -> Rig:
    controllers = [
        {"name": name, "universes": str(at + 1), "host": host} for at, (name, host) in enumerate(hosts.items())
    ]
    return Rig.model_validate({"controller": controllers})


class Resolver:
    """Answers as a test says: addresses, an error, or an event that a look-up waits for first."""

    def __init__(self, **answers: Any) -> None:
        self.answers = {name.replace("_", "."): answer for name, answer in answers.items()}
        self.asked: list[str] = []
        self.at_once = self.most_at_once = 0

    def __call__(self, name: str) -> list[str]:
        self.asked.append(name)
        self.at_once += 1
        self.most_at_once = max(self.at_once, self.most_at_once)
        answer = self.answers[name]
        if isinstance(answer, threading.Event):
            answer.wait(30)
            answer = ["192.0.2.99"]
        self.at_once -= 1
        if isinstance(answer, Exception):
            raise answer
        return list(answer)


@pytest.fixture(autouse=True)
def short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(host_names, "WAITS_S", (0.2, 0.2))


@pytest.fixture
def hanging() -> Iterator[threading.Event]:
    event = threading.Event()
    yield event
    event.set()


def found(names: HostNames, of: Rig) -> dict[str, str | None]:
    asyncio.run(names.look(of))
    return {one.name: address_of(one, names.addresses) for one in of.controller}


def test_names_are_looked_up_and_addresses_stand_for_themselves() -> None:
    moved: list[list[str]] = []
    resolver = Resolver(left_lan=["192.0.2.21"], right_lan=["192.0.2.22"])
    names, of = HostNames({}, moved.append, resolver), rig(left="left.lan", mast="192.0.2.30", right="RIGHT.lan")
    assert found(names, of) == {"left": "192.0.2.21", "mast": "192.0.2.30", "right": "192.0.2.22"}
    assert moved == [["left.lan", "right.lan"]]  # together: one new setup
    assert sorted(resolver.asked) == ["left.lan", "right.lan"]
    found(names, of)
    assert len(moved) == 1
    resolver.answers["right.lan"] = ["192.0.2.23"]
    assert found(names, of)["right"] == "192.0.2.23"
    assert moved[1:] == [["right.lan"]]
    assert not list(host_troubles(of, names))


@pytest.mark.parametrize("silence", [NO_SUCH_NAME, SILENT], ids=["no such name", "silent"])
def test_an_address_is_kept_when_nobody_knows_it_any_more(silence: Exception) -> None:
    moved: list[list[str]] = []
    names = HostNames({"left.lan": "192.0.2.21"}, moved.append, Resolver(left_lan=silence))
    assert found(names, rig(left="left.lan")) == {"left": "192.0.2.21"}
    assert not moved
    assert names.unanswered == {"left.lan": silence.strerror}
    assert not list(host_troubles(rig(left="left.lan"), names))


def test_a_look_up_that_hangs_delays_no_other_and_is_not_begun_twice(hanging: threading.Event) -> None:
    resolver = Resolver(left_lan=hanging, right_lan=["192.0.2.22"])
    names, of = HostNames({}, ask=resolver), rig(left="left.lan", right="right.lan")
    assert found(names, of) == {"left": None, "right": "192.0.2.22"}
    assert names.unanswered == {"left.lan": "no name server answers"}
    found(names, of)
    assert resolver.asked.count("left.lan") == 1 and resolver.asked.count("right.lan") == 2
    hanging.set()
    assert found(names, of)["left"] == "192.0.2.99"  # a late answer counts
    assert not names.unanswered


def test_many_names_make_no_storm(hanging: threading.Event) -> None:
    count = 40
    resolver = Resolver(**{f"box{at}_lan": hanging for at in range(count)})
    names, of = HostNames({}, ask=resolver), rig(**{f"box{at}": f"box{at}.lan" for at in range(count)})
    for _ in range(3):
        found(names, of)
    assert len(resolver.asked) == AT_ONCE_MAX
    hanging.set()
    for _ in range(20):
        last = found(names, of)
    assert None not in last.values()
    assert resolver.most_at_once <= AT_ONCE_MAX


def test_a_process_ends_although_a_look_up_hangs(hanging: threading.Event) -> None:
    """`asyncio.run` and the interpreter wait for the threads of their executors, never for these."""
    found(HostNames({}, ask=Resolver(left_lan=hanging)), rig(left="left.lan"))
    [thread] = [one for one in threading.enumerate() if one.name == "look up left.lan"]
    assert thread.daemon and thread.is_alive()


@pytest.mark.parametrize(
    ("addresses", "known", "taken"),
    [
        (["192.0.2.22", "192.0.2.21"], "192.0.2.21", "192.0.2.21"),  # a server that answers in turn moves nothing
        (["192.0.2.22", "192.0.2.23"], "192.0.2.21", "192.0.2.22"),
        (["2001:db8::21", "192.0.2.21"], None, "192.0.2.21"),
        (["2001:db8::21"], None, "2001:db8::21"),
        (["fe80::21%lo"], None, "fe80::21"),
        (["239.255.0.1", "192.0.2.21"], None, "192.0.2.21"),
    ],
)
def test_one_of_several_addresses_is_taken(addresses: list[str], known: str | None, taken: str) -> None:
    names = HostNames({"left.lan": known} if known else {}, ask=Resolver(left_lan=addresses))
    assert found(names, rig(left="left.lan")) == {"left": taken}


@pytest.mark.parametrize("address", ["239.255.0.1", "0.0.0.0", "255.255.255.255", "ff18::83:0:1", "::"])
def test_an_address_of_no_one_host_is_not_taken(address: str) -> None:
    names, of = HostNames({}, ask=Resolver(left_lan=[address])), rig(left="left.lan")
    assert found(names, of) == {"left": None}
    [(_, trouble)] = host_troubles(of, names)
    assert trouble.code == TroubleCode.HOST_UNKNOWN
    assert trouble.text == (
        f"controller left: nobody knows the address of left.lan ({address} is not the address of one controller); "
        "nothing is sent to it until it is known"
    )


def test_a_name_that_was_never_known_is_a_trouble_once_it_was_looked_up() -> None:
    names, of = HostNames({}, ask=Resolver(left_lan=NO_SUCH_NAME)), rig(left="left.lan")
    assert not list(host_troubles(of, names))
    found(names, of)
    [(controller, trouble)] = host_troubles(of, names)
    assert (controller.name, trouble.code, trouble.kind, trouble.subject) == (
        "left",
        TroubleCode.HOST_UNKNOWN,
        "controller",
        "left.lan",
    )
    assert trouble.text == (
        "controller left: nobody knows the address of left.lan (Name or service not known); "
        "nothing is sent to it until it is known"
    )
    assert "name server" in trouble.do


def test_a_name_of_this_machine_and_one_of_another_controller_are_troubles() -> None:
    resolver = Resolver(
        left_lan=["127.0.1.1"], mast_lan=["192.0.2.30"], right_lan=["192.0.2.30"], porch_lan=["192.0.2.31"]
    )
    of = rig(left="left.lan", mast="mast.lan", right="right.lan", porch="porch.lan", quay="192.0.2.31")
    names = HostNames({}, ask=resolver)
    assert found(names, of)["left"] == "127.0.1.1"
    assert [(trouble.code, trouble.text) for _, trouble in host_troubles(of, names)] == [
        (
            TroubleCode.HOST_LOOPBACK,
            "controller left: left.lan is 127.0.1.1, this machine itself; its packets go nowhere else",
        ),
        (
            TroubleCode.HOST_SHARED,
            "controller right: right.lan is 192.0.2.30, which is already the address of controller mast",
        ),
        (
            TroubleCode.HOST_SHARED,
            "controller porch: porch.lan is 192.0.2.31, which is already the address of controller quay",
        ),
    ]


def test_the_resolver_of_this_machine_is_asked() -> None:
    """RFC 6761 6.3 and 6.4: localhost is loopback everywhere, and no name under invalid exists."""
    assert "127.0.0.1" in look_up("localhost")
    with pytest.raises(socket.gaierror):
        look_up("left.invalid")
