"""A new site in Debian's Chromium, from `gloaming run` to the wire without a terminal. The `sacn` library receives."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
from playwright.sync_api import expect

from gloaming.api.cli.main import main as gloaming
from gloaming.daemon.timetable.sun import Spot, sun_event
from gloaming.shows.framefile.reader import FrameWriter, Universe
from gloaming.shows.time_units import SECOND_NS
from tests.api.house import ZONE, offset_to
from tests.api.sacn_reader import RECORD
from tests.browser.board import MS, chromium, phone
from tests.browser.test_setup_site import SAVED, WIDE, changed, state
from tests.places import TOP
from tests.tools import needs
from tests.waiting import PATIENCE_S, wait_until

pytestmark = needs("chromium", "fonts")

HOST = "127.0.78.8"
SLOTS, LEVEL = 450, 77


def make_piece(path: Path) -> None:
    """Ten seconds in which all slots of the 150 pixels have one level."""
    with FrameWriter(path, Fraction(40), (Universe(1, SLOTS, 0),)) as writer:
        writer.write(np.full((400, SLOTS), LEVEL, np.uint8))


@contextmanager
def sacn_records(file: Path) -> Iterator[None]:
    command = [sys.executable, str(TOP / "tests/api/sacn_reader.py"), str(file), HOST, "unicast", "1"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin
        assert process.stdout
        assert process.stdout.readline() == "ready\n"
        yield
        process.stdin.close()


@contextmanager
def running(site: Path, at: str) -> Iterator[str]:
    """`gloaming run` with its clock at a local time; the address of its page."""
    env = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(offset_to(at))}
    command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(site)]
    with (site.parent / "log").open("w") as log:
        process = subprocess.Popen(command, env=env, stdout=log, stderr=subprocess.STDOUT)
    address = site / "state" / "address"
    try:
        wait_until(lambda: process.poll() is not None or address.exists(), "an address")
        yield address.read_text().strip()
    finally:
        process.terminate()
        process.wait(PATIENCE_S)


def lit(file: Path) -> list[bytes]:
    """The slots of all packets with light."""
    found = file.read_bytes()
    slots = (found[place + 11 : place + 11 + SLOTS] for place in range(0, len(found), RECORD.size))
    return [each for each in slots if any(each)]


def after_sunset(at: datetime) -> str:
    """An instant of the evening of a site at 54.486 north, 0.613 west, as site.toml has it."""
    sunset_ns = sun_event(Spot(54.486, -0.613, 0.0, ZONE), at.date(), "sunset")
    assert sunset_ns
    return f"sunset + {round(at.timestamp()) - sunset_ns // SECOND_NS} s"


def test_a_file_of_a_person_is_on_the_wire_at_the_next_opening(tmp_path: Path) -> None:
    site, file, records = tmp_path / "site", tmp_path / "harbour.frames", tmp_path / "records"
    make_piece(file)
    answers = {
        "name": "Pier Road boathouse",
        "timezone": "Europe/London",
        "place": "54.486,-0.613",
        "dark": "23:00-07:00",
        "season": "11-27..01-06",
        "opens": "19:00",
        "closes": "22:00",
        "controller": f"left host={HOST} pixels=150 universes=1",
    }
    options = [word for name, answer in answers.items() for word in (f"--{name}", answer)]
    assert gloaming(["new", str(site), "--yes", *options]) == 0
    with (
        running(site, "2026-12-12T17:00") as address,
        sacn_records(records),
        chromium() as browser,
        phone(browser, viewport=WIDE) as context,
    ):
        page = context.new_page()
        page.set_default_timeout(MS)
        page.goto(f"{address}/setup#pieces")
        page.get_by_label("Passcode").fill((site / "state" / "passcode").read_text().strip())
        page.get_by_role("button", name="Sign in").click()
        page.get_by_label("Upload files").set_input_files(file)
        page.get_by_role("button", name="Take it as a new piece").click()
        expect(page.get_by_text("harbour.frames is taken as harbour.")).to_be_visible(timeout=MS)

        page.get_by_role("link", name="Site", exact=True).click()
        evening = page.get_by_role("group", name="The order of evening")
        evening.get_by_label("A piece to add to evening").select_option("harbour")
        evening.get_by_role("button", name="Add the chosen piece").click()
        evening.get_by_role("button", name="Take first-light out").click()
        page.get_by_label("Everything, in per cent").fill("100")
        now = datetime.fromisoformat(context.request.get(f"{address}/api/now").json()["at"])
        page.get_by_label("Opens").fill(after_sunset(now + timedelta(seconds=8)))
        expect(page.get_by_label("The text of site.toml")).to_have_value(re.compile("sunset"), timeout=MS)
        changed(page)
        assert lit(records) == [], "nothing opens before the save"
        page.get_by_role("button", name="Save", exact=True).click()
        expect(state(page)).to_have_text(SAVED, timeout=MS)

        wait_until(lambda: bytes([LEVEL]) * SLOTS in lit(records), "the piece on the wire")
        assert {len(set(slots)) for slots in lit(records)} == {1}, "no other piece was sent"
        status = context.request.get(f"{address}/api/now").json()
        assert (status["state"], status["piece"]) == ("playing", "harbour")
