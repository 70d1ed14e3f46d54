"""The page's layout and access in Debian's Chromium: small phones, large text, thumbs, keyboards, screen readers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.board import (
    GATE,
    MS,
    Board,
    annas_phone,
    assert_clean,
    big_button_is_ready,
    board,
    phone,
)
from tests.tools import needs

pytestmark = needs("chromium", "fonts")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    with board(tmp_path_factory.mktemp("board") / "site", "127.0.78.1", sound=True, phone=GATE) as one:
        yield one


@pytest.fixture(autouse=True)
def nothing_by_hand(site: Board) -> Iterator[None]:
    yield
    site.end_overrides()


def test_axe_finds_nothing_wrong(browser: Browser, site: Board) -> None:
    looks: list[tuple[Literal["light", "dark"], int, int]] = [
        ("light", 390, 844),
        ("dark", 390, 844),
        ("light", 1280, 800),
        ("dark", 768, 1024),
        ("dark", 360, 640),
    ]
    with phone(browser, bypass_csp=True) as context:
        page = context.new_page()
        page.goto(site.link())
        page.wait_for_selector("#sign-in")
        assert_clean(page, *looks)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        page.get_by_role("button", name="Dimmer").click()
        page.locator("#call").click()
        expect(page.get_by_role("button", name="After this piece: tide")).to_be_visible(timeout=MS)
        for summary in ("Why, rule by rule", "The season", "Rig check", "Triggers", "Repairs", "Journal", "Devices"):
            page.get_by_text(summary, exact=True).click()
        page.get_by_role("button", name="Add a phone", exact=True).click()
        expect(page.locator("canvas.code")).to_be_visible(timeout=MS)
        expect(page.locator("#journal li").first).to_be_visible(timeout=MS)
        assert_clean(page, *looks)
        page.locator("#pause").click()
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        assert_clean(page, *looks)


def test_every_button_is_wide_enough_for_a_thumb_and_nothing_overflows(browser: Browser, site: Board) -> None:
    for width, height in ((390, 844), (320, 568)):
        with annas_phone(browser, site, width, height) as page:
            page.get_by_text("Devices", exact=True).tap()
            page.wait_for_selector("#devices li")
            beside = page.locator("section", has=page.locator("#state")).locator("#give-time")
            expect(beside).to_have_count(1)  # what helps a board without a clock is where that is said
            for zoom in ("100%", "200%"):
                page.evaluate("(zoom) => { document.documentElement.style.fontSize = zoom; }", zoom)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, (width, zoom)
                small = page.evaluate(
                    """() => [...document.querySelectorAll("button, summary, input")]
                    .filter((each) => each.checkVisibility())
                    .map((each) => [each.textContent || each.value, each.getBoundingClientRect()])
                    .filter(([, box]) => box.width < 48 || box.height < 48).map(([text]) => text)"""
                )
                assert small == [], (width, zoom)


def test_all_of_it_works_by_keyboard(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        reached = []
        for _ in range(18):
            page.keyboard.press("Tab")
            reached.append(page.evaluate("document.activeElement.id || document.activeElement.parentElement.id"))
        assert reached[0] == "pause"
        assert {"dark", "dim", "mute", "skip", "call", "season", "journal", "devices"} <= set(reached)
        page.locator("#pause").focus()
        page.keyboard.press("Enter")
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        big_button_is_ready(page)
        page.keyboard.press("Space")
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        page.keyboard.press("Tab")
        page.keyboard.press("ArrowRight")
        expect(page.locator("#pause")).to_contain_text("for an hour")


def test_a_screen_reader_gets_names_and_results(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        for name in ("PAUSE for 15 minutes", "Off for tonight", "Dimmer", "Mute", "Next piece", "Give a show now"):
            expect(page.get_by_role("button", name=name)).to_be_visible()
        expect(page.get_by_role("group", name="How long")).to_be_visible()
        expect(page.get_by_role("radio", name="1 hour")).to_have_count(1)
        expect(page.locator("#message[role=status], #contact[role=status]")).to_have_count(2)
        assert page.evaluate("document.documentElement.lang") == "en"
        assert page.evaluate("[...document.getAnimations()].length") == 0


def test_pause_is_visible_on_a_small_phone_with_text_of_twice_the_size(browser: Browser, site: Board) -> None:
    """WCAG 2.2, 1.4.4: text at 200 % loses nothing."""
    with annas_phone(browser, site, 360, 640) as page:
        for word in ("PAUSE", "RESUME"):
            expect(page.locator("#pause b")).to_have_text(word, timeout=MS)
            for size in ("100%", "200%"):
                page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", size)
                box = page.locator("#pause").bounding_box()
                assert box and box["y"] >= 0 and box["y"] + box["height"] <= 640, (size, box)
                lines = page.evaluate(
                    """() => [...document.querySelectorAll("#lengths span")].map((each) => {
                        const range = document.createRange();
                        range.selectNodeContents(each);
                        const lines = new Set([...range.getClientRects()].map((box) => Math.round(box.top)));
                        return [each.textContent, lines.size];
                    }).filter(([text, count]) => count > text.split(" ").length)"""
                )
                assert lines == [], "a word is broken"
                room = page.evaluate(
                    """() => {
                    const range = document.createRange();
                    range.selectNodeContents(document.querySelector("#pause b"));
                    const text = range.getBoundingClientRect();
                    const button = document.querySelector("#pause").getBoundingClientRect();
                    return Math.min(text.left - button.left, button.right - text.right);
                    }"""
                )
                assert room >= 16, (size, word, room)
            big_button_is_ready(page)
            page.locator("#pause").tap()
        expect(page.locator("#pause b")).to_have_text("PAUSE", timeout=MS)


def test_the_message_is_not_behind_the_big_button_of_a_small_phone(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site, 360, 640) as page:
        for size in ("100%", "200%"):
            page.evaluate(
                "(size) => { document.documentElement.style.fontSize = size; health.style.minHeight = '30rem'; }", size
            )
            page.evaluate("showMessage('The board did not answer.', true)")
            covered = page.evaluate(
                """() => {
                    message.style.pointerEvents = "auto"; // else it lets a finger through
                    const box = message.getBoundingClientRect();
                    return document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2).id;
                }"""
            )
            assert covered == "message", size


def test_no_button_has_an_empty_place_beside_it(browser: Browser, site: Board) -> None:
    for width in (360, 390, 768, 1280):
        with annas_phone(browser, site, width, 800) as page:
            edges = page.evaluate(
                """() => {
                    const boxes = [...document.querySelectorAll("#actions > button")]
                        .filter((each) => each.checkVisibility()).map((each) => each.getBoundingClientRect());
                    const rows = [...new Set(boxes.map((box) => Math.round(box.top)))];
                    return rows.map((top) => Math.max(...boxes.filter((box) => Math.round(box.top) === top)
                        .map((box) => Math.round(box.right))));
                }"""
            )
            assert len(set(edges)) == 1, (width, edges)


def test_a_choice_fits_one_line_of_a_phone(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_text("Journal", exact=True).tap()
        page.get_by_text("Devices", exact=True).tap()
        expect(page.locator("#devices .choices button").first).to_be_visible(timeout=MS)
        expect(page.locator("#journal .choices button").first).to_be_visible(timeout=MS)
        page.get_by_role("button", name="Dimmer").tap()
        broken = page.evaluate(
            """() => [...document.querySelectorAll(".choices button")].filter((each) => each.offsetHeight > 56)
                .map((each) => each.textContent)"""
        )
        assert broken == []
        levels = page.evaluate("new Set([...levels.children].map((each) => each.offsetTop)).size")
        assert levels == 1


def test_a_desktop_has_two_columns(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site, 1280, 800) as page:
        first, second = page.locator("#pause").bounding_box(), page.locator("#next").bounding_box()
        assert first and second
        assert first["x"] + first["width"] < second["x"]
        assert second["y"] < first["y"]
