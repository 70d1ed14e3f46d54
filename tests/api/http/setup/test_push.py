"""A pushed site over HTTP: what a board compares, receives, checks, agrees to, and takes over or does not."""

from __future__ import annotations

import asyncio
import base64
import errno
import hashlib
import json
import os
import shutil
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from gloaming.daemon.planner import site_push
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.site import staging
from gloaming.daemon.site.board_name import VARIABLE
from gloaming.daemon.site.editing import read_files
from gloaming.daemon.site.last_good import FILES
from gloaming.daemon.site.reload import STILL_LOOKS
from gloaming.daemon.site.staging import Plan, finish_take_over
from gloaming.daemon.site.versions import Versions
from gloaming.shows.time_units import DAY_NS, SECOND_NS
from tests.api.house import House, offset_to, planner_on, run, write_site
from tests.waiting import until

TUS = {"Tus-Resumable": "1.0.0"}
BOARDS = '\n[[board]]\nname = "east"\ncontrollers = ["left"]\n'


@pytest.fixture(autouse=True)
def _east(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "east")


@asynccontextmanager
async def board(tmp_path: Path, at: str = "2026-12-12T18:00") -> AsyncIterator[House]:
    site = tmp_path / "site"
    if not site.exists():
        write_site(site)
    async with planner_on(site, tmp_path / "state", clock=Clock(offset_to(at))) as home:
        yield home


class Copy:
    """A copy of the site of a board, which is edited and pushed back."""

    def __init__(self, tmp_path: Path, client: httpx.AsyncClient, edit: tuple[str, str] = ("", "")) -> None:
        self.folder, self.client = tmp_path / "copy", client
        shutil.copytree(tmp_path / "site", self.folder)
        path = self.folder / "site.toml"
        path.write_text(path.read_text().replace(*edit) + BOARDS)

    @property
    def pieces(self) -> list[dict[str, Any]]:
        return [
            {"path": path.name, "length": path.stat().st_size, "sha256": sha256(path.read_bytes())}
            for path in sorted(self.folder.glob("*.frames"))
        ]

    async def ask(self, method: str, path: str = "", **body: object) -> httpx.Response:
        headers = {"Content-Type": "application/json"}
        return await self.client.request(method, f"/api/setup/push{path}", content=json.dumps(body), headers=headers)

    async def begin(self, **more: object) -> httpx.Response:
        texts = {name: (self.folder / name).read_text() for name in FILES}
        return await self.ask("POST", **{"board": "east", "files": texts, "pieces": self.pieces, **more})

    async def state(self, id: str, *, after: str) -> Any:
        """What a push says once it is in another state."""
        while (found := (await self.ask("GET", f"/{id}")).json())["state"] == after:
            await asyncio.sleep(0.1)  # a device may ask twenty times a second
        return found

    async def create(self, sha256_: str, length: int) -> httpx.Response:
        metadata = f"filename {base64.b64encode(sha256_.encode()).decode()}"
        headers = {**TUS, "Upload-Length": str(length), "Upload-Metadata": metadata}
        return await self.client.post("/api/setup/pushed-files", headers=headers)

    async def send(self, at: str, data: bytes, offset: int = 0) -> httpx.Response:
        headers = {**TUS, "Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)}
        return await self.client.patch(at, headers=headers, content=data)

    async def push(self, send: bool = True) -> Any:
        """A push up to its check: ready or refused."""
        begun = await self.begin()
        assert begun.status_code == 202, begun.text
        found = await self.state(begun.json()["id"], after="comparing")
        if found["state"] != "receiving":
            return found
        by_hash = {sha256(path.read_bytes()): path for path in self.folder.glob("*.frames")}
        for name in found["wanted"] if send else ():
            data = by_hash[name].read_bytes()
            at = (await self.create(name, len(data))).headers["location"]
            assert (await self.send(at, data)).status_code == 204
        checked = await self.ask("POST", f"/{found['id']}/check")
        assert checked.status_code == 202, checked.text
        return {"wanted": found["wanted"]} | await self.state(found["id"], after="checking")


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def everything(home: House) -> tuple[object, ...]:
    """What a push must not change before its instant."""
    folder = home.planner.site.folder
    pieces = [path.read_bytes() for path in sorted(folder.glob("*.frames"))]
    return read_files(folder), pieces, home.planner.site, home.planner.site_files.versions()


def make_other(path: Path) -> None:
    """Other frames, of the same form."""
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)


