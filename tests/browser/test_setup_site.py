"""The section "Site" of /setup in Debian's Chromium, against the running site: forms, editor, saving, versions."""

from __future__ import annotations

import re
import time
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, Route, expect

from tests.browser.board import DESK, MS, Board, assert_clean, board, phone, set_up
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("chromium", "fonts")

FILES = ("site.toml", "rig.toml")
WIDE = {"width": 1280, "height": 900}
SAVED = "Saved. The show uses it now."


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """With a short season: each check of a text reckons its nights."""
    with board(tmp_path_factory.mktemp("board") / "site", "127.0.78.7", season="11-27..01-06") as one:
        yield one


@pytest.fixture(autouse=True)
def as_it_was(site: Board) -> Iterator[None]:
    texts = {name: (site.folder / name).read_text() for name in FILES}
    yield
    changed = {name: text for name, text in texts.items() if (site.folder / name).read_text() != text}
    for name, text in changed.items():
        (site.folder / name).write_text(text)
    if changed:
        assert site.ask("POST", "/api/reload")["taken_over"]
    assert order(site) == ["tide", "lanterns"]


def order(site: Board) -> list[str]:
    """The running order of the evening, as the running site has it."""
    shows = site.ask("GET", "/api/site")["shows"]
    return list(next(show["order"] for show in shows if show["name"] == "evening"))


def toml(site: Board) -> dict[str, Any]:
    return tomllib.loads((site.folder / "site.toml").read_text())


def set_up_text(context: BrowserContext, site: Board, name: str = DESK) -> Page:
    """The section with the text of the site."""
    page = set_up(context, site, "site", name)
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    expect(state(page)).to_have_text("What you see is saved.", timeout=MS)
    return page


def state(page: Page) -> Locator:
    return page.locator(".save .state")


def text_of(page: Page, name: str = "site.toml") -> Locator:
    return page.get_by_label(f"The text of {name}")


def changed(page: Page) -> None:
    expect(state(page)).to_contain_text("Changed, not saved. No mistakes.", timeout=MS)


def save(page: Page) -> None:
    page.get_by_role("button", name="Save", exact=True).click()
    expect(state(page)).to_have_text(SAVED, timeout=MS)


def test_a_running_order_by_keyboard_mouse_and_finger_is_what_the_show_plays(browser: Browser, site: Board) -> None:
    with phone(browser, viewport=WIDE) as context:
        page = set_up_text(context, site)
        evening = page.get_by_role("group", name="The order of evening")
        evening.get_by_role("button", name="Move lanterns up, from place 2").focus()
        page.keyboard.press("Enter")
        expect(evening.get_by_role("button", name="Move lanterns up, from place 1")).to_be_focused()
        changed(page)
        expect(text_of(page)).to_have_value(re.compile(r'^order = \["lanterns", "tide"\]$', re.MULTILINE))
        expect(page.locator(".columns")).to_contain_text("The running order of evening is lanterns, tide.")
        assert order(site) == ["tide", "lanterns"], "nothing is saved yet"
        save(page)
        wait_until(lambda: order(site) == ["lanterns", "tide"], "the order in the running site")

        drag(page, "mouse")
        changed(page)
        save(page)
        wait_until(lambda: order(site) == ["tide", "lanterns"], "the order that the mouse made")

        drag(page, "finger")
        changed(page)
        expect(text_of(page)).to_have_value(re.compile(r'^order = \["lanterns", "tide"\]$', re.MULTILINE))


