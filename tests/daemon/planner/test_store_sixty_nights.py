"""Sixty nights in which clocks step, processes die and disks fill at random: the timetable's promises hold."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.direction.decide import decide, score
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.requests import Refusal, ask
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.daemon.numbered import write_site

S = 1_000_000_000
ZONE = ZoneInfo("Europe/London")
REQUESTS: tuple[dict[str, object], ...] = (
    {"kind": "pause", "minutes": 15},
    {"kind": "pause", "minutes": 5, "show_continues": True},
    {"kind": "dark", "minutes": 40},
    {"kind": "call", "show": "evening", "minutes": 120},
    {"kind": "dim", "level": 0.3, "minutes": 30},
    {"kind": "skip"},
    {"kind": "mute", "minutes": 10},
)


class Disk:
    """A state whose disk can be full: SQLite's own limit of pages, set on the connection."""

    def __init__(self, folder: Path, now_ns: int) -> None:
        self.folder, self.deaths, self.full = folder, 0, False
        self.store = Store(folder, now_ns)

    def _limit(self, pages: int) -> None:
        assert self.store.wait() or self.full
        disk = self.store._writer._disk
        assert disk
        disk.execute(f"PRAGMA max_page_count = {pages}")

    def fill(self) -> None:
        self._limit(1)  # SQLite takes the number of pages that there are, where that is more
        self.full = True

    def free(self, now_ns: int) -> None:
        self._limit(1_000_000)
        self.full = False
        assert self.store.wait() and self.store.fault is None
        self.store.retry(now_ns)

    def die(self, now_ns: int) -> None:
        """The power fails: another begins with what stands on the disk at that moment, and no more than that."""
        writer = self.store._writer
        self.deaths += 1
        left = self.folder.with_name(f"state-{self.deaths}")
        with writer._changed:
            assert writer._changed.wait_for(lambda: writer._began_s is None, 30)
            shutil.copytree(self.folder, left)
            writer._queue.clear()
        self.store.close()
        self.folder, self.full = left, False
        self.store = Store(left, now_ns)
        assert self.store.set_aside is None and self.store.fault is None


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    performance = 'from = "sunset + 20 min"\nto = "22:45"\nat_close = "finish"\ngrace = "3 min"'
    write_site(folder, "192.0.2.21", performance)
    text = (folder / "site.toml").read_text()
    dim = 'dim = [{ days = "daily", from = "21:00", to = "22:30", brightness = 0.4 }]'
    hours = f'from = "22:30", to = "07:00" }}]\n{dim}'
    (folder / "site.toml").write_text(text.replace('from = "06:30", to = "07:00" }]', hours))
    return load_site(folder)


def in_dark_hours(at_ns: int) -> bool:
    """22:30 to 07:00 on the wall of the village, by zoneinfo alone."""
    local = datetime.fromtimestamp(at_ns / S, ZONE)
    return (local.hour, local.minute) >= (22, 30) or local.hour < 7


def in_dim_hours(at_ns: int) -> bool:
    return datetime.fromtimestamp(at_ns / S, ZONE).hour == 21


def check(site: Site, now_ns: int, overrides: tuple[Override, ...], chance: random.Random) -> None:
    """A score of half an hour: without a gap, black in dark hours, and the same as what `decide` has."""
    found = score(now_ns, now_ns + 1800 * S, site, overrides)
    at_ns = found[0].from_ns
    for segment in found:
        assert segment.from_ns == at_ns
        at_ns = segment.until_ns
        if segment.level_from or segment.level_until:
            lit_ns = chance.randrange(segment.from_ns, segment.until_ns)
            assert not in_dark_hours(lit_ns) or segment.level_at(lit_ns) == 0
            assert not in_dim_hours(lit_ns) or segment.level_at(lit_ns) <= 0.4
            if chance.random() < 0.1:
                decision = decide(lit_ns, site, overrides)
                assert decision.piece == (segment.picture.piece if segment.picture else None)
                assert decision.brightness == pytest.approx(segment.level_at(lit_ns), abs=1e-6)
                assert decision.brightness <= site.output.brightness
    assert at_ns == found[-1].until_ns


