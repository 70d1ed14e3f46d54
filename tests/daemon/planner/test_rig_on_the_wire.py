"""The rig check and the limiter on the wire, read by the sacn library's receiver, in a network of their own."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tests.api.evening import Evening, Seen, evening_apart
from tests.daemon.transmitter.process_harness import Heard, listening
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

RIG = """[[controller]]
name = "left"
universes = "1-2"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150
fuse_a = 5

[[string]]
name = "numbers"
controller = "left"
universe = 1
slot = 451
pixels = 2

[[string]]
name = "eaves"
controller = "left"
universe = 2
pixels = 150
fuse_a = 10
"""
PORT_RIG = """[[controller]]
name = "left"
universes = "1-2"

[[port]]
controller = "left"
number = 3
fuse_a = 5

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 60
port = 3

[[string]]
name = "numbers"
controller = "left"
universe = 1
slot = 451
pixels = 2

[[string]]
name = "eaves"
controller = "left"
universe = 2
pixels = 60
port = 3
"""
FRAMES, WHITE_FROM, WHITE_UNTIL, RELEASED = 160, 40, 80, 80 + 66


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    with evening_apart(tmp_path / "site", None, "1-2") as one:
        yield one


@contextmanager
def running(evening: Evening, frames: npt.NDArray[np.uint8], rig: str = RIG) -> Iterator[Any]:
    evening.write(frames)
    (evening.folder / "rig.toml").write_text(rig, encoding="utf-8")
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        wait_until(lambda: (evening.state / "address").exists(), "an address")
        reader.wait_for(lambda seen: any(not each.black for each in seen), "light")
        yield reader


def gloaming(evening: Evening, *words: str) -> subprocess.CompletedProcess[str]:
    command = [*evening.within(), sys.executable, "-m", "gloaming.api.cli.main", *words, str(evening.folder)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def picture() -> npt.NDArray[np.uint8]:
    """Four seconds: the ridge dim, then white for a second, which draws 9 A; the eaves always some other way.

    The frame's number, from 1, stands on the string between them.
    """
    random = np.random.default_rng(6)
    frames = np.full((FRAMES, 1020), 60, np.uint8)
    frames[WHITE_FROM:WHITE_UNTIL, :450] = 255
    frames[:, 450:456] = 0
    frames[:, 450:452] = np.arange(1, FRAMES + 1, dtype=">u2").view(np.uint8).reshape(FRAMES, 2)
    frames[:, 510:960] = random.integers(0, 256, (FRAMES, 450))
    return frames


def number(seen: Seen) -> int:
    return int.from_bytes(seen.slots[450:452], "big") - 1


def amps(slots: bytes) -> float:
    """What RGB pixels draw: 20 mA a colour at full, 1 mA a dark one (common practice, no source)."""
    return sum(value / 255 * 0.02 for value in slots) + len(slots) / 3 * 0.001


def limited(evening: Evening) -> tuple[dict[str, Any], str]:
    """The first that the limiter has lowered, as `gloaming now` and as the journal has it."""
    found = json.loads(gloaming(evening, "now", "--json").stdout)["health"]["transmitter"]["limited"]
    with closing(sqlite3.connect(f"file:{evening.state}/state.db?mode=ro", uri=True)) as store:

        def lines() -> list[tuple[str]]:
            return store.execute("SELECT text FROM journal WHERE kind = 'limiter'").fetchall()

        wait_until(lines, "a line of it")
        return found[0], lines()[0][0]


def test_a_string_of_nine_amperes_on_a_fuse_of_five_never_draws_more_and_all_else_is_as_it_was(
    evening: Evening,
) -> None:
    frames = picture()
    with running(evening, frames) as reader:

        def whole(seen: list[Seen]) -> bool:
            numbers = [number(each) for each in seen if each.universe == 1 and not each.black]
            return numbers.count(WHITE_FROM + 5) >= 2 and numbers.count(FRAMES - 1) >= 1

        seen = reader.wait_for(whole, "the whole piece", 60)
        told, line = limited(evening)
    ridge = [each for each in seen if each.universe == 1 and not each.black]
    assert max(amps(each.slots[:450]) for each in ridge) <= 5.0
    white = [each for each in ridge if WHITE_FROM <= number(each) < WHITE_UNTIL]
    assert min(amps(each.slots[:450]) for each in white) > 4.9
    assert all(len(set(each.slots[:450])) == 1 for each in white)
    for each in ridge:
        if not WHITE_FROM <= number(each) < RELEASED:
            assert each.slots[:456] == frames[number(each), :456].tobytes()
    known = {row[510:960].tobytes() for row in frames}
    eaves = [each for each in seen if each.universe == 2 and not each.black]
    assert len({each.slots for each in eaves}) > FRAMES / 2
    assert all(each.slots[:450] in known for each in eaves)
    assert (told["kind"], told["name"], told["ma"], told["limit_ma"]) == ("string", "ridge", 9150, 5000)
    assert "string ridge was lowered in" in line
    assert "it would have drawn 9.2 A, and may draw 5 A" in line


def test_two_strings_of_3_6_a_on_a_port_of_5_a_draw_5_a_together_and_are_lowered_alike(evening: Evening) -> None:
    """60 RGB pixels of 20 mA a colour draw 3.6 A at white; 120 dark ones 0.12 A (common practice, no source)."""
    frames = picture()
    frames[:, 510:960] = frames[:, :450]
    with running(evening, frames, PORT_RIG) as reader:

        def white(seen: list[Seen], universe: int) -> list[bytes]:
            return [each.slots for each in seen if each.universe == universe and each.slots[0] > 60]

        seen = reader.wait_for(lambda seen: len(white(seen, 1)) >= 30 and len(white(seen, 2)) >= 3, "white", 60)
        told, line = limited(evening)
    most = [max(amps(each.slots[:180]) for each in seen if each.universe == universe) for universe in (1, 2)]
    assert 4.9 < sum(most) <= 5.0
    assert len({slots[:180] for universe in (1, 2) for slots in white(seen, universe)}) == 1
    assert len(set(white(seen, 1)[0][:180])) == 1
    assert all(set(slots[180:450]) == {255} for slots in white(seen, 1))
    assert (told["kind"], told["name"], told["ma"], told["limit_ma"]) == ("port", "3 of left", 7320, 5000)
    assert "port 3 of left was lowered in" in line
    assert "it would have drawn 7.3 A, and may draw 5 A" in line


def test_pixel_37_of_the_ridge_lights_and_no_other_until_it_ends(evening: Evening) -> None:
    with running(evening, picture()) as reader:
        asked = gloaming(evening, "rig-check", "pixel", "37", "--string", "ridge", "--level", "0.5")
        assert asked.returncode == 0, asked.stderr
        assert asked.stdout.startswith("pixel 37, white of string ridge until ")
        assert "on the wire" in asked.stdout

        def pixel(seen: list[Seen]) -> bool:
            return any(each.slots[108:111] in (b"\x7f" * 3, b"\x80" * 3) for each in seen if each.universe == 1)

        reader.wait_for(pixel, "pixel 37 at half")
        now = json.loads(gloaming(evening, "now", "--json").stdout)
        assert now["state"] == "rig-check"
        assert now["overrides"][0]["check"] == "pixel 37, white of string ridge"
        assert 0 < now["overrides"][0]["remaining_s"] <= 600
        before = len(reader.seen())
        walking = gloaming(evening, "rig-check", "walk", "--string", "eaves", "--minutes", "1")
        assert walking.returncode == 0, walking.stderr
        reader.wait_for(lambda seen: len(shown(seen[before:], 2)) >= 3, "three steps of the walk")
        assert len(json.loads(gloaming(evening, "now", "--json").stdout)["overrides"]) == 1
        ended = gloaming(evening, "rig-check", "end")
        assert re.fullmatch(r"rig check \d+ ended, on the wire: light, numbers, at 100%\n", ended.stdout)
        count = len(reader.seen())
        reader.wait_for(lambda seen: len(shown(seen[count:], 2)) >= 20, "the show again")
        assert gloaming(evening, "rig-check", "end").returncode == 1
    seen = reader.seen()
    checked = [set(lit(each)) for each in seen[:before] if each.universe == 1 and not any(each.slots[450:452])]
    assert {108, 109, 110} in checked
    assert all(one <= {108, 109, 110} for one in checked)
    steps = [lit(each) for each in seen[before:count] if each.universe == 2 and 0 < len(lit(each)) <= 3]
    assert all(len(one) == 3 and one[0] % 3 == 0 and one[2] == one[0] + 2 for one in steps)
    walked = [one[0] for one in steps]
    assert walked == sorted(walked) and walked[0] <= 30  # a slow machine may be late for the first seconds


def test_a_burn_in_survives_a_power_cut_and_is_dark_in_dark_hours_even_where_a_rig_check_is_allowed(
    evening: Evening,
) -> None:
    evening.write(picture())
    (evening.folder / "rig.toml").write_text(RIG, encoding="utf-8")
    site = evening.folder / "site.toml"
    written = site.read_text(encoding="utf-8").replace("[neighbours]\n", "[neighbours]\nrig_check = 0.1\n")

    def burns(seen: Sequence[Seen | Heard]) -> bool:
        """Whether the last packets have every pixel of both strings at 0.4, and nothing else."""
        last = {each.universe: each.slots for each in seen}
        return [set(last[number][:450]) for number in (1, 2) if number in last] == [{102}, {102}]

    def black(seen: list[Seen]) -> bool:
        return {each.universe for each in seen[-2:] if each.black} == {1, 2}

    site.write_text(written, encoding="utf-8")
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        evening.now()
        asked = gloaming(evening, "burn-in", "24", "--pattern", "colour", "--level", "0.4")
        assert asked.returncode == 0, asked.stderr
        reader.wait_for(burns, "light of the burn-in")
        evening.kill_everything()
        for path in (evening.state / "rig-check").iterdir():
            path.unlink()  # a card that has lost it
        groups = ("239.255.0.1", "239.255.0.2")
        with listening(*groups, namespace=evening.namespace) as every_packet:  # the library hands over changes alone
            evening.start()
            every_packet.wait_until(lambda heard: burns([one for one in heard if one.is_data]))
        site.write_text(written.replace("06:30", "17:00").replace("07:00", "19:00"), encoding="utf-8")  # it is 18:00
        reader.wait_for(black, "black in dark hours")
        now = evening.now()
        assert (now["state"], now["overrides"][0]["kind"]) == ("dark", "burn-in")
        assert [one["text"] for one in now["overrides"][0]["dark"]] == ["dark hours 17:00 to 19:00"] * 2
        assert black(reader.seen())
        site.write_text(written, encoding="utf-8")
        reader.wait_for(burns, "light of the burn-in after dark hours")


def lit(seen: Seen) -> list[int]:
    return [at for at, value in enumerate(seen.slots) if value]


def shown(seen: list[Seen], universe: int) -> set[bytes]:
    return {each.slots for each in seen if each.universe == universe and not each.black}
