"""How fast and how small the phone's side is: python -m tests.bench.phone. Nothing is asserted; everything is printed.

From a tap in Chromium to the first fading frame and to black at a receiver; from a step of a rig check to its pixel
there, and what a step writes, beside a pattern of its own each time; the page's bytes and its time to be usable
at 400 kbit/s and 400 ms; fifty phones with fifty requests a second beside the transmitter's lateness.
"""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import Browser, Page, expect

from tests.browser.board import Board, board, chromium, phone
from tests.waiting import wait_until

HOST = "127.0.78.20"
FULL = 235
"""The brightest slot of every frame of the test site is 235 to 239 at full, and below that once it fades."""
TAPS = 10
STEPS = 40
PHONES, RATE_HZ, LOAD_S = 50, 50, 15


class Ear:
    """Keeps `(time, brightest slot)` of universe 1, by looking at every packet that a receiver takes."""

    def __init__(self, site: Board) -> None:
        self.heard = [(0.0, 0)]
        take = site.receiver.counts.take

        def heed(data: bytes | memoryview) -> None:
            at_s = time.time()
            take(data)
            if len(data) > 126 and bytes(data[113:115]) == b"\0\1":
                self.heard.append((at_s, max(data[126:])))

        site.receiver.counts.take = heed  # type: ignore[method-assign]  # this run alone

    def first(self, since_s: float, below: int) -> float:
        """The first packet since an instant whose brightest slot is below a level."""

        def found() -> float | None:
            return next((at_s for at_s, brightest in self.heard if at_s >= since_s and brightest < below), None)

        return float(wait_until(found, f"a frame below {below}"))


def signed_in(browser: Browser, site: Board, **more: Any) -> Page:
    page = phone(browser, **more).new_page()
    page.goto(site.link())
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("#state")).to_have_text("Playing", timeout=30_000)
    return page


def taps(browser: Browser, site: Board, ear: Ear) -> None:
    """From the tap to the first fading frame, and to black."""
    page = signed_in(browser, site)
    page.evaluate(
        """() => document.querySelector("#pause").addEventListener("click",
        () => { window.tapped = (performance.timeOrigin + performance.now()) / 1000; }, { capture: true })"""
    )
    fading, black = [], []
    for _ in range(TAPS):
        page.locator("#pause").tap()
        tapped_s = float(page.evaluate("window.tapped"))
        fading.append(ear.first(tapped_s, FULL) - tapped_s)
        black.append(ear.first(tapped_s, 1) - tapped_s)
        page.wait_for_timeout(1500)
        page.locator("#pause").tap()
        wait_until(lambda: ear.heard[-1][1] >= FULL, "full brightness")
        page.wait_for_timeout(1500)
    print(f"from a tap to the first fading frame, {TAPS} taps: {spread(fading)}; must be 300 ms or less")
    print(f"from a tap to black, the fade being 1000 ms:       {spread(black)}")
    page.context.close()


def spread(values: Sequence[float]) -> str:
    return f"median {statistics.median(values) * 1000:.0f} ms, longest {max(values) * 1000:.0f} ms"


