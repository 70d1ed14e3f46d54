"""Requests that must be refused, and devices that must still be accepted."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

import ifaddr
import pytest

from gloaming.api.http import addresses
from gloaming.api.http.auth.authenticator import (
    ALL_GUESSES,
    ALL_S,
    KNOWN_S,
    LINK_S,
    SHUT_GUESSES,
    SHUT_S,
    DeviceKind,
    Guesses,
    name_of,
    network_of,
)
from gloaming.api.http.middleware import RequestLimits
from tests.api.house import ORIGIN, House, house, run

OPEN = {"/healthz", "/api/public", "/api/sign-in", "/api/sign-in/link", "/api/openapi.json"}


PATHS = (
    "/../site.toml",
    "/%2e%2e/%2e%2e/etc/passwd",
    "/page.css/../../http.py",
    "//etc/passwd",
    "/page/..%2fhttp.py",
    "/http.py",
    "/%00",
    "/page.html",
)


def routes(document: dict[str, dict[str, dict[str, object]]]) -> list[tuple[str, str]]:
    return [(method, path) for path, methods in document["paths"].items() for method in methods]


def test_no_token_and_a_wrong_token_open_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as owner:
            listed = routes((await owner.get("/api/openapi.json")).json())
            assert len(listed) > 15
            for token in (None, "wrong", home.token[:-1], home.token + "x", "\x7f"):
                async with home.client(token) as stranger:
                    for method, path in listed:
                        if path not in OPEN:
                            answer = await stranger.request(method, path.replace("{id}", "1"), json={})
                            assert answer.status_code == 401, (method, path)
                            assert answer.headers["content-type"] == "application/problem+json"
                            assert answer.headers["www-authenticate"] == "Bearer"
                    assert (await stranger.get("/api/openapi.json")).status_code == 401
                    assert (await stranger.get("/healthz")).status_code == 200

    run(work())


def test_a_viewer_sees_and_touches_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.device("viewer")) as viewer:
            document = (await viewer.get("/api/openapi.json")).json()
            assert (await viewer.get("/api/now")).json()["state"] == "playing"
            for method, path in routes(document):
                if method != "get" and path not in OPEN:
                    answer = await viewer.request(method, path.replace("{id}", "1"), json={"kind": "pause"})
                    assert answer.status_code in (403, 422), (method, path, answer.text)
            assert not home.planner._parts.situation.overrides
            assert len(home.planner._parts.store.devices()) == 2

    run(work())


def test_a_form_on_another_site_can_do_nothing(tmp_path: Path) -> None:
    """The browser adds the cookie to nothing that another site sends (SameSite), and says where it comes from."""

    async def work() -> None:
        async with house(tmp_path) as home:
            token = home.device()
            async with home.client(cookies={"gloaming": token}) as browser:
                pause = {"kind": "pause"}
                own = await browser.post("/api/overrides", json=pause, headers={"Origin": ORIGIN})
                assert own.status_code == 201
                for headers in (
                    {"Origin": "http://elsewhere.example"},
                    {"Origin": "null"},
                    {"Origin": "http://127.0.0.1:9090"},
                    {"Origin": f"{ORIGIN}.elsewhere.example"},
                    {"Origin": ORIGIN, "Sec-Fetch-Site": "cross-site"},
                    {"Origin": ORIGIN, "Sec-Fetch-Site": "same-site"},
                    {},
                ):
                    foreign = await browser.post("/api/overrides", json=pause, headers=headers)
                    assert foreign.status_code == 403, headers
                form = {"Origin": ORIGIN, "Content-Type": "text/plain"}
                assert (
                    await browser.post("/api/overrides", content=json.dumps(pause), headers=form)
                ).status_code == 422
            assert len(home.planner._parts.situation.overrides) == 1

    run(work())


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "gloaming.local.elsewhere.example", "127.0.0.1.nip.example", "", "a b"]
)
def test_a_foreign_name_that_leads_here_is_refused(host: str, tmp_path: Path) -> None:
    """DNS rebinding: the browser believes that it speaks to the foreign name."""

    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            answer = await client.get("/api/now", headers={"Host": host})
            assert answer.status_code == 421
            assert answer.headers["content-type"] == "application/problem+json"

    run(work())


def test_the_site_goes_by_its_addresses_and_names(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            for host in (
                "gloaming.local",
                "GLOAMING.local:8080",
                "localhost",
                "192.0.2.4",
                "[::1]:80",
                "boathouse.example",
            ):
                assert (await client.get("/api/now", headers={"Host": host})).status_code == 200, host

    run(work())


def test_a_link_works_once_and_for_ten_minutes(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as owner, home.client() as phone:
            made = (await owner.post("/api/links", json={"kind": "viewer"})).json()
            assert made["link"].endswith(f"/#{made['code']}")
            first = await phone.post("/api/sign-in/link", json={"code": made["code"], "device": "Anna"})
            assert (first.status_code, first.json()["kind"], first.json()["device"]) == (200, "viewer", "Anna")
            again = await phone.post("/api/sign-in/link", json={"code": made["code"]})
            assert again.status_code == 401
            assert "used" in again.json()["detail"]
            keeper = home.authenticator
            code = keeper.make_link(DeviceKind.OPERATOR, 1000.0)
            assert keeper.use_link(code, "late", 1000.0 + LINK_S, 0) is None
            code = keeper.make_link(DeviceKind.OPERATOR, 1000.0)
            assert keeper.use_link(code, "just in time", 999.9 + LINK_S, 0)

    run(work())


def test_two_hundred_wrong_passcodes_shut_out_the_guesser_and_no_phone_that_is_signed_in(tmp_path: Path) -> None:
    async def work() -> None:
        limits = RequestLimits(address_rate=1e6, address_burst=1e6)
        async with house(tmp_path, limits=limits) as home:
            async with (
                home.client(home.device(), address="192.0.2.9") as phone,
                home.client(address="192.0.2.9") as guesser,
            ):
                statuses = []
                for number in range(200):
                    answer = await guesser.post("/api/sign-in", json={"passcode": f"{number:04}-0000"})
                    statuses.append(answer.status_code)
                    if answer.status_code == 429:
                        assert int(answer.headers["retry-after"]) >= 1
                assert set(statuses) == {401, 429}
                assert statuses.count(401) <= SHUT_GUESSES
                right = await guesser.post("/api/sign-in", json={"passcode": home.passcode})
                assert right.status_code == 429
                assert (await phone.post("/api/overrides", json={"kind": "pause"})).status_code == 201
                link = (await phone.post("/api/links", json={})).json()["code"]
                assert (await guesser.post("/api/sign-in/link", json={"code": link})).status_code == 200
            async with home.client(address="192.0.2.10") as neighbour:
                assert (await neighbour.post("/api/sign-in", json={"passcode": home.passcode})).status_code == 200

    run(work())


def test_guesses_at_the_same_time_count_too(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as guesser:
            tries = [guesser.post("/api/sign-in", json={"passcode": f"{number}"}) for number in range(40)]
            statuses = [answer.status_code for answer in await asyncio.gather(*tries)]
            assert statuses.count(401) <= 4

    run(work())


def test_a_guesser_with_many_addresses_is_shut_out_by_the_sum() -> None:
    guesses = Guesses()
    tried = 0
    for number in range(2000):
        if not guesses.wait_s(f"192.0.2.{number % 250}", number * 0.5):
            guesses.add(f"192.0.2.{number % 250}", number * 0.5)
            tried += 1
    assert tried == ALL_GUESSES
    assert not guesses.wait_s("198.51.100.1", 4000 + 3600)


def test_an_address_from_which_somebody_signed_in_waits_a_minute_where_the_others_wait_an_hour() -> None:
    guesses = Guesses()
    guesses.know("192.0.2.200")
    for number in range(ALL_GUESSES):
        guesses.add(f"198.51.100.{number}", float(number))
    last_s = ALL_GUESSES - 1.0
    assert guesses.wait_s("192.0.2.201", last_s) == pytest.approx(ALL_S - last_s)
    assert guesses.wait_s("192.0.2.200", last_s) == KNOWN_S
    assert guesses.wait_s("192.0.2.200", last_s + KNOWN_S) == 0
    for number in range(SHUT_GUESSES):  # its own wrong ones count as anybody's do
        guesses.add("192.0.2.200", last_s + KNOWN_S + number)
    assert guesses.wait_s("192.0.2.200", last_s + KNOWN_S + SHUT_GUESSES) > SHUT_S - SHUT_GUESSES


def test_where_passcodes_are_shut_for_all_links_work_and_a_known_address_comes_in(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            async with home.client(address="192.0.2.30") as phone:
                link = home.authenticator.make_link(DeviceKind.OPERATOR, time.monotonic())
                assert (await phone.post("/api/sign-in/link", json={"code": link})).status_code == 200
            began_s = time.monotonic() - KNOWN_S - 1
            for number in range(ALL_GUESSES):
                home.authenticator.guesses.add(f"198.51.100.{number}", began_s)
            for address, status in (("192.0.2.31", 429), ("192.0.2.30", 200)):
                async with home.client(address=address) as phone:
                    answer = await phone.post("/api/sign-in", json={"passcode": home.passcode})
                    assert answer.status_code == status
                    if status == 429:
                        assert "a link still works at once" in answer.json()["detail"]
                        link = home.authenticator.make_link(DeviceKind.VIEWER, time.monotonic())
                        assert (await phone.post("/api/sign-in/link", json={"code": link})).status_code == 200

    run(work())


def test_a_neighbour_on_the_boards_own_link_is_a_guesser_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    own = ifaddr.IP(("2001:db8:5::1", 0, 0), 64, "eth0")
    monkeypatch.setattr("ifaddr.get_adapters", lambda: [ifaddr.Adapter("eth0", "eth0", [own])])
    addresses._own_networks.cache_clear()
    try:
        assert network_of("2001:db8:5::7") == "2001:db8:5::7"
        assert network_of("fe80::7%eth0") == "fe80::7"
        assert network_of("2001:db8:6::7") == "2001:db8:6::/64"
    finally:
        addresses._own_networks.cache_clear()


def test_the_wait_doubles_and_then_the_door_is_shut() -> None:
    guesses, at_s, waits = Guesses(), 0.0, []
    for _ in range(SHUT_GUESSES):
        waits.append(guesses.wait_s("192.0.2.1", at_s))
        at_s += waits[-1]
        guesses.add("192.0.2.1", at_s)
    assert waits == [0, 0, 0, 1, 2, 4, 8, 16, 32, 64]
    assert guesses.wait_s("192.0.2.1", at_s) == SHUT_S


def test_a_house_with_an_ipv6_network_is_one_guesser() -> None:
    assert network_of("2001:db8:1:2:3::4") == network_of("2001:db8:1:2:ffff::1") == "2001:db8:1:2::/64"
    assert network_of("::ffff:192.0.2.1") == "192.0.2.1"


@pytest.mark.parametrize("path", PATHS)
def test_no_path_leads_out_of_the_page(path: str, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            answer = await client.get(f"http://127.0.0.1:8080{path}")
            assert answer.status_code == 404
            assert b"root:" not in answer.content
            assert b"import" not in answer.content

    run(work())


def test_nothing_asked_becomes_a_header_or_a_line_of_the_journal(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            name = "Anna\r\nSet-Cookie: gloaming=stolen\x1b[2J\u202e"
            answer = await phone.post("/api/sign-in", json={"passcode": home.passcode, "device": name})
            assert answer.status_code == 200
            assert len(answer.headers.get_list("set-cookie")) == 1
            assert answer.json()["device"] == "Anna Set-Cookie: gloaming=stolen [2J"
            odd = await phone.get("/api/now%0d%0aX-Odd:%201")
            assert odd.status_code == 404
            assert "x-odd" not in odd.headers
            for line in home.planner.journal(100):
                assert str(line["text"]).isprintable()

    run(work())
    assert name_of("THIS machine") != "THIS machine"
    assert name_of("\n") == "a phone"


async def events_of(home: House, token: str, revoke_at: str, revoker: str) -> list[str]:
    """The lines of a stream of events until it ends; the device is revoked when an event comes."""
    lines: list[str] = []
    async with home.client(revoker) as other:

        async def revoke() -> None:
            known = (await other.get("/api/devices")).json()
            mine = next(device["id"] for device in known if device["name"] == "lost phone")
            assert (await other.delete(f"/api/devices/{mine}")).status_code == 200

        sent: list[bytes] = []
        asked = revoked = False

        async def receive() -> dict[str, object]:
            nonlocal asked
            if not asked:
                asked = True
                return {"type": "http.request", "body": b"", "more_body": False}
            await asyncio.sleep(3600)
            return {"type": "http.disconnect"}

        async def send(message: dict[str, object]) -> None:
            nonlocal revoked
            body = message.get("body", b"")
            assert isinstance(body, bytes)
            sent.append(body)
            if revoke_at.encode() in body and not revoked:
                revoked = True
                await revoke()

        scope = {
            "type": "http",
            "method": "GET",
            "path": "/api/events",
            "raw_path": b"/api/events",
            "query_string": b"",
            "scheme": "http",
            "client": ("192.0.2.8", 40_000),
            "headers": [(b"host", b"127.0.0.1:8080"), (b"authorization", f"Bearer {token}".encode())],
        }
        await asyncio.wait_for(home.app(scope, receive, send), 30)  # type: ignore[arg-type]  # messages are plain dicts
        lines = b"".join(sent).decode().splitlines()
    return lines


def test_a_stream_of_events_ends_with_the_token_and_the_token_opens_nothing_more(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            token = home.device(name="lost phone")
            lines = await events_of(home, token, "event: now", home.token)
            assert lines[-3:] == ["event: signed-out", "data: {}", ""]
            async with home.client(token) as lost:
                assert (await lost.get("/api/now")).status_code == 401
                assert (await lost.get("/api/events")).status_code == 401
                assert (await lost.post("/api/overrides", json={"kind": "dark"})).status_code == 401

    run(work())
