"""A look at what was sent: the picked slots of the packets, and nothing of the others."""

from __future__ import annotations

from base64 import b64decode

import numpy as np
import pytest

from gloaming.daemon.transmitter.packets import Block
from gloaming.daemon.transmitter.view import PICKS_MAX, View
from gloaming.shows.protocols.e131 import HEAD_BYTES


def block(universes: tuple[int, ...], slots: int) -> Block:
    """Packets whose slots say where they are: ten for each universe, one for each slot."""
    packets = np.zeros((len(universes), HEAD_BYTES + slots), np.uint8)
    packets[:, HEAD_BYTES:] = np.array(universes)[:, None] * 10 + np.arange(slots)
    return Block("127.0.0.1", universes, slots, packets, 0, 0)


def test_picked_slots_are_those_of_the_packets_in_the_order_of_the_picks() -> None:
    view, blocks = View(), [block((7, 3), 6), block((5,), 4)]
    assert view.levels(blocks, blocks) is None
    view.pick([3 * 512, 7 * 512 + 5, -1, 5 * 512 + 3, 5 * 512 + 4, 9 * 512])
    levels = view.levels(blocks, blocks)
    assert levels
    assert list(b64decode(levels)) == [30, 75, 0, 53, 0, 0]
    blocks[0].data[:] = 1
    assert list(b64decode(view.levels(blocks, blocks) or ""))[:2] == [1, 1]


def test_another_output_is_looked_up_anew() -> None:
    view, first, second = View(), [block((3,), 6)], [block((3,), 6)]
    second[0].data[:] = 99
    view.pick([3 * 512])
    assert b64decode(view.levels(first, first) or "") == bytes([30])
    assert b64decode(view.levels(second, second) or "") == bytes([99])


def test_a_look_has_a_bound() -> None:
    with pytest.raises(ValueError, match="at most"):
        View().pick([0] * (PICKS_MAX + 1))