def test_a_site_is_taken_over_at_its_instant_with_only_what_changed_sent(tmp_path: Path) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client, ("boathouse", "jetty"))
            shutil.copy(copy.folder / "lanterns.frames", copy.folder / "tide.frames")
            before = everything(home)
            found = await copy.push(send=False)  # its tide is the board's own lanterns: copied there, not sent
            assert (found["state"], found["wanted"], found["errors"]) == ("ready", [], [])
            at_ns = found["now_ns"] + 50 * SECOND_NS
            for _ in range(2):  # an answer was lost, so it is asked again
                agreed = await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)
                assert (agreed.status_code, agreed.json()["state"]) == (200, "agreed")
            assert everything(home) == before
            home.planner._parts.situation.clock.offset_ns += 50 * SECOND_NS
            taken = await copy.state(found["id"], after="agreed")
            assert taken["state"] == "taken" and taken["taken_ns"] >= at_ns
            folder = home.planner.site.folder
            assert read_files(folder) == read_files(copy.folder)
            assert (folder / "tide.frames").read_bytes() == (folder / "lanterns.frames").read_bytes()
            assert (home.planner.site.name, home.planner.site.board_name) == ("Pier Road jetty", "east")
            (line,) = [one for one in home.planner.journal(20) if "has pushed" in str(one["text"])]
            assert (line["at_ns"], line["text"]) == (
                taken["taken_ns"],
                "the site that this machine has pushed is used now",
            )
            newest, oldest = home.planner.site_files.versions()
            assert (newest.who, newest.text, oldest.board) == ("this machine", "the site that was pushed", True)
            await until(lambda: not (folder / ".push").exists(), "an empty stage")
            site = home.planner.site
            for _ in range(2 * STILL_LOOKS):
                await home.planner._parts.site_watch.look()
            assert home.planner.site is site  # it is not read again
            again = await copy.push(send=False)
            assert (again["state"], again["wanted"]) == ("ready", [])

    run(work())


