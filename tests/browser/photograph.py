"""The pictures in the READMEs: python -m tests.browser.photograph. The page by day and by night, on a phone and on a
desktop; the season and a survey of the demonstration; the wiring sheet of the quay."""

from __future__ import annotations

import os
import tempfile
from importlib.metadata import version
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, expect

from gloaming.api.cli.main import main as gloaming
from gloaming.daemon.site.board_name import VARIABLE
from gloaming.shows.demonstration.season import make_season
from tests.browser.board import MS, Board, big_button_is_ready, board, chromium, phone, set_up, signed_in
from tests.browser.test_setup_site import changed, set_up_text
from tests.browser.test_zones import BOARDS
from tests.light_boards import light_boards
from tests.mosquitto import Mosquitto
from tests.places import TOP
from tests.waiting import wait_until

SEEN = Path(__file__).with_name("seen")
COLOURS = 128
PHONE, DESKTOP, WIDE, SHEET, PORTS = (390, 844), (1000, 720), (1280, 900), (1000, 1150), (880, 872)
"""Width and height of the pictures, in pixels."""
PATH = '\n[[zone]]\nname = "path"\nstrings = ["railing"]\n'


def main() -> None:
    """Take all of them."""
    SEEN.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        chromium() as browser,
        board(Path(folder) / "site", "127.0.78.30", at="2026-12-12T21:40") as site,
    ):
        season_and_survey(browser, Path(folder) / "demonstration")
        wiring_sheet(browser, Path(folder) / "pier-road")
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
        desktop(browser, site)
        zones(browser, site)
        rig_check(browser, site)
        set_up_site(browser, site)
        set_up_pieces(browser, site, Path(folder))
        set_up_documents(browser, site)
        several_boards(browser, Path(folder))


def several_boards(browser: Browser, folder: Path) -> None:
    """Three boards, of which one has lost its power: after a pause, and the list of the boards."""
    far = '\n[[controller]]\nname = "far"\nhost = "127.0.78.33"\nuniverses = "3"\n'
    clock = {"by": "chrony", "error_ms": 0.4, "trusted": True}
    os.environ[VARIABLE] = "quay"
    with (
        Mosquitto(folder) as broker,
        board(
            folder / "boards" / "site",
            "127.0.78.32",
            at="2026-12-12T20:14",
            rig=lambda text: text + far,
            phone=BOARDS.format(this="quay", far="far", broker=broker.url("pier-road")),
        ) as site,
        light_boards(broker, "pier-road", "east", "spare", program=version("gloaming"), clock=clock) as others,
    ):
        others["spare"].say(address="https://192.0.2.13:8080")
        wait_until(lambda: site.ask("GET", "/api/now")["boards"]["in_contact"] == 3, "three boards", every_s=0.5)
        others["east"].lose()
        wait_until(lambda: site.ask("GET", "/api/now")["health"]["troubles"], "a trouble", every_s=0.5)
        for scheme in ("dark", "light"):
            with phone(browser, color_scheme=scheme) as context:
                page = signed_in(context, site)
                page.locator("#pause").click()
                expect(page.locator("#message")).to_contain_text("2 of 3 on the wire: black.", timeout=MS)
                expect(page.locator("#state")).to_have_text("Paused", timeout=MS)
                page.wait_for_timeout(500)
                keep(page, f"boards-paused-{scheme}")
                page.evaluate("showMessage('')")
                page.locator("#boards summary").click()
                expect(page.locator("#boards li")).to_have_count(3, timeout=MS)
                page.evaluate("scrollTo(0, boards.offsetTop - 16)")
                page.wait_for_timeout(500)
                keep(page, f"boards-{scheme}")
                big_button_is_ready(page)
                page.locator("#pause").click()
                wait_until(site.lit, "light")


def zones(browser: Browser, site: Board) -> None:
    """The roof after two taps, and a railing that is out of service."""
    rig = site.folder / "rig.toml"
    rig.write_text(rig.read_text() + PATH)
    site.ask(
        "POST",
        "/api/overrides",
        {"kind": "out-of-service", "zone": "railing", "why": "it flickers", "until": "2026-12-19"},
    )
    for scheme in ("dark", "light"):
        with phone(browser, color_scheme=scheme) as context:
            page = signed_in(context, site)
            page.locator("#zones").get_by_role("button", name="roof").tap()
            page.locator("#part").get_by_role("button", name="50 %").tap()
            expect(page.locator("#differing")).to_contain_text("roof Playing: tide, at 50 %", timeout=MS)
            page.evaluate("showMessage('')")
            page.evaluate("scrollTo(0, differing.offsetTop - 16)")
            page.wait_for_timeout(500)
            keep(page, f"zones-{scheme}")


def set_up_site(browser: Browser, site: Board) -> None:
    """Site at /setup with an earlier opening, not saved: in a wide window, and on a phone."""
    for name, scheme, size in (("setup-site", "light", WIDE), ("setup-site-dark", "dark", PHONE)):
        with phone(browser, color_scheme=scheme, viewport=sized(size)) as context:
            page = set_up_text(context, site)
            page.get_by_label("Opens").fill("16:40")
            changed(page)
            page.get_by_label("Opens").blur()
            page.wait_for_timeout(500)
            if size == PHONE:
                page.evaluate("document.querySelector('.order').closest('fieldset').scrollIntoView()")
            keep(page, name, size)


