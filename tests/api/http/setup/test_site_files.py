"""The site's files over HTTP: read, check, save, versions, and what a form changes."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from gloaming.daemon.planner import site_files
from gloaming.daemon.planner.site_files import ConflictCode
from gloaming.daemon.site import versions
from tests.api.house import House, house, run

SITE = "/api/setup/site"
LATER = ('from = "17:00"', 'from = "17:20"')
SHORTER = ('from = "23:00"', 'from = "23:30"')
WRONG = ('order = ["lanterns"]', 'order = ["lantern"]')


class Editor:
    """A browser with the editor open: the files as it read them."""

    def __init__(self, home: House, client: httpx.AsyncClient, read: dict[str, Any]) -> None:
        self.home, self.client, self.files, self.version = home, client, read["files"], read["version"]
        self.folder = home.planner.site.folder

    def texts(self, old: str, new: str, name: str = "site.toml") -> dict[str, str]:
        assert old in self.files[name]
        return {**self.files, name: self.files[name].replace(old, new)}

    async def save(self, files: dict[str, str], **more: Any) -> httpx.Response:
        return await self.client.put(SITE, json={"files": files, "version": self.version, **more})

    async def check(self, files: dict[str, str]) -> Any:
        answer = await self.client.post(f"{SITE}/check", json={"files": files})
        assert answer.status_code == 200, answer.text
        return answer.json()

    def on_disk(self) -> dict[str, str]:
        return {name: (self.folder / name).read_bytes().decode() for name in self.files}


@asynccontextmanager
async def editor(folder: Path, at: str = "2026-12-12T18:00") -> AsyncIterator[Editor]:
    async with house(folder, at) as home, home.client(home.device("owner", "the laptop")) as client:
        answer = await client.get(SITE)
        assert answer.status_code == 200
        yield Editor(home, client, answer.json())


def test_a_text_is_checked_and_saved_and_can_be_put_back(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            new = page.texts(*LATER)
            found = await page.check(new)
            assert (found["errors"], found["refused"]) == ([], [])
            assert found["changes"][0]["text"] == "366 nights open 20 minutes later"
            assert found["changes"][0]["nights"][0] == "2026-12-12"
            assert found["before_svg"].startswith("<svg") and found["before_svg"] != found["after_svg"]
            assert page.on_disk() == page.files, "a check saves nothing"
            answer = await page.save(new)
            assert answer.status_code == 200, answer.text
            assert answer.json()["taken_over"]
            assert page.on_disk() == new
            assert page.home.planner.nights(None, 1)[0]["opens"] == "2026-12-12T17:20:00+00:00"
            line = page.home.planner.journal(2, None, ("site",))[1]
            assert (line["who"], line["text"]) == (
                "the laptop", "the laptop has saved site.toml: 366 nights open 20 minutes later")  # fmt: skip
            newest, before = (await page.client.get(f"{SITE}/versions")).json()
            assert (newest["who"], newest["board"], newest["text"]) == (
                "the laptop", False, "366 nights open 20 minutes later")  # fmt: skip
            assert (before["who"], before["board"], before["version"]) == ("the board", True, page.version)
            assert (await page.client.get(f"{SITE}/versions/{before['id']}")).json()["files"] == page.files
            answer = await page.client.post(f"{SITE}/versions/{before['id']}/restore")
            assert answer.json() == {"version": page.version, "taken_over": True, "errors": []}
            assert page.on_disk() == page.files
            for answer in (
                await page.client.get(f"{SITE}/versions/99"),
                await page.client.post(f"{SITE}/versions/99/restore"),
            ):
                assert answer.status_code == 404

    run(work())


def test_of_two_browsers_the_second_is_told_and_loses_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            first, second = page.texts(*LATER), page.texts("Pier Road boathouse", "Pier Road")
            answers = await asyncio.gather(page.save(first), page.save(second))
            codes = sorted(answer.status_code for answer in answers)
            assert codes == [200, 409]
            refused = next(answer.json() for answer in answers if answer.status_code == 409)
            assert refused["code"] == ConflictCode.EDITED_MEANWHILE
            assert refused["files"] == page.on_disk()
            again = await page.client.put(SITE, json={"files": second, "version": refused["version"]})
            assert again.status_code == 200

    run(work())


def test_an_edit_on_the_board_is_a_version_and_is_not_overwritten(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            assert (await page.save(page.texts(*LATER))).status_code == 200
            on_board = page.texts(*LATER)["site.toml"] + "\n# by hand\n"
            (page.folder / "site.toml").write_text(on_board)
            read = (await page.client.get(SITE)).json()
            answer = await page.save(page.texts(*LATER))
            assert (answer.status_code, answer.json()["code"]) == (409, "edited-meanwhile")
            page.version = read["version"]
            assert (await page.save(page.texts("Pier Road boathouse", "Pier Road"))).status_code == 200
            kept = (await page.client.get(f"{SITE}/versions")).json()
            assert [one["board"] for one in kept] == [False, True, False, True]
            files = (await page.client.get(f"{SITE}/versions/{kept[1]['id']}")).json()["files"]
            assert files["site.toml"] == on_board

    run(work())


def test_shorter_hours_are_refused_with_the_reason_also_by_force_and_by_an_old_version(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            shorter = page.texts(*SHORTER)
            found = await page.check(shorter)
            (refused,) = found["refused"]
            assert refused["code"] == "neighbours-hours"
            assert "the dark hours 23:00 to 07:00 (site.toml:8)" in refused["text"]
            assert "from 23:00 on 12 December 2026 to 23:30" in refused["text"]
            wrong = {**shorter, "site.toml": shorter["site.toml"].replace(*WRONG)}
            for files, force in ((shorter, False), (shorter, True), (wrong, True)):
                answer = await page.save(files, force=force)
                assert (answer.status_code, answer.json()["code"]) == (409, "neighbours-hours"), answer.text
                assert answer.json()["refused"] == [refused]
            assert page.on_disk() == page.files
            longer = page.texts('from = "23:00"', 'from = "22:30"')
            assert (await page.save(longer)).status_code == 200
            answer = await page.client.post(f"{SITE}/versions/1/restore")
            assert (answer.status_code, answer.json()["code"]) == (409, "neighbours-hours")
            assert page.on_disk() == longer

    run(work())


@pytest.mark.parametrize("at", ["1980-01-01T00:00", "2099-12-31T12:00", "2150-01-01T00:00"])
def test_hours_are_refused_whatever_year_the_board_has(tmp_path: Path, at: str) -> None:
    async def work() -> None:
        async with editor(tmp_path, at) as page:
            answer = await page.save(page.texts(*SHORTER))
            assert (answer.status_code, answer.json().get("code")) == (409, "neighbours-hours"), answer.text
            assert (await page.save(page.texts(*LATER))).status_code == 200

    run(work())


def test_hours_do_not_become_shorter_by_two_saves(tmp_path: Path) -> None:
    """The zone goes with its string; then its slots come back under another name. The board's own file counts."""

    async def work() -> None:
        async with editor(tmp_path) as page:
            whole, roof = (
                'dark = [{ days = "daily", from = "23:00", to = "07:00" }',
                ', { from = "21:00", to = "23:00", zone = "roof" }]',
            )
            (page.folder / "site.toml").write_text(page.texts(f"{whole}]", f"{whole}{roof}")["site.toml"])
            assert await page.home.planner.reload("a test") is None
            page.version = (await page.client.get(SITE)).json()["version"]
            rig = page.files["rig.toml"]
            ridge = rig[rig.index("[[string]]") : rig.index('[[string]]\nname = "railing"')]
            gone = {**page.files, "rig.toml": rig.replace(ridge, "").replace('"1-2"', '"2"')}
            answer = await page.save(gone, force=True)
            assert answer.status_code == 200, "nothing is sent to those slots any more"
            page.version = answer.json()["version"]
            back = {**page.files, "rig.toml": rig.replace("ridge", "gable").replace('group = "roof"\n', "")}
            answer = await page.save(back)
            assert (answer.status_code, answer.json()["code"]) == (409, "neighbours-hours")
            assert "what was ridge" in answer.text
            assert "the board's own file of 2026-12-12" in answer.text

    run(work())


