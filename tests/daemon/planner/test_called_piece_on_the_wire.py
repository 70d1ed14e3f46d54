"""A piece that is called, with a real planner and transmitter, read by the sacn library's receiver."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gloaming.daemon.direction.decide import called_at, decide
from gloaming.daemon.planner.stored_rows import read_overrides
from gloaming.daemon.site.load import load_site
from tests.api.evening import Seen, evening_apart, gloaming, numbered
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

BELLS = 1_000_000
"""What the frame numbers of the called piece begin after."""
COUNT, LENGTH, FRAME_NS = 200, 40, 25_000_000
LATE_FRAMES = 40
"""For how long a busy machine may send what it showed before it was called."""


def due_ns(packets: list[Seen]) -> int:
    """When frame 0 was due by the promptest packet: a machine that pauses is late, and never early."""
    return min(one.at_ns - one.number % BELLS * FRAME_NS for one in packets)


def test_the_show_goes_on_at_the_frame_where_it_was(tmp_path: Path) -> None:
    """A call for after the piece, and then one for now."""
    with evening_apart(tmp_path / "site", None, "1-1") as evening:
        evening.write(numbered(COUNT))
        bells = numbered(LENGTH)
        bells[:, :4] = np.arange(BELLS + 1, BELLS + LENGTH + 1, dtype=">u4").view(np.uint8).reshape(LENGTH, 4)
        np.save(evening.folder / "bells.npy", bells)
        path = evening.folder / "pieces" / "bells.frames"
        done = gloaming("frames", "import", evening.folder / "bells.npy", path, "--fps", "40", "--universes", "1")
        assert done.returncode == 0, done.stderr
        with (evening.folder / "site.toml").open("a", encoding="utf-8") as file:
            file.write('\n[[piece]]\nname = "bells"\nframes = "pieces/bells.frames"\n')
        with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
            evening.now()
            reader.wait_for(lambda seen: sum(not one.black for one in seen) > 40, "the show")
            called: list[list[Seen]] = []
            for after in (True, False):
                begin = len(reader.seen())
                status, made = evening.ask("POST", "/api/overrides", {"kind": "call", "piece": "bells", "after": after})
                assert status == 201
                assert made["on_the_wire"] or made["wire"].startswith("it will be at 18:"), made
                wait_until(lambda begin=begin: goes_on(reader.seen()[begin:]), "the show after the bells")
                called.append(reader.seen()[begin - 15 :])
        overrides = read_overrides(evening.state / "state.db", 0)
    site = load_site(evening.folder)
    for seen, found in zip(called, called_at(overrides[0].at_ns, site, overrides), strict=True):
        assert found.until_ns - found.from_ns == LENGTH * FRAME_NS
        places = [at for at, one in enumerate(seen) if one.number > BELLS]
        before, during, later = seen[: places[0]], seen[places[0] : places[-1] + 1], seen[places[-1] + 1 :]
        assert [one.number for one in during] == sorted({one.number for one in during})
        was = decide(found.from_ns - 1, site, overrides).frame
        goes_on_at = decide(found.until_ns, site, overrides).frame
        assert was is not None
        assert goes_on_at is not None
        late = 0 if found.call.after else LATE_FRAMES
        assert before[-1].number <= was + 1 + late
        assert later[0].number >= goes_on_at + 1
        if found.call.after:
            assert (was, goes_on_at) == (COUNT - 1, 0)
        else:  # the show stood still for as long as the bells
            assert goes_on_at in (was, was + 1)
            shift_ns = due_ns(later) - due_ns(before)
            assert abs(shift_ns - LENGTH * FRAME_NS) < FRAME_NS, shift_ns


def goes_on(seen: list[Seen]) -> bool:
    """Whether 20 packets of the show follow the bells."""
    bells = [at for at, one in enumerate(seen) if one.number > BELLS]
    return bool(bells) and len(seen) > bells[-1] + 20
