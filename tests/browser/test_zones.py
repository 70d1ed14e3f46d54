"""Parts of the rig on the page: zones, what differs and what is out of service, and the boards that feed the parts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from gloaming.daemon.site.board_name import board_name
from tests.browser.board import (
    MS,
    Board,
    annas_phone,
    assert_clean,
    big_button_is_ready,
    board,
    phone,
    signed_in,
)
from tests.light_boards import LightBoard, light_boards
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("chromium", "fonts")

BOARDS = """
[[board]]
name = "{this}"
controllers = ["left"]

[[board]]
name = "east"
controllers = ["{far}"]

[[board]]
name = "spare"
spare_for = "{this}"

[sharing]
broker = "{broker}"
"""
MANY = [f"window {number}" for number in range(1, 31)] + ["the lanterns along the quay wall, as far as the slipway"]

SIZES = ((390, 844), (320, 568))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """Universe 1 is the ridge, in the zone roof. Universe 2 is the railing, in no zone."""
    with board(tmp_path_factory.mktemp("board") / "site", "127.0.78.4", sound=True) as one:
        yield one


@pytest.fixture(autouse=True)
def as_it_was(site: Board) -> Iterator[None]:
    texts = {name: (site.folder / name).read_text() for name in ("rig.toml", "site.toml")}
    yield
    for each in site.ask("GET", "/api/now")["overrides"]:
        site.ask("DELETE", f"/api/overrides/{each['id']}")
    changed = {name: text for name, text in texts.items() if (site.folder / name).read_text() != text}
    for name, text in changed.items():
        (site.folder / name).write_text(text)
    if changed:
        reload(site)
        assert zones(site) == ["roof"]


def reload(site: Board) -> None:
    assert site.ask("POST", "/api/reload")["taken_over"]


def zones(site: Board) -> list[str]:
    return [each["name"] for each in site.ask("GET", "/api/now")["zones"]]


def brightest(site: Board, universe: int) -> int:
    """The brightest slot of the string in a universe: the ridge has 150 pixels, the railing 60."""
    return max(site.receiver.counts.levels[universe][: 3 * {1: 150, 2: 60}[universe]])


def test_two_taps_dim_the_roof_alone(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        expect(page.locator("#differing")).to_be_hidden()
        page.get_by_role("button", name="roof").tap()
        page.get_by_role("button", name="50 %").tap()
        wait_until(lambda: 0 < brightest(site, 1) <= 120, "half of the light on the roof")  # of 240 at most
        assert brightest(site, 2) > 200
        expect(page.locator("#message")).to_have_text(
            re.compile(
                "^roof: Dimmed for tonight to 50 % of the brightness that is set. "
                "On the wire: light, (tide|lanterns), at 50%.$"
            ),
            timeout=MS,
        )
        line = page.locator("#differing li")
        expect(line).to_contain_text(re.compile("^roof Playing: (tide|lanterns), at 50 %"), timeout=MS)
        expect(line).to_contain_text("Dimmed by Anna's phone at 18:")
        expect(line).to_contain_text("until 12:00, to 50% of the brightness that is set.")
        expect(page.locator("#overrides li")).to_contain_text("roof: Dimmed to 50 %")
        expect(page.locator("#state")).to_have_text("Playing")
        (dim,) = site.ask("GET", "/api/now")["overrides"]
        assert (dim["kind"], dim["zone"], dim["level"]) == ("dim", "roof", 0.5)
        page.get_by_role("button", name="Undo: roof: Dimmed").tap()
        wait_until(lambda: brightest(site, 1) > 200, "all of the light on the roof")
        expect(page.locator("#differing")).to_be_hidden(timeout=MS)


def test_the_whole_rig_needs_no_extra_tap_while_a_zone_is_chosen(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="roof").tap()
        page.get_by_role("button", name="Dimmer").tap()
        page.locator("#levels").get_by_role("button", name="25 %").tap()
        expect(page.locator("#overrides")).to_contain_text("Dimmed to 25 %", timeout=MS)
        assert [each.get("zone") for each in site.ask("GET", "/api/now")["overrides"]] == [None]
        wait_until(lambda: 0 < site.brightest() <= 62, "a quarter of the brightness")
        page.locator("#pause").tap()
        wait_until(site.black, "a black wire")


def test_a_zone_that_is_off_leaves_pause_as_it_is(browser: Browser, site: Board) -> None:
    """RESUME ends what put the whole rig out. A zone has its own button for that."""
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="roof").tap()
        off = page.locator("#part").get_by_role("button", name="Off for tonight")
        off.tap()
        expect(off).to_have_attribute("aria-pressed", "true", timeout=MS)
        wait_until(lambda: brightest(site, 1) == 0 and brightest(site, 2) > 200, "a dark roof alone")
        expect(page.locator("#differing li")).to_contain_text("roof Dark", timeout=MS)
        expect(page.locator("#pause b")).to_have_text("PAUSE")
        expect(page.locator("#dark")).to_have_attribute("aria-pressed", "false")
        page.locator("#pause").tap()
        expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
        big_button_is_ready(page)
        page.get_by_role("button", name="RESUME").tap()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        assert [each["zone"] for each in site.ask("GET", "/api/now")["overrides"]] == ["roof"]
        off.tap()
        expect(page.locator("#differing")).to_be_hidden(timeout=MS)
        expect(off).to_have_attribute("aria-pressed", "false")


def test_a_zone_has_a_show_of_its_own(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="roof").tap()
        page.locator("#part").get_by_role("button", name="Give a show now").tap()
        page.get_by_role("button", name="short, 30 min").tap()
        expect(page.locator("#message")).to_contain_text("roof: short is called, for 30 minutes.", timeout=MS)
        expect(page.locator("#differing li")).to_contain_text(re.compile("roof Playing: lanterns"), timeout=MS)
        expect(page.locator("#differing li")).to_contain_text("closes 18:")
        assert site.ask("GET", "/api/now")["show"] == "evening"


def test_a_piece_is_given_after_the_one_that_plays_or_now(browser: Browser, site: Board) -> None:
    with phone(browser) as context:
        page = signed_in(context, site)
        page.get_by_role("button", name="Give a show now").first.tap()
        page.get_by_role("button", name="After this piece: tide").tap()
        expect(page.locator("#message")).to_contain_text("tide is called, after this piece.", timeout=MS)
        expect(page.locator("#overrides li")).to_contain_text(re.compile("Called: tide.*, from 18:"), timeout=MS)
        page.get_by_role("button", name="Now: lanterns").tap()
        expect(page.locator("#message")).to_contain_text("lanterns is called.", timeout=MS)
        expect(page.locator("#why")).to_contain_text("evening stands still", timeout=MS)
        called = [(each["piece"], each.get("after")) for each in site.ask("GET", "/api/now")["overrides"]]
        assert called[-1] == ("lanterns", None)


def test_light_in_a_zone_alone_is_light_on_the_wire_and_pause_ends_it(browser: Browser, site: Board) -> None:
    """After closing, with a show called for the roof."""
    rules = site.folder / "site.toml"
    with annas_phone(browser, site) as page:
        rules.write_text(rules.read_text().replace('to = "22:00"', 'to = "17:30"'))
        reload(site)
        expect(page.locator("#wire")).to_have_text("On the wire: black", timeout=MS)
        site.ask("POST", "/api/overrides", {"kind": "call", "show": "short", "zone": "roof"})
        wait_until(lambda: brightest(site, 1) > 200, "light on the roof")
        assert brightest(site, 2) == 0
        expect(page.locator("#wire")).to_have_text("On the wire: light, only in parts of the rig", timeout=MS)
        page.locator("#pause").tap()
        expect(page.locator("#message")).to_contain_text("Paused for 15 minutes.", timeout=MS)
        wait_until(site.black, "a black wire")
        expect(page.locator("#wire")).to_have_text("On the wire: black", timeout=MS)


def test_where_zones_hold_the_whole_rig_only_they_count(browser: Browser, site: Board) -> None:
    rig = site.folder / "rig.toml"
    rig.write_text(rig.read_text() + '\n[[zone]]\nname = "house"\ncontrollers = ["left"]\n')
    reload(site)
    assert zones(site) == ["roof", "house"]
    with annas_phone(browser, site) as page:
        page.locator("#zones").get_by_role("button", name="house").tap()
        page.locator("#part").get_by_role("button", name="Off for tonight").tap()
        wait_until(site.black, "a black wire")
        expect(page.locator("#wire")).to_have_text("On the wire: black", timeout=MS)
        expect(page.locator("#state")).to_have_text("Part by part")
        expect(page.locator("#differing")).to_contain_text("house Dark")


def test_what_is_out_of_service_is_listed_quietly_and_an_operator_ends_it(browser: Browser, site: Board) -> None:
    asked = {"kind": "out-of-service", "zone": "ridge", "why": "it flickers", "until": "2026-12-19"}
    site.ask("POST", "/api/overrides", asked)
    with phone(browser) as context, phone(browser) as another:
        page, looking = signed_in(context, site), signed_in(another, site, "Ben's phone", "viewer")
        for each in (page, looking):
            expect(each.locator("#out-of-service li")).to_contain_text("ridge: it flickers", timeout=MS)
            expect(each.locator("#out-of-service li")).to_contain_text("by this machine, until 19 Dec 2026, 12:00")
            expect(each.locator("#health")).not_to_contain_text(re.compile("ridge|service|flickers"))
            expect(each.locator("#by-hand")).to_be_hidden()
        expect(looking.locator("#out-of-service button")).to_have_count(0)
        expect(looking.locator("#parts")).to_be_hidden()
        expect(looking.locator("#differing li")).to_contain_text("roof Dark")
        page.get_by_role("button", name="ridge: back in service").tap()
        expect(page.locator("#out-of-service")).to_be_hidden(timeout=MS)
        assert site.ask("GET", "/api/now")["overrides"] == []


def test_a_line_has_the_rule_that_makes_a_zone_differ(browser: Browser, site: Board) -> None:
    rules = site.folder / "site.toml"
    text = rules.read_text().replace("[output]\n", "[output]\nbrightness = 0.8\n")
    rules.write_text(text + '\n[[output.zone]]\nname = "roof"\nbrightness = 0.4\n')
    reload(site)
    with annas_phone(browser, site) as page:
        expect(page.locator("#differing li")).to_have_text(
            re.compile(r"^roof Playing: (tide|lanterns), at 40 %Brightness 0\.4\.$"), timeout=MS
        )


def test_a_rig_without_zones_has_the_page_as_before(browser: Browser, site: Board) -> None:
    rig = site.folder / "rig.toml"
    rig.write_text(rig.read_text().replace('group = "roof"\n', ""))
    reload(site)
    assert zones(site) == []
    with annas_phone(browser, site) as page:
        for part in ("#differing", "#parts", "#out-of-service"):
            expect(page.locator(part)).to_be_hidden()


def test_a_zone_that_leaves_the_rig_takes_its_buttons_along(browser: Browser, site: Board) -> None:
    with annas_phone(browser, site) as page:
        page.get_by_role("button", name="roof").tap()
        expect(page.locator("#part")).to_be_visible()
        rig = site.folder / "rig.toml"
        rig.write_text(rig.read_text() + '\n[[zone]]\nname = "path"\nstrings = ["railing"]\n')
        reload(site)
        expect(page.get_by_role("button", name="path")).to_be_visible(timeout=MS)
        expect(page.locator("#part")).to_be_visible()
        rig.write_text(rig.read_text().replace('group = "roof"\n', ""))
        reload(site)
        expect(page.get_by_role("button", name="roof")).to_have_count(0, timeout=MS)
        expect(page.locator("#part")).to_be_hidden()


def many_zones(site: Board) -> None:
    rig = site.folder / "rig.toml"
    tables = (f'\n[[zone]]\nname = "{name}"\nstrings = ["railing"]\n' for name in MANY)
    rig.write_text(rig.read_text() + "".join(tables))
    reload(site)
    assert len(zones(site)) == len(MANY) + 1


def test_zones_suit_a_thumb_and_axe_finds_nothing_wrong(browser: Browser, site: Board) -> None:
    many_zones(site)
    site.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5, "zone": MANY[-1]})
    site.ask("POST", "/api/overrides", {"kind": "out-of-service", "zone": "ridge", "why": "it flickers"})
    with phone(browser, bypass_csp=True) as context:
        page = signed_in(context, site)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for name in ("window 1", MANY[-1]):
                page.locator("#zones").get_by_role("button", name=name, exact=True).tap()
                expect(page.locator("#part-name")).to_have_text(name)
                assert_uncovered(page, page.locator("#part").get_by_role("button", name="50 %").bounding_box())
        page.locator("#part").get_by_role("button", name="Give a show now").tap()
        expect(page.get_by_role("button", name="short, 30 min")).to_be_visible(timeout=MS)
        assert_clean(page, ("light", 390, 844), ("dark", 390, 844), ("dark", 320, 568))
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for zoom in ("100%", "200%"):
                page.evaluate("(zoom) => { document.documentElement.style.fontSize = zoom; }", zoom)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, zoom
                small = page.evaluate(
                    """() => [...document.querySelectorAll("button")].filter((each) => each.checkVisibility())
                    .filter((each) => each.offsetWidth < 48 || each.offsetHeight < 48)
                    .map((each) => each.textContent)"""
                )
                assert small == [], (width, zoom)


def assert_uncovered(page: Page, box: dict[str, float] | None) -> None:
    """The middle of a box is on the screen, and nothing is above it."""
    assert box
    middle = [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2]
    assert page.evaluate("([x, y]) => document.elementFromPoint(x, y)?.textContent", middle) == "50 %"


HOLDS = """
[[hold]]
name = "wind"
http = true
above = 14
if_silent = "hold"
silent_after = "1 s"
may_end = true

