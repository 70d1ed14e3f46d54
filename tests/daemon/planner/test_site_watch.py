"""When the site's files are read again, and the messages about refused files."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.integrations import host_names
from gloaming.daemon.planner import site_watch
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.site_watch import ADDED
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.reload import STILL_LOOKS
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import TABLES, ns, performance, site_of

NIGHT = performance('from = "17:00"\nto = "22:00"', "turn of the year")
CLOCK = Clock(wall=lambda: ns("2026-12-01T12:00:00"), offset_ns=1)  # moved by a nanosecond: it is trusted


def test_an_edit_while_the_site_is_being_read_is_read_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    path, reads = site.folder / "site.toml", list[str]()

    def slow(folder: Path, *more: Any) -> Site:
        found = load_site(folder, *more)
        reads.append(found.name)
        if len(reads) == 1:
            path.write_text(path.read_text().replace("first edit", "the second edit"))
        return found

    monkeypatch.setattr(site_watch, "load_site", slow)

    async def edits() -> str:
        planner = Planner(site, tmp_path / "state", CLOCK)
        watch = planner._parts.site_watch
        path.write_text(path.read_text().replace("Pier Road boathouse", "first edit"))
        assert await watch.reload("asked")
        for _ in range(2 * STILL_LOOKS + 2):
            await watch.look()
        planner._parts.close()
        return planner.site.name

    assert asyncio.run(edits()) == "the second edit"
    assert reads == ["first edit", "the second edit"]


def test_of_two_reloads_at_once_the_later_one_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first has read the file before an edit, and takes longer."""
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    path, read = site.folder / "site.toml", threading.Event()

    def slow(folder: Path, *more: Any) -> Site:
        found = load_site(folder, *more)
        if not read.is_set():
            read.set()
            time.sleep(0.5)
        return found

    monkeypatch.setattr(site_watch, "load_site", slow)

    async def edits() -> str:
        planner = Planner(site, tmp_path / "state", CLOCK)
        first = asyncio.create_task(planner.reload("the first"))
        await asyncio.to_thread(read.wait, 60)
        path.write_text(path.read_text().replace("Pier Road boathouse", "the edit"))
        assert await planner.reload("the second") is None
        await first
        planner._parts.close()
        return planner.site.name

    assert asyncio.run(edits()) == "the edit"


@pytest.mark.parametrize("hours", ["", '\n[neighbours]\ndark = [{ from = "21:00", to = "23:00" }]\n'])
def test_only_of_a_file_that_adds_hours_it_is_said_that_they_are_kept(tmp_path: Path, hours: str) -> None:
    """Also after a reload, when the site is another object than the one that was read."""
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    path = site.folder / "site.toml"

    async def edits() -> tuple[str, str]:
        planner = Planner(site, tmp_path / "state", CLOCK)
        assert await planner.reload("asked") is None
        path.write_text(f"{path.read_text()}{hours}\n[output]\nbrightness = 7\n")
        assert await planner.reload("asked") is not None
        line = str(planner.journal(1, None, ("site",))[0]["text"])
        (trouble,) = [one["text"] for one in planner.now()["health"]["troubles"] if one["kind"] == "site"]
        planner._parts.close()
        return line, str(trouble)

    for text in asyncio.run(edits()):
        assert "brightness" in text
        assert text.endswith(ADDED) == bool(hours)


def test_a_host_name_that_an_edit_brings_is_looked_up_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise its controller is dark until the next look, ten seconds later."""
    monkeypatch.setattr(host_names, "look_up", lambda name: ["192.0.2.21"])
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    path = site.folder / "rig.toml"

    async def edit() -> list[set[str]]:
        planner, sent = Planner(site, tmp_path / "state", CLOCK), list[dict[str, Any]]()
        monkeypatch.setattr(planner._parts.client, "send", sent.append)
        planner._parts.sender.send_setup()
        path.write_text(path.read_text().replace("127.0.66.1", "left.lan"))
        assert await planner.reload("asked") is None
        planner._parts.close()
        setups = [message for message in sent if message["op"] == "setup"]
        return [{host for one in setup["universes"] for host in one["hosts"]} for setup in setups]

    assert asyncio.run(edit()) == [{"127.0.66.1"}, set(), {"192.0.2.21"}]
