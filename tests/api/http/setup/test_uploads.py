"""Uploads over HTTP by tus 1.0.0 (https://tus.io/protocols/resumable-upload). Comments name its sections."""

from __future__ import annotations

import asyncio
import base64
import socket
from collections.abc import AsyncIterator
from contextlib import ExitStack
from importlib.util import find_spec
from pathlib import Path

import httpx
import pytest

from gloaming.api.http.connections import SILENT_OF_ONE_ADDRESS_MAX
from gloaming.shows.media import piece_worker
from tests.api.daemon import Daemon, may_open
from tests.api.house import house, run

TUS = {"Tus-Resumable": "1.0.0"}
UPLOADS = "/api/setup/uploads"
PART = {**TUS, "Content-Type": "application/offset+octet-stream"}


def metadata(name: str) -> str:
    return f"filename {base64.b64encode(name.encode()).decode()},filetype dmlkZW8="


async def create(client: httpx.AsyncClient, name: str, length: int) -> httpx.Response:
    return await client.post(UPLOADS, headers={**TUS, "Upload-Length": str(length), "Upload-Metadata": metadata(name)})


async def send(client: httpx.AsyncClient, at: str, offset: int, data: bytes) -> httpx.Response:
    return await client.patch(at, headers={**PART, "Upload-Offset": str(offset)}, content=data)


