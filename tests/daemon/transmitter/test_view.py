"""The picked slots of the last packets."""

from __future__ import annotations

from base64 import b64decode
from uuid import UUID

import numpy as np
import pytest

from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.daemon.transmitter.view import PICKS_MAX, View
from gloaming.shows.protocols.e131.build import E131
from gloaming.shows.protocols.packets import PacketBlock, Portion


def sent(slots: dict[int, int]) -> tuple[FrameMixer, tuple[PacketBlock, ...]]:
    """Packets whose slots have the value 10 * universe + slot."""
    mixer = FrameMixer(slots)
    there = [Portion("127.0.0.1", number, count, mixer.offsets[number]) for number, count in slots.items()]
    blocks = E131(UUID(int=1), "quay", 100).blocks(there)
    for block in blocks:
        block.data[:] = np.array(block.universes)[:, None] * 10 + np.arange(block.slots)
    return mixer, blocks


def test_picked_slots_are_those_of_the_packets_in_the_order_of_the_picks() -> None:
    view, (mixer, blocks) = View(), sent({7: 6, 3: 6, 5: 4})
    assert view.levels(mixer, blocks) is None
    view.pick([3 * 512, 7 * 512 + 5, -1, 5 * 512 + 3, 5 * 512 + 4, 9 * 512])
    levels = view.levels(mixer, blocks)
    assert levels
    assert list(b64decode(levels)) == [30, 75, 0, 53, 0, 0]
    blocks[0].data[:] = 1
    assert list(b64decode(view.levels(mixer, blocks) or ""))[:2] == [1, 1]


def test_a_new_output_is_looked_up_again() -> None:
    view, first, second = View(), sent({3: 6}), sent({3: 6})
    second[1][0].data[:] = 99
    view.pick([3 * 512])
    assert b64decode(view.levels(*first) or "") == bytes([30])
    assert b64decode(view.levels(*second) or "") == bytes([99])


def test_a_view_has_a_bound() -> None:
    with pytest.raises(ValueError, match="at most"):
        View().pick([0] * (PICKS_MAX + 1))
