"""The show does not depend on its page: ports, certificates and keys that cannot be used."""

from __future__ import annotations

import asyncio
import shutil
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gloaming.api.http import addresses, server
from gloaming.api.http.certificate import Certificate, not_after_s
from gloaming.api.http.server import PageServer
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.load import load_site
from tests.api.evening import gloaming
from tests.api.house import StillClock, run, write_site
from tests.api.http.certificates import make_certificate
from tests.tools import needs
from tests.waiting import until

WITH_CERTIFICATE = 'certificate = "board.pem"\nkey = "board.key"'


@pytest.fixture(autouse=True)
def tried_again_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "RETRY_PAGE_S", 0.2)


@asynccontextmanager
async def serving(folder: Path) -> AsyncIterator[PageServer]:
    """A planner that runs in this process, and its page's server."""
    planner = Planner(load_site(folder), folder / "state", StillClock("2026-12-12T18:00"))
    page = PageServer(planner, folder / "state", None)
    planner.add_troubles(page.troubles)
    await planner.start()
    task = asyncio.create_task(page.run())
    try:
        yield page
    finally:
        page.stop()
        await task
        await planner.stop()


def troubles(page: PageServer) -> list[tuple[str, str]]:
    found = page.planner._parts.monitor.troubles(page.planner.now_ns())
    return [(each["kind"], each["text"]) for each in found if each["kind"] in ("page", "certificate")]


async def now(folder: Path) -> subprocess.CompletedProcess[str]:
    return await asyncio.to_thread(gloaming, "now", folder)


async def shown(page: PageServer) -> int:
    """When the certificate ends that the page shows now, by a client that names no host."""
    port = int(page.addresses[0].rpartition(":")[2])
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context)
    der = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
    writer.close()
    return not_after_s(der)


def test_a_port_that_is_taken_is_tried_again_and_the_reason_is_reported(tmp_path: Path) -> None:
    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            listen = "127.0.0.1:" + str(taken.getsockname()[1])
            folder = write_site(tmp_path / "site", listen=listen)
            async with serving(folder) as page:
                await until(lambda: page.problem, "a page without a port")
                assert troubles(page) == [("page", f"phone.listen: {listen}: Address already in use")]
                done = await now(folder)
                assert done.returncode == 2
                assert "the show goes on" in done.stderr and listen in done.stderr
                assert not (folder / "state/address").exists(), "the token is not for whoever has the port"
                taken.close()
                await until(lambda: not troubles(page), "a page")
                done = await now(folder)
                assert (done.returncode, done.stderr) == (0, "")
                page.planner._parts.monitor.look()
                lines = [str(line["text"]) for line in page.planner.journal(50)]
                assert "over: page" in lines

    run(work())


@pytest.mark.parametrize("reached", [["192.0.2.4"], []])
def test_the_other_boards_are_given_the_address_at_which_they_reach_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reached: list[str]
) -> None:
    for module in (server, addresses):
        monkeypatch.setattr(module, "lan_addresses", lambda _: reached)

    async def work() -> None:
        folder = write_site(tmp_path / "site", phone="announce = false")
        async with serving(folder) as page:
            await until(lambda: page.addresses, "a page")
            port = (folder / "state/address").read_text().strip().rpartition(":")[2]
            own = page.planner.boards._look_up()["address"]
            assert own == (f"http://192.0.2.4:{port}" if reached else "")

    run(work())


def test_a_new_port_is_used_when_the_site_is_read_again(tmp_path: Path) -> None:
    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            folder = write_site(tmp_path / "site", listen="127.0.0.1:" + str(taken.getsockname()[1]))
            async with serving(folder) as page:
                await until(lambda: page.problem, "a page without a port")
                write_site(folder, listen="127.0.0.1:0")
                assert await page.planner._parts.site_watch.reload("a test")
                await until(lambda: not troubles(page), "a page")
                assert (await now(folder)).returncode == 0

    run(work())


