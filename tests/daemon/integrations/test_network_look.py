"""What answers on the network, and what strangers may send."""

from __future__ import annotations

import asyncio
import socket

from gloaming.daemon.integrations.network_look import NetworkLook, look
from gloaming.shows.protocols.artnet import PORT


def looked(*addresses: str, seconds: float = 0.5, **more: object) -> NetworkLook:
    async def script() -> NetworkLook:
        return await look(addresses, None, seconds=seconds, at_ns=7, **{"art_poll": True} | more)  # type: ignore[arg-type]

    return asyncio.run(script())


def test_a_port_that_another_program_has_is_a_note() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("", PORT))
        found = looked("127.0.0.2")
    assert found.at_ns == 7 and not found.nodes
    (note,) = found.notes
    assert note.startswith("UDP port 6454 cannot be used at 127.0.0.1, 127.255.255.255, 255.255.255.255")