def test_a_mistake_saved_by_force_leaves_the_running_site(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            wrong = page.texts(*WRONG)
            answer = await page.save(wrong)
            assert (answer.status_code, answer.json()["code"]) == (409, "mistakes")
            (error,) = answer.json()["errors"]
            assert (error["file"], error["line"], error["key"]) == ("site.toml", 34, "show[1].order[0]")
            assert str(tmp_path) not in answer.text
            answer = await page.save(wrong, force=True)
            assert answer.status_code == 200
            assert not answer.json()["taken_over"]
            assert [one["line"] for one in answer.json()["errors"]] == [34]
            assert page.on_disk() == wrong
            assert page.home.planner.site.shows["short"].order == ("lanterns",)
            assert [one["line"] for one in (await page.client.get(SITE)).json()["errors"]] == [34]
            page.version = answer.json()["version"]
            unread = page.texts("[neighbours]", "[neighbours")
            answer = await page.save(unread, force=True)
            assert (answer.status_code, answer.json()["code"]) == (409, "neighbours-hours")
            assert "cannot be compared" in answer.json()["detail"]
            assert (await page.save(page.files)).json()["taken_over"]

    run(work())


def test_hours_that_a_file_with_a_mistake_has_added_count_too(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            longer = page.texts('from = "23:00"', 'from = "22:30"')["site.toml"].replace(*WRONG)
            (page.folder / "site.toml").write_text(longer)
            read = (await page.client.get(SITE)).json()
            page.version = read["version"]
            answer = await page.save(page.files)
            assert (answer.status_code, answer.json()["code"]) == (409, "neighbours-hours")
            page.files = read["files"]
            assert (await page.save(page.texts(WRONG[1], WRONG[0]))).json()["taken_over"]

    run(work())


def test_a_command_of_a_hook_is_not_added_over_http(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            hook = '\n[[hook]]\nat = "opening"\ncommand = ["/bin/touch", "/tmp/there"]\n'
            answer = await page.save({**page.files, "site.toml": page.files["site.toml"] + hook})
            assert (answer.status_code, answer.json()["code"]) == (409, "hook-command")
            assert "/bin/touch" in answer.json()["detail"]
            (page.folder / "site.toml").write_text(page.files["site.toml"] + hook)
            assert await page.home.planner.reload("a test") is None
            read = (await page.client.get(SITE)).json()
            page.files, page.version = read["files"], read["version"]
            assert (await page.save(page.texts(*LATER))).status_code == 200

    run(work())


def test_of_checks_that_wait_only_the_newest_of_a_device_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[str] = []
    check = site_files.SiteFiles._check

    def noted(self: site_files.SiteFiles, files: Any) -> Any:
        assert threading.current_thread() is not threading.main_thread(), "it would hold up the planner"
        ran.append(files["site.toml"].decode().splitlines()[-1])
        return check(self, files)

    monkeypatch.setattr(site_files.SiteFiles, "_check", noted)

    async def work() -> None:
        async with editor(tmp_path) as page, page.home.client(page.home.device("owner", "another")) as other:
            typed = [{**page.files, "site.toml": f"{page.files['site.toml']}# {number}"} for number in range(5)]
            clients = [page.client] * 4 + [other]
            asked = [
                client.post(f"{SITE}/check", json={"files": one}) for client, one in zip(clients, typed, strict=True)
            ]
            answers = await asyncio.gather(*asked)
            assert [answer.status_code for answer in answers] == [200, 409, 409, 200, 200]
            assert {answer.json().get("code") for answer in answers} == {None, "newer-check"}
            assert ran == ["# 0", "# 3", "# 4"]

    run(work())


def test_texts_that_no_file_can_hold_get_one_line(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            body = json.dumps({"files": {**page.files, "rig.toml": "\ud800"}, "version": page.version})
            answer = await page.client.put(SITE, content=body.encode(), headers={"Content-Type": "application/json"})
            assert answer.status_code == 422
            assert answer.json()["detail"].count("\n") == 0
            found = await page.check({**page.files, "site.toml": "name = \x00\n" + page.files["site.toml"]})
            assert [(one["file"], one["line"]) for one in found["errors"]] == [("site.toml", 1)]
            for asked in ({}, {"files": {}}, {"files": {"site.toml": "", "rig.toml": "", "x": ""}}, {"files": 1}):
                answer = await page.client.put(SITE, json={"version": "", **asked})
                assert answer.status_code == 422, asked
                assert len(answer.json()["detail"].splitlines()) == 1
            large = {**page.files, "rig.toml": "#" * (5 << 20)}
            assert (await page.save(large)).status_code == 413

    run(work())


@pytest.mark.parametrize("broken", ["the site", "the state"])
def test_on_a_disk_that_takes_nothing_one_line_says_so_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    def fails(*_: Any) -> None:
        raise OSError(30, "Read-only file system")

    async def work() -> None:
        async with editor(tmp_path) as page:
            with monkeypatch.context() as patch:
                patch.setattr(versions, "_replace" if broken == "the site" else "replace_file", fails)
                answer = await page.save(page.texts(*LATER))
            assert answer.status_code == 507
            assert "Read-only file system" in answer.json()["detail"]
            assert len(answer.json()["detail"].splitlines()) == 1
            assert page.on_disk() == page.files
            assert (await page.client.get(SITE)).json()["version"] == page.version
            kept = (await page.client.get(f"{SITE}/versions")).json()
            assert [one["board"] for one in kept] == ([True] if broken == "the site" else [])
            assert (await page.save(page.texts(*LATER))).status_code == 200

    run(work())


def test_a_byte_order_mark_and_windows_line_ends_stay(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            text = "\ufeff" + page.files["site.toml"].replace("\n", "\r\n")
            assert (await page.save({**page.files, "site.toml": text})).json()["taken_over"]
            assert (page.folder / "site.toml").read_bytes() == text.encode()
            read = (await page.client.get(SITE)).json()
            assert read["files"]["site.toml"] == text

    run(work())


def test_a_form_changes_the_text_and_saves_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            changes = [
                {"change": "opening", "performance": 0, "time": "17:20"},
                {"change": "order", "show": "evening", "order": ["lanterns", "tide"]},
            ]
            answer = await page.client.post(f"{SITE}/change", json={"files": page.files, "changes": changes})
            wanted = page.texts(*LATER)["site.toml"].replace('["tide", "lanterns"]', '["lanterns", "tide"]')
            assert answer.json() == {"files": {**page.files, "site.toml": wanted}}
            assert page.on_disk() == page.files
            for change, words in (
                ({"change": "opening", "performance": 7, "time": "17:20"}, "there is no such performance"),
                ({"change": "colour"}, "'colour' is not a change"),
                ({"performance": 0}, "change: missing"),
                ({"change": "brightness", "brightness": 60}, "60 is not a number from 0 to 1"),
            ):
                answer = await page.client.post(f"{SITE}/change", json={"files": page.files, "changes": [change]})
                assert answer.status_code == 422
                assert words in answer.json()["detail"], answer.text

    run(work())


def test_a_check_has_the_values_that_forms_show_right_or_wrong(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            values = (await page.check(page.files))["values"]
            (performance,) = values["performance"]
            assert (performance["show"], performance["from"], performance["to"]) == ("evening", "17:00", "22:00")
            assert values["show"][0] == {"name": "evening", "order": ["tide", "lanterns"]}
            assert values["output"] == {"brightness": 1.0, "zone": []}
            (dark,) = values["neighbours"]["dark"]
            assert (dark["days"], dark["from"], dark["to"]) == ("daily", "23:00", "07:00")
            assert "phone" not in values, "no form shows it, and it may hold secrets"
            for wrong, shown in (('"25:00"', "25:00"), ("17:00:00", "17:00:00"), ("17", "17")):
                found = await page.check(page.texts('from = "17:00"', f"from = {wrong}"))
                assert [error["key"] for error in found["errors"]] == ["performance[0].from"]
                assert found["values"]["performance"][0]["from"] == shown
            for wrong in ("from = [", "order = 3\nfrom = ["):
                assert (await page.check(page.texts('from = "17:00"', wrong)))["values"] is None
            assert (await page.check(page.texts('order = ["lanterns"]', "order = 3")))["values"] is None

    run(work())


def test_a_form_makes_neighbours_hours_longer_and_a_save_refuses_shorter_ones(tmp_path: Path) -> None:
    async def work() -> None:
        async with editor(tmp_path) as page:
            for end, status in (("08:00", 200), ("06:00", 409)):
                change = {"change": "hours", "kind": "dark", "number": 0, "end": end}
                asked = {"files": page.files, "changes": [change]}
                answer = await page.client.post(f"{SITE}/change", json=asked)
                assert answer.status_code == 200, answer.text
                files = answer.json()["files"]
                assert files == page.texts('to = "07:00"', f'to = "{end}"')
                page.version = (await page.client.get(SITE)).json()["version"]
                saved = await page.save(files)
                assert saved.status_code == status
            assert saved.json()["code"] == ConflictCode.NEIGHBOURS_HOURS
            wrong = {"change": "hours", "kind": "light", "begin": "22:00", "end": "23:00"}
            answer = await page.client.post(f"{SITE}/change", json={"files": page.files, "changes": [wrong]})
            assert answer.status_code == 422
            assert "use dark, quiet, dim" in answer.json()["detail"]

    run(work())
