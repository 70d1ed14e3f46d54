"""One evening, end to end: `gloaming run`, read by an independent receiver."""

from __future__ import annotations

import json
import os
import signal
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from itertools import pairwise, repeat
from pathlib import Path

import numpy as np
import pytest

from gloaming.daemon.score.score import Score, Segment
from tests.api.evening import Evening, Seen, check_cycle, evening_apart, gloaming, numbered
from tests.places import MOVING_PICTURE
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

PICTURES = 66
"""Frames of an open film: Big Buck Bunny, (c) 2008 Blender Foundation, CC BY 3.0."""
LOOP = 2400
"""A minute at 40 frames a second."""
LEFT_S = 5
"""How much of a pause is left when the power comes back for the second time."""


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    with evening_apart(tmp_path / "site", "127.0.0.1", "1") as one:
        yield one


def check_pictures(seen: list[Seen], pictures: np.ndarray) -> None:
    """Every universe has the whole file, in order, byte for byte, once and once more."""
    for universe in range(1, 14):
        columns = pictures[:, (universe - 1) * 510 : universe * 510]
        cycle = [row.tobytes().ljust(512, b"\0") for row in columns]
        check_cycle([one.slots for one in seen if one.universe == universe and not one.black], cycle)


def wait_for_pictures(reader_seen: list[Seen], last_row: bytes) -> bool:
    return sum(one.universe == 1 and one.slots == last_row for one in reader_seen) >= 2


@pytest.mark.parametrize("way", ["unicast", "multicast"])
def test_real_pictures_arrive_in_order_byte_for_byte_over_and_over(way: str, evening: Evening) -> None:
    pictures = np.load(MOVING_PICTURE)[:PICTURES]
    evening.universes = "1-13"
    if way == "multicast":
        evening.host = None
    evening.write(pictures, fps="25")
    with evening.reader("0.0.0.0", way) as reader, evening.running():
        last_row = pictures[-1, :510].tobytes().ljust(512, b"\0")
        seen = reader.wait_for(lambda seen: wait_for_pictures(seen, last_row), "the film's end, twice", 60)
    check_pictures(seen, pictures)


def test_a_planner_killed_in_mid_piece_costs_no_frame_and_comes_back_at_the_right_place(evening: Evening) -> None:
    evening.write(numbered(LOOP))
    with evening.reader("0.0.0.0") as reader, evening.running():
        reader.wait_for(lambda seen: len(seen) > 60, "light")
        first = evening.now()
        os.kill(evening.pid("planner"), signal.SIGKILL)
        killed = len(reader.lit())
        for name in ("address", "token"):
            (evening.state / name).unlink()
        wait_until((evening.state / "address").exists, "a new planner")
        again = evening.now()
        on_the_wire = reader.lit()[-1].number - 1
        later = evening.now()
        reader.wait_for(lambda seen: len(seen) > killed + 120, "frames after the kill")
        numbers = [one.number for one in reader.lit() if one.slots[4] == 200]
    assert again["piece"] == first["piece"] == "numbers"
    assert again["frame"] - 4 <= on_the_wire <= later["frame"] + 4
    assert all(after == before % LOOP + 1 for before, after in pairwise(numbers))
    assert len(numbers) > 150


def test_a_killed_transmitter_comes_back_at_the_right_place(evening: Evening) -> None:
    evening.write(numbered(LOOP))
    with evening.reader("0.0.0.0") as reader, evening.running():
        reader.wait_for(lambda seen: len(seen) > 60, "light")
        evening.now()
        before = [one for one in reader.lit() if one.slots[4] == 200][-1]
        os.kill(evening.pid("transmitter"), signal.SIGKILL)
        killed_ns = time.monotonic_ns()
        seen = reader.wait_for(lambda seen: len(seen) > 40 and seen[-40].at_ns > killed_ns + 10**8, "frames again")
    after = [one for one in seen if one.at_ns > killed_ns + 10**8 and one.slots[4] == 200]
    print(f"frames again after {(after[0].at_ns - killed_ns) / 1e9:.2f} s")
    assert after[0].number != before.number
    for one in after:
        passed = (one.at_ns - before.at_ns) / 25e6
        assert abs((one.number - before.number) % LOOP - passed) < 4, "the frame is the one that the time demands"


def test_a_pause_survives_the_death_of_everything_and_ends_at_its_minute(evening: Evening) -> None:
    evening.write(numbered(LOOP))
    with evening.reader("0.0.0.0") as reader:
        evening.start()
        reader.wait_for(lambda seen: any(not one.black for one in seen), "light")
        evening.now()
        status, pause = evening.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 15})
        assert status == 201
        reader.wait_for(lambda seen: seen[-1].black, "black")
        evening.kill_everything()
        evening.start()
        now = evening.now()
        assert now["state"] == "paused"
        assert [one["id"] for one in now["overrides"]] == [pause["id"]]
        evening.kill_everything()
        left_s = wall(pause["until"]) - time.time() - evening.offset_ns / 1e9
        evening.offset_ns += int((left_s - LEFT_S) * 1e9)  # the current came back late
        paused_at = len(reader.seen())
        with evening.running():
            seen = reader.wait_for(lambda seen: any(not one.black for one in seen[paused_at:]), "light after it")
            resumed = next(one for one in seen[paused_at:] if not one.black)
            assert evening.now()["state"] == "playing"
    asked = wall(pause["at"])
    until = wall(pause["until"])
    assert until - asked == pytest.approx(900, abs=0.01)
    read_ns = time.monotonic_ns()
    left_s = until - (time.time() + evening.offset_ns / 1e9) - (resumed.at_ns - read_ns) / 1e9
    assert left_s < 0.05, "no light before the pause has ended"