def drag(page: Page, by: str) -> None:
    """Drag the first piece of the evening below the second one."""
    rows = page.locator(".order").first.locator("li")
    rows.first.scroll_into_view_if_needed()
    first, second = (rows.nth(place).locator(".handle").bounding_box() for place in (0, 1))
    assert first
    assert second
    x, start, end = first["x"] + 20, first["y"] + 20, second["y"] + second["height"]
    if by == "mouse":
        page.mouse.move(x, start)
        page.mouse.down()
        page.mouse.move(x, end, steps=5)
        page.mouse.up()
        return
    fingers = page.context.new_cdp_session(page)
    for kind, y in (("touchStart", start), ("touchMove", (start + end) / 2), ("touchMove", end), ("touchEnd", None)):
        points = [] if y is None else [{"x": x, "y": y}]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def test_a_form_changes_the_text_and_the_page_says_what_would_change(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = set_up_text(context, site)
        page.get_by_label("Opens").fill("sunset + 2 mn")
        expect(page.locator(".field", has_text="Opens")).to_contain_text("'2 mn' is not a length", timeout=MS)
        expect(page.get_by_label("Opens")).to_have_attribute("aria-invalid", "true")
        page.get_by_label("Opens").fill("16:40")
        changed(page)
        expect(state(page)).to_contain_text("nights open 20 minutes earlier.")
        expect(text_of(page)).to_have_value(re.compile('^from = "16:40"$', re.MULTILINE))
        page.get_by_label("First night").fill("2026-12-01")
        page.get_by_label("Last night").fill("2027-01-06")
        expect(text_of(page)).to_have_value(re.compile('^season = "12-01..01-06"$', re.MULTILINE), timeout=MS)
        page.get_by_label("Everything, in per cent").fill("80")
        expect(text_of(page)).to_have_value(re.compile("^brightness = 0.8$", re.MULTILINE), timeout=MS)
        changed(page)
        expect(page.get_by_role("img", name="The season after")).to_be_visible()
        assert page.get_by_role("img", name="The season after").evaluate("image => image.naturalWidth") > 300
        page.get_by_role("button", name="Discard my changes").tap()
        expect(page.get_by_label("Opens")).to_have_value("17:00", timeout=MS)
        page.get_by_role("button", name="Bring my text back").tap()
        expect(page.get_by_label("Opens")).to_have_value("16:40", timeout=MS)


def test_windows_line_ends_stay(browser: Browser, site: Board) -> None:
    path = site.folder / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    before = path.read_bytes()
    with phone(browser) as context:
        page = set_up_text(context, site)
        page.get_by_label("Opens").fill("16:40")
        changed(page)
        save(page)
        assert path.read_bytes() == before.replace(b'"17:00"', b'"16:40"')
        text_of(page).fill(text_of(page).input_value().replace("16:40", "16:50"))
        changed(page)
        save(page)
        assert path.read_bytes() == before.replace(b'"17:00"', b'"16:50"')


def test_a_save_has_what_was_typed_just_before(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = set_up_text(context, site)
        page.get_by_label("Opens").fill("16:40")
        changed(page)
        page.get_by_label("Closes").fill("21:40")
        page.get_by_role("button", name="Save", exact=True).tap()
        expect(state(page)).to_have_text(SAVED, timeout=MS)
        assert toml(site)["performance"][0]["to"] == "21:40"


def test_no_typed_character_is_lost_to_a_slow_or_lost_answer(browser: Browser, site: Board) -> None:
    held: list[Route] = []
    with phone(browser) as context:
        page = set_up_text(context, site)
        opens, closes = page.get_by_label("Opens"), page.get_by_label("Closes")
        page.route("**/site/change", lambda route: route.continue_() if held else held.append(route))
        opens.focus()
        page.keyboard.press("Control+A")
        page.keyboard.type("16:3")
        wait_for(page, lambda: bool(held))
        page.keyboard.type("5")
        held[0].continue_()
        expect(text_of(page)).to_have_value(re.compile('^from = "16:35"$', re.MULTILINE), timeout=MS)

        page.unroute("**/site/change")
        page.route("**/site/change", lambda route: route.abort())
        closes.fill("21:25")
        expect(page.locator(".field", has_text="Closes")).to_contain_text("The board did not answer.", timeout=MS)
        text_of(page).fill(text_of(page).input_value() + "# a remark\n")
        changed(page)
        expect(closes).to_have_value("21:25")
        page.unroute("**/site/change")
        closes.press("End")
        closes.press("Backspace")
        closes.press("0")
        expect(text_of(page)).to_have_value(re.compile('^to = "21:20"$', re.MULTILINE), timeout=MS)
        changed(page)
        page.get_by_role("button", name="Discard my changes").tap()
        expect(closes).to_have_value("22:00", timeout=MS)


def wait_for(page: Page, ready: Callable[[], bool]) -> None:
    """Wait while the page goes on, up to 30 s."""
    deadline = time.monotonic() + MS / 1000
    while not ready():
        assert time.monotonic() < deadline
        page.wait_for_timeout(50)


def test_a_mistake_is_at_its_line_while_one_types_and_a_save_of_it_leaves_the_show(
    browser: Browser, site: Board
) -> None:
    with phone(browser, viewport=WIDE) as context:
        page = set_up_text(context, site)
        text = text_of(page)
        text.focus()
        page.keyboard.press("Control+End")
        page.keyboard.type("\nfrm = “17:00”\n")
        expect(text).to_have_value(re.compile('frm = "17:00"\n$'))
        line = text.input_value().count("\n")
        expect(page.locator(".numbers").first.locator("b")).to_have_text(f"✗ {line}\n", timeout=MS)
        expect(state(page)).to_have_text(f"Changed, not saved. 1 mistake. The first: site.toml, line {line}.")
        page.keyboard.press("Tab")
        place = page.get_by_role("button", name=f"Line {line}")
        expect(place).to_be_focused()
        page.keyboard.press("Enter")
        expect(text).to_be_focused()
        chosen = "field => field.value.slice(field.selectionStart, field.selectionEnd)"
        assert text.evaluate(chosen) == 'frm = "17:00"'

        expect(page.get_by_role("button", name="Save", exact=True)).to_be_hidden()
        page.get_by_role("button", name="Save with the mistakes").click()
        expect(state(page)).to_contain_text(
            "Saved with 1 mistake. The running show stays as it was until they are mended.", timeout=MS
        )
        assert "frm" in (site.folder / "site.toml").read_text()
        assert site.ask("GET", "/api/now")["state"] == "playing"


def test_neighbours_hours_become_longer_here_and_never_shorter(browser: Browser, site: Board) -> None:
    before = (site.folder / "site.toml").read_text()
    with phone(browser) as context:
        page = set_up_text(context, site)
        hours = page.locator(".hours")
        expect(hours).to_contain_text("Dark every day, from 23:00 to 07:00")
        expect(hours).to_contain_text("never shorter or lighter")
        hours.get_by_label("End").fill("06:00")
        expect(hours).to_contain_text("Refused:", timeout=MS)
        expect(page.get_by_role("button", name="Save", exact=True)).to_be_hidden()
        version = site.ask("GET", "/api/setup/site")["version"]
        assert (site.folder / "site.toml").read_text() == before
        hours.get_by_label("End").fill("08:00")
        expect(hours.get_by_text("Refused:")).to_have_count(0, timeout=MS)
        changed(page)
        hours.get_by_label("What").select_option("dim")
        hours.get_by_label("From").fill("21:30")
        hours.get_by_label("Until").fill("23:00")
        hours.get_by_role("button", name="Add these hours").tap()
        expect(hours).to_contain_text("Dim to 50 % every day, from 21:30 to 23:00", timeout=MS)
        changed(page)
        save(page)
        neighbours = toml(site)["neighbours"]
        assert neighbours["dark"][0]["to"] == "08:00"
        assert neighbours["dim"] == [{"from": "21:30", "to": "23:00", "brightness": 0.5}]
        assert site.ask("GET", "/api/setup/site")["version"] != version


def test_of_two_browsers_the_second_is_told_and_loses_nothing(browser: Browser, site: Board) -> None:
    with phone(browser) as one, phone(browser, viewport=WIDE) as another:
        anna, ben = set_up_text(one, site, "Anna's phone"), set_up_text(another, site, "Ben's desk")
        anna.get_by_label("Closes").fill("21:30")
        ben.get_by_label("Opens").fill("16:50")
        ben.get_by_label("Everything, in per cent").fill("80")
        changed(anna)
        changed(ben)
        save(anna)
        ben.get_by_role("button", name="Save", exact=True).click()
        meanwhile = ben.locator(".meanwhile")
        expect(meanwhile).to_contain_text("Somebody has saved another text meanwhile", timeout=MS)
        expect(meanwhile.locator("del")).to_contain_text([re.compile('to = "21:30"')])
        expect(meanwhile.locator("ins").filter(has_text="brightness = 0.8")).to_have_count(1)
        expect(text_of(ben)).to_have_value(re.compile("brightness = 0.8"))
        expect(ben.get_by_role("button", name="Discard my changes")).to_be_hidden()
        assert "brightness" not in (site.folder / "site.toml").read_text()
        ben.get_by_role("button", name="Put both together").click()
        expect(meanwhile).to_be_hidden()
        changed(ben)
        save(ben)
        (performance,), output = toml(site)["performance"], toml(site)["output"]
        assert (performance["from"], performance["to"], output["brightness"]) == ("16:50", "21:30", 0.8)

        anna.get_by_label("Everything, in per cent").fill("70")
        changed(anna)
        anna.get_by_role("button", name="Save", exact=True).tap()
        meanwhile = anna.locator(".meanwhile")
        expect(meanwhile.locator("ins")).to_contain_text(["brightness = 0.7"], timeout=MS)
        expect(meanwhile.get_by_role("button", name="Put both together")).to_be_hidden()  # the same line
        meanwhile.get_by_role("button", name="Take the saved text").tap()
        expect(anna.get_by_label("Everything, in per cent")).to_have_value("80", timeout=MS)
        anna.get_by_role("button", name="Bring my text back").tap()
        expect(anna.get_by_label("Everything, in per cent")).to_have_value("70", timeout=MS)


def test_an_older_version_comes_back_with_one_tap(browser: Browser, site: Board) -> None:
    before = (site.folder / "site.toml").read_text()
    with phone(browser) as context:
        page = set_up_text(context, site, "Anna's phone")
        page.get_by_label("Closes").fill("21:15")
        changed(page)
        save(page)
        versions = page.locator(".version")
        expect(versions.first).to_contain_text("by Anna's phone", timeout=MS)
        expect(versions.first).to_contain_text("close 45 minutes earlier")
        expect(versions.first).to_contain_text("the one of now")
        older = versions.nth(1)
        older.get_by_role("button", name="Difference to now").tap()
        expect(older.locator("del")).to_contain_text('to = "22:00"', timeout=MS)
        expect(older.locator("ins")).to_contain_text('to = "21:15"')
        older.get_by_role("button", name="Look").tap()
        expect(older.locator("pre").first).to_have_text(before, timeout=MS)
        older.get_by_role("button", name="Return to it").tap()
        expect(state(page)).to_have_text(SAVED, timeout=MS)
        assert (site.folder / "site.toml").read_text() == before
        expect(page.get_by_label("Closes")).to_have_value("22:00", timeout=MS)


def test_unsaved_text_survives_a_lost_connection_a_reload_and_a_sign_out(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = set_up_text(context, site, "A lost phone")
        page.get_by_label("Closes").fill("21:45")
        changed(page)
        context.set_offline(True)
        page.get_by_role("button", name="Save", exact=True).tap()
        expect(state(page)).to_contain_text("The board did not answer.", timeout=MS)
        context.set_offline(False)

        asked: list[str] = []
        page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
        page.reload()
        assert asked == ["beforeunload"]
        expect(state(page)).to_contain_text("Your text that is not saved is here again.", timeout=MS)
        expect(page.get_by_label("Closes")).to_have_value("21:45")

        device = next(each for each in site.ask("GET", "/api/devices") if each["name"] == "A lost phone")
        site.ask("DELETE", f"/api/devices/{device['id']}")
        page.get_by_role("button", name="Save", exact=True).tap()
        expect(page.get_by_label("Passcode")).to_be_visible(timeout=MS)
        page.get_by_label("Passcode").fill((site.folder / "state" / "passcode").read_text().strip())
        page.get_by_role("button", name="Sign in").tap()
        expect(page.get_by_label("Closes")).to_have_value("21:45", timeout=MS)
        changed(page)
        save(page)
        assert toml(site)["performance"][0]["to"] == "21:45"
        assert page.evaluate("sessionStorage.length + localStorage.length") == 0


def test_the_owner_gives_a_piece_its_title_for_signs_and_takes_it_away(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = set_up_text(context, site)
        page.get_by_text("Titles and artists of the pieces").click()
        page.get_by_label("Title of tide").fill("The tide comes in")
        changed(page)
        page.get_by_label("Artist of tide").fill("Pier Road ensemble")
        changed(page)
        save(page)
        tide = toml(site)["piece"][0]
        assert (tide["title"], tide["artist"]) == ("The tide comes in", "Pier Road ensemble")
        page.get_by_label("Title of tide").fill("")
        changed(page)
        save(page)
        assert "title" not in toml(site)["piece"][0]


def test_axe_finds_nothing_wrong(browser: Browser, site: Board) -> None:
    with phone(browser, bypass_csp=True) as context:
        page = set_up_text(context, site)
        text_of(page).fill(text_of(page).input_value().replace('from = "17:00"', 'from = "1700"'))
        expect(page.locator(".mistakes li").first).to_be_visible(timeout=MS)
        for width in (390, 1280):
            page.set_viewport_size({"width": width, "height": 844})
            page.evaluate("scrollTo(0, document.body.scrollHeight)")  # there the bar covers nothing
            assert_clean(page, ("light", width, 844), ("dark", width, 844))
            for zoom in ("200%", "100%"):
                page.evaluate("(zoom) => { document.documentElement.style.fontSize = zoom; }", zoom)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, zoom
