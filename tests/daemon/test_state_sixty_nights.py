"""Sixty nights in which clocks step, processes die and disks fill at random: the timetable's promises hold."""

from __future__ import annotations

import random
import sqlite3
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.direction.asking import Refusal, ask
from gloaming.daemon.direction.decide import decide, score
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.site import Site, load_site
from gloaming.daemon.state import State
from tests.daemon.numbered import write_site

S = 1_000_000_000
ZONE = ZoneInfo("Europe/London")
REQUESTS: tuple[dict[str, object], ...] = (
    {"kind": "pause", "minutes": 15},
    {"kind": "pause", "minutes": 5, "unseen": True},
    {"kind": "dark", "minutes": 40},
    {"kind": "call", "show": "evening", "minutes": 120},
    {"kind": "dim", "level": 0.3, "minutes": 30},
    {"kind": "skip"},
    {"kind": "mute", "minutes": 10},
)


class Disk:
    """A state whose disk can be full: SQLite's own limit of pages, set on the connection."""

    def __init__(self, folder: Path, now_ns: int) -> None:
        self.folder = folder
        self.store = State(folder, now_ns)

    def fill(self) -> None:
        connection = self.store._db
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    def free(self, now_ns: int) -> None:
        for connection in (self.store._disk, self.store._db):
            if connection is not None:
                connection.execute("PRAGMA max_page_count = 1000000")
        assert self.store.retry(now_ns)

    def die(self, now_ns: int) -> None:
        """The process ends without a word; another begins."""
        self.store = State(self.folder, now_ns)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    performance = 'from = "sunset + 20 min"\nto = "22:45"\nat_close = "finish"\ngrace = "3 min"'
    write_site(folder, "192.0.2.21", performance)
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(text.replace('from = "06:30", to = "07:00"', 'from = "22:30", to = "07:00"'))
    return load_site(folder)


def in_dark_hours(at_ns: int) -> bool:
    """22:30 to 07:00 on the wall of the village, by zoneinfo alone."""
    local = datetime.fromtimestamp(at_ns / S, ZONE)
    return (local.hour, local.minute) >= (22, 30) or local.hour < 7


def check(site: Site, now_ns: int, overrides: tuple[Override, ...], chance: random.Random) -> None:
    """A score of half an hour: without a gap, black in dark hours, and the same as what `decide` has."""
    found = score(now_ns, now_ns + 1800 * S, site, overrides)
    at_ns = found.from_ns
    for segment in found.segments:
        assert segment.from_ns == at_ns
        at_ns = segment.until_ns
        if segment.level_from or segment.level_until:
            lit_ns = chance.randrange(segment.from_ns, segment.until_ns)
            assert not in_dark_hours(lit_ns) or segment.level_at(lit_ns) == 0
            if chance.random() < 0.1:
                decision = decide(lit_ns, site, overrides)
                assert decision.piece == (segment.picture.piece if segment.picture else None)
                assert decision.brightness == pytest.approx(segment.level_at(lit_ns), abs=1e-6)
                assert decision.brightness <= site.output.brightness
    assert at_ns == found.until_ns


@pytest.mark.parametrize("seed", [1])
def test_sixty_nights_of_bad_luck_break_no_promise(site: Site, tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    opening = datetime(2026, 11, 27, 15, 0, tzinfo=ZONE)
    disk = Disk(tmp_path / "state", int(opening.timestamp()) * S)
    confirmed: list[int] = []
    lit = 0
    for night in range(60):
        now_ns = int((opening + timedelta(days=night)).timestamp()) * S
        full = False
        for _ in range(4):
            now_ns += chance.randrange(60, 10_000) * S
            known = disk.store.overrides(now_ns - 3 * 86_400 * S)
            match chance.choice(("ask", "ask", "die", "fill", "free", "step", "end", "nothing")):
                case "ask":
                    try:
                        override = ask(chance.choice(REQUESTS), now_ns, site, known, "Ada")
                    except Refusal:
                        assert in_dark_hours(now_ns) or known
                    else:
                        id = disk.store.next_id()
                        disk.store.add(Override(**{**{f: getattr(override, f) for f in FIELDS}, "id": id}))
                        if not full:
                            confirmed.append(id)
                case "die" if not full:
                    disk.die(now_ns)
                case "fill" if not full:
                    disk.fill()
                    full = True
                case "free" if full:
                    disk.free(now_ns)
                    full = False
                case "step":
                    now_ns += chance.randrange(-1200, 1200) * S
                case "end" if known:
                    disk.store.end(known[-1].id, now_ns)
                case _:
                    pass
            overrides = disk.store.overrides(now_ns - 3 * 86_400 * S)
            check(site, now_ns, overrides, chance)
            decision = decide(now_ns, site, overrides)
            lit += bool(decision.brightness)
            disk.store.note(now_ns, str(decision.state), f"night {night}")
        if full:
            disk.free(now_ns)
    assert lit > 30, "there was a show"
    assert set(confirmed) <= {override.id for override in disk.store.overrides(0)}
    with sqlite3.connect(disk.folder / "state.db") as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    disk.store.close()


FIELDS = tuple(Override.__dataclass_fields__)
