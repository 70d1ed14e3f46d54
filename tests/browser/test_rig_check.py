"""The rig check on a ladder: a pixel is found by a walk and by a button that is held, marked, and seen as a repair."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, Request, Route, expect

from gloaming.shows.protocols.artnet import OP_AT, PORT
from gloaming.shows.protocols.artnet.poll import OP_POLL
from tests.artnet_packets import art_poll_reply
from tests.browser.board import MS, Board, annas_phone, assert_clean, board, phone, signed_in
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("chromium", "fonts")

RIDGE = 150
PORCH_HOST = "127.0.78.8"
PORCH = f'[[controller]]\nname = "porch"\nhost = "{PORCH_HOST}"\nprotocol = "artnet"\nuniverses = "10"\n'
MAST = '[[controller]]\nname = "mast"\nhost = "192.0.2.9"\nuniverses = "9"\nprotocol = "ddp"\n'


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """Universe 1 is the ridge, 150 pixels, of which 3 was cut out. Universe 2 is the railing, and a lamp. Nothing is at
    the mast's address. The porch has an Art-Net node. What is asked once or twice a minute is known when the test of
    the controllers comes last."""

    def rig(text: str) -> str:
        return text.replace("pixels = 150", "pixels = 150\nmissing = [3]") + MAST + PORCH

    with porch(), board(tmp_path_factory.mktemp("board") / "site", "127.0.78.7", rig=rig) as one:
        yield one


@contextmanager
def porch() -> Iterator[None]:
    """An Art-Net node that answers each ArtPoll, until the end of the block."""
    over = threading.Event()
    reply = art_poll_reply(net=0, sub_net=0, ports=1, types=b"\x80" + bytes(3), universes=b"\x0a" + bytes(3))

    def answer_polls() -> None:
        while not over.is_set():
            with suppress(TimeoutError):
                data, sender = sock.recvfrom(1024)
                if data[OP_AT : OP_AT + 2] == OP_POLL.to_bytes(2, "little"):
                    sock.sendto(reply, sender)

    with socket.socket(type=socket.SOCK_DGRAM) as sock, ThreadPoolExecutor(1) as thread:
        sock.bind((PORCH_HOST, PORT))
        sock.settimeout(0.2)
        answering = thread.submit(answer_polls)
        yield
        over.set()
        answering.result()


@pytest.fixture(autouse=True)
def as_it_was(site: Board) -> Iterator[None]:
    yield
    for each in site.ask("GET", "/api/now")["overrides"]:
        site.ask("DELETE", f"/api/overrides/{each['id']}")
    for each in site.ask("GET", "/api/repairs")["open"]:
        site.ask("DELETE", f"/api/repairs/{each['id']}")
    wait_until(lambda: site.ask("GET", "/api/now")["state"] == "playing", "the show")


def lit(site: Board) -> list[int]:
    """The places on the wire of the ridge that are lit, from 1, while the railing is dark."""
    levels = site.receiver.counts.levels
    if any(levels.get(2, b"\1")):
        return []
    ridge = np.frombuffer(levels[1][: 3 * RIDGE], np.uint8).reshape(-1, 3)
    return [int(at) + 1 for at in np.flatnonzero(ridge.any(axis=1))]


def opened(page: Page, name: str = "Rig check") -> None:
    page.get_by_text(name, exact=True).tap()


def shown(page: Page) -> int:
    return int(page.get_by_role("textbox", name="Pixel").input_value())


def is_pixel(one: Request) -> bool:
    return one.url.endswith("/api/rig-check") and "number" in one.post_data_json


def ridge(page: Page) -> None:
    page.get_by_label("Where").select_option(label="ridge")


def test_a_pixel_is_found_on_a_walk_marked_and_seen_in_the_repairs_and_in_the_journal(
    browser: Browser, site: Board
) -> None:
    with annas_phone(browser, site) as page:
        opened(page)
        ridge(page)
        page.get_by_role("button", name="Walk", exact=True).tap()
        wait_until(lambda: lit(site) and shown(page) > 5, "the walk on the page")
        page.get_by_role("button", name="Mark it").tap()
        found = shown(page)
        wait_until(lambda: lit(site) == [found - 1], "the pixel that the walk had reached, alone")
        page.get_by_role("button", name="One pixel less").tap()
        wait_until(lambda: lit(site) == [found - 2], "the pixel before")
        page.get_by_role("button", name="Dead", exact=True).dblclick()
        expect(page.locator("#check ul").first).to_contain_text(
            f"ridge, pixel {found - 1} is marked: dead.", timeout=MS
        )
        expect(page.get_by_role("listitem").filter(has_text="ridge150 pixels")).to_contain_text(f"{found - 1} dead")
        opened(page, "Repairs")
        line = page.locator("#repairs li")
        expect(line).to_have_count(1, timeout=MS)
        expect(line).to_contain_text(f"ridge, pixel {found - 1}: dead")
        expect(line).to_contain_text("by Anna's phone")
        opened(page, "Journal")
        expect(page.locator("#journal")).to_contain_text(f"ridge, pixel {found - 1} marked: dead", timeout=MS)
        page.get_by_role("button", name="End the check").tap()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        page.get_by_role("button", name="Light it").tap()
        wait_until(lambda: lit(site) == [found - 2], "the marked pixel")
        page.get_by_role("button", name="Mended").tap()
        expect(page.locator("#repairs")).to_contain_text("Nothing is to be mended.", timeout=MS)
        expect(page.locator("#repairs")).to_contain_text("mended by Anna's phone")


def test_the_number_of_a_walk_is_that_of_the_wire(browser: Browser, site: Board) -> None:
    """Two pixels a second. Pixel 3 was cut out: place 3 on the wire is pixel 4."""
    with annas_phone(browser, site) as page:
        opened(page)
        ridge(page)
        page.get_by_role("button", name="Walk", exact=True).tap()
        wait_until(lambda: lit(site), "the walk")

        def together() -> bool:
            before = lit(site)
            number = shown(page)
            return before == lit(site) == [number - (number > 3)]

        wait_until(together, "the same pixel")
        wait_until(lambda: shown(page) > 4 and together(), "the same pixel after the one that was cut out")


def test_a_button_that_is_held_runs_and_ends_at_the_right_pixel(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = signed_in(context, site)
        asked: list[str] = []
        page.on("request", lambda one: asked.append(one.url) if one.url.endswith("/api/rig-check") else None)
        opened(page)
        ridge(page)
        more = page.get_by_role("button", name="One pixel more")
        more.scroll_into_view_if_needed()
        box = more.bounding_box()
        assert box
        page.mouse.move(box["x"] + 40, box["y"] + 40)
        began = datetime.now(UTC)
        page.mouse.down()
        wait_until(lambda: shown(page) > 12, "a run")
        page.mouse.up()
        took_s = (datetime.now(UTC) - began).total_seconds()
        page.wait_for_timeout(500)
        number = shown(page)
        wait_until(lambda: lit(site) == [number - 1], "the last pixel of the run; one was cut out")
        assert site.ask("GET", "/api/now")["overrides"][0]["pattern"]["number"] == number
        assert len(asked) <= 12 * took_s + 3, "no more than ten requests a second"
        page.get_by_role("button", name="One pixel less").tap()
        wait_until(lambda: lit(site) == [number - 2], "one pixel less")


def test_a_tap_that_waits_for_another_command_does_not_block_the_next(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        opened(page)
        ridge(page)
        wait_until(lambda: len(lit(site)) == RIDGE - 1, "the ridge")
        held: list[Route] = []
        page.route("**/api/overrides", lambda route: held.append(route))  # Playwright takes no builtin
        page.get_by_role("button", name="Next piece").tap()
        wait_until(lambda: bool(page.wait_for_timeout(20) or held), "a command that lasts")
        more = page.get_by_role("button", name="One pixel more")
        more.tap()
        held[0].continue_()
        expect(page.locator("#message")).to_contain_text("Pixel 2, white of string ridge.", timeout=MS)
        more.tap()
        wait_until(lambda: lit(site) == [3], "pixel 4, place 3")


def test_a_number_is_typed_and_one_beyond_the_string_is_refused(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        opened(page)
        ridge(page)
        number = page.get_by_role("textbox", name="Pixel")
        number.fill("37")
        number.press("Enter")
        wait_until(lambda: lit(site) == [36], "pixel 37")
        number.fill("151")
        number.press("Enter")
        expect(page.locator("#message")).to_contain_text(
            "there is no pixel 151; the longest string has 150", timeout=MS
        )
        expect(number).to_have_value("37")
        number.fill("x")
        number.press("Enter")
        expect(page.locator("#message")).to_have_text("A pixel has a number from 1 on.")
        assert lit(site) == [36]
        page.get_by_role("button", name="5 %", exact=True).tap()
        wait_until(lambda: site.brightest() == 12, "5 %, in steps of 1/256")
        assert lit(site) == [36]


def test_the_next_string_comes_by_a_button_and_by_a_swipe(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        opened(page)
        for where, name in (("3 of left", "3 of left"), ("roof", "roof"), ("left", "mast")):
            page.get_by_label("Where").select_option(label=where)
            expect(page.get_by_role("button", name="Next:")).to_have_text(f"Next: {name}")
        ridge(page)
        page.get_by_role("button", name="Next: railing").tap()
        wait_until(lambda: any(site.receiver.counts.levels[2]) and not any(site.receiver.counts.levels[1]), "railing")
        expect(page.locator("#message")).to_contain_text("string railing. On the wire", timeout=MS)
        box = page.locator("#reading p").bounding_box()
        assert box
        page.mouse.move(box["x"] + 30, box["y"] + 8)
        page.mouse.down()
        page.mouse.move(box["x"] + 150, box["y"] + 10)
        page.mouse.up()  # to the right: the one before
        expect(page.get_by_label("Where").locator("option:checked")).to_have_text("ridge", timeout=MS)
        wait_until(lambda: len(lit(site)) == RIDGE - 1, "the ridge")


def test_two_phones_show_the_pixel_that_is_lit(browser: Browser, site: Board) -> None:
    with phone(browser) as one, phone(browser) as other:
        anna, ben = signed_in(one, site), signed_in(other, site, "Ben's phone")
        for page in (anna, ben):
            opened(page)
            ridge(page)
        number = ben.get_by_role("textbox", name="Pixel")
        number.fill("90")
        number.press("Enter")
        expect(anna.get_by_role("textbox", name="Pixel")).to_have_value("90", timeout=MS)
        anna.get_by_role("button", name="One pixel more").tap()
        expect(number).to_have_value("91", timeout=MS)
        wait_until(lambda: lit(site) == [90], "pixel 91, place 90")
        assert [each["who"] for each in site.ask("GET", "/api/now")["overrides"]] == ["Anna's phone"]


def test_a_run_stops_where_the_connection_is_lost_and_says_so(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = signed_in(context, site)
        asked: list[int] = []
        page.on("request", lambda one: asked.append(one.post_data_json["number"]) if is_pixel(one) else None)
        opened(page)
        ridge(page)
        more = page.get_by_role("button", name="One pixel more")
        more.scroll_into_view_if_needed()
        box = more.bounding_box()
        assert box
        page.mouse.move(box["x"] + 40, box["y"] + 40)
        page.mouse.down()
        wait_until(lambda: shown(page) > 5, "a run")
        context.set_offline(True)
        expect(page.locator("#message")).to_contain_text(re.compile(r"^Stopped at pixel \d+: "), timeout=MS)
        stopped = shown(page)
        # the board may have got the last request though its answer was lost; one pixel was cut out
        wait_until(lambda: lit(site) in [[one - 1] for one in (stopped, *asked[-2:])], "the last pixel")
        page.wait_for_timeout(600)
        assert shown(page) == stopped
        page.mouse.up()
        context.set_offline(False)
        expect(page.locator("#contact")).to_have_text(re.compile("^live"), timeout=MS)
        wait_until(lambda: lit(site) == [shown(page) - 1], "the number of the pixel that is lit")


def test_in_dark_hours_the_phone_says_why_and_when(browser: Browser, site: Board) -> None:
    rules = site.folder / "site.toml"
    before = rules.read_text()
    rules.write_text(before.replace('from = "23:00"', 'from = "16:00"'))
    try:
        assert site.ask("POST", "/api/reload")["taken_over"]
        with phone(browser) as context:
            page = context.new_page()
            page.goto(site.link())
            page.get_by_role("button", name="Sign in").click()
            expect(page.locator("#state")).to_have_text("Dark", timeout=MS)
            opened(page)
            ridge(page)
            page.get_by_role("button", name="One pixel more").tap()
            message = page.locator("#message")
            expect(message).to_contain_text("Refused: ", timeout=MS)
            expect(message).to_contain_text(re.compile("16:00.*07:00"))
    finally:
        rules.write_text(before)
        site.ask("POST", "/api/reload")


def test_the_screen_stays_on_while_a_check_runs_or_the_page_says_that_it_cannot(browser: Browser, site: Board) -> None:
    """Screen Wake Lock, W3C: only in a secure context, as 127.0.0.1 is."""
    with phone(browser) as context:
        page = signed_in(context, site)
        page.evaluate(
            """() => {
            window.held = 0;
            const lock = { released: false, async release() { held -= 1; this.released = true; } };
            navigator.wakeLock.request = async (kind) => { held += kind === "screen"; return { ...lock }; }; }"""
        )
        opened(page)
        ridge(page)
        expect(page.locator("#state")).to_have_text("Rig check", timeout=MS)
        wait_until(lambda: page.evaluate("held") == 1, "a screen that stays on")
        page.get_by_role("button", name="End the check").tap()
        wait_until(lambda: page.evaluate("held") == 0, "a screen that may go off")
    with phone(browser) as context:
        context.add_init_script("Object.defineProperty(Navigator.prototype, 'wakeLock', { value: undefined })")
        page = signed_in(context, site)
        opened(page)
        expect(page.locator("#check")).to_contain_text("Over http a page cannot keep the screen on", timeout=MS)


def test_axe_finds_nothing_wrong_and_every_target_is_large(browser: Browser, site: Board) -> None:
    """Digits of 20 mm: 126 of the 160 to an inch that a phone has, and a capital is about 0.72 of its size."""
    with phone(browser, bypass_csp=True) as context:
        page = signed_in(context, site)
        opened(page)
        ridge(page)
        page.get_by_role("button", name="One pixel more").tap()
        page.get_by_role("button", name="Mark it").tap()
        page.get_by_role("button", name="Cut out").tap()
        expect(page.locator("#check")).to_contain_text("write missing = [2, 3] into string ridge", timeout=MS)
        page.get_by_role("button", name="Mark it").tap()
        opened(page, "Repairs")
        expect(page.locator("#repairs li").first).to_contain_text("cut out", timeout=MS)
        for width, height in ((390, 844), (1280, 800)):
            assert_clean(page, ("light", width, height), ("dark", width, height))
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            small = page.evaluate(
                """() => [...document.querySelectorAll("#check button, #check input, #check select, #repairs button")]
                .filter((each) => each.checkVisibility())
                .map((each) => [each.textContent, each.getBoundingClientRect()])
                .filter(([, box]) => box.width < 48 || box.height < 48).map(([text]) => text)"""
            )
            assert small == []
            size_px = page.get_by_role("textbox", name="Pixel").evaluate(
                "(one) => parseFloat(getComputedStyle(one).fontSize)"
            )
            assert 0.72 * size_px > 126


def test_a_burn_in_says_when_it_ends_when_it_is_dark_and_what_to_mind(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        opened(page)
        page.get_by_role("button", name="8 h", exact=True).tap()
        expect(page.locator("#message")).to_contain_text("Burn-in until", timeout=MS)
        expect(page.get_by_text("somebody stays within reach")).to_be_visible()
        listed = page.locator("#overrides")
        expect(listed).to_contain_text("Burn-in at 30 %")
        expect(listed).to_contain_text("Meanwhile dark hours 23:00 to 07:00: no light.")
        (burn_in,) = site.ask("GET", "/api/now")["overrides"]
        assert burn_in["kind"] == "burn-in"
        assert_clean(page)
        page.get_by_role("button", name="End the check").tap()
        wait_until(lambda: not site.ask("GET", "/api/now")["overrides"], "the end of the burn-in")


def test_the_controllers_are_a_line_each_with_words_beside_the_colour(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        opened(page, "Controllers")
        rows = page.locator("#controllers li")
        expect(rows).to_have_count(3, timeout=MS)
        expect(rows.nth(0)).to_contain_text(
            re.compile(r"left answers, since .*E1\.31 to 127\.0\.78\.7; ridge, railing; [\d,]+ packets")
        )
        expect(rows.nth(0).locator("b")).to_have_class("good")
        expect(rows.nth(1)).to_contain_text("mast does not answer", timeout=2 * MS)
        expect(rows.nth(1)).to_contain_text("DDP to 192.0.2.9; no string")
        expect(rows.nth(1).locator("b")).to_have_class("bad")
        node = "Art-Net: Left eaves, firmware 1.14, expects universe 10, receives universe 10"
        expect(rows.nth(2)).to_contain_text(node, timeout=2 * MS)
        first = rows.nth(0).inner_text()
        wait_until(lambda: rows.nth(0).inner_text() != first, "more packets, without a tap")
        assert_clean(page)
