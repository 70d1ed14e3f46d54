"""Art-Net: port-addresses and packets."""

from __future__ import annotations

import pytest

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import PORT_ADDRESS_MAX, as_written, port_address


@pytest.mark.parametrize(
    ("text", "number"), [("0:0:0", 0), ("0:0:1", 1), ("0:1:0", 16), ("1:0:0", 256), ("127:15:15", 32767)]
)
def test_a_port_address_is_written_by_its_parts_or_as_a_number(text: str, number: int) -> None:
    assert port_address(text) == port_address(str(number)) == number
    assert as_written(number) == text


@pytest.mark.parametrize("text", ["", "128:0:0", "0:16:0", "0:0:16", "0:1", "0:0:0:0", "-1", str(PORT_ADDRESS_MAX + 1)])
def test_what_has_more_than_15_bits_is_no_port_address(text: str) -> None:
    assert port_address(text) is None


def test_each_protocol_has_a_name_for_people() -> None:
    assert [one.words for one in ProtocolName] == ["E1.31", "Art-Net", "DDP"]
