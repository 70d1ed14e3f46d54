"""The page of the set-up in Debian's Chromium: who gets it, and whether everybody can read it."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.board import MS, Board, assert_clean, board, phone, set_up, signed_in
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("chromium", "fonts")

HOST = "127.0.78.4"
SENT_BYTES_MAX = 180_000


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """With a short season: its documents list each night."""
    with board(tmp_path_factory.mktemp("board") / "site", HOST, sound=True, season="11-27..01-06") as one:
        yield one


def test_an_operator_reads_why_there_is_no_set_up_and_becomes_an_owner(browser: Browser, site: Board) -> None:
    with phone(browser) as bens, phone(browser) as annas:
        ben = signed_in(bens, site, "Ben's phone")
        expect(ben.get_by_role("link", name="Set-up")).to_be_hidden()
        ben.goto(f"{site.address}/setup")
        expect(ben.locator("#how")).to_contain_text(
            "This device is an operator: it runs the show, and changes no set-up."
        )
        expect(ben.locator("#set-up")).to_be_hidden()
        ben.goto(f"{site.address}/")
        anna = signed_in(annas, site, "Anna's phone", "owner")
        anna.get_by_text("Devices", exact=True).tap()
        anna.get_by_role("button", name="Make Ben's phone an owner").tap()
        expect(anna.locator("#message")).to_have_text("Ben's phone is now an owner.", timeout=MS)
        ben.get_by_role("link", name="Set-up").tap(timeout=MS)
        expect(ben.locator("#set-up")).to_be_visible(timeout=MS)
        anna.get_by_role("button", name="Make Ben's phone an operator").tap()
        expect(anna.locator("#message")).to_have_text("Ben's phone is now an operator.", timeout=MS)
        ben.reload()
        expect(ben.locator("#how")).to_contain_text("This device is an operator")


def test_every_section_is_accessible_and_all_of_them_are_small(browser: Browser, site: Board) -> None:
    with phone(browser, bypass_csp=True) as context:
        page = set_up(context, site)
        sent: list[int] = []
        page.on("requestfinished", lambda request: sent.append(request.sizes()["responseBodySize"]))
        page.reload()
        for link in page.locator("#sections a").all():
            link.click()
            expect(link).to_have_attribute("aria-current", "page")
            expect(page.locator("#open-section")).to_have_attribute("aria-busy", "false", timeout=MS)
            for width in (390, 1280):
                assert_clean(page, ("light", width, 844), ("dark", width, 844))
                assert page.evaluate("document.documentElement.scrollWidth") <= width, link.text_content()
        assert sum(sent) < SENT_BYTES_MAX


def test_every_document_is_printed_on_the_paper_of_the_printer_and_nothing_is_cut(
    browser: Browser, site: Board
) -> None:
    """A4 has 210 x 297 mm (ISO 216), Letter 8.5 x 11 inches (ANSI Y14.1), in whole points of 1/72 inch."""
    site.ask("POST", "/api/setup/documents/survey/making")

    def made() -> bool:
        time.sleep(0.2)  # a device may ask twenty times a second
        return bool(site.ask("GET", "/api/setup/documents/survey/making")["making"] == "made")

    wait_until(made, "a survey", 120)
    with phone(browser) as context:
        set_up(context, site)
        page = context.new_page()
        page.set_viewport_size({"width": 690, "height": 900})  # 1/96 inch: A4 without the widest margins, 2 x 15 mm
        page.emulate_media(media="print")
        for name in ("survey", "sheet", "season", "journal", "report"):
            page.goto(f"{site.address}/api/setup/documents/{name}")
            assert page.evaluate("document.documentElement.scrollWidth") <= 690, name
            for paper, points in (("A4", (595, 842)), ("Letter", (612, 792))):
                printed = page.pdf(format=paper, prefer_css_page_size=True)
                boxes = set(re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed))
                assert {(int(float(wide)), int(float(high))) for wide, high in boxes} == {points}, (name, paper)