def test_an_upload_that_was_cut_goes_on_in_the_next_push(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            make_other(copy.folder / "tide.frames")
            data = (copy.folder / "tide.frames").read_bytes()
            begun = (await copy.begin()).json()
            found = await copy.state(begun["id"], after="comparing")
            assert found["wanted"] == [sha256(data)]
            assert (await copy.create("f" * 64, 10)).status_code == 409  # nobody waits for that
            at = (await copy.create(sha256(data), len(data))).headers["location"]
            assert (await copy.create(sha256(data), len(data))).status_code == 423
            assert (await copy.send(at, data[:1000])).status_code == 204
            early = await copy.ask("POST", f"/{begun['id']}/check")
            assert (early.status_code, early.json()["detail"]) == (409, "tide.frames has not arrived yet")
            other = await copy.begin()
            assert other.status_code == 423
            assert other.json()["detail"].startswith("this machine has been pushing a site since 18:00:")
            monkeypatch.setattr(site_push, "SILENT_NS", -1)  # it was killed, and nobody asks
            begun = (await copy.begin()).json()
            (upload,) = (await copy.state(begun["id"], after="comparing"))["uploads"]
            assert (upload["file"], upload["offset"], upload["length"]) == (sha256(data), 1000, len(data))
            assert (await copy.send(f"/api/setup/pushed-files/{upload['id']}", data[1000:], 1000)).status_code == 204
            await copy.ask("POST", f"/{begun['id']}/check")
            assert (await copy.state(begun["id"], after="checking"))["state"] == "ready"
            dropped = await copy.ask("DELETE", f"/{begun['id']}")
            assert dropped.json()["state"] == "dropped"
            assert (await copy.push(send=False))["state"] == "ready"  # what has arrived stays

    run(work())


HOURS = 'from = "23:00", to = "07:00"'


MISTAKES = (
    ("22:00", "29:00", "site.toml:39: performance[0].to: "),
    ('order = ["lanterns"]', 'order = ["gulls"]', "site.toml:34: show[1].order[0]: there is no piece 'gulls'"),
    ('frames = "tide.frames"', 'frames = "gulls.frames"', "site.toml:21: piece[0].frames: gulls.frames: "),
    (HOURS, 'from = "23:30", to = "07:00"', "the dark hours 23:00 to 07:00 (site.toml:8) would be cut"),
    (
        "[output]",
        '[[hook]]\nat = "opening"\ncommand = ["/sbin/reboot"]\n[output]',
        "the command /sbin/reboot of a hook is new",
    ),
)


def test_a_site_that_may_not_be_saved_here_is_refused_with_its_lines(tmp_path: Path) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            before = everything(home)
            copy = Copy(tmp_path, client)
            path = copy.folder / "site.toml"
            good = path.read_text()
            for old, new, error in MISTAKES:
                assert good.count(old) == 1
                path.write_text(good.replace(old, new))
                found = await copy.push()
                assert found["state"] == "refused" and found["errors"][0].startswith(error), found["errors"]
                agreed = await copy.ask("POST", f"/{found['id']}/take-over", at_ns=found["now_ns"])
                assert (agreed.status_code, agreed.json()["detail"]) == (409, "this push is refused, not ready")
                newest = str(home.planner.journal(1)[0]["text"])
                assert newest.startswith(f"the site that this machine has pushed is not taken over: {error}")
            assert everything(home) == before

    run(work())


def test_a_file_that_is_not_as_announced_is_refused(tmp_path: Path) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            make_other(copy.folder / "tide.frames")
            begun = (await copy.begin()).json()
            (wanted,) = (await copy.state(begun["id"], after="comparing"))["wanted"]
            make_other(copy.folder / "tide.frames")  # it is rendered again
            data = (copy.folder / "tide.frames").read_bytes()
            await copy.send((await copy.create(wanted, len(data))).headers["location"], data)
            await copy.ask("POST", f"/{begun['id']}/check")
            found = await copy.state(begun["id"], after="checking")
            problem = "tide.frames is another file than was announced: it was changed meanwhile. Push it again"
            assert (found["state"], found["errors"], found["uploads"]) == ("refused", [problem], [])

    run(work())


def test_what_is_no_push_for_this_board_is_refused_in_one_line(tmp_path: Path) -> None:
    zeros = "0" * 64
    wrong: tuple[tuple[dict[str, Any], int, str], ...] = (
        ({"board": "west"}, 409, "this board is east, not west: correct the address of west in site.toml"),
        ({"pieces": [{"path": "site.toml", "length": 1, "sha256": zeros}]}, 422, "site.toml is no frame file"),
        ({"pieces": [{"path": "../a.frames", "length": 1, "sha256": zeros}]}, 422, "'../a.frames' is not a path"),
        ({"pieces": [{"path": "a.frames", "length": 0, "sha256": zeros}]}, 422, "request: length: 0 is not a number"),
        ({"pieces": [{"path": "a.frames", "length": 1, "sha256": "0"}]}, 422, "request: sha256: '0' is not a SHA-256"),
        ({"files": {"site.toml": "\ud800", "rig.toml": ""}}, 422, "site.toml:1: character "),
    )

    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            for more, status, detail in wrong:
                found = await copy.begin(**more)
                assert (found.status_code, found.json()["detail"][: len(detail)]) == (status, detail)
            for method, path in (("GET", "/1"), ("POST", "/1/check"), ("DELETE", "/1")):
                assert (await copy.ask(method, path)).status_code == 404

    run(work())


def test_a_full_disk_is_said_before_anything_is_sent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            make_other(copy.folder / "tide.frames")
            monkeypatch.setattr(home.planner.site_push.uploads, "_free", lambda _: 64 << 20)  # all of it is reserved
            found = await copy.push()
            assert found["state"] == "refused"
            assert found["errors"][0].startswith("the files do not fit on the disk: ")
            assert found["errors"][0].endswith(" are needed, 0 bytes are free")

            def full(*_: object) -> None:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

            monkeypatch.setattr(staging, "_copy", full)
            shutil.copy(copy.folder / "lanterns.frames", copy.folder / "tide.frames")
            assert (await copy.push())["errors"] == ["it cannot be stored: No space left on device"]

    run(work())


def test_a_push_that_is_dropped_before_its_instant_changes_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy, before = Copy(tmp_path, client, ("boathouse", "jetty")), everything(home)
            found = await copy.push()
            for ahead_s in (-1, 1, 61):
                at_ns = found["now_ns"] + ahead_s * SECOND_NS
                wrong = await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)
                assert wrong.status_code == 409 and "ahead by the clock of this board" in wrong.json()["detail"]
            at_ns = home.planner.now_ns() + 30 * SECOND_NS
            assert (await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)).status_code == 200
            assert home.planner.site_push._stage.plan()
            assert (await copy.begin()).status_code == 423  # it was agreed: nobody else may push
            assert (await copy.ask("DELETE", f"/{found['id']}")).json()["state"] == "dropped"
            assert home.planner.site_push._stage.plan() is None
            assert (await copy.push())["state"] == "ready"
            assert everything(home) == before

    run(work())