[[hold]]
name = "spray"
http = true
equals = "storm"
makes = "dim"
level = 0.3
zone = "roof"
if_silent = "hold"
silent_after = "1 s"
"""


def test_a_hold_says_why_and_is_ended_for_an_hour_where_the_site_allows_it(browser: Browser, site: Board) -> None:
    plain = (site.folder / "site.toml").read_text()
    with phone(browser) as context:
        page = signed_in(context, site)
        (site.folder / "site.toml").write_text(plain + HOLDS)
        reload(site)
        wind, spray = (page.locator("#holds li").filter(has_text=name) for name in ("Wind: ", "Spray: "))
        expect(wind).to_contain_text(re.compile(r"Wind: no reading since [\d:]+\.\s*Dark by a hold"), timeout=MS)
        expect(spray).to_contain_text(re.compile(r"Spray: no reading since [\d:]+\.\s*roof: Dimmed by a hold, to 30 %"))
        expect(spray.get_by_role("button")).to_have_count(0)
        expect(page.locator("#state")).to_have_text("Dark")
        expect(page.locator("#why")).to_be_empty()  # the line of the hold says it
        expect(page.locator("#by-hand")).to_be_hidden()
        assert_clean(page, ("light", 390, 844), ("dark", 390, 844), ("light", 320, 568))
        wind.get_by_role("button", name="End it for an hour").tap()
        expect(page.locator("#message")).to_contain_text("The hold wind is ended for an hour.", timeout=MS)
        expect(wind).to_have_count(0, timeout=MS)
        expect(spray).to_have_count(1)
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
    (site.folder / "site.toml").write_text(plain)
    reload(site)
    wait_until(lambda: not site.ask("GET", "/api/now")["overrides"], "the end of the holds")


@needs("mosquitto")
def test_any_board_s_page_says_who_is_in_contact_and_on_whose_wire_a_pause_is(
    browser: Browser, site: Board, tmp_path: Path
) -> None:
    """Three boards, of which one loses its power; and a thumb that taps too often."""
    with annas_phone(browser, site) as page, Mosquitto(tmp_path) as broker:
        line, message = page.locator("#boards-line"), page.locator("#message")
        expect(line).to_be_hidden()
        expect(page.locator("#boards")).to_be_hidden()
        with (site.folder / "site.toml").open("a") as file:
            file.write(BOARDS.format(this=board_name(), far="left", broker=broker.url("pier-road")))
        reload(site)
        with light_boards(broker, "pier-road", "east", "spare", program="0.1.0") as others:
            expect(line).to_have_text("3 of 3 boards in contact.", timeout=MS)
            page.get_by_text("Boards", exact=True).tap()
            rows = page.locator("#boards li")
            page.get_by_role("button", name="PAUSE").tap()
            expect(message).to_contain_text(re.compile(r"^Paused for 15 minutes\. .*\d of 3 on the wire"), timeout=MS)
            for name in others:  # also one that was late
                expect(rows.filter(has_text=name)).to_contain_text("Paused: black", timeout=MS)
            big_button_is_ready(page)
            page.get_by_role("button", name="RESUME").tap()
            expect(message).to_contain_text(re.compile(r"^Resumed\. .*\d of 3 on the wire"), timeout=MS)
            others["east"].lose()
            away = r"east: no contact since 18:\d\d"
            expect(line).to_have_text(re.compile(rf"^2 of 3 boards in contact; {away}\.$"), timeout=MS)
            expect(line).to_have_class("bad")
            big_button_is_ready(page)
            with broker.listen("pier-road/facts/+") as facts:
                button = page.get_by_role("button", name="PAUSE")
                button.evaluate("(button) => { for (let tap = 0; tap < 8; tap += 1) button.click(); }")
                later = r"A board without contact plays on, and gets this when it is back\.$"
                expect(message).to_have_text(re.compile(rf"\d of 3 on the wire.* {away}\b.* {later}"), timeout=MS)
                assert len(site.ask("GET", "/api/now")["overrides"]) == 1
                assert len([one for one in facts if not one.retain]) == 1
            expect(rows).to_have_count(3, timeout=MS)
            wrong = "2 of 3 with something wrong, first in the list."  # this one has no sound device
            expect(page.locator("#boards")).to_contain_text(wrong, timeout=MS)
            expect(rows.nth(1)).to_contain_text(
                re.compile(r"^east no contact since 18:\d\dFeeds left; program 0\.1\.0$")
            )
            expect(rows.filter(has_text="spare")).to_contain_text(f"Spare for {board_name()}")
            assert_clean(page)
            back = LightBoard(broker, "pier-road", "east")
            expect(line).to_have_text("3 of 3 boards in contact.", timeout=MS)
            expect(page.locator("#boards")).to_contain_text("1 of 3 with something wrong", timeout=MS)
            back.lose()


BLACK = {"on_the_wire": True, "contact": True, "text": "black"}
LATE = {"on_the_wire": False, "contact": True, "text": "it has not confirmed this"}
AWAY = {"on_the_wire": False, "contact": False, "text": "no contact since 20:14"}
PLAYS_ON = "A board without contact plays on, and gets this when it is back."


@pytest.mark.parametrize(
    ("boards", "message"),
    [
        ([], "Paused. On the wire: black."),
        ([BLACK, BLACK, BLACK], "Paused. 3 of 3 on the wire: black."),
        ([BLACK, LATE], "Paused. 1 of 2 on the wire: black. 2: it has not confirmed this."),
        ([BLACK, AWAY, BLACK], f"Paused. 2 of 3 on the wire: black. 2: no contact since 20:14. {PLAYS_ON}"),
        (
            [BLACK, AWAY, AWAY, AWAY, AWAY, LATE],
            "Paused. 1 of 6 on the wire: black. 2: no contact since 20:14; 3: no contact since 20:14; "
            f"4: no contact since 20:14 and 2 more. {PLAYS_ON}",
        ),
        (
            [LATE, BLACK],
            "Paused. It is stored, but not on the wire: it has not confirmed this. 1 of 2 on the wire.",
        ),
    ],
)
def test_the_message_counts_the_boards_and_names_those_where_it_is_not_on_the_wire(
    browser: Browser, site: Board, boards: list[dict[str, object]], message: str
) -> None:
    named = [{**one, "name": str(place)} for place, one in enumerate(boards, 1)]
    here = boards[0] if boards else BLACK
    answer = {"on_the_wire": here["on_the_wire"], "wire": here["text"], **({"boards": named} if boards else {})}
    with annas_phone(browser, site) as page:
        assert page.evaluate("(answer) => outcome(answer, 'Paused.')", answer) == message


def test_of_a_thousand_boards_those_with_something_wrong_come_first_and_one_is_found_by_name(
    browser: Browser, site: Board
) -> None:
    with (site.folder / "site.toml").open("a") as file:
        file.write(BOARDS.format(this=board_name(), far="left", broker="mqtt://127.0.78.4:1/nobody"))
    reload(site)

    def thousand(route: Route) -> None:
        answer = route.fetch()
        found = answer.json()
        one = {**found["boards"][0], "this": False, "contact": True, "text": "in contact", "troubles": 0}
        away = {"contact": False, "text": "no contact since 18:04"}
        boards = [{**one, "name": f"hut-{number}", **(away if number == 777 else {})} for number in range(1000)]
        route.fulfill(response=answer, json={**found, "boards": boards})

    with annas_phone(browser, site) as page:
        page.route("**/api/boards", thousand)
        page.get_by_text("Boards", exact=True).tap()
        section, rows = page.locator("#boards"), page.locator("#boards li")
        expect(section).to_contain_text(
            "1 of 1,000 with something wrong, first in the list. The first 40 of 1,000 are here.", timeout=MS
        )
        expect(rows).to_have_count(40)
        expect(rows.first).to_contain_text("hut-777 no contact since 18:04")
        page.get_by_label("Find a board by its name").fill("HUT-99")
        expect(rows).to_have_count(11)
        assert_clean(page)
        page.get_by_label("Find a board by its name").fill("boathouse")
        expect(section).to_contain_text("There is no board of this name.")
