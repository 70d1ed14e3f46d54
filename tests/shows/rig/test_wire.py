"""What is sent of each universe of a rig."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.wire import sent_slots

RIG = Rig.model_validate(
    {
        "controller": [{"name": "left", "universes": "1-4"}],
        "string": [{"name": "ridge", "controller": "left", "universe": 1, "pixels": 200}],
        "fixture": [
            {"name": "lamp", "controller": "left", "universe": 2, "slot": 301, "channels": ["dimmer", "red", "strobe"]}
        ],
    }
)


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
