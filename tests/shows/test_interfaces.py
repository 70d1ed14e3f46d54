"""The interfaces of a machine and their addresses, compared with iproute2."""

from __future__ import annotations

import json
import socket
import subprocess
from collections.abc import Iterator
from ipaddress import ip_address, ip_interface

import pytest

from gloaming.shows import interfaces
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.interfaces import has_carrier
from gloaming.shows.recording.sockets import Sockets
from tests.namespaces import in_namespace, inside, namespaces
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")


@pytest.fixture
def board() -> Iterator[str]:
    """A namespace with an interface of several addresses, one with a label, one link-local."""
    with namespaces("board") as (name,):
        for words in (
            "link add quay0 type veth peer name quay1",
            "link set quay0 up multicast on",
            "link set quay1 up",
            "address add 192.0.2.4/24 dev quay0",
            "address add 192.0.2.5/24 dev quay0",
            "address add 198.51.100.4/25 dev quay0 label quay0:1",
            "address add 2001:db8::4/64 dev quay0 nodad",
        ):
            subprocess.run(["ip", "-n", name, *words.split()], check=True)
        yield name


def printed(board: str, *what: str) -> str:
    return subprocess.run(["ip", "-n", board, *what], capture_output=True, text=True, check=True).stdout


def test_addresses_are_those_that_ip_prints_and_each_names_its_interface(board: str) -> None:
    wanted = {
        (one["ifindex"], ip_interface(f"{address['local']}/{address['prefixlen']}"))
        for one in json.loads(printed(board, "-json", "address"))
        for address in one["addr_info"]
    }
    found = in_namespace(board, interfaces.addresses)
    assert set(found) == wanted and len(found) == len(wanted) >= 6
    quay0 = in_namespace(board, lambda: socket.if_nametoindex("quay0"))
    for text, index in [("198.51.100.4", quay0), ("2001:db8::4", quay0), ("192.0.2.9", None), ("127.0.44.9", 1)]:
        assert in_namespace(board, lambda text=text: interfaces.index_of(ip_address(text))) == index


@pytest.mark.parametrize("name", ["quay0", "192.0.2.4", "192.0.2.5", "198.51.100.4", "2001:db8::4"])
def test_whichever_address_names_an_interface_its_groups_are_joined_by_both_protocols(board: str, name: str) -> None:
    sockets = in_namespace(board, lambda: Sockets([7], None, name))
    try:
        assert sockets.notes == []
        assert {"ff18::8300:7", "239.255.0.7"} <= set(printed(board, "maddress").split())
    finally:
        for sock in sockets.all:
            sock.close()


def test_an_address_without_an_interface_is_refused_at_once(board: str) -> None:
    with pytest.raises(InputError, match=r"no interface has the address 192\.0\.2\.9"):
        in_namespace(board, lambda: Sockets([7], None, "192.0.2.9"))


def test_an_interface_whose_cable_is_out_at_the_other_end_has_no_carrier() -> None:
    """A pair of virtual interfaces is a cable (veth(4))."""
    with namespaces("here", "there") as (here, there):

        def ip(namespace: str, *words: str) -> None:
            subprocess.run(["ip", "-n", namespace, *words], check=True)

        ip(here, *["link", "add", "out0", "type", "veth", "peer", "in0", "netns"], there)
        ip(here, *["link", "set", "out0", "up"])
        with inside(here):
            index = socket.if_nametoindex("out0")
            assert not has_carrier(index)
            ip(there, *["link", "set", "in0", "up"])
            wait_until(lambda: has_carrier(index), "a carrier")
            ip(there, *["link", "set", "in0", "down"])
            wait_until(lambda: not has_carrier(index), "the end of it")
            assert has_carrier(socket.if_nametoindex("lo"))
            assert not has_carrier(999)