def steps(site: Board) -> None:
    """A single pixel that moves, and a colour that changes: each is another pattern, and so another override."""
    lit: list[tuple[float, tuple[int, ...]]] = []
    take = site.receiver.counts.take

    def heed(data: bytes | memoryview) -> None:
        at_s = time.monotonic()
        take(data)
        if len(data) > 126 and bytes(data[113:115]) == b"\0\1":
            lit.append((at_s, tuple(at for at, level in enumerate(data[126:576]) if level)))

    def stepped(requests: Sequence[dict[str, object]], seen: Sequence[tuple[int, ...]]) -> tuple[list[float], float]:
        before, took = written(), []
        for request, slots in zip(requests, seen, strict=True):
            since_s = time.monotonic()
            site.ask("POST", "/api/rig-check", {"string": "ridge", **request})
            wait_until(lambda slots=slots: lit[-1][1] == slots, "the pattern")  # type: ignore[misc]
            took.append(next(at_s for at_s, found in lit if at_s >= since_s and found == slots) - since_s)
            time.sleep(0.1)
        return took, (written() - before) / len(requests)

    def written() -> int:
        lines = Path(f"/proc/{site.planner}/io").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])

    site.receiver.counts.take = heed  # type: ignore[method-assign]  # this run alone
    pixels = [tuple(range(3 * at, 3 * at + 3)) for at in range(2 * STEPS)]
    colours = [tuple(range(at % 3, 450, 3)) for at in range(STEPS)]
    stepped([{"pattern": "pixel", "number": 150}], [tuple(range(447, 450))])
    moved_s, moved = stepped([{"pattern": "pixel", "number": at + 1} for at in range(STEPS)], pixels[:STEPS])
    asked = [{"pattern": "colour", "colour": ("red", "green", "blue")[at % 3]} for at in range(STEPS)]
    other_s, other = stepped(asked, colours)
    print(f"a single pixel that moves: on the wire after {spread(moved_s)}; {moved:.0f} bytes to the disk a step")
    print(
        f"another pattern each time: on the wire after {spread(other_s)}; {other:.0f} bytes, {other / moved:.1f} times"
    )
    site.receiver.counts.take = take  # type: ignore[method-assign]
    for each in site.ask("GET", "/api/now")["overrides"]:
        site.ask("DELETE", f"/api/overrides/{each['id']}")
    wait_until(lambda: site.ask("GET", "/api/now")["state"] == "playing", "the show")


def weight(browser: Browser, site: Board) -> None:
    """Bytes over the network, everything tapped open once."""
    page = signed_in(browser, site)
    session = page.context.new_cdp_session(page)
    sizes: dict[str, float] = {}
    names: dict[str, str] = {}
    session.send("Network.enable")
    session.send("Network.setCacheDisabled", {"cacheDisabled": True})
    session.on("Network.responseReceived", lambda told: names.update({told["requestId"]: told["response"]["url"]}))
    session.on("Network.loadingFinished", lambda told: sizes.update({told["requestId"]: told["encodedDataLength"]}))
    page.goto(site.address)
    expect(page.locator("#state")).to_have_text("Playing", timeout=30_000)
    page.wait_for_timeout(1000)
    first = sum(sizes.values())
    for section in page.locator("details:not(#view)").all():  # the live view is a stream
        section.locator("summary").click()
        page.wait_for_timeout(1000)
    for request, size in sorted(sizes.items(), key=lambda each: -each[1]):
        print(f"    {size:7.0f} bytes  {names.get(request, '?').removeprefix(site.address)}")
    more = sum(size for request, size in sizes.items() if "/api/" not in names.get(request, ""))
    print(f"the page when it opens: {first:.0f} bytes; the page's own files in all: {more:.0f}")
    print(f"with everything tapped open: {sum(sizes.values()):.0f} bytes; must be 60000 at most")
    page.context.close()


def load(browser: Browser, site: Board) -> None:
    """Until a thumb can press PAUSE, and until the page knows what is, at 400 kbit/s and 400 ms."""
    page = signed_in(browser, site)
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    slow = {"offline": False, "latency": 400, "downloadThroughput": 50_000, "uploadThroughput": 50_000}
    session.send("Network.emulateNetworkConditions", slow)
    for cold in (True, False):
        usable, told = [], []
        for _ in range(5):
            session.send("Network.setCacheDisabled", {"cacheDisabled": cold})
            page.goto(site.address)
            expect(page.locator("#state")).to_have_text("Playing", timeout=30_000)
            usable.append(float(page.evaluate("performance.getEntriesByName('usable')[0].startTime")) / 1000)
            told.append(float(page.evaluate("performance.now()")) / 1000)
        what = "nothing kept" if cold else "opened before"
        print(f"400 kbit/s, 400 ms, {what}: PAUSE can be pressed after {spread(usable)}")
        print(f"    what is, is told after {spread(told)}")
    page.context.close()


