"""What the protocol of a controller asks of its other keys. Facts of Art-Net 4 are from memory."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Controller, Rig


def controller(name: str, universes: str, *lines: str) -> str:
    return "\n".join(["[[controller]]", f'name = "{name}"', f'universes = "{universes}"', *lines, ""])


def artnet(name: str, universes: str, host: int | None, *lines: str) -> str:
    where = "broadcast = true" if host is None else f'host = "192.0.2.{host}"'
    return controller(name, universes, 'protocol = "artnet"', where, *lines)


def load(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path)


def only(tmp_path: Path, text: str) -> Controller:
    (found,) = load(tmp_path, text).controller
    return found


HOST = 'host = "192.0.2.21"'
ARTNET = ('protocol = "artnet"', HOST)
DDP = ('protocol = "ddp"', HOST)
FORM = 'as "0:0:1-0:0:8" (net 0 to 127, sub-net 0 to 15, universe 0 to 15) or "1-8" (numbers 0 to 32767)'
HALF = 'port_addresses = "0:0:0-0:0:1"'


@pytest.mark.parametrize(
    ("written", "protocol"),
    [
        ("e131", ProtocolName.E131),
        ("E1.31", ProtocolName.E131),
        ("sACN", ProtocolName.E131),
        ("artnet", ProtocolName.ARTNET),
        ("Art-Net", ProtocolName.ARTNET),
        ("DDP", ProtocolName.DDP),
    ],
)
def test_a_protocol_is_written_as_the_pages_of_controllers_write_it(
    tmp_path: Path, written: str, protocol: ProtocolName
) -> None:
    assert only(tmp_path, controller("left", "1-2", HOST, f'protocol = "{written}"')).protocol is protocol


def test_universe_n_is_port_address_n_unless_port_addresses_say_otherwise(tmp_path: Path) -> None:
    assert only(tmp_path, artnet("left", "1-2", 21)).port_address_of == {1: 1, 2: 2}
    # a page that counts from 0: net 0, sub-net 0, universe 0 is the first
    assert only(tmp_path, artnet("left", "1-3", 21, 'port_addresses = "0:0:0-0:0:1,1:0:0"')).port_address_of == {
        1: 0,
        2: 1,
        3: 256,
    }
    assert only(tmp_path, artnet("left", "9,3-4", 21, 'port_addresses = "7,0-1"')).port_address_of == {9: 7, 3: 0, 4: 1}


def test_a_port_address_may_be_used_at_several_addresses(tmp_path: Path) -> None:
    """Many a controller is set to count from 0 by its maker: each has its own address."""
    rig = load(tmp_path, artnet("left", "1-2", 21, HALF) + artnet("right", "3-4", 22, HALF))
    assert [one.port_address_of for one in rig.controller] == [{1: 0, 2: 1}, {3: 0, 4: 1}]


@pytest.mark.parametrize(
    ("text", "report"),
    [
        (
            controller("left", "1-2", 'protocol = "dmx"'),
            'rig.toml:4: controller[0].protocol: \'dmx\' is not a protocol; as "e131" (E1.31, streaming ACN), "artnet" '
            'or "ddp"',
        ),
        *(
            (
                controller("left", "1-2", *ARTNET, f"port_addresses = {written}"),
                f"rig.toml:6: controller[0].port_addresses: {shown} is not a port-address of Art-Net; {FORM}",
            )
            for written, shown in [
                ("32768", "'32768'"),
                ("-1", "'-1'"),
                ('"0:0:15-0:0:16"', "'0:0:15-0:0:16'"),
                ('"128:0:0"', "'128:0:0'"),
                ('"0.0.1"', "'0.0.1'"),
                ('"0:0:1-"', "'0:0:1-'"),
                ('"net 0, sub-net 0, universe 0"', "'net 0'"),
                ("true", "'True'"),
            ]
        ),
        *(
            (
                controller("left", "1-2", *ARTNET, f"port_addresses = {written}"),
                "rig.toml:6: controller[0].port_addresses: this is not TOML: a range needs quotes: port_addresses = "
                f'{written} (column 19, character \':\'); as "1-24" or "0:0:0-0:0:7"',
            )
            for written in ("0:0:0-0:0:1", "0:15:0", "0:0:1")
        ),
        (
            controller("left", "1-2", *ARTNET, 'port_addresses = "0:1:0-1"'),
            f"rig.toml:6: controller[0].port_addresses: '0:1:0-1' runs backwards; {FORM}",
        ),
        (
            controller("left", "1-2", *ARTNET, 'port_addresses = "0:0:1,1"'),
            f"rig.toml:6: controller[0].port_addresses: '0:0:1,1' names a port-address twice; {FORM}",
        ),
        (
            controller("left", "1-3", *ARTNET, HALF),
            "rig.toml:6: controller[0].port_addresses: 2 port-addresses for 3 universes; give one for each "
            'universe, in order, as "0:0:0-0:0:2"',
        ),
        (
            controller("left", "1", *ARTNET, 'port_addresses = "0:0:0-0:0:3"'),
            "rig.toml:6: controller[0].port_addresses: 4 port-addresses for 1 universe; give one for each universe, in "
            'order, as "0:0:0"',
        ),
        (
            controller("left", "1-2", *ARTNET, 'port_addresses = "0:0:0"'),
            "rig.toml:6: controller[0].port_addresses: 1 port-address for 2 universes; give one for each universe, in "
            'order, as "0:0:0-0:0:1"',
        ),
        (
            controller("left", "32760-32768", *ARTNET),
            "rig.toml:3: controller[0].universes: universe 32768 has no port-address of the same number: 32767 is the "
            'last; give its port-addresses, as port_addresses = "0:0:1-0:0:8"',
        ),
        (
            controller("left", "1-2", 'protocol = "artnet"'),
            "rig.toml:1: controller[0].host: Art-Net is sent to an address, not by multicast, and there is none; as "
            'host = "192.0.2.21", or as broadcast = true for a controller that takes no unicast',
        ),
        (
            controller("left", "1-2", 'protocol = "ddp"'),
            "rig.toml:1: controller[0].host: DDP is sent to an address, not by multicast, and there is none; as host = "
            '"192.0.2.21"',
        ),
        *(
            (
                controller("left", "1-2", *protocol, "multicast = true"),
                f"rig.toml:6: controller[0].multicast: {words} has no multicast, E1.31 has; remove it, or write "
                'protocol = "e131"',
            )
            for words, protocol in [("Art-Net", ARTNET), ("DDP", DDP)]
        ),
        *(
            (
                controller("left", "1-2", *protocol, line),
                f"rig.toml:{4 + len(protocol)}: controller[0].{key}: {words} has no {key.replace('_', '-')}, Art-Net "
                'has; remove it, or write protocol = "artnet"',
            )
            for words, protocol in [("E1.31", (HOST,)), ("DDP", DDP)]
            for key, line in [("broadcast", "broadcast = true"), ("port_addresses", HALF)]
        ),
        (
            controller("left", "1-2", 'protocol = "artnet"', 'host = "255.255.255.255"'),
            "rig.toml:5: controller[0].host: '255.255.255.255' is not the address of one controller; leave host out "
            "for multicast; with Art-Net write broadcast = true for broadcast",
        ),
        (
            controller("left", "1-2", *ARTNET, "broadcast = true"),
            "rig.toml:6: controller[0].broadcast: it has a host too: 192.0.2.21; remove broadcast: it loads every "
            "machine of the network. Or remove host, if the controller needs it",
        ),
        (
            controller("left", "1-2", 'protocol = "artnet"', 'host = "2001:db8::21"'),
            "rig.toml:5: controller[0].host: 2001:db8::21 is an IPv6 address, and Art-Net has IPv4 alone; give its "
            "IPv4 address",
        ),
        (
            controller("left", "1-2", 'protocol = "artnet"', 'host = "127.0.0.1"')
            + controller("right", "3", 'protocol = "artnet"', 'host = "127.0.0.1"', "port_addresses = 2"),
            "rig.toml:11: controller[1].port_addresses: port-address 0:0:2 (2), of its universe 3, is already one of "
            "left (rig.toml:1), and both have one address; give each its own port-addresses",
        ),
        *(
            (
                artnet("left", "1-2", one) + artnet("right", "3-4", other, 'port_addresses = "0-1"'),
                "rig.toml:11: controller[1].port_addresses: port-address 0:0:1 (1), of its universe 4, is already one "
                "of left (rig.toml:1), and broadcast data reach both; give each its own port-addresses, here and in "
                "the controllers themselves",
            )
            for one, other in [(None, 22), (21, None), (None, None)]
        ),
    ],
)
def test_each_mistake_is_one_line_with_its_key(tmp_path: Path, text: str, report: str) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    (error,) = caught.value.errors
    assert str(error).removeprefix(f"{tmp_path}/").startswith(report)