READ_LATE_NS = 250_000_000
"""How late a reader in Python may be on a busy machine."""
FORGED = b"\x63" * 12


def forge(evening: Evening, dark_ns: int) -> None:
    """Send the transmitter a score with light in the dark hours, as a faulty planner would."""
    with socket.socket(socket.AF_UNIX) as planner:
        planner.connect(str(evening.state / "transmitter.sock"))
        now_ns = time.time_ns() + evening.offset_ns
        light = Segment(now_ns - 10**9, now_ns + 600 * 10**9, look=0x63, level_from=1.0, level_until=1.0)
        score = Score(1, now_ns - time.monotonic_ns(), evening.offset_ns, (light,))
        planner.sendall(json.dumps(score.to_json()).encode() + b"\n")
        wait_until(lambda: time.monotonic_ns() > dark_ns + 10**9, "the dark hours")


def test_a_pause_and_its_end_fade_for_a_second_and_the_frame_waits(evening: Evening) -> None:
    evening.write(numbered(LOOP), fade="1 s")
    with evening.reader("0.0.0.0") as reader, evening.running():
        reader.wait_for(lambda seen: [one for one in seen if one.slots[4] == 200], "full light")
        evening.now()
        status, pause = evening.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 5})
        assert status == 201 and pause["on_the_wire"]
        down = reader.wait_for(lambda seen: seen[-1].black, "black")
        status, ended = evening.ask("DELETE", f"/api/overrides/{pause['id']}")
        assert status == 200 and ended["on_the_wire"]
        up = reader.wait_for(lambda seen: seen[-1].slots[4] == 200, "full light again")[len(down) :]
        assert evening.ask("DELETE", f"/api/overrides/{pause['id']}")[0] == 404
    first = max(at for at, one in enumerate(down) if one.slots[4] == 200) + 1
    fading = [one.slots[4] for one in down[first:]]
    assert fading == sorted(fading, reverse=True) and 20 <= len(fading) <= 41, (
        "40 frames of 1/40 s, unless a busy machine drops some"
    )
    rising = [one.slots[4] for one in up if one.slots[4] < 200]
    assert rising == sorted(rising) and 20 <= len(rising) <= 41


def wall(instant: str) -> float:
    return datetime.fromisoformat(instant).timestamp()


CASES = ("planner alive", "planner killed before", "score forged to contain light")
DARK_IN_S = (18, 50)
"""In how many seconds the dark hours begin: at the first try, and where a busy machine has not begun three shows by
then."""


def test_the_wire_is_black_at_the_first_instant_of_dark_hours(tmp_path: Path) -> None:
    """Three evenings at once, since each waits for its dark hours."""
    for dark_in_s in DARK_IN_S:
        with ThreadPoolExecutor() as pool:
            folders = [tmp_path / f"{dark_in_s}-{at}" for at in range(len(CASES))]
            if all(pool.map(dark_hours_begin, CASES, folders, repeat(dark_in_s))):
                return
    raise AssertionError(f"there was never light within {dark_in_s} s")


def dark_hours_begin(case: str, folder: Path, dark_in_s: int) -> bool:
    """One evening at the beginning of its dark hours. Whether there was light before them."""
    with evening_apart(folder, "127.0.0.1", "1") as evening:
        evening.write(numbered(LOOP), dark_from="22:30", dark_to="07:00")
        evening.move_to(f"2026-12-01T22:29:{60 - dark_in_s}")
        dark_ns = int(wall("2026-12-01T22:30:00+00:00") * 1e9) - evening.offset_ns
        dark_ns += time.monotonic_ns() - time.time_ns()
        with evening.reader("0.0.0.0") as reader, evening.running():
            assert evening.process
            wait_until(lambda: len(reader.lit()) > 20 or time.monotonic_ns() > dark_ns, "dark hours")
            if time.monotonic_ns() > dark_ns - 2 * 10**9:
                return False
            if case != "planner alive":
                os.kill(evening.process.pid, signal.SIGSTOP)  # so that no new planner is started
                os.kill(evening.pid("planner"), signal.SIGKILL)
            if case == "score forged to contain light":
                forge(evening, dark_ns)
            wait_until(lambda: time.monotonic_ns() > dark_ns + 2 * 10**9, "the dark hours")
            os.kill(evening.process.pid, signal.SIGCONT)
            seen = reader.seen()
    out = max(at for at, one in enumerate(seen) if not one.black) + 1
    assert all(one.black for one in seen[out:]), case
    assert seen[out].at_ns < dark_ns + READ_LATE_NS, f"{case}: black from the first instant of the dark hours"
    if case == "score forged to contain light":
        assert seen[out - 1].slots[:12] == FORGED, "the forged score was played until then"
        assert seen[out].at_ns > dark_ns - READ_LATE_NS
    else:
        assert seen[out - 1].at_ns > dark_ns - 2 * 10**9, f"{case}: there was light until the fade"
    return True


def test_a_missing_site_is_reported_on_one_line(evening: Evening) -> None:
    nowhere = gloaming("run", evening.folder.parent / "nowhere")
    assert nowhere.returncode == 2
    assert len(nowhere.stderr.splitlines()) == 1 and str(evening.folder.parent / "nowhere") in nowhere.stderr