def set_up_pieces(browser: Browser, site: Board, folder: Path) -> None:
    """Pieces at /setup with a GIF that has arrived: in a wide window, and on a phone."""
    fire = Image.new("RGB", (64, 32), (255, 120, 20))
    fire.save(folder / "fire.gif", save_all=True, append_images=[fire] * 3, duration=50)
    for name, scheme, size in (("setup-pieces", "dark", WIDE), ("setup-pieces-light", "light", PHONE)):
        with phone(browser, color_scheme=scheme, viewport=sized(size)) as context:
            page = set_up(context, site, "pieces")
            if size == WIDE:
                page.set_input_files("#files", folder / "fire.gif")
            expect(page.get_by_label("Name of the piece")).to_be_visible(timeout=MS)
            page.wait_for_timeout(12_000)  # the pictures are drawn
            page.reload()
            expect(page.get_by_label("Name of the piece")).to_be_visible(timeout=MS)
            page.wait_for_timeout(500)
            keep(page, name, size)


def set_up_documents(browser: Browser, site: Board) -> None:
    """A survey in a wide window, and the report of the season on a phone."""
    site.ask("POST", "/api/setup/documents/survey/making")
    for section, name, scheme, size in (
        ("survey", "setup-survey", "light", WIDE),
        ("report", "setup-report-dark", "dark", PHONE),
    ):
        with phone(browser, color_scheme=scheme, viewport=sized(size)) as context:
            page = set_up(context, site, section)
            expect(page.locator("iframe.document")).to_be_visible(timeout=MS)
            page.wait_for_timeout(1500)
            keep(page, name, size)


def rig_check(browser: Browser, site: Board) -> None:
    """A pixel of the ridge that is about to be marked, and the repairs list."""
    for scheme in ("dark", "light"):
        with phone(browser, color_scheme=scheme) as context:
            page = signed_in(context, site)
            page.locator("#check summary").tap()
            page.get_by_label("Where").select_option(label="ridge")
            number = page.get_by_role("textbox", name="Pixel")
            for typed, fault in (("112", "Loose"), ("37", "Dead"), ("38", "Cut out")):
                number.fill(typed)
                number.press("Enter")
                expect(page.locator("#message")).to_contain_text(f"Pixel {typed}, white of string ridge.", timeout=MS)
                page.get_by_role("button", name="Mark it").tap()
                page.get_by_role("button", name=fault).tap()
                expect(page.locator("#message")).to_contain_text("is marked", timeout=MS)
            page.evaluate("showMessage('')")
            page.evaluate("scrollTo(0, check.offsetTop - 16)")
            page.wait_for_timeout(500)
            keep(page, f"check-{scheme}")
            page.locator("#repairs summary").tap()
            expect(page.locator("#repairs li")).to_have_count(3, timeout=MS)
            page.evaluate("scrollTo(0, repairs.offsetTop - 16)")
            page.wait_for_timeout(500)
            keep(page, f"repairs-{scheme}")
            page.get_by_role("button", name="End the check").tap()
            expect(page.locator("#state")).to_have_text("Playing", timeout=MS)


def paused(page: Page, site: Board) -> None:
    page.locator("#pause").click()
    wait_until(site.black, "a black wire")
    expect(page.locator("#message")).to_have_text("Paused for 15 minutes. On the wire: black.", timeout=MS)


def desktop(browser: Browser, site: Board) -> None:
    """The page in a wide window, with what people open there."""
    with browser.new_context(viewport=sized(DESKTOP), device_scale_factor=2, locale="en-GB") as context:
        page = context.new_page()
        page.goto(site.link())
        page.get_by_label("What this phone is called").fill("Boathouse desk")
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#state")).to_have_text("Playing", timeout=MS)
        page.locator("#view summary").click()
        page.wait_for_timeout(2000)
        page.evaluate("window.scrollTo(0, 0)")
        keep(page, "desktop", DESKTOP)


def season_and_survey(browser: Browser, folder: Path) -> None:
    """The season's picture and the first sheet of a survey, of the demonstration."""
    make_season(folder, "127.0.78.31", "127.0.78.31:8080")
    season, survey = folder / "season.svg", folder / "survey.html"
    gloaming(["nights", str(folder), "--from", "2026-11-27", "--svg", str(season)])
    gloaming(["survey", str(folder), "--ask-nobody", "--html", str(survey)])
    with browser.new_context(viewport=sized(SHEET), device_scale_factor=2, color_scheme="light") as context:
        page = context.new_page()
        page.goto(season.as_uri())
        wide, high = page.evaluate("['width', 'height'].map(side => document.documentElement[side].baseVal.value)")
        page.set_viewport_size(sized((round(wide), round(high))))
        keep(page, "season", (SHEET[0], round(SHEET[0] * high / wide)))
        page.set_viewport_size(sized(SHEET))
        page.goto(survey.as_uri())
        page.wait_for_timeout(500)
        keep(page, "survey", SHEET)


def wiring_sheet(browser: Browser, folder: Path) -> None:
    """The ports of the first controller."""
    folder.mkdir()
    gloaming(["rig", "import", str(TOP / "shows" / "demonstration" / "quay.csv"), str(folder)])
    gloaming(["rig", "sheet", str(folder), "--html", str(folder / "sheet.html")])
    with browser.new_context(viewport=sized(PORTS), device_scale_factor=2) as context:
        page = context.new_page()
        page.goto((folder / "sheet.html").as_uri())
        page.evaluate("document.querySelector('.controller').scrollIntoView()")
        keep(page, "sheet", PORTS)


def sized(size: tuple[int, int]) -> ViewportSize:
    return {"width": size[0], "height": size[1]}


def keep(page: Page, name: str, size: tuple[int, int] = PHONE) -> None:
    """A picture of what is on the screen, in few colours."""
    path = SEEN / f"{name}.png"
    page.screenshot(path=path)
    with Image.open(path) as picture:
        picture.convert("RGB").resize(size, Image.Resampling.LANCZOS).quantize(COLOURS).save(path, optimize=True)


if __name__ == "__main__":
    main()