def shown(at_ns: int, site: Site, overrides: tuple[Override, ...]) -> tuple[object, ...]:
    decision = decide(at_ns, site, overrides)
    return decision.state, decision.piece, decision.frame, decision.brightness


@pytest.mark.parametrize("seed", [1])
def test_sixty_nights_of_bad_luck_break_no_promise(site: Site, tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    opening = datetime(2026, 11, 27, 15, 0, tzinfo=ZONE)
    disk = Disk(tmp_path / "state", int(opening.timestamp()) * S)
    confirmed: dict[int, Override] = {}
    happened: Counter[str] = Counter()
    for night in range(60):
        now_ns = int((opening + timedelta(days=night)).timestamp()) * S
        seen: dict[int, tuple[object, ...]] = {}
        for _ in range(5):
            now_ns += chance.randrange(60, 8_000) * S
            known = disk.store.overrides(now_ns - 3 * 86_400 * S)
            match chance.choice(("ask", "ask", "ask", "die", "fill", "free", "step", "end", "nothing")):
                case "ask":
                    try:
                        override = ask(chance.choice(REQUESTS), now_ns, site, known, "Ada")
                    except Refusal:
                        assert in_dark_hours(now_ns) or known
                        happened["refused"] += 1
                    else:
                        override = replace(override, id=disk.store.next_id())
                        assert override.id not in confirmed
                        disk.store.add(override)
                        happened["asked"] += 1
                        if disk.store.wait():
                            confirmed[override.id] = override
                case "die":
                    happened["died, the disk full" if disk.full else "died"] += 1
                    disk.die(now_ns)
                    on_record = {one.id: one for one in disk.store.overrides(0)}
                    assert {id: on_record.get(id) for id in confirmed} == confirmed
                    if disk.store.overrides(now_ns - 3 * 86_400 * S) != known:
                        seen.clear()  # what nobody was told to be stored has not happened
                case "fill" if not disk.full:
                    disk.fill()
                    happened["filled"] += 1
                case "free" if disk.full:
                    disk.free(now_ns)
                case "step":
                    now_ns += chance.randrange(-1200, 1200) * S
                    seen = {at_ns: was for at_ns, was in seen.items() if at_ns <= now_ns}
                    happened["stepped"] += 1
                case "end" if known:
                    disk.store.end(known[-1].id, now_ns)
                    if disk.store.wait() and known[-1].id in confirmed and known[-1].ended_ns is None:
                        confirmed[known[-1].id] = confirmed[known[-1].id].changed("", ended_ns=now_ns)
                    elif known[-1].ended_ns is None:
                        confirmed.pop(known[-1].id, None)  # it may come back as it was
                    happened["ended"] += 1
                case _:
                    pass
            overrides = disk.store.overrides(now_ns - 3 * 86_400 * S)
            check(site, now_ns, overrides, chance)
            seen[now_ns] = shown(now_ns, site, overrides)
            assert {at_ns: shown(at_ns, site, overrides) for at_ns in seen} == seen, "what was seen stays so"
            happened["lit"] += bool(seen[now_ns][3])
            disk.store.note(now_ns, str(seen[now_ns][0]), f"night {night}")
        if disk.full:
            disk.free(now_ns)
            confirmed.update((one.id, one) for one in disk.store.overrides(0))
    few = {name: happened[name] for name in COME if happened[name] < 2}
    assert not few, f"a night of bad luck has more of it: {dict(happened)}"
    disk.store.close()
    with sqlite3.connect(disk.folder / "state.db") as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)


COME = ("asked", "refused", "died", "died, the disk full", "filled", "stepped", "ended", "lit")
