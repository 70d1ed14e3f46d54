"""A button by the gate: its message at a real broker, the piece on the wire, and the evening that goes on."""

from __future__ import annotations

import time
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

from gloaming.daemon.direction.decide import decide
from gloaming.daemon.planner.stored_rows import read_overrides
from gloaming.daemon.site.load import load_site
from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.api.evening import Evening, Seen, evening_apart, numbered
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import wait_until

FPS, LOOP, BELLS = 40, 2400, 60
SHOW, CALLED = 200, 90
"""What the fifth slot has in the show's piece, and in the called one."""
LATE_FRAMES = 40
"""How far behind `decide` a busy machine may be: a second. A wrong place is off by much more."""
GATE = """
[[piece]]
name = "bells"
frames = "pieces/bells.frames"

[[trigger]]
name = "gate"
piece = "bells"
mqtt = "{}"
"""


def prepare(evening: Evening, topic: str) -> None:
    """A show of one piece, and a trigger that calls another. Nothing fades, so that each frame has its number."""
    evening.write(numbered(LOOP), fade="0 s")
    bells = numbered(BELLS)
    bells[:, 4:] = CALLED
    with FrameWriter(evening.folder / "pieces" / "bells.frames", Fraction(FPS), [Universe(1, 12, 0)]) as writer:
        writer.write(bells)
    path = evening.folder / "site.toml"
    text = path.read_text(encoding="utf-8").replace("[output]\n", "[output]\nbrightness = 1.0\n")
    path.write_text(text + GATE.format(topic), encoding="utf-8")


@needs("ip", "mosquitto")
def test_a_press_shows_the_piece_and_the_evening_goes_on_at_the_frame_where_it_was(tmp_path: Path) -> None:
    """Read by the `sacn` library's receiver. Every packet is what `decide` has for its instant."""
    with (
        evening_apart(tmp_path / "site", "127.0.0.1", "1") as evening,
        Mosquitto(tmp_path, namespace=evening.namespace) as broker,
        broker.client() as button,
    ):
        prepare(evening, broker.url("gate/button"))
        with evening.reader("0.0.0.0") as reader, evening.running():
            reader.wait_for(lambda seen: seen and seen[-1].slots[4] == SHOW, "the show")

            def pressed() -> bool:
                """Press again and again, until the planner listens."""
                button.publish("gate/button", "pressed", qos=1)
                time.sleep(0.5)
                return any(one.slots[4] == CALLED for one in reader.seen())

            wait_until(pressed, "the called piece")
            seen = reader.wait_for(lambda seen: {one.slots[4] for one in seen[-20:]} == {SHOW}, "the show again")
            wall_ns = time.time_ns() - time.monotonic_ns() + evening.offset_ns
        (call,) = read_overrides(evening.state / "state.db", 0)
    called = [one for one in seen if one.slots[4] == CALLED]
    before = [one for one in seen if one.slots[4] == SHOW and one.at_ns < called[0].at_ns][-1]
    after = next(one for one in seen if one.slots[4] == SHOW and one.at_ns > called[-1].at_ns)
    assert (call.who, call.piece) == ("trigger gate", "bells")
    assert all(one.number < another.number for one, another in pairwise(called))
    assert (after.number - before.number + LATE_FRAMES) % LOOP <= 2 * LATE_FRAMES
    site = load_site(evening.folder)

    def is_right(one: Seen) -> bool:
        """Whether `decide` has this frame, or had it shortly before. No call counts until its piece is there."""
        overrides = (call,) if one.at_ns >= called[0].at_ns else ()
        piece = {SHOW: "numbers", CALLED: "bells"}[one.slots[4]]
        instants = [one.at_ns + wall_ns - late * 10**9 // FPS for late in range(-1, LATE_FRAMES)]
        found = [decide(at_ns, site, overrides) for at_ns in instants]
        return any(other.piece == piece and other.frame - (one.number - 1) in (0, 1) for other in found)

    lit = [one for one in seen if not one.black]
    assert [one for one in lit if not is_right(one)] == []
    print(f"{len(lit)} frames, of them {len(called)} of the called piece")