def test_a_push_that_is_dropped_while_the_disk_gets_the_plan_stays_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Otherwise the next start would find the plan, and take the site over alone."""

    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy, stage = Copy(tmp_path, client), home.planner.site_push._stage
            found = await copy.push()
            writes, goes_on, write = threading.Event(), threading.Event(), stage.write

            def slow(*plan: Any) -> None:
                writes.set()
                goes_on.wait(60)
                write(*plan)

            monkeypatch.setattr(stage, "write", slow)
            at_ns = home.planner.now_ns() + 30 * SECOND_NS
            agreeing = asyncio.create_task(copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns))
            await asyncio.to_thread(writes.wait, 60)
            dropping = asyncio.create_task(copy.ask("DELETE", f"/{found['id']}"))
            await asyncio.wait([dropping], timeout=0.2)  # it may wait for the disk
            goes_on.set()
            await agreeing
            assert (await dropping).json()["state"] == "dropped"
            assert stage.plan() is None

    run(work())


async def stopped_when_agreed(tmp_path: Path) -> tuple[Copy, int]:
    """A board agrees to take a copy over, and is stopped before the instant."""
    async with board(tmp_path) as home, home.client(home.token) as client:
        copy = Copy(tmp_path, client, ("boathouse", "jetty"))
        found = await copy.push()
        at_ns = home.planner.now_ns() + 50 * SECOND_NS
        assert (await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)).status_code == 200
    return copy, at_ns


def test_what_was_agreed_and_would_cut_hours_by_now_is_dropped(tmp_path: Path) -> None:
    async def work() -> None:
        await stopped_when_agreed(tmp_path)
        path = tmp_path / "site/site.toml"
        path.write_text(path.read_text().replace('from = "23:00"', 'from = "22:30"'))
        async with board(tmp_path) as home:
            stage = home.planner.site_push._stage
            await until(lambda: stage.plan() is None, "no plan")
            await until(lambda: home.planner.journal(1, None, ("site",)), "a line")
            assert "is not taken over: the dark hours 22:30 to" in str(
                home.planner.journal(1, None, ("site",))[0]["text"]
            )

    run(work())


def test_a_site_whose_texts_cannot_be_written_at_its_instant_is_used_and_written_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other boards use it: its pieces have their places already, and do not fit the old texts."""

    def read_only(*_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client, ("boathouse", "jetty"))
            shutil.copy(copy.folder / "lanterns.frames", copy.folder / "tide.frames")
            found = await copy.push()
            at_ns = home.planner.now_ns() + 50 * SECOND_NS
            await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)
            with monkeypatch.context() as patch:
                patch.setattr(Versions, "install", read_only)
                home.planner._parts.situation.clock.offset_ns += 50 * SECOND_NS
                refused = await copy.state(found["id"], after="agreed")
            assert refused["errors"] == ["it cannot be stored: Read-only file system"]
            for _ in range(2 * STILL_LOOKS):
                await home.planner._parts.site_watch.look()
            assert home.planner.site.name == "Pier Road jetty"
        assert finish_take_over(tmp_path / "site", tmp_path / "state")
        assert read_files(tmp_path / "site") == read_files(copy.folder)

    run(work())


def test_the_next_push_forgets_a_take_over_that_could_not_be_completed(tmp_path: Path) -> None:
    """Otherwise the next start would take over texts that are not there any more."""

    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy, stage = Copy(tmp_path, client), home.planner.site_push._stage
            stage.folder.mkdir()
            stage.begin(Plan("1", "the quay", 1, {}))
            assert (await copy.push())["state"] == "ready"
            assert stage.plan() is None

    run(work())


def test_an_edit_on_the_board_after_the_check_is_not_overwritten(tmp_path: Path) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            found = await copy.push()
            path = home.planner.site.folder / "site.toml"
            path.write_text(path.read_text() + "\n# by hand\n")
            at_ns = found["now_ns"] + 30 * SECOND_NS
            refused = await copy.ask("POST", f"/{found['id']}/take-over", at_ns=at_ns)
            problem = "the site was edited on this board meanwhile: push it again"
            assert (refused.status_code, refused.json()["detail"]) == (409, problem)
            assert path.read_text().endswith("# by hand\n")

    run(work())


def test_what_was_agreed_happens_also_after_a_restart(tmp_path: Path) -> None:
    async def work() -> None:
        copy, at_ns = await stopped_when_agreed(tmp_path)
        async with board(tmp_path, "2026-12-12T18:03") as home:
            assert home.planner.site.name == "Pier Road boathouse"
            await until(lambda: not (home.planner.site.folder / ".push").exists(), "an empty stage")
            assert home.planner.site.name == "Pier Road jetty" and home.planner.now_ns() >= at_ns
            assert read_files(home.planner.site.folder) == read_files(copy.folder)

    run(work())


def test_what_a_push_has_left_is_removed_after_a_week(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        async with board(tmp_path) as home, home.client(home.token) as client:
            copy = Copy(tmp_path, client)
            await copy.push()
            pushes, stage = home.planner.site_push, home.planner.site.folder / ".push"
            monkeypatch.setattr(site_push, "SILENT_NS", -1)  # nobody asks about it
            clock = home.planner._parts.situation.clock
            for days, there in ((6, True), (8, False)):  # by the clock of the machine, as the stamps of the files
                clock.offset_ns = days * DAY_NS
                await pushes.look()
                assert stage.exists() == there

    run(work())
