"""DDP: packets, held against a reader of the public specification (`ddp_reader.py`)."""

from __future__ import annotations

import numpy as np
import pytest

from gloaming.shows.protocols.ddp.build import Ddp
from gloaming.shows.protocols.packets import PacketBlock, Portion
from tests.shows.protocols.ddp_reader import Packet, Pixels, read

A, B = "192.0.2.21", "192.0.2.22"
RGB, RGBW = (1, 3), (3, 3)
"""The kind of pixels and the size of a colour, as the specification numbers them."""


def portions(*slots: int, host: str = A, first: int = 1, begin: int = 0, **more: int) -> list[Portion]:
    """Universes from `first` on, side by side in the mixed frame from `begin` on."""
    begins = [begin + sum(slots[:place]) for place in range(len(slots))]
    return [Portion(host, first + place, slots[place], begins[place], **more) for place in range(len(slots))]


def sent(blocks: tuple[PacketBlock, ...], frame: np.ndarray) -> list[Packet]:
    """What the packets of the next frame say, in the order in which they leave."""
    for block in blocks:
        block.fill(frame)
        block.protocol.count(block.sequences, block.step)
    return [read(row.tobytes()) for block in blocks for row in block.packets]


def a_frame(size: int) -> np.ndarray:
    return np.random.default_rng(size).integers(1, 256, size, np.uint8)


def ddp(pixel: int | None = 3, universes: int = 200, sequence_from: int = 0) -> Ddp:
    return Ddp(dict.fromkeys(range(1, universes), pixel), sequence_from)


@pytest.mark.parametrize(
    ("slots", "lengths"),
    [
        ((6,), [6]),
        ((512, 512, 416), [1440]),
        ((512, 512, 417), [1440, 1]),
        ((512, 512, 415), [1439]),
        ((510,) * 4, [1440, 600]),
        ((1, 512, 7, 512, 512), [1440, 104]),
        ((510,) * 96, [1440] * 34),
    ],
)
def test_a_stream_is_cut_into_packets_of_1440_bytes_and_the_last_one_alone_pushes(
    slots: tuple[int, ...], lengths: list[int]
) -> None:
    frame, controller = a_frame(sum(slots)), Pixels()
    packets = sent(ddp().blocks(portions(*slots)), frame)
    assert [len(one.data) for one in packets] == lengths
    assert [one.push for one in packets] == [False] * (len(lengths) - 1) + [True]
    assert [one.offset for one in packets] == [1440 * place for place in range(len(lengths))]
    assert {(one.query, one.reply, one.storage, one.timecode) for one in packets} == {(False, False, False, None)}
    assert {one.destination for one in packets} == {1}
    for one in packets:
        controller.take(one)
    assert controller.shown == [frame.tobytes()]


def test_packets_are_numbered_one_after_the_other_from_1_to_15_through_all_frames() -> None:
    blocks = ddp().blocks(portions(*[512] * 9))
    numbers = [one.sequence for _ in range(40) for one in sent(blocks, a_frame(9 * 512))]
    assert len(numbers) == 160 and numbers == [place % 15 + 1 for place in range(160)]


@pytest.mark.parametrize("packets", [1, 14, 15, 16, 30, 31])
def test_numbers_go_on_whatever_the_number_of_packets_and_after_that_of_an_earlier_stream(packets: int) -> None:
    blocks = ddp(sequence_from=11).blocks(portions(*[480] * 3 * packets))
    numbers = [one.sequence for _ in range(4) for one in sent(blocks, a_frame(packets * 1440))]
    assert numbers == [(11 + place) % 15 + 1 for place in range(4 * packets)]


@pytest.mark.parametrize(("pixel", "kind"), [(3, RGB), (4, RGBW), (1, (0, 0)), (5, (0, 0)), (None, (0, 0))])
def test_the_data_type_is_that_of_all_pixels_of_the_stream(pixel: int | None, kind: tuple[int, int]) -> None:
    (packet,) = sent(ddp(pixel).blocks(portions(60)), a_frame(60))
    assert packet.kind == kind


def test_a_stream_of_pixels_that_differ_has_no_data_type() -> None:
    (packet,) = sent(Ddp({1: 3, 2: 4}).blocks(portions(60, 60)), a_frame(120))
    assert packet.kind == (0, 0)


def test_universes_of_another_controller_in_between_do_not_move_the_offsets() -> None:
    mine = [*portions(512, 510, begin=9), *portions(480, 480, 480, 3, first=7, begin=1731)]
    frame, controller = a_frame(3200), Pixels()
    blocks = ddp().blocks(mine)
    for one in sent(blocks, frame):
        controller.take(one)
    assert controller.shown == [frame[9:1031].tobytes() + frame[1731:3174].tobytes()]
    assert [block.universes for block in blocks] == [(1, 2), (7, 8, 9), (10,)]


def test_each_host_has_a_stream_of_its_own() -> None:
    blocks = ddp().blocks([*portions(510, 510, 510), *portions(30, host=B, first=9, begin=1530)])
    assert [(block.host, block.universes) for block in blocks] == [(A, (1, 2, 3)), (A, (3,)), (B, (9,))]
    assert [(one.offset, one.push) for one in sent(blocks, a_frame(1560))] == [(0, False), (1440, True), (0, True)]


def test_a_spread_stream_leaves_in_order_and_pushes_with_its_last_part() -> None:
    spread = [one._replace(offset_ns=place // 4 * 500) for place, one in enumerate(portions(*[512] * 12))]
    blocks = ddp().blocks(spread)
    assert [(block.offset_ns, len(block.rows)) for block in blocks] == [(0, 2), (500, 1), (1000, 1), (1000, 1)]
    packets = sent(blocks, a_frame(12 * 512))
    assert [one.sequence for one in packets] == [1, 2, 3, 4, 5]
    assert [one.push for one in packets] == [False] * 4 + [True]
