"""What everybody may know, on a retained topic of a real broker: at each change, and the newest after an absence."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from fractions import Fraction
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from gloaming.daemon.integrations.delivery import Messenger
from gloaming.daemon.planner import public as module
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.reports.public import opening_times, public_now
from gloaming.daemon.site.load import load_site
from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.api.house import StillClock, instant, offset_to, run, write_site
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import PATIENCE_S

AT = "2026-12-12T18:00"


@asynccontextmanager
async def planner_of(folder: Path, url: str, clock: Clock) -> AsyncIterator[Planner]:
    """A planner whose pieces last 1.2 s and 1 s, with a topic for everybody."""
    write_site(folder)
    for name, frames in (("tide", 48), ("lanterns", 40)):
        with FrameWriter(folder / f"{name}.frames", Fraction(40), (Universe(1, 510, 0), Universe(2, 180, 510))) as one:
            one.write(np.full((frames, 690), 80, np.uint8))
    site = folder / "site.toml"
    site.write_text(f'{site.read_text()}\n[public]\nmqtt = "{url}"\n')
    planner = Planner(load_site(folder), folder / "state", clock)
    await planner.start()
    try:
        yield planner
    finally:
        await planner.stop()


def test_a_clock_that_is_set_back_brings_the_times_of_that_day_back(tmp_path: Path) -> None:
    async def work() -> None:
        clock = StillClock("2026-12-13T18:00")
        async with planner_of(tmp_path / "site", "mqtt://127.0.0.1:1/quay/sign", clock) as planner:
            planner.public.look()
            assert json.loads(planner.public.text)["opens"] == "2026-12-13T17:00:00+00:00"
            clock._wall = lambda: instant(AT)
            planner.public.look()
            assert json.loads(planner.public.text)["opens"] == "2026-12-12T17:00:00+00:00"

    run(work())


async def until(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"there was never {what}"
        await asyncio.sleep(0.02)


@needs("mosquitto")
def test_the_topic_has_each_piece_in_the_order_of_the_rundown(tmp_path: Path) -> None:
    async def work() -> None:
        with Mosquitto(tmp_path) as broker, broker.listen("quay/sign") as heard:
            async with planner_of(tmp_path / "site", broker.url("quay/sign"), Clock(offset_to(AT))) as planner:
                await until(lambda: len(heard) >= 4, "a fourth piece")
                now_ns, site = planner.now_ns(), planner.site
            told = [json.loads(one.payload) for one in heard]
            titles = [one["title"] for one in told]
            assert all({*pair} == {"tide", "lanterns"} for pair in pairwise(titles))
            assert all({one["title"], one["next_title"]} == {"tide", "lanterns"} for one in told)
            times = opening_times(now_ns, site)
            known = [public_now(now_ns + step * 500_000_000, site, times).as_json(site) for step in range(7)]
            assert all(one in known for one in told)

    run(work())


@needs("mosquitto")
def test_a_broker_that_was_away_is_a_trouble_and_then_gets_the_newest_text_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The trouble has no password in it. The broker keeps the text for a sign that comes later."""
    monkeypatch.setattr(module, "Messenger", partial(Messenger, pauses_s=()))

    async def work() -> None:
        broker = Mosquitto(tmp_path)
        url = broker.url("quay/sign", "quay:driftwood")
        async with planner_of(tmp_path / "site", url, StillClock(AT)) as planner:
            await until(lambda: bool(planner.public.troubles()), "a trouble")
            (trouble,) = planner.public.troubles()
            assert (trouble.kind, trouble.subject) == ("public", f"mqtt://{broker.address}")
            assert "refused" in trouble.text and "driftwood" not in trouble.text
            await planner.ask({"kind": "pause"}, "mara")
            with broker, broker.listen("quay/sign") as heard:
                planner.public.look()  # it looks again within five seconds by itself
                await until(lambda: bool(heard), "the text")
                await until(lambda: not planner.public.troubles(), "an end of the trouble")
                with broker.listen("quay/sign") as later:
                    await until(lambda: bool(later), "the retained text")
                assert {one.payload for one in (*heard, *later)} == {planner.public.text.encode()}
                assert json.loads(planner.public.text)["title"] is None

    run(work())
