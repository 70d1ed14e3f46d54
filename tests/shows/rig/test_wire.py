"""What is sent of each universe of a rig."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.wire import sent_slots, slots_per_pixel, stream_begins, stream_gaps

RIG = Rig.model_validate(
    {
        "controller": [{"name": "left", "universes": "1-4"}],
        "string": [{"name": "ridge", "controller": "left", "universe": 1, "pixels": 200}],
        "fixture": [
            {"name": "lamp", "controller": "left", "universe": 2, "slot": 301, "channels": ["dimmer", "red", "strobe"]}
        ],
    }
)

DDP = Rig.model_validate(
    {
        "controller": [
            {"name": "left", "universes": "1-2"},
            {"name": "right", "universes": "9,3-6", "host": "192.0.2.22", "protocol": "ddp"},
            {"name": "quay", "universes": "10-11", "host": "192.0.2.23", "protocol": "ddp"},
        ],
        "string": [
            {"name": "ridge", "controller": "left", "universe": 1, "slot": 31, "pixels": 50},
            {"name": "eaves", "controller": "right", "universe": 3, "slot": 11, "pixels": 50},
            {"name": "porch", "controller": "right", "universe": 3, "slot": 161, "pixels": 200},
            {"name": "mast", "controller": "right", "universe": 9, "pixels": 10},
        ],
        "fixture": [{"name": "lamp", "controller": "right", "universe": 6, "slot": 4, "channels": ["dimmer"]}],
    }
)
"""Right: 50 pixels from slot 11, 200 from slot 161 into universe 4, nothing in 5, a lamp in 6, 10 pixels in 9."""


def file(**slots: int) -> FrameFileInfo:
    universes = tuple(Universe(int(number[1:]), count, 0) for number, count in slots.items())
    return FrameFileInfo(Path("tide.frames"), Fraction(40), 1, sum(slots.values()), universes)


def test_strings_and_fixtures_are_sent_whole_and_a_universe_without_either_with_all_512_slots() -> None:
    assert sent_slots(RIG, ()) == {1: 510, 2: 303, 3: 512, 4: 512}


def test_slots_of_a_frame_file_that_nothing_claims_are_sent() -> None:
    files = (file(u1=512, u2=300), file(u3=24), file(u3=60))
    assert sent_slots(RIG, files) == {1: 512, 2: 303, 3: 60, 4: 512}


def test_a_universe_that_no_controller_has_is_not_sent() -> None:
    assert 9 not in sent_slots(RIG, (file(u9=512),))


def test_a_ddp_stream_has_its_universes_in_order_without_those_where_nothing_hangs() -> None:
    left, right, quay = DDP.controller
    assert stream_begins(DDP, right) == {3: 0, 4: 510, 6: 510 + 250, 9: 510 + 250 + 4}
    assert stream_begins(DDP, left) == stream_begins(DDP, quay) == {}, "E1.31 has no stream; nothing hangs on quay"


def test_no_frame_file_moves_what_follows_in_a_ddp_stream() -> None:
    files = (file(u1=512, u3=512, u5=512, u9=512, u10=24),)
    assert sent_slots(DDP, files) == {1: 512, 2: 512, 3: 510, 4: 250, 6: 4, 9: 30, 10: 24, 11: 512}


def test_the_gaps_of_a_ddp_stream_are_the_slots_before_and_between_what_hangs() -> None:
    left, right, quay = DDP.controller
    assert list(stream_gaps(DDP, right)) == [(3, 1, 10), (6, 1, 3)]
    assert list(stream_gaps(DDP, left)) == list(stream_gaps(DDP, quay)) == []
    shorter = Rig(controller=DDP.controller, string=(DDP.string[1].model_copy(update={"pixels": 40}), *DDP.string[2:]))
    assert list(stream_gaps(shorter, right)) == [(3, 1, 10), (3, 131, 160)]


def test_pixels_have_one_size_if_no_string_differs_and_no_fixture_is_there() -> None:
    assert [slots_per_pixel(DDP, one) for one in DDP.controller] == [3, None, None]
    white = DDP.string[0].model_copy(update={"name": "white", "order": "RGBW", "universe": 2})
    both = Rig(controller=DDP.controller, string=(DDP.string[0], white))
    assert [slots_per_pixel(both, one) for one in DDP.controller] == [None, None, None]