def cut(browser: Browser, site: Board) -> None:
    """From the last that was heard to the page's saying so, when the network is cut."""
    page = signed_in(browser, site)
    page.evaluate(
        """() => {
        const told = { heard: performance.now() }, hear = () => { told.heard = performance.now(); };
        for (const name of ["now", "beat"]) source.addEventListener(name, hear);
        const look = () => { if (document.body.className === "lost") told.said = told.said || performance.now(); };
        new MutationObserver(look).observe(document.body, { attributes: true });
        window.told = told; }"""
    )
    page.context.set_offline(True)
    page.evaluate("source.close()")  # emulation spares a stream that is open: the cable does not
    expect(page.locator("#contact")).to_contain_text("No contact since", timeout=30_000)
    silent_s = float(page.evaluate("told.said - told.heard")) / 1000
    page.context.set_offline(False)
    began_s = time.monotonic()
    expect(page.locator("#contact")).to_have_text("live", timeout=30_000)
    print(f"a cut network: said {silent_s:.1f} s after the last that was heard; must be 5 s or less")
    print(f"    live again {time.monotonic() - began_s:.1f} s after the network was")
    page.context.close()


def late(telemetry: dict[str, Any]) -> list[tuple[int, int]]:
    return [(bound, count) for bound, count in telemetry["lateness_histogram_us"]]


def shares(before: dict[str, Any], after: dict[str, Any]) -> str:
    """How many of the frames between two telemetries were no later than each bound."""
    counts = [(bound, b - a) for (bound, a), (_, b) in zip(late(before), late(after), strict=True)]
    total = after["frames_sent"] - before["frames_sent"]
    inside = [f"{share / max(1, total):.1%} within {bound} us" for bound, share in counts if bound in (500, 1000, 5000)]
    return f"{total} frames, {', '.join(inside)}, {after['frames_dropped'] - before['frames_dropped']} dropped"


async def crowd(site: Board) -> list[float]:
    """Fifty streams of events and fifty requests a second; how long each request took."""
    took: list[float] = []
    headers = {"Authorization": f"Bearer {site.token}"}
    tokens = []
    async with httpx.AsyncClient(base_url=site.address, timeout=60, limits=httpx.Limits(max_connections=200)) as client:
        for number in range(PHONES):
            code = (await client.post("/api/links", json={"kind": "viewer"}, headers=headers)).json()["code"]
            asked = {"code": code, "device": f"phone {number}"}
            tokens.append((await client.post("/api/sign-in/link", json=asked)).json()["token"])
            client.cookies.clear()

        async def listen(token: str) -> None:
            async with client.stream("GET", "/api/events", headers={"Authorization": f"Bearer {token}"}) as stream:
                async for _ in stream.aiter_lines():
                    pass

        async def ask(token: str) -> None:
            began_s = time.perf_counter()
            answer = await client.get("/api/now", headers={"Authorization": f"Bearer {token}"})
            assert answer.status_code == 200
            took.append(time.perf_counter() - began_s)

        listeners = [asyncio.create_task(listen(token)) for token in tokens]
        asks = []
        for number in range(RATE_HZ * LOAD_S):
            asks.append(asyncio.create_task(ask(tokens[number % PHONES])))
            await asyncio.sleep(1 / RATE_HZ)
        await asyncio.gather(*asks)
        for listener in listeners:
            listener.cancel()
        await asyncio.gather(*listeners, return_exceptions=True)
    return took


def telemetry(site: Board) -> dict[str, Any]:
    found: dict[str, Any] = site.ask("GET", "/api/now")["health"]["transmitter"]
    return found


def phones(site: Board) -> None:
    """The transmitter's lateness with nobody about, and with fifty phones."""
    before = telemetry(site)
    time.sleep(LOAD_S)
    alone = telemetry(site)
    with ThreadPoolExecutor(1) as pool:  # Playwright has a loop in this thread
        took = pool.submit(asyncio.run, crowd(site)).result()
    print(f"nobody about:                                {shares(before, alone)}")
    print(f"{PHONES} phones, {RATE_HZ} requests a second for {LOAD_S} s:  {shares(alone, telemetry(site))}")
    print(f"    an answer took: {spread(took)}, of {len(took)}")


def main() -> None:
    """Print all of it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        chromium() as browser,
        board(Path(folder) / "site", HOST, at="2026-12-12T17:30") as site,
    ):
        taps(browser, site, Ear(site))
        steps(site)
        weight(browser, site)
        load(browser, site)
        cut(browser, site)
        phones(site)


if __name__ == "__main__":
    main()
