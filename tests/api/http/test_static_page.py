"""The page and its parts: compressed, cached, and nothing else of the folder."""

from __future__ import annotations

import asyncio
import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

import pytest

from gloaming.api.http.static_page import FOLDER
from tests.api.house import House, house, run

TOTAL_BYTES_MAX, SETUP_BYTES_MAX = 60_000, 300_000
BELOW = {"/": "/page", "/setup": "/setup"}
PARTS = {"/": FOLDER / "static", "/setup": FOLDER / "setup"}
WITHIN = {"setup.html", "setup.css", "setup.js"}
"""What is inside the page of the set-up, and is not served by itself."""
ALL_PARTS = sorted((page, path.name) for page in PARTS for path in PARTS[page].iterdir() if path.name not in WITHIN)
PACKED = {"Accept-Encoding": "gzip"}


async def tag_of(home: House, page: str = "/") -> str:
    async with home.client() as phone:
        (tag,) = set(re.findall(rf'"{BELOW[page]}/(\w+)/', (await phone.get(page)).text))
        return str(tag)


@pytest.mark.parametrize("page", sorted(PARTS))
def test_the_page_allows_only_its_own_script_and_style_by_hash(page: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            answer = await phone.get(page)
            assert answer.headers["content-type"] == "text/html; charset=utf-8"
            policy = answer.headers["content-security-policy"]
            for tag in ("script", "style"):
                (within,) = re.findall(rf"<{tag}>(.*?)</{tag}>", answer.text, re.DOTALL)
                assert f"'sha256-{b64encode(sha256(within.encode()).digest()).decode()}'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"

    run(work())


@pytest.mark.parametrize("page", sorted(PARTS))
def test_the_page_is_revalidated_each_time_and_sent_if_it_has_changed(page: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            answer = await phone.get(page)
            assert answer.headers["cache-control"] == "no-cache"
            known = await phone.get(page, headers={"If-None-Match": answer.headers["etag"]})
            assert (known.status_code, known.content) == (304, b"")
            assert known.headers["etag"] == answer.headers["etag"]
            assert known.headers["content-security-policy"] == answer.headers["content-security-policy"]
            assert (await phone.get(page, headers={"If-None-Match": '"another"'})).status_code == 200

    run(work())


@pytest.mark.parametrize("page", sorted(PARTS))
def test_a_link_on_another_site_opens_a_page_and_asks_for_nothing_else(page: str, tmp_path: Path) -> None:
    """The browser says where a request comes from (Fetch Metadata Request Headers, W3C, 2.2)."""

    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as browser:
            elsewhere = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
            assert (await browser.get(page, headers=elsewhere)).status_code == 200
            assert (await browser.get("/api/now", headers=elsewhere)).status_code == 403
            assert (await browser.get("/api/setup/documents/sheet", headers=elsewhere)).status_code == 403

    run(work())


@pytest.mark.parametrize(("page", "name"), ALL_PARTS)
def test_a_part_is_cached_for_ever_only_under_the_tag_of_the_parts(page: str, name: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            path = f"{BELOW[page]}/{await tag_of(home, page)}/{name}"
            answer = await phone.get(path)
            assert answer.content == (PARTS[page] / name).read_bytes()
            assert answer.headers["cache-control"] == "max-age=31536000, immutable"
            known = await phone.get(path, headers={"If-None-Match": answer.headers["etag"]})
            assert (known.status_code, known.content) == (304, b"")
            before = await phone.get(f"{BELOW[page]}/0123456789abcdef/{name}")  # a page that was open over an upgrade
            assert before.content == answer.content
            assert before.headers["cache-control"] == "no-cache"
            head = await phone.head(path)
            assert (head.status_code, head.content) == (200, b"")
            assert (await phone.post(path)).status_code == 405

    run(work())


@pytest.mark.parametrize(("page", "bytes_max"), [("/", TOTAL_BYTES_MAX), ("/setup", SETUP_BYTES_MAX)])
def test_text_is_compressed_and_the_whole_page_is_small(page: str, bytes_max: int, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            tag, total = await tag_of(home, page), 0
            for path in (page, *(f"{BELOW[page]}/{tag}/{name}" for of, name in ALL_PARTS if of == page)):
                async with phone.stream("GET", path, headers=PACKED) as answer:
                    total += len(b"".join([chunk async for chunk in answer.aiter_raw()]))
                    if not path.endswith(".png"):
                        assert (answer.headers["content-encoding"], answer.headers["vary"]) == (
                            "gzip",
                            "Accept-Encoding",
                        )
                plain = await phone.get(path, headers={"Accept-Encoding": "identity"})
                assert "content-encoding" not in plain.headers
            assert total < bytes_max

    run(work())


def test_events_are_not_compressed(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            asking = asyncio.create_task(phone.get("/api/events", headers=PACKED))
            while not asking.done():
                home.app.state.streams.end_all()  # a stream would never end by itself
                await asyncio.sleep(0.05)
            assert "content-encoding" not in asking.result().headers
            assert asking.result().text.startswith("retry: ")

    run(work())


@pytest.mark.parametrize(
    "name",
    [
        "page.html",
        "page.css",
        "page.js",
        "setup.html",
        "setup.js",
        "common.js",
        "..%2fpage.js",
        "%2e%2e/page.js",
        "static",
        "",
    ],
)
def test_the_sources_of_the_page_are_not_served(name: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            tag = await tag_of(home)
            own = await tag_of(home, "/setup")
            for path in (f"/{name}", f"/page/{name}", f"/page/{tag}/{name}", f"/setup/{own}/{name}"):
                answer = await phone.get(f"http://127.0.0.1:8080{path}")
                assert path == "/" or answer.status_code == 404, path

    run(work())
