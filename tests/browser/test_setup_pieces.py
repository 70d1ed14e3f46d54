"""The section Pieces of the set-up in Debian's Chromium: a file becomes a piece, also past a cut connection."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, Route, expect

from gloaming.shows.framefile.edit import frames_of
from tests.browser.board import MS, Board, board, phone, set_up
from tests.tools import needs

pytestmark = needs("chromium", "fonts")

HOST = "127.0.78.6"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    with board(tmp_path_factory.mktemp("board") / "site", HOST) as one:
        yield one


def take(page: Page, name: str, button: str) -> None:
    page.get_by_label("Name of the piece").fill(name)
    page.get_by_role("button", name=button).click()


def test_a_file_becomes_a_piece_is_deleted_and_comes_back(browser: Browser, site: Board, tmp_path: Path) -> None:
    """Its connection is cut twice. It goes on by itself, and after a reload when the same file is chosen again."""
    frames = np.random.default_rng(1).integers(0, 256, (14_000, 755), np.uint8)  # more than one part
    np.save(tmp_path / "swell.npy", frames)
    cuts: list[str] = []

    def cut(route: Route) -> None:
        if route.request.method == "PATCH" and len(cuts) < 2:
            cuts.append(route.request.headers["upload-offset"])
            route.abort("connectionreset")
        else:
            route.continue_()

    with phone(browser, viewport={"width": 1280, "height": 900}) as context:
        page = set_up(context, site, "pieces")
        page.route("**/api/setup/uploads/*", cut)
        page.set_input_files("#files", tmp_path / "swell.npy")
        expect(page.get_by_role("progressbar", name="upload of swell.npy")).to_be_visible(timeout=MS)
        page.reload()
        expect(page.locator(".uploads")).to_contain_text("Choose the same file again to go on.", timeout=MS)
        page.set_input_files("#files", tmp_path / "swell.npy")
        take(page, "swell", "Take it as a new piece")
        row = page.locator(".pieces li", has_text="swell")
        expect(row).to_contain_text("5:50, 40 frames a second, universes 1-2", timeout=4 * MS)
        assert len(cuts) == 2
        there = np.concatenate([*frames_of(site.folder / "pieces" / "swell.frames")])
        assert np.array_equal(there, frames)
        row.get_by_role("button", name="Delete swell").click()
        expect(page.locator(".deleted")).to_contain_text("swell was deleted.", timeout=MS)
        assert not (site.folder / "pieces" / "swell.frames").exists()
        page.get_by_role("button", name="Undo: restore swell").click()
        expect(row).to_be_visible(timeout=MS)
        refused = page.locator(".pieces li", has_text="tide").get_by_role("button", name="Delete tide")
        refused.click()
        expect(page.locator("#message")).to_have_text(
            "Refused: tide is in the running order of evening; take it out of the order first", timeout=MS
        )


def test_a_dropped_file_that_is_refused_says_why_and_may_be_removed(browser: Browser, site: Board) -> None:
    """On a phone, by drag and drop. The new one takes the place of the old one only when it is whole."""
    drop = """(area) => {
        const data = new DataTransfer();
        data.items.add(new File([new Uint8Array(3000)], "tide.frames"));
        area.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
    }"""
    with phone(browser) as context:
        page = set_up(context, site, "pieces")
        before = (site.folder / "tide.frames").read_bytes()
        page.locator(".drop").evaluate(drop)
        take(page, "tide", "Replace the frames of tide")
        expect(page.locator(".uploads .bad")).to_contain_text("tide.frames: ", timeout=MS)
        assert (site.folder / "tide.frames").read_bytes() == before
        page.get_by_role("button", name="Remove the upload of tide.frames").click()
        expect(page.locator(".uploads li")).to_have_count(0, timeout=MS)
