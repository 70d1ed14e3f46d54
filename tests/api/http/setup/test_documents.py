"""Documents of the set-up: whole pages that run nothing and fetch nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.api.house import house, run

TITLES = {
    "season": "Pier Road boathouse: 12 December 2026 to ",
    "sheet": "Wiring sheet: Pier Road boathouse",
    "journal": "Pier Road boathouse: the journal",
    "report": "Pier Road boathouse: the season as it was",
}


@pytest.mark.parametrize("name", sorted(TITLES))
def test_a_document_is_a_whole_page_that_may_do_nothing(name: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.device("owner")) as owner:
            answer = await owner.get(f"/api/setup/documents/{name}")
            assert answer.status_code == 200
            assert answer.headers["content-type"] == "text/html; charset=utf-8"
            assert f"<h1>{TITLES[name]}" in answer.text
            assert answer.text.startswith("<!doctype html>") and answer.text.rstrip().endswith("</html>")
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy and "script" not in policy
            assert "frame-ancestors 'self'" in policy
            assert answer.headers["cache-control"] == "no-store"

    run(work())


@pytest.mark.parametrize("name", sorted(TITLES))
def test_a_name_with_markup_is_text(name: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board:
            site = home.planner.site.folder / "site.toml"
            site.write_text(site.read_text().replace("Pier Road boathouse", "<script>alert(1)</script>"))
            assert (await board.post("/api/reload")).json()["taken_over"]
            text = (await board.get(f"/api/setup/documents/{name}")).text
            assert "<script" not in text and "&lt;script&gt;alert(1)" in text

    run(work())
