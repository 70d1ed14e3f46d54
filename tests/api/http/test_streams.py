"""Which changes are sent, and how many streams may be open."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gloaming.api.http.streams import STREAMS_MAX, STREAMS_OF_ONE_MAX, OpenStreams, news_of
from gloaming.daemon.planner.kernel_clock import KernelClock
from tests.api.house import house, run


def test_a_pause_is_news_and_a_running_position_is_not(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            now = home.planner.now()
            later = {**now, "at": "2026-12-12T18:00:09", "frame": 1, "position_s": 9.0, "brightness": 0.4}
            assert news_of(later) == news_of(now)
            await client.post("/api/overrides", json={"kind": "pause"})
            assert news_of(home.planner.now()) != news_of(now)

    run(work())


def test_a_zone_that_fades_is_news_at_each_percent(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            now = home.planner.now()

            def at(level: float) -> str:
                return news_of({**now, "zones": [{**each, "level": level} for each in now["zones"]]})

            assert now["zones"]
            assert at(0.5) != at(0.49)
            assert at(0.5) == at(0.501)

            def sent(level: float) -> str:
                area = {"piece": "tide", "level": level, "black": None}
                wire = {"piece": "tide", "level": 1.0, "universes": 2, "areas": [area]}
                return news_of({**now, "health": {**now["health"], "transmitter": wire}})

            assert sent(0.5) != sent(0.49)
            assert sent(0.5) == sent(0.501)

    run(work())


def test_the_program_that_keeps_the_clock_is_news_and_its_error_is_not(tmp_path: Path) -> None:
    """The error grows each second, by 500 ppm (adjtimex(2)). It is in the answer and in the metrics."""

    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            trust = home.planner._parts.situation.trust

            async def told(kernel: KernelClock) -> dict[str, Any]:
                trust._ask_kernel = lambda: kernel
                trust.look()
                return dict((await client.get("/api/now")).json())

            one = await told(KernelClock(True, 1_500_000, 20_000, "chronyd"))
            later = await told(KernelClock(True, 2_000_000, 20_000, "chronyd"))
            assert (one["clock"]["program"], one["clock"]["error_ms"], later["clock"]["error_ms"]) == (
                "chronyd",
                1.5,
                2.0,
            )
            metrics = (await client.get("/metrics")).text.splitlines()
            assert 'gloaming_clock_synchronised{program="chronyd"} 1.0' in metrics
            assert "gloaming_clock_error_seconds 0.002" in metrics
            assert "gloaming_clock_estimated_error_seconds 2e-05" in metrics
            now = home.planner.now()
            assert news_of({**now, "clock": one["clock"]}) == news_of({**now, "clock": later["clock"]})
            other = await told(KernelClock(True, None, None, "systemd-timesyncd"))
            assert other["clock"]["error_ms"] is None
            assert news_of({**now, "clock": other["clock"]}) != news_of({**now, "clock": later["clock"]})

    run(work())


def test_the_oldest_stream_ends_for_a_new_one() -> None:
    woken: list[int] = []
    streams = OpenStreams(lambda: woken.append(1))
    mine = [streams.open(1) for _ in range(STREAMS_OF_ONE_MAX + 1)]
    assert [one.is_set() for one in mine] == [True] + [False] * STREAMS_OF_ONE_MAX
    others = [streams.open(device) for device in range(2, STREAMS_MAX + 2)]
    assert not others[-1].is_set()
    assert sum(not one.is_set() for one in [*mine, *others]) == STREAMS_MAX
    streams.close(others[-1])
    streams.end_all()
    assert all(one.is_set() for one in [*mine, *others[:-1]])
    assert woken