def test_a_file_is_sent_in_parts(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            able = await client.options(UPLOADS)  # OPTIONS
            assert able.status_code == 204
            assert able.headers["tus-version"] == "1.0.0" and able.headers["tus-extension"] == "creation,termination"
            assert int(able.headers["tus-max-size"]) > 0
            made = await create(client, "Ebb & flöod.npy", 11)  # Creation, POST
            assert (made.status_code, made.headers["tus-resumable"]) == (201, "1.0.0")
            at = made.headers["location"]
            first = await send(client, at, 0, b"hello ")  # PATCH
            assert (first.status_code, first.headers["upload-offset"], first.content) == (204, "6", b"")
            seen = await client.head(at, headers=TUS)  # HEAD
            assert seen.status_code == 200 and seen.headers["cache-control"] == "no-store"
            assert (seen.headers["upload-offset"], seen.headers["upload-length"]) == ("6", "11")
            assert base64.b64decode(seen.headers["upload-metadata"].split()[1]).decode() == "Ebb & flöod.npy"
            override = {**PART, "Upload-Offset": "6", "X-HTTP-Method-Override": "PATCH"}  # Requests
            assert (await client.post(at, headers=override, content=b"world")).status_code == 204
            (file,) = (tmp_path / "state" / "uploads").glob("*/Ebb*")
            assert file.read_bytes() == b"hello world"
            assert (await client.delete(at, headers=TUS)).status_code == 204  # Termination, DELETE
            gone = await client.head(at, headers=TUS)
            assert gone.status_code == 404 and "upload-offset" not in gone.headers
            assert not [*(tmp_path / "state" / "uploads").iterdir()]

    run(work())


def test_what_the_protocol_forbids_is_refused(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            at = (await create(client, "tide.npy", 10)).headers["location"]
            version = {**PART, "Tus-Resumable": "0.2.2", "Upload-Offset": "0"}
            old = await client.patch(at, headers=version, content=b"x")  # Tus-Version: 412, and which it speaks
            assert (old.status_code, old.headers["tus-version"]) == (412, "1.0.0")
            for headers, status in (
                ({**PART, "Upload-Offset": "3"}, 409),
                ({**PART, "Upload-Offset": "-1"}, 400),
                ({**PART, "Upload-Offset": "1e3"}, 400),
                (PART, 400),
                ({**TUS, "Upload-Offset": "0", "Content-Type": "application/json"}, 415),
            ):
                refused = await client.patch(at, headers=headers, content=b"x")
                assert refused.status_code == status, refused.text
                assert refused.headers["tus-resumable"] == "1.0.0"  # Headers, Tus-Resumable
                assert refused.headers["content-type"] == "application/problem+json"
            assert (await send(client, at, 0, b"12345678901")).status_code == 413
            assert (await client.head(at, headers=TUS)).headers["upload-offset"] == "0"
            assert (await client.patch(f"{UPLOADS}/../x", headers=PART)).status_code in (404, 405)
            for length in ("", "-1", "ten", "9" * 30):
                headers = {**TUS, "Upload-Length": length, "Upload-Metadata": metadata("a.npy")}
                assert (await client.post(UPLOADS, headers=headers)).status_code == 400
            no_name = await client.post(UPLOADS, headers={**TUS, "Upload-Length": "1", "Upload-Metadata": "filename %"})
            assert no_name.status_code == 400

    run(work())


@pytest.mark.parametrize(
    ("name", "status"),
    [("../../etc/x.npy", 400), ("C:\\x.npy", 400), ("a\0b.npy", 400), ("x" * 300 + ".npy", 400), ("song.pdf", 415)],
)
def test_a_file_with_a_path_or_of_another_kind_is_refused(name: str, status: int, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            refused = await create(client, name, 10)
            assert refused.status_code == status and "\n" not in refused.json()["detail"]
            assert not (tmp_path / "state" / "uploads").exists()

    run(work())


def test_a_video_is_refused_before_it_is_sent_to_a_board_that_cannot_read_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board's package has no decoder of video. Frame files and sound are taken all the same."""
    monkeypatch.setattr(piece_worker, "find_spec", lambda name: None if name == "av" else find_spec(name))

    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            refused = await create(client, "sea.mp4", 10)
            assert refused.status_code == 415
            assert "use a computer (gloaming frames import), upload the frame file" in refused.json()["detail"]
            assert (await create(client, "sea.frames", 10)).status_code == 201
            assert (await create(client, "fire.gif", 10)).status_code == 201
            assert (await create(client, "sea.flac", 10)).status_code == 201

    run(work())


def test_a_disk_that_is_too_small_is_said_before_the_upload_begins(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            refused = await create(client, "sea.mp4", 10**17)
            assert refused.status_code == 507
            assert "100000000.0 GB are needed" in refused.json()["detail"] and "are free" in refused.json()["detail"]

    run(work())


def test_the_second_of_two_at_once_on_one_upload_is_refused(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client, home.client(home.token) as other:
            at = (await create(client, "tide.npy", 10)).headers["location"]
            go_on = asyncio.Event()
            begun = asyncio.Event()

            async def slow() -> AsyncIterator[bytes]:
                yield b"12345"
                begun.set()
                await go_on.wait()
                yield b"67890"

            first = asyncio.create_task(client.patch(at, headers={**PART, "Upload-Offset": "0"}, content=slow()))
            await begun.wait()
            second = await send(other, at, 0, b"x")
            assert second.status_code == 423
            go_on.set()
            assert (await first).headers["upload-offset"] == "10"

    run(work())


def test_an_upload_goes_on_past_many_silent_connections_and_ends_when_it_stalls(daemon: Daemon) -> None:
    """It is slow, and would be the oldest of all connections that have not sent a whole request."""
    own = {"Authorization": f"Bearer {daemon.token}", **TUS}
    length = 20 * 65_536
    made = httpx.post(
        f"{daemon.url}{UPLOADS}", headers={**own, "Upload-Length": str(length), "Upload-Metadata": metadata("a.npy")}
    )
    at = made.headers["location"]
    head = f"PATCH {at} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {daemon.token}\r\nTus-Resumable: 1.0.0\r\n"
    head += f"Content-Type: {PART['Content-Type']}\r\nContent-Length: {length}\r\nUpload-Offset: 0\r\n\r\n"
    may_open(2048)
    with socket.create_connection(daemon.address) as upload, ExitStack() as stack:
        upload.sendall(head.encode())
        for number in range(20):
            upload.sendall(bytes([number]) * 65_536)
            for _ in range(SILENT_OF_ONE_ADDRESS_MAX // 16):
                silent = stack.enter_context(socket.create_connection(daemon.address, timeout=20))
                silent.sendall(b"GET /api/now HTTP/1.1\r\nHost: ")
            assert httpx.get(f"{daemon.url}/healthz").status_code == 200  # it has read what came before
        upload.settimeout(60)
        assert upload.recv(65_536).startswith(b"HTTP/1.1 204")
    with socket.create_connection(daemon.address) as stalled:
        at = httpx.post(
            f"{daemon.url}{UPLOADS}", headers={**own, "Upload-Length": "9000", "Upload-Metadata": metadata("b.npy")}
        ).headers["location"]
        again = head.replace(head.split()[1], at).replace(f"Content-Length: {length}", "Content-Length: 9000")
        stalled.sendall(again.encode() + b"a" * 5000)
        stalled.settimeout(60)
        assert stalled.recv(65_536).startswith(b"HTTP/1.1 408")
    assert httpx.head(f"{daemon.url}{at}", headers=own).headers["upload-offset"] == "5000"
