"""The pictures of the page in the README: python -m tests.browser.photograph. Small ones, by day and by night."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, expect

from tests.browser.board import Board, board, chromium, phone
from tests.waiting import wait_until

SEEN = Path(__file__).with_name("seen")
MS = 30_000
COLOURS = 128


def main() -> None:
    """Take all of them."""
    SEEN.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        chromium() as browser,
        board(Path(folder) / "site", "127.0.78.30", at="2026-12-12T21:40") as site,
    ):
        for scheme in ("dark", "light"):
            with phone(browser, color_scheme=scheme) as context:
                page = context.new_page()
                page.goto(site.link())
                page.get_by_label("What this phone is called").fill("Anna's phone")
                page.get_by_role("button", name="Sign in").click()
                expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
                page.wait_for_timeout(1500)
                keep(page, f"playing-{scheme}")
                paused(page, site)
                keep(page, f"paused-{scheme}")
                page.locator("#view summary").click()
                page.wait_for_timeout(1500)
                page.locator("#pause").click()
                wait_until(site.lit, "light")
                page.wait_for_timeout(1500)
                page.locator("#view").scroll_into_view_if_needed()
                page.evaluate("document.querySelector('#view').scrollIntoView()")
                page.wait_for_timeout(500)
                keep(page, f"view-{scheme}")


def paused(page: Page, site: Board) -> None:
    page.locator("#pause").click()
    wait_until(site.black, "a black wire")
    expect(page.locator("#said")).to_have_text("Paused for 15 minutes. On the wire: black.", timeout=MS)


def keep(page: Page, name: str) -> None:
    """A picture of what is on the screen, in few colours."""
    path = SEEN / f"{name}.png"
    page.screenshot(path=path)
    with Image.open(path) as picture:
        picture.convert("RGB").resize((390, 844), Image.Resampling.LANCZOS).quantize(COLOURS).save(path, optimize=True)


if __name__ == "__main__":
    main()
