"""A board for tests in a browser: `gloaming run` on a site, a receiver of its packets, and Debian's Chromium."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from gloaming.shows.demonstration.receiver import DemoReceiver
from tests.api.house import offset_to, write_site
from tests.waiting import PATIENCE_S, wait_until

MS = 30_000
expect.set_options(timeout=MS)  # 5 s by default, which a busy machine may need
ANNA, DESK = "Anna's phone", "Boathouse desk"
GATE = '\n[[trigger]]\nname = "gate"\nshow = "short"\nzone = "roof"\nhttp = true\n'
"""A trigger for site.toml."""
CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class Board:
    """A running site, a receiver of its packets, the cookies of who has signed in, and the page of Anna's phone."""

    folder: Path
    process: subprocess.Popen[str]
    receiver: DemoReceiver
    log: Path
    cookies: dict[str, list[Any]] = field(default_factory=dict)
    page: Page | None = None

    @property
    def address(self) -> str:
        return (self.folder / "state" / "address").read_text().strip()

    @property
    def token(self) -> str:
        return (self.folder / "state" / "token").read_text().strip()

    @property
    def planner(self) -> int:
        """The planner's process."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return next(int(pid) for pid in children if b"gloaming.api.serve" in Path(f"/proc/{pid}/cmdline").read_bytes())

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """One request with the board's own token; the answer."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        request = urllib.request.Request(f"{self.address}{path}", data, headers, method=method)
        with urllib.request.urlopen(request, timeout=20) as answer:
            return json.load(answer)

    def link(self, kind: str = "operator") -> str:
        """A fresh link for a phone."""
        return str(self.ask("POST", "/api/links", {"kind": kind})["link"])

    def black(self) -> bool:
        """Whether the newest packet of every universe is black."""
        levels = self.receiver.counts.levels
        return len(levels) == 2 and not any(any(slots) for slots in levels.values())

    def lit(self) -> bool:
        return any(any(slots) for slots in self.receiver.counts.levels.values())

    def end_overrides(self) -> None:
        """End what was asked by hand. Wait for the light."""
        for each in self.ask("GET", "/api/now")["overrides"]:
            self.ask("DELETE", f"/api/overrides/{each['id']}")
        wait_until(self.lit, "light again")

    def brightest(self) -> int:
        return max((max(slots) for slots in self.receiver.counts.levels.values()), default=0)


def receiver_at(host: str) -> DemoReceiver | None:
    """A receiver, unless the port is taken: another test may have it on every address."""
    try:
        return DemoReceiver(host)
    except OSError:
        return None


@contextmanager
def board(
    folder: Path,
    host: str,
    at: str = "2026-12-12T18:00",
    lit: bool = True,
    rig: Callable[[str], str] = lambda text: text,
    season: str = "",
    **more: Any,
) -> Iterator[Board]:
    """`gloaming run` on a site in a folder, its clock at a local instant, until the end of the block. `rig` changes
    its rig.toml before; the performance has a season if one is given; `more` is written into the site."""
    site = write_site(folder, host, **more)
    if season:
        (site / "site.toml").write_text(f'{(site / "site.toml").read_text()}season = "{season}"\n')
    (site / "rig.toml").write_text(rig((site / "rig.toml").read_text()))
    receiver = wait_until(lambda: receiver_at(host), f"a free port on {host}", 120)
    receiver.start()
    log = folder / "log"
    env = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(offset_to(at))}
    with log.open("w") as out:
        command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(site)]
        process = subprocess.Popen(command, env=env, text=True, stdout=out, stderr=subprocess.STDOUT)
    one = Board(site, process, receiver, log)
    try:
        wait_until(lambda: process.poll() is not None or (site / "state" / "address").exists(), "an address")
        wait_until(one.lit if lit else one.black, f"what there should be on the wire; {log.read_text()}")
        yield one
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
        receiver.stop()


@contextmanager
def chromium(*flags: str) -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, *flags])
        try:
            yield browser
        finally:
            browser.close()


def phone(browser: Browser, **more: Any) -> BrowserContext:
    """A phone of 390 x 844, with a browser of its own."""
    size: Any = more.pop("viewport", {"width": 390, "height": 844})
    return browser.new_context(viewport=size, has_touch=True, device_scale_factor=2, locale="en-GB", **more)


def signed_in(context: BrowserContext, site: Board, name: str = ANNA, kind: str = "operator") -> Page:
    """A page of a phone that is signed in, watched for complaints of the browser. Anna's signs in by a link once for
    each board; all other phones each time."""
    page = context.new_page()
    page.set_default_timeout(MS)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if "Content Security" in message.text else None)
    annas = (name, kind) == (ANNA, "operator")
    if annas and ANNA in site.cookies:
        context.add_cookies(site.cookies[ANNA])
        page.goto(site.address)
    else:
        page.goto(site.link(kind))
        page.get_by_label("What this phone is called").fill(name)
        page.get_by_role("button", name="Sign in").click()
    live(page)
    assert "#" not in page.url
    if annas:
        site.cookies[ANNA] = list(context.cookies())
    assert not complaints
    return page


def live(page: Page) -> None:
    expect(page.locator("#contact")).to_have_text("live", timeout=MS)
    expect(page.locator("#state")).to_have_text("Playing", timeout=MS)


@contextmanager
def annas_phone(browser: Browser, site: Board, width: int = 390, height: int = 844) -> Iterator[Page]:
    """The page, just opened, on a phone that all tests of a board share. A test that changes the browser itself takes
    a `phone`."""
    if not site.page:
        site.page = signed_in(phone(browser), site)
    page = site.page
    page.set_viewport_size({"width": width, "height": height})
    page.goto(site.address)
    live(page)
    try:
        yield page
    finally:
        page.unroute_all()
        page.goto("about:blank")


def big_button_is_ready(page: Page) -> None:
    """As if a second later: until then it does not take back what it did, nor while its command runs."""
    wait_until(lambda: not page.evaluate("urgentRuns"), "the end of its command")
    page.evaluate("bigButtonChanged -= 1000")


def set_up(context: BrowserContext, site: Board, section: str = "", name: str = DESK) -> Page:
    """The page of the set-up, signed in by the passcode; the desk once for each board."""
    page = context.new_page()
    page.set_default_timeout(MS)
    if name == DESK and DESK in site.cookies:
        context.add_cookies(site.cookies[DESK])
        page.goto(f"{site.address}/setup#{section}")
    else:
        page.goto(f"{site.address}/setup#{section}")
        page.get_by_label("Passcode").fill((site.folder / "state" / "passcode").read_text().strip())
        page.get_by_label("What this device is called").fill(name)
        page.get_by_role("button", name="Sign in").click()
    expect(page.locator("#set-up")).to_be_visible(timeout=MS)
    if name == DESK:
        site.cookies[DESK] = list(context.cookies())
    return page


def assert_clean(page: Page, *looks: tuple[Literal["light", "dark"], int, int]) -> None:
    """axe-core finds nothing wrong, by the rules of WCAG 2.2 up to AAA for contrast (1.4.6: 7 to 1): on the page as it
    stands, or in each of some looks: scheme, width and height."""
    options = {
        "resultTypes": ["violations"],
        "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]},
        "rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}},
    }
    for look in looks or (None,):
        if look:
            page.emulate_media(color_scheme=look[0])
            page.set_viewport_size({"width": look[1], "height": look[2]})
        found = Axe().run(page, options=options)
        assert found.violations_count == 0, f"{look or ''} {found.generate_report()}"
