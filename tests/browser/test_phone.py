"""The page in Debian's Chromium at phone size, against what a receiver sees on the wire."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.browser.board import (
    GATE,
    MS,
    Board,
    annas_phone,
    assert_clean,
    big_button_is_ready,
    board,
    phone,
    signed_in,
)
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("chromium", "fonts")

HOST = "127.0.78.1"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    with board(tmp_path_factory.mktemp("board") / "site", HOST, sound=True, phone=GATE) as one:
        yield one


@pytest.fixture(autouse=True)
def nothing_by_hand(site: Board) -> Iterator[None]:
    yield
    site.end_overrides()


def test_one_tap_makes_the_wire_black_and_another_lights_it_again(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="PAUSE").tap()
        wait_until(site.black, "a black wire")
        expect(page.locator("#message")).to_have_text("Paused for 15 minutes. On the wire: black.", timeout=MS)
        expect(page.locator("#state")).to_have_text("Paused")
        card = page.locator("#overrides li")
        expect(card).to_contain_text("by Anna's phone, until 18:")
        expect(card).to_contain_text(re.compile(r"1[45]:\d\d left"))
        page.wait_for_timeout(1000)  # the big button does not take back at once what it did
        page.get_by_role("button", name="RESUME").tap()
        wait_until(site.lit, "light")
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        expect(page.locator("#overrides li")).to_have_count(0)


def test_a_second_tap_on_pause_does_not_resume(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        for _ in range(4):
            page.locator("#pause").tap()
        wait_until(site.black, "a black wire")
        expect(page.locator("#message")).to_have_text("Paused for 15 minutes. On the wire: black.", timeout=MS)
        assert [each["kind"] for each in site.ask("GET", "/api/now")["overrides"]] == ["pause"]


def test_a_pause_has_the_chosen_length_and_can_be_made_longer(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("radio", name="1 hour").check()
        expect(page.locator("#pause")).to_contain_text("for an hour")
        page.locator("#pause").tap()
        expect(page.locator("#overrides")).to_contain_text(re.compile(r"(59|60):|1 h"), timeout=MS)
        page.get_by_role("radio", name="tonight").check()
        expect(page.locator("#overrides")).to_contain_text("until Sun 13 Dec, 12:00", timeout=MS)
        page.get_by_role("radio", name="till I say").check()
        expect(page.locator("#overrides")).to_contain_text(re.compile("[67] d"), timeout=MS)
        expect(page.locator("#overrides li")).to_have_count(1, timeout=MS)
        standing = site.ask("GET", "/api/now")["overrides"]
        assert [each["kind"] for each in standing] == ["pause"]
        page.get_by_role("button", name=re.compile("^Undo")).tap()
        wait_until(site.lit, "light")


def test_off_for_tonight_dimmer_mute_and_the_next_piece(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="Off for tonight").tap()
        wait_until(site.black, "a black wire")
        expect(page.locator("#state")).to_have_text("Dark", timeout=MS)
        big_button_is_ready(page)
        page.get_by_role("button", name="RESUME").tap()
        wait_until(site.lit, "light")
        wait_until(lambda: site.brightest() > 200, "full brightness")
        page.get_by_role("button", name="Dimmer").tap()
        page.get_by_role("button", name="25 %").tap()
        wait_until(lambda: 0 < site.brightest() <= 62, "a quarter of the brightness")
        expect(page.locator("#overrides")).to_contain_text("Dimmed to 25 %", timeout=MS)
        page.get_by_role("button", name="Mute").tap()
        expect(page.locator("#overrides li")).to_have_count(2, timeout=MS)
        before = site.ask("GET", "/api/now")["piece"]
        page.get_by_role("button", name="Next piece").tap()
        wait_until(lambda: site.ask("GET", "/api/now")["piece"] != before, "another piece")


def test_a_rig_is_checked_string_by_string(browser: Browser, site: Board) -> None:
    """Two universes, a string on each: the one that is checked is lit in one colour, the other is dark."""

    def lit(universe: int) -> bool:
        levels = site.receiver.counts.levels
        other = levels.get(3 - universe, b"")
        first = levels.get(universe, b"\0\0\0")[:3]
        return any(first) and not all(first) and not any(other)

    def lamp() -> tuple[int, ...]:
        """The slots of the lamp, while all others are dark."""
        railing = site.receiver.counts.levels.get(2, b"")
        others = any(site.receiver.counts.levels.get(1, b"")) or any(railing[:300])
        return () if others else tuple(railing[300:305])

    with annas_phone(browser, site) as page:
        page.get_by_text("Rig check", exact=True).tap()
        page.get_by_role("button", name="Check ridge").tap()
        wait_until(lambda: lit(1), "the ridge alone")
        expect(page.locator("#state")).to_have_text("Rig check", timeout=MS)
        expect(page.locator("#message")).to_contain_text("Colours of string ridge.", timeout=MS)
        page.get_by_role("button", name="Next: railing").tap()
        wait_until(lambda: lit(2), "the railing alone")
        expect(page.locator("#message")).to_contain_text("Colours of string railing.", timeout=MS)
        page.get_by_role("button", name="Next: lamp").tap()
        wait_until(lambda: lamp() in ((76, 76, 0, 0, 0), (76, 0, 76, 0, 0), (76, 0, 0, 76, 0)), "the lamp alone")
        expect(page.locator("#message")).to_contain_text("Colours of fixture lamp.", timeout=MS)
        expect(page.get_by_role("listitem").filter(has_text="lamp")).to_have_attribute(
            "aria-current", "true", timeout=MS
        )
        page.get_by_role("button", name="End the check").tap()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)


RED = """canvas => {
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let red = 0;
  for (let at = 0; at < data.length; at += 4) red += data[at] > 60 && data[at + 1] + data[at + 2] === 0;
  return red;
}"""


def test_the_live_view_draws_a_fixture_as_a_dot_in_its_colour(browser: Browser, site: Board) -> None:
    """A red lamp at full: a disc of at least 6 pixels radius, 113 pixels."""
    with annas_phone(browser, site) as page:
        page.get_by_text("Live view of the rig", exact=True).tap()
        site.ask("POST", "/api/rig-check", {"pattern": "colour", "colour": "red", "fixture": "lamp", "level": 1})
        expect(page.locator("#view p")).to_contain_text("Each fixture is a dot.", timeout=MS)
        wait_until(lambda: page.locator("#view canvas").evaluate(RED) > 90, "a red dot")
        assert page.locator("#view canvas").evaluate(RED) < 400, "the strings are dark"


def test_a_pause_ends_a_rig_check(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_text("Rig check", exact=True).tap()
        page.get_by_role("button", name="Check ridge").tap()
        expect(page.locator("#state")).to_have_text("Rig check", timeout=MS)
        expect(page.locator("#message")).to_contain_text("Colours of string ridge.", timeout=MS)  # the answer is here
        page.locator("#pause").tap()
        expect(page.locator("#message")).to_have_text("Paused for 15 minutes. On the wire: black.", timeout=MS)
        wait_until(site.black, "a black wire")
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        expect(page.locator("#overrides li")).to_have_count(1)
        expect(page.locator("#pause")).to_have_text("RESUMElights on again")


def test_each_dimmer_button_changes_the_light_and_names_the_set_brightness(browser: Browser, site: Board) -> None:
    """Of 0.36 no share below is half a percent, told rounded up or down. The brightest slot is 235 to 239 at full."""
    rules = site.folder / "site.toml"
    before = rules.read_text()

    def has(share: float) -> bool:
        return 235 * 0.36 * share - 1.5 <= site.brightest() <= 239 * 0.36 * share + 1.5

    rules.write_text(before.replace("[output]\n", "[output]\nbrightness = 0.36\n"))
    try:
        assert site.ask("POST", "/api/reload")["taken_over"]
        with annas_phone(browser, site) as page:
            wait_until(lambda: has(1), "the brightness that is set")
            page.get_by_role("button", name="Dimmer").tap()
            for name, share, wire in (
                ("75 %", 0.75, "27%"),
                ("50 %", 0.5, "18%"),
                ("25 %", 0.25, "9%"),
                ("10 %", 0.1, "4%"),
            ):
                page.get_by_role("button", name=name).tap()
                dimmed = f"Dimmed for tonight to {name} of the brightness that is set. On the wire: light"
                said = re.compile(rf"^{dimmed}, (tide|lanterns), at {wire}\.$")
                expect(page.locator("#message")).to_have_text(said, timeout=MS)
                wait_until(lambda share=share: has(share), name)
                expect(page.locator("#overrides li")).to_have_count(1)
                expect(page.locator("#overrides")).to_contain_text(f"Dimmed to {name} of the brightness that is set")
    finally:
        rules.write_text(before)
        site.ask("POST", "/api/reload")


def test_in_dark_hours_the_page_promises_no_light_and_gives_no_show(browser: Browser, tmp_path: Path) -> None:
    """A site without sound, half an hour into its dark hours."""
    hours = "dark hours 23:00 to 07:00: no light"
    at = "2026-12-12T23:30"
    with board(tmp_path / "site", "127.0.78.2", at=at, lit=False) as late, phone(browser) as context:
        page = context.new_page()
        page.goto(late.link())
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#state")).to_have_text("Dark", timeout=MS)
        expect(page.locator("#skip")).to_be_visible()
        expect(page.locator("#mute")).to_be_hidden()
        page.locator("#pause").tap()
        expect(page.locator("#message")).to_have_text(
            f"Paused for 15 minutes. On the wire: black: {hours}.", timeout=MS
        )
        expect(page.locator("#pause")).to_have_text(f"RESUMEit stays dark: {hours}", timeout=MS)
        big_button_is_ready(page)
        page.locator("#pause").tap()
        expect(page.locator("#message")).to_have_text(f"Resumed. On the wire: black: {hours}.", timeout=MS)
        page.get_by_role("button", name="Give a show now").tap()
        page.get_by_role("button", name="short, 30 min").tap()
        expect(page.locator("#message")).to_contain_text("Refused: ", timeout=MS)
        expect(page.locator("#message")).to_contain_text("23:00")


def test_a_device_that_another_revokes_shows_that(browser: Browser, site: Board) -> None:
    with phone(browser) as annas, phone(browser) as bens:
        anna, ben = signed_in(annas, site, "Anna's phone"), signed_in(bens, site, "Ben's phone")
        anna.get_by_text("Devices", exact=True).tap()
        anna.get_by_role("button", name="Add a phone", exact=True).tap()
        expect(anna.locator("canvas.code")).to_be_in_viewport(ratio=1, timeout=MS)
        anna.get_by_role("button", name="Sign out Ben's phone").tap()
        expect(ben.get_by_role("heading", name="Sign this phone in")).to_be_visible(timeout=MS)
        ben.reload()
        expect(ben.get_by_label("Passcode")).to_be_visible(timeout=MS)
        expect(anna.get_by_role("button", name="Sign out Ben's phone")).to_have_count(0)
        ben.get_by_label("Passcode").fill((site.folder / "state" / "passcode").read_text().strip())
        ben.get_by_role("button", name="Sign in").tap()
        expect(ben.locator("#state")).to_have_text("Playing", timeout=MS)


def test_a_viewer_has_no_buttons(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = signed_in(context, site, kind="viewer")
        expect(page.locator("#pause")).to_be_hidden()
        expect(page.locator("#actions")).to_be_hidden()


def test_a_used_link_is_reported(browser: Browser, site: Board) -> None:
    with phone(browser) as first, phone(browser) as second:
        link = site.link()
        for context in (first, second):
            page = context.new_page()
            page.goto(link)
            page.get_by_role("button", name="Sign in").click(no_wait_after=True)
            if context is first:
                expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        expect(page.locator("#sign-in-message")).to_contain_text("This link has been used", timeout=MS)
        expect(page.get_by_label("Passcode")).to_be_visible()


def let_go(page: Page, held: list[Route]) -> Route:
    """What is held up on the way; its handler may come to it a moment after the request was seen."""
    for _ in range(MS // 10):
        if held:
            break
        page.wait_for_timeout(10)
    return held.pop()


def test_signing_in_works_before_all_scripts_have_arrived(browser: Browser, site: Board) -> None:
    """What the page needs besides comes late, or not at the first time; the link is not lost by it."""
    held: list[Route] = []
    with phone(browser) as context:
        page = context.new_page()
        page.route("**/more.js*", lambda route: held.append(route))
        with page.expect_request("**/more.js*"):
            page.goto(site.link())
        page.get_by_role("button", name="Sign in").click()
        let_go(page, held).abort()
        expect(page.locator("#sign-in-message")).to_have_text("The board did not answer.", timeout=MS)
        with page.expect_request("**/more.js*"):
            page.get_by_role("button", name="Sign in").click()
        assert "#" in page.url
        let_go(page, held).continue_()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)


def test_a_link_whose_request_was_lost_works_at_the_next_tap(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = context.new_page()
        page.route("**/api/sign-in/link", lambda route: route.abort(), times=1)
        page.goto(site.link())
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#sign-in-message")).to_have_text("The board did not answer.", timeout=MS)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        assert "#" not in page.url


def test_pause_does_not_wait_for_other_commands(browser: Browser, site: Board) -> None:
    held: list[Route] = []

    def hold_the_mute(route: Route) -> None:
        if "mute" in (route.request.post_data or ""):
            held.append(route)
        else:
            route.continue_()

    with annas_phone(browser, site) as page:
        page.route("**/api/overrides", hold_the_mute)
        page.locator("#mute").tap()
        expect(page.locator("#message")).to_have_text(re.compile("Muting"))
        page.locator("#dim").tap()
        page.get_by_role("button", name="50 %").tap()
        page.locator("#pause").tap()
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        wait_until(site.black, "a black wire")
        assert [one["kind"] for one in site.ask("GET", "/api/now")["overrides"]] == ["pause"]
        let_go(page, held).continue_()
        expect(page.locator("#overrides li")).to_have_count(3, timeout=MS)


def test_resume_works_though_another_phone_has_ended_the_pause(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.locator("#pause").tap()
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        big_button_is_ready(page)
        (pause,) = site.ask("GET", "/api/now")["overrides"]

        def end_it_first(route: Route) -> None:
            site.ask("DELETE", f"/api/overrides/{pause['id']}")
            route.continue_()

        page.route("**/api/overrides/*", end_it_first, times=1)
        page.locator("#pause").tap()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        expect(page.locator("#message")).to_have_text(re.compile("Resumed|lights are on"), timeout=MS)


def test_a_script_that_was_lost_is_fetched_again(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = context.new_page()
        page.route("**/status.js*", lambda route: route.abort(), times=1)
        with page.expect_event("requestfailed"):
            page.goto(site.link())
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)


def test_a_section_that_does_not_load_reports_it_and_loads_at_the_next_tap(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.reload()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        page.route("**/more.js*", lambda route: route.abort(), times=1)
        page.get_by_text("Journal", exact=True).click()
        expect(page.locator("#journal")).to_contain_text("The board did not answer.", timeout=MS)
        page.get_by_text("Journal", exact=True).click()
        page.get_by_text("Journal", exact=True).click()
        expect(page.locator("#journal li").first).to_be_visible(timeout=MS)
        page.locator("#view summary").click()
        expect(page.locator("#view")).to_contain_text("As sent at", timeout=MS)


def test_a_cut_network_is_shown_and_the_page_connects_again_by_itself(browser: Browser, site: Board) -> None:
    """A planner held still is what a phone sees of a cable that is out: connections stay, and nothing comes."""
    with phone(browser) as context:
        page = signed_in(context, site)
        os.kill(site.planner, signal.SIGSTOP)
        try:
            expect(page.locator("#contact")).to_contain_text(re.compile(r"No contact since 18:\d\d:\d\d"), timeout=MS)
            expect(page.locator("#well")).to_have_text("No contact: whether all is well is not known")
            expect(page).to_have_title("No contact – Gloaming")
            page.locator("#pause").click(force=True)
            expect(page.locator("#message")).to_have_text("No contact: nothing was sent.")
        finally:
            os.kill(site.planner, signal.SIGCONT)
        expect(page.locator("#contact")).to_have_text("live", timeout=MS)
        expect(page.locator("#well")).to_have_text(re.compile("All is well|Something is wrong"), timeout=MS)
        assert not site.ask("GET", "/api/now")["overrides"]
        context.set_offline(True)
        page.evaluate("source.close()")  # emulation spares a stream that is open: a phone out of reach does not
        expect(page.locator("#contact")).to_contain_text("No contact since", timeout=MS)
        context.set_offline(False)
        expect(page.locator("#contact")).to_have_text("live", timeout=MS)


def test_without_the_stream_of_events_the_page_polls_and_resume_works(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.route("**/api/events", lambda route: route.abort())
        page.goto(site.address)
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        expect(page.locator("#contact")).to_have_text("live, asked every few seconds")
        page.locator("#pause").tap()
        wait_until(site.black, "a black wire")
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        big_button_is_ready(page)
        page.get_by_role("button", name="RESUME").tap()
        wait_until(site.lit, "light")
        expect(page.locator("#contact")).not_to_contain_text("No contact")


def test_troubles_are_above_the_state_with_what_to_do(browser: Browser, site: Board) -> None:
    def troubled(route: Route) -> None:
        answer = route.fetch()
        now = answer.json()
        trouble = {"kind": "boards", "subject": "board east", "text": "no contact", "do": "look at its cable"}
        now["health"] = {**now["health"], "ok": False, "troubles": [{**trouble, "since": now["at"]}]}
        route.fulfill(response=answer, json=now)

    with annas_phone(browser, site) as page:
        page.route("**/api/events", lambda route: route.abort())
        page.route("**/api/now", troubled)
        page.goto(site.address)
        expect(page.locator("#health")).to_contain_text(
            "board east: no contact.What to do: look at its cable.", timeout=MS
        )
        wrong, state = page.locator("#health").bounding_box(), page.locator("#state").bounding_box()
        assert wrong and state
        assert wrong["y"] + wrong["height"] < state["y"]


def test_a_row_stays_while_others_come_and_go(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        site.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5})
        undo = page.get_by_role("button", name=re.compile("^Undo: Dimmed"))
        expect(undo).to_be_visible(timeout=MS)
        undo.evaluate(
            "(button) => { button.mark = 'the same'; button.dispatchEvent(new PointerEvent('pointerdown')); }"
        )
        other = site.ask("POST", "/api/overrides", {"kind": "mute"})
        expect(page.locator("#overrides li")).to_have_count(2, timeout=MS)
        site.ask("DELETE", f"/api/overrides/{other['id']}")
        expect(page.locator("#overrides li")).to_have_count(1, timeout=MS)
        assert undo.evaluate("(button) => button.mark") == "the same"
        undo.tap()
        expect(page.locator("#overrides li")).to_have_count(0, timeout=MS)


def test_times_have_the_phone_s_form_and_the_zone_is_shown_if_it_differs(browser: Browser, site: Board) -> None:
    with browser.new_context(locale="en-US", timezone_id="America/New_York") as context:
        page = signed_in(context, site)
        expect(page.locator("#zone")).to_have_text("Times are those of Europe/London")
        expect(page.locator("#next")).to_contain_text("10:00 pm", timeout=MS)
        expect(page.locator("#next")).not_to_contain_text(re.compile(r"\b0\d:\d\d pm"))
        expect(page.locator("#why")).to_contain_text(re.compile(r"\b6:\d\d:\d\d pm"), timeout=MS)
        page.get_by_text("The season", exact=True).click()
        expect(page.locator("#season li").first).to_contain_text(
            re.compile(r"^today, \d:\d\d pm to 10:00 pm"), timeout=MS
        )
    with browser.new_context(locale="en-GB", timezone_id="Europe/London") as context:
        page = signed_in(context, site)
        expect(page.locator("#zone")).to_be_hidden()
        expect(page.locator("#next")).to_contain_text("22:00", timeout=MS)


def test_a_trigger_has_a_line_with_why_it_would_be_refused(browser: Browser, site: Board) -> None:
    site.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 15})
    with phone(browser) as context:
        page = context.new_page()
        page.goto(site.link("viewer"))
        page.get_by_role("button", name="Sign in").click()
        page.get_by_text("Triggers", exact=True).click()
        line = page.locator("#triggers li")
        expect(line).to_contain_text("gate calls short on roof", timeout=MS)
        expect(line).to_contain_text(
            "No call yet; since noon 0 called, 0 refused. Now it is refused: paused by this machine"
        )


def test_the_next_piece_is_named(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        coming = site.ask("GET", "/api/now")["next_piece"]["piece"]
        assert coming in ("tide", "lanterns")
        expect(page.locator("#next li").first).to_contain_text(re.compile("tide|lanterns"), timeout=MS)


def test_next_is_in_order_without_the_gap_before_the_next_piece(browser: Browser, site: Board) -> None:
    def with_a_gap(route: Route) -> None:
        answer = route.fetch()
        gap = {"at": "2026-12-12T19:00:00+00:00", "state": "waiting"}
        piece = {"at": "2026-12-12T19:00:20+00:00", "piece": "tide"}
        route.fulfill(response=answer, json={**answer.json(), "next": gap, "next_piece": piece})

    with annas_phone(browser, site) as page:
        page.route("**/api/events", lambda route: route.abort())
        page.route("**/api/now", with_a_gap)
        page.goto(site.address)
        expect(page.locator("#next li")).to_have_text(
            [
                "tide19:00",
                re.compile("^evening closes22:00"),
                re.compile("^evening opensSun"),
                re.compile("^evening cl"),
            ],
            timeout=MS,
        )


def test_the_checked_string_is_marked_on_every_phone(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_text("Rig check", exact=True).tap()
        expect(page.locator("#check h3")).to_have_text("Controller left", timeout=MS)
        site.ask("POST", "/api/rig-check", {"string": "railing"})
        expect(page.locator("#check li[aria-current]")).to_contain_text("railing", timeout=MS)
        page.get_by_role("button", name="End the check").tap()
        expect(page.locator("#check li[aria-current]")).to_have_count(0, timeout=MS)


def test_the_journal_shows_first_what_people_did(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = signed_in(context, site, "Ben's phone")
        page.get_by_text("Journal", exact=True).tap()
        rows = page.locator("#journal li")
        expect(rows.first).to_contain_text("signed in", timeout=MS)
        expect(page.locator("#journal")).not_to_contain_text("playing,")
        page.get_by_role("button", name="Everything").tap()
        expect(page.locator("#journal")).to_contain_text("playing,", timeout=MS)


def test_an_empty_passcode_is_not_sent(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = context.new_page()
        page.goto(site.address)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#sign-in-message")).to_have_text("Type the passcode first.", timeout=MS)
        page.get_by_label("Passcode").fill(" - ")
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#sign-in-message")).to_have_text("Type the passcode first.", timeout=MS)
        assert page.get_by_label("Passcode").evaluate("(field) => field.inputMode") == "numeric"
        page.get_by_role("button", name="It has letters").click()
        assert page.get_by_label("Passcode").evaluate("(field) => field.inputMode") == "text"


def test_the_page_with_every_section_open_is_small(browser: Browser, site: Board) -> None:
    """What goes over the network, with nothing stored in the browser. The live view is a stream: it is not counted."""
    with phone(browser) as context:
        page = signed_in(context, site)
        sizes: list[float] = []
        session = context.new_cdp_session(page)
        session.send("Network.enable")
        session.send("Network.setCacheDisabled", {"cacheDisabled": True})
        session.on("Network.loadingFinished", lambda done: sizes.append(done["encodedDataLength"]))
        page.goto(site.address)
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        sections = page.locator("details:not(#view, [hidden])")
        for section in sections.all():
            section.locator("summary").tap()
            expect(section).not_to_contain_text("asking", timeout=MS)
        page.wait_for_timeout(500)  # the season's picture is still on its way
        assert len(sizes) > sections.count()
        assert sum(sizes) < 60_000


def test_a_sign_shows_the_title_that_plays_and_in_a_pause_the_opening_times(browser: Browser, site: Board) -> None:
    """It has no token, and says so when it has no contact: an old title would be wrong."""
    toml = site.folder / "site.toml"
    toml.write_text(toml.read_text().replace('name = "tide"', 'name = "tide"\ntitle = "The tide comes in"', 1))
    toml.write_text(f"{toml.read_text()}\n[public]\nstream = true\n")
    assert site.ask("POST", "/api/reload")["taken_over"]
    with phone(browser) as context:
        page = context.new_page()
        complaints: list[str] = []
        page.on("console", lambda message: complaints.append(message.text))
        page.clock.install()
        page.goto(f"{site.address}/sign")
        title = page.locator("#title")
        expect(title).to_have_text(re.compile("^(The tide comes in|lanterns)$"), timeout=MS)
        expect(page.locator("#next")).to_have_text(re.compile("^Next: (The tide comes in|lanterns)$"))
        assert_clean(page)
        site.ask("POST", "/api/overrides", {"kind": "pause"})
        expect(title).to_have_text("17:00–22:00", timeout=MS)
        expect(page.locator("#hours")).to_have_text("Next evening: Sunday 13 December, 17:00")
        assert_clean(page)
        assert not complaints
        page.route("**/api/public", lambda route: route.abort())
        page.clock.fast_forward(21_000)
        expect(title).to_have_text("No contact", timeout=MS)
        page.unroute("**/api/public")
        page.clock.fast_forward(21_000)
        expect(title).to_have_text("17:00–22:00", timeout=MS)