@needs("openssl")
@pytest.mark.parametrize("files", ["none", "half a certificate", "half a key", "another key", "a passphrase"])
def test_a_certificate_that_cannot_be_used_stops_the_page_and_not_the_show(files: str, tmp_path: Path) -> None:
    folder = write_site(tmp_path / "site", phone=WITH_CERTIFICATE)
    pem, key = folder / "board.pem", folder / "board.key"
    if files != "none":
        make_certificate(folder)
    if files.startswith("half"):
        damaged = pem if "certificate" in files else key
        damaged.write_bytes(damaged.read_bytes()[:100])
    elif files == "another key":
        first = pem.read_bytes()
        make_certificate(folder)
        pem.write_bytes(first)
    elif files == "a passphrase":
        locked = ["openssl", "pkey", "-in", key, "-aes256", "-passout", "pass:lantern", "-out", f"{key}.locked"]
        subprocess.run(locked, check=True)
        Path(f"{key}.locked").rename(key)

    async def work() -> None:
        async with serving(folder) as page:
            await until(lambda: page.problem, "a page without a certificate")
            ((kind, text),) = troubles(page)
            assert kind == "page" and text.startswith("board.pem and board.key cannot be used: ")
            assert text in (await now(folder)).stderr
            make_certificate(folder)
            await until(lambda: not troubles(page), "a page")
            assert (await now(folder)).returncode == 0

    run(work())


@needs("openssl")
def test_a_renewed_certificate_is_used_without_a_restart_and_a_half_written_one_is_not(tmp_path: Path) -> None:
    folder = write_site(tmp_path / "site", phone=WITH_CERTIFICATE)
    make_certificate(folder, days=100)
    renewed = tmp_path / "renewed"
    renewed.mkdir()
    make_certificate(renewed, days=200)

    async def work() -> None:
        async with serving(folder) as page:
            await until(lambda: page.addresses, "a page")
            first = await shown(page)
            shutil.copy(renewed / "board.pem", folder)
            (folder / "board.key").write_bytes((renewed / "board.key").read_bytes()[:60])
            await until(lambda: troubles(page), "a trouble of the certificate")
            ((kind, text),) = troubles(page)
            assert kind == "certificate" and "the one before stays in use" in text
            assert await shown(page) == first
            assert (await now(folder)).returncode == 0
            shutil.copy(renewed / "board.key", folder)
            await until(lambda: not troubles(page), "the renewed certificate")
            assert round((await shown(page) - first) / 86_400) == 100
            assert (await now(folder)).returncode == 0

    run(work())


@needs("openssl")
def test_a_certificate_warns_a_fortnight_before_it_ends_and_openssl_agrees_when_that_is(tmp_path: Path) -> None:
    for days in (400, 20_000):  # in the one form of time and, past 2049, in the other (RFC 5280 4.1.2.5)
        make_certificate(tmp_path, days=days)
        command = ["openssl", "x509", "-in", tmp_path / "board.pem", "-noout", "-enddate"]
        told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip().partition("=")[2]
        one = Certificate(tmp_path / "board.pem", tmp_path / "board.key")
        assert one.ends_s == ssl.cert_time_to_seconds(told)
        assert one.warning(one.ends_s - 14 * 86_400) == ""
        ends = f"{datetime.fromtimestamp(one.ends_s, UTC):%Y-%m-%d %H:%M} UTC"
        assert one.warning(one.ends_s - 13 * 86_400) == f"board.pem expires in 13 days ({ends})"
        assert one.warning(one.ends_s).startswith(f"board.pem has expired ({ends})")


@needs("openssl")
def test_a_key_that_everybody_can_read_is_a_trouble(tmp_path: Path) -> None:
    make_certificate(tmp_path)
    one = Certificate(tmp_path / "board.pem", tmp_path / "board.key")
    one.paths[1].chmod(0o640)
    assert one.warning(one.ends_s - 90 * 86_400) == ""
    one.paths[1].chmod(0o644)
    said = f"everybody on this machine can read board.key; chmod o= {one.paths[1]}"
    assert one.warning(one.ends_s - 90 * 86_400) == said
    assert one.warning(one.ends_s - 9 * 86_400).endswith(f"; {said}")
