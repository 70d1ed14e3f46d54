"""Pieces over HTTP: from uploads, replaced, deleted and restored, each with the real processes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import soundfile
from PIL import Image

from gloaming.daemon.planner.deleted_pieces import DeletedPieces
from gloaming.daemon.planner.piece_imports import SCRATCH
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.time_units import DAY_NS
from tests.api.house import house, run
from tests.api.http.setup.test_uploads import create, send

PIECES = "/api/setup/pieces"


def frames(folder: Path, *universes: int, count: int = 80) -> bytes:
    path = folder / "made.frames"
    layout = tuple(Universe(number, 180, 180 * place) for place, number in enumerate(universes))
    with FrameWriter(path, Fraction(40), layout) as writer:
        writer.write(np.random.default_rng(count).integers(0, 256, (count, 180 * len(universes)), np.uint8))
    return path.read_bytes()


def array(count: int = 40) -> bytes:
    buffer = BytesIO()
    np.save(buffer, np.full((count, 450 + 305), 90, np.uint8))
    return buffer.getvalue()


async def upload(client: httpx.AsyncClient, name: str, data: bytes) -> str:
    at = (await create(client, name, len(data))).headers["location"]
    assert (await send(client, at, 0, data)).status_code == 204
    return str(at.rpartition("/")[2])


async def until(client: httpx.AsyncClient, found: Callable[[dict[str, Any]], Any]) -> Any:
    """What is found in the list, once it is there."""
    async with asyncio.timeout(120):
        while True:
            listed = (await client.get(PIECES)).json()
            if (there := found(listed)) is not None:
                return there
            await asyncio.sleep(0.1)


async def take(client: httpx.AsyncClient, id: str, name: str, **more: object) -> dict[str, Any]:
    """Take an upload, and wait until it is made or refused."""
    asked = await client.post(PIECES, json={"upload": id, "name": name, **more})
    assert asked.status_code == 202, asked.text
    job: dict[str, Any] = await until(client, ended(id))
    return job


def left(folder: Path) -> list[Path]:
    """What is left of imports."""
    return [*folder.rglob(f"{SCRATCH}*")]


def row(listed: dict[str, Any], name: str) -> dict[str, Any]:
    return next(one for one in listed["pieces"] if one["name"] == name)


def test_an_array_becomes_a_new_piece_with_a_picture(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            id = await upload(client, "Ebb.npy", array())
            job = await take(client, id, "the ebb", fps="20")
            assert job["state"] == "made", job
            file = tmp_path / "site" / "pieces" / "the-ebb.frames"
            info = inspect(file)
            assert ([(one.number, one.slots) for one in info.universes], info.fps) == ([(1, 450), (2, 305)], 20)
            listed = (await client.get(PIECES)).json()
            found = row(listed, "the ebb")
            assert (found["length_s"], found["universes"], found["next_at"]) == (2.0, "1-2", None)
            assert not found["findings"] and not listed["uploads"]
            assert row(listed, "tide")["next_at"].startswith("2026-12-12T18:")
            assert not [*(tmp_path / "state" / "uploads").iterdir()] and not left(tmp_path)
            await home.planner.piece_files.look()
            while (picture := await client.get(f"{PIECES}/the ebb/picture")).status_code == 404:
                await home.planner.piece_files.look()
            assert picture.headers["content-type"] == "image/png"
            assert np.asarray(Image.open(BytesIO(picture.content))).max() == 90
            assert (await client.get(f"{PIECES}/none/picture")).status_code == 404

    run(work())


def test_a_frame_file_for_other_universes_is_refused_and_the_old_one_stays(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            before = (tmp_path / "site" / "tide.frames").read_bytes()
            id = await upload(client, "tide.frames", frames(tmp_path, 1, 7))
            job = await take(client, id, "tide", replace=True)
            assert job["state"] == "refused"
            assert job["problem"].startswith("tide.frames: it has frames for universe 7, which no controller of this")
            assert (tmp_path / "site" / "tide.frames").read_bytes() == before
            assert not left(tmp_path) and (await client.get(PIECES)).json()["uploads"]

    run(work())


def test_of_two_uploads_of_one_name_the_second_to_be_taken_is_told(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            first, second = frames(tmp_path, 1, 2), frames(tmp_path, 1, 2, count=120)
            ids = await asyncio.gather(*(upload(client, "new.frames", data) for data in (first, second)))
            asked = [await client.post(PIECES, json={"upload": id, "name": "new"}) for id in ids]
            assert asked[0].status_code == 202
            jobs = [await until(client, ended(id)) for id in ids] if asked[1].status_code == 202 else []
            problem = jobs[1]["problem"] if jobs else asked[1].json()["detail"]
            assert problem == "new has frames already; new.frames takes their place only if you say so"
            file = tmp_path / "site" / "pieces" / "new.frames"
            assert file.read_bytes() == first
            assert (await take(client, ids[1], "new", replace=True))["state"] == "made"
            assert file.read_bytes() == second
            assert row((await client.get(PIECES)).json(), "new")["length_s"] == 3.0

    run(work())


def ended(id: str) -> Callable[[dict[str, Any]], dict[str, Any] | None]:
    def found(listed: dict[str, Any]) -> dict[str, Any] | None:
        jobs = (one for one in listed["imports"] if one["upload"] == id and one["state"] in ("made", "refused"))
        return next(jobs, None)

    return found


def test_a_sound_goes_to_its_piece_and_its_loudness_is_measured(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            buffer = BytesIO()
            soundfile.write(buffer, 0.2 * np.sin(np.arange(8000 * 30) * 0.2), 8000, format="FLAC")
            id = await upload(client, "sea.flac", buffer.getvalue())
            nobody = await client.post(PIECES, json={"upload": id, "name": "ti"})
            assert nobody.status_code == 404 and "mean tide?" in nobody.json()["detail"]
            assert (await take(client, id, "tide"))["state"] == "made"
            assert (tmp_path / "site" / "pieces" / "tide.flac").read_bytes() == buffer.getvalue()
            assert home.planner.site.pieces["tide"].sound == tmp_path / "site" / "pieces" / "tide.flac"
            assert 'sound = "pieces/tide.flac"' in (tmp_path / "site" / "site.toml").read_text()
            lufs = await until(client, lambda listed: row(listed, "tide")["lufs"])
            assert -25 < lufs < -10

    run(work())


def test_a_deleted_piece_is_restored_with_its_files_and_gone_after_a_day(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            refused = await client.delete(f"{PIECES}/tide")
            assert refused.status_code == 409
            assert refused.json()["detail"] == "tide is in the running order of evening; take it out of the order first"
            data, site = frames(tmp_path, 1, 2), tmp_path / "site"
            assert (await take(client, await upload(client, "swell.frames", data), "swell"))["state"] == "made"
            text = (site / "site.toml").read_text()
            listed = (await client.delete(f"{PIECES}/swell")).json()
            assert [one["name"] for one in listed["pieces"]] == ["tide", "lanterns"]
            assert [one["name"] for one in listed["deleted"]] == ["swell"]
            assert not (site / "pieces" / "swell.frames").exists()
            listed = (await client.post(f"{PIECES}/swell/restore")).json()
            assert row(listed, "swell")["length_s"] == 2.0 and not listed["deleted"]
            assert (site / "pieces" / "swell.frames").read_bytes() == data
            assert (site / "site.toml").read_text() == text
            assert (await client.post(f"{PIECES}/swell/restore")).status_code == 404
            await client.delete(f"{PIECES}/swell")
            await take(client, await upload(client, "swell.frames", data), "swell")
            assert (await client.post(f"{PIECES}/swell/restore")).status_code == 409
            deleted = DeletedPieces(site)
            deleted.remove_old(home.planner.now_ns() + DAY_NS)
            assert deleted.all()
            deleted.remove_old(home.planner.now_ns() + DAY_NS + 1)
            assert not deleted.all() and not [*(site / "deleted-pieces").iterdir()]

    run(work())


def test_an_upload_that_has_not_arrived_is_not_taken(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            at = (await create(client, "tide.npy", 10)).headers["location"]
            id = at.rpartition("/")[2]
            assert (await client.post(PIECES, json={"upload": id, "name": "x"})).status_code == 409
            assert (await client.post(PIECES, json={"upload": "0" * 32, "name": "x"})).status_code == 404
            assert (await client.post(PIECES, json={"upload": id, "name": "a\nb"})).status_code in (409, 422)

    run(work())


def test_what_an_import_that_was_killed_has_left_is_removed(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            scratch = tmp_path / "site" / f"{SCRATCH}0123.frames.1a2b.part"
            scratch.write_bytes(b"x")
            await home.planner.piece_files.look()
            assert not scratch.exists()

    run(work())


def test_what_is_wrong_with_a_piece_is_in_the_list(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            (tmp_path / "site" / "lanterns.frames").unlink()
            await home.planner.reload("a test")
            found = row((await client.get(PIECES)).json(), "lanterns")
            assert (found["length_s"], found["universes"]) == (None, None)
            (finding,) = found["findings"]
            assert finding["severity"] == "error" and "there is no such file" in finding["text"]
            assert not row((await client.get(PIECES)).json(), "tide")["findings"]

    run(work())


def test_a_planner_that_ends_leaves_an_import_undone_and_its_upload_whole(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            id = await upload(client, "swell.npy", array(40_000))
            assert (await client.post(PIECES, json={"upload": id, "name": "swell"})).status_code == 202
            await until(client, lambda listed: True if listed["imports"][0]["done"] else None)
            await home.planner.piece_files.imports.stop()
            assert not left(tmp_path) and "swell" not in home.planner.site.pieces
            assert [one["offset"] == one["length"] for one in (await client.get(PIECES)).json()["uploads"]] == [True]
            assert not [line for line in home.planner.journal(50) if "swell" in str(line)]

    run(work())
