"""A board that is booted, what is outside, and a site whose performance begins in a moment."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.decide import instant
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.sun import Spot, sun_event
from tests.boot.container import STREET_ADDRESS, Machine, wait_for
from tests.boot.street import Packet, Street
from tests.daemon.numbered import FPS, write_site
from tests.tools import needs

ZONE = ZoneInfo("Europe/London")
PLANNER, TRANSMITTER = "gloaming-planner.service", "gloaming-transmitter.service"

needs_a_machine = needs("root", "debootstrap", "ip", "systemd-nspawn")


@dataclass
class Board:
    """The booted machine, what is outside, and where the site's files lie on this side."""

    machine: Machine
    street: Street
    folder: Path

    def site(self) -> Site:
        return load_site(self.machine.root / "etc/gloaming/site")

    def overrides(self, name: str) -> tuple[Override, ...]:
        """The overrides as they lie on the board's disk."""
        copy = self.folder / name
        copy.mkdir()
        live = self.machine.root / "var/lib/gloaming/state.db"
        there, here = sqlite3.connect(f"file:{live}?mode=ro", uri=True), sqlite3.connect(copy / "state.db")
        with closing(there), closing(here):
            there.backup(here)
        return Store(copy, time.time_ns()).overrides(0)

    def pid(self, unit: str) -> int:
        return int(self.machine.inside("systemctl", "show", "-P", "MainPID", unit))

    def now(self) -> dict[str, Any]:
        shown: dict[str, Any] = json.loads(self.machine.inside("gloaming", "now", "--json"))
        return shown

    def answers(self) -> bool:
        return bool(self.machine.inside("gloaming", "now", ok=True))

    def wait_until_lit(self, since_ns: int) -> list[Packet]:
        try:
            wait_for(lambda: len(self.street.lit(since_ns)) > 2 * FPS, "the street stays dark")
        except AssertionError as error:
            said = self.machine.inside("journalctl", "--no-pager", "-n", "60", "-u", "gloaming-*", check=False)
            now = self.machine.inside("gloaming", "now", "--json", check=False)
            raise AssertionError(f"{error}\n{said}\n{now}") from None
        return self.street.lit(since_ns)


def from_words(opens: datetime) -> str:
    """An instant of today, to the millisecond, in words that a site understands: so long before or after the sun's."""
    spot = Spot(54.486, -0.613, 0.0, ZONE)
    at_ns, event = min(
        (abs(instant(opens) - found), event)
        for event in ("sunrise", "sunset")
        if (found := sun_event(spot, opens.date(), event)) is not None
    )
    found = sun_event(spot, opens.date(), event)
    assert found is not None
    return f"{event} {'+' if instant(opens) >= found else '-'} {round(at_ns / 1e6)} ms"


def put_site(board: Board, opens_in_s: int = 15, site: str = "") -> None:
    """Lay a site beside the machine's root user, whose performance opens in a moment, at whatever time of day."""
    opens = datetime.now(ZONE).replace(microsecond=0) + timedelta(seconds=opens_in_s)
    closes = opens + timedelta(hours=1)
    performance = f'dates = ["{opens:%Y-%m-%d}"]\nfrom = "{from_words(opens)}"\nto = "{closes:%H:%M}"'
    write_site(board.machine.root / "root/site", STREET_ADDRESS, performance, site=site, dark=False)
