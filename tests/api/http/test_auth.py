"""Signing in and out: stored secrets, passcodes, devices, request rates, and wrong requests."""

from __future__ import annotations

import asyncio
import json
import logging
from operator import itemgetter
from pathlib import Path
from typing import Any

import pytest
from argon2 import extract_parameters
from argon2.low_level import Type

from gloaming.api.http.auth.authenticator import AuthenticatedDevice, Authenticator, DeviceKind
from gloaming.api.http.middleware import RequestLimits
from gloaming.daemon.planner.clock_trust import FIRST_NS
from gloaming.daemon.planner.store import Store
from tests.api.house import house, run

DAY_NS = 86_400 * 1_000_000_000
NOW_NS = FIRST_NS + 30 * DAY_NS


def test_tokens_are_stored_as_hashes_and_the_passcode_as_argon2id(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            token, passcode = home.device(), home.passcode
            stored = home.planner._parts.store.fact("passcode_argon2id")
            assert stored
            parameters = extract_parameters(stored)
            assert parameters.type == Type.ID
            # OWASP Password Storage Cheat Sheet (from memory): 9 MiB with 4 passes and 1 lane is one of its settings.
            assert (parameters.memory_cost, parameters.time_cost, parameters.parallelism) == (9216, 4, 1)
        for path in (tmp_path / "state").iterdir():
            if path.is_file() and path.name not in ("passcode", "token"):
                data = path.read_bytes()
                assert token.encode() not in data
                assert passcode.encode() not in data
        for name in ("passcode", "token"):
            assert (tmp_path / "state" / name).stat().st_mode & 0o077 == 0

    run(work())


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            answer = await phone.post("/api/sign-in", json={"passcode": home.passcode})
            cookie = answer.headers["set-cookie"].lower()
            assert "httponly" in cookie
            assert "samesite=strict" in cookie
            assert "domain" not in cookie
            assert (await phone.get("/api/now")).status_code == 200

    run(work())


def test_no_secret_is_in_a_log_or_the_journal(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as owner, home.client() as phone:
            code = (await owner.post("/api/links", json={})).json()["code"]
            await phone.post("/api/sign-in", json={"passcode": "0000-0000-wrong"})
            signed = (await phone.post("/api/sign-in", json={"passcode": home.passcode})).json()
            await phone.post("/api/sign-in/link", json={"code": code})
            secrets = [home.passcode, "0000-0000-wrong", code, signed["token"], home.token]
            told = caplog.text + json.dumps(home.planner.journal(1000))
            assert not [secret for secret in secrets if secret in told]

    caplog.set_level(logging.DEBUG, logger="uvicorn")
    caplog.set_level(logging.DEBUG, logger="gloaming")
    run(work())


def test_every_answer_forbids_what_a_page_does_not_need(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            for path in ("/", "/api/now", "/nowhere", "/healthz"):
                headers = (await client.get(path)).headers
                policy = headers["content-security-policy"]
                assert "default-src 'none'" in policy
                assert "unsafe" not in policy
                assert "frame-ancestors 'none'" in policy
                assert headers["x-content-type-options"] == "nosniff"
                assert headers["referrer-policy"] == "no-referrer"
            assert (await client.get("/api/now")).headers["cache-control"] == "no-store"

    run(work())


def test_the_passcode_changes_on_the_board_alone_and_phones_stay_signed_in(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board, home.client(home.device()) as phone:
            first = home.passcode
            assert (await phone.put("/api/passcode", json={})).status_code == 403
            assert (await board.put("/api/passcode", json={"passcode": "short"})).status_code == 422
            assert (await board.put("/api/passcode", json={"passcode": "a longer one"})).status_code == 200
            assert not (tmp_path / "state" / "passcode").exists()
            async with home.client() as fresh:
                assert (await fresh.post("/api/sign-in", json={"passcode": first})).status_code == 401
                assert (await fresh.post("/api/sign-in", json={"passcode": " a longer one "})).status_code == 200
            assert (await phone.get("/api/now")).status_code == 200
            made = (await board.put("/api/passcode", json={})).json()["passcode"]
            async with home.client() as fresh:
                assert (await fresh.post("/api/sign-in", json={"passcode": made})).status_code == 200

    run(work())


def test_a_passcode_lasts_when_its_file_is_gone(tmp_path: Path) -> None:
    store = Store(tmp_path, 0)
    path = Authenticator(store).first_passcode(tmp_path)
    stored = store.fact("passcode_argon2id")
    path.unlink()
    Authenticator(store).first_passcode(tmp_path)
    assert store.fact("passcode_argon2id") == stored
    store.close()


def test_devices_are_listed_and_the_board_itself_cannot_be_signed_out(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board:
            home.device(name="Anna")
            devices = (await board.get("/api/devices")).json()
            assert [(each["name"], each["this"]) for each in devices] == [("Anna", False), ("this machine", True)]
            assert (await board.delete(f"/api/devices/{devices[1]['id']}")).status_code == 409
            assert (await board.delete("/api/devices/999999999999999999999999")).status_code == 404
            assert (await board.get("/api/now")).status_code == 200

    run(work())


def test_a_device_that_asks_too_often_is_told_to_wait_and_others_are_not(tmp_path: Path) -> None:
    async def work() -> None:
        limits = RequestLimits(device_rate=1e-6, device_burst=5)
        async with (
            house(tmp_path, limits=limits) as home,
            home.client(home.token) as hasty,
            home.client(home.device()) as other,
        ):
            statuses = [(await hasty.get("/api/now")).status_code for _ in range(8)]
            assert statuses == [200] * 5 + [429] * 3
            assert (await hasty.get("/api/now")).headers["retry-after"] == "1"
            assert (await other.get("/api/now")).status_code == 200

    run(work())


def test_an_address_that_asks_too_often_is_told_to_wait(tmp_path: Path) -> None:
    async def work() -> None:
        limits = RequestLimits(address_rate=1e-6, address_burst=3)
        async with (
            house(tmp_path, limits=limits) as home,
            home.client(address="192.0.2.50") as hasty,
            home.client(address="192.0.2.51") as other,
        ):
            assert [(await hasty.get("/healthz")).status_code for _ in range(4)] == [200] * 3 + [429]
            assert (await other.get("/healthz")).status_code == 200

    run(work())


def test_a_phone_an_hour_wrong_is_served_as_any_other(tmp_path: Path) -> None:
    """No answer and no token depends on what a phone believes the time to be; minutes count from the site's clock."""

    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.device()) as phone:
            headers = {"Date": "Sat, 12 Dec 2026 19:00:00 GMT", "If-Modified-Since": "Sat, 12 Dec 2026 19:00:00 GMT"}
            answer = await phone.post("/api/overrides", json={"kind": "pause", "minutes": 15}, headers=headers)
            assert answer.json()["until"].startswith("2026-12-12T18:15")
            assert answer.json()["remaining_s"] == 900

    run(work())


def test_two_operators_at_once_both_get_an_answer(tmp_path: Path) -> None:
    async def work() -> None:
        async with (
            house(tmp_path) as home,
            home.client(home.device(name="Anna")) as anna,
            home.client(home.device(name="Ben")) as ben,
        ):

            async def ask_at_once(hers: str, his: str) -> list[dict[str, Any]]:
                asked = zip((anna, ben), (hers, his), strict=True)
                posts = [who.post("/api/overrides", json={"kind": kind, "minutes": 15}) for who, kind in asked]
                return sorted((answer.json() for answer in await asyncio.gather(*posts)), key=itemgetter("id"))

            async def end_at_once(id: int) -> list[int]:
                ends = [who.delete(f"/api/overrides/{id}") for who in (anna, ben)]
                return sorted(answer.status_code for answer in await asyncio.gather(*ends))

            first, second = await ask_at_once("pause", "dark")
            assert (first["ended"], second["ended"]) == ([], [])
            assert await end_at_once(first["id"]) == [200, 404]
            assert (await anna.get("/api/now")).json()["state"] == "dark"
            assert await end_at_once(second["id"]) == [200, 404]
            assert (await anna.get("/api/now")).json()["state"] == "playing"

            first, second = await ask_at_once("pause", "pause")
            assert (first["ended"], second["ended"]) == ([], [{"id": first["id"], "kind": "pause"}])
            assert await end_at_once(first["id"]) == [404, 404]
            assert (await anna.get("/api/now")).json()["state"] == "paused"
            assert await end_at_once(second["id"]) == [200, 404]
            assert (await anna.get("/api/now")).json()["state"] == "playing"

    run(work())


@pytest.mark.parametrize("minutes", [0, -1, 1_000_000, "15", True, None, 1e400, [15]])
def test_a_pause_of_a_wrong_length_is_a_problem_with_a_hint(minutes: object, tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            content = json.dumps({"kind": "pause", "minutes": minutes})
            answer = await client.post("/api/overrides", content=content, headers={"Content-Type": "application/json"})
            assert answer.status_code == 422
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["status"] == 422
            assert not home.planner._parts.situation.overrides

    run(work())


def test_the_token_of_this_machine_stays_over_a_restart_unless_somebody_may_have_read_it(tmp_path: Path) -> None:
    """A command that has read it and asks as another planner begins gets in."""

    def begins() -> str:
        store = Store(tmp_path, 0)
        token = Authenticator(store).local_token(tmp_path, 0).read_text()
        assert store.wait()
        assert len(store.devices()) == 1
        store.close()
        return token

    first = begins()
    assert begins() == first
    (tmp_path / "token").chmod(0o644)
    second = begins()
    assert second != first and begins() == second
    (tmp_path / "token").write_text("of another board\n")
    assert begins() not in (first, second, "of another board\n")
    assert (tmp_path / "token").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    "passcode",
    [
        "11111111",
        "12121212",
        "1234-1234",
        "12345678",
        "8765 4321",
        "abcdefgh",
        "Password1",
        "my-passcode",
        "1-2-3-4-5-6",
        "boathouse",
        "Pier-Road",
    ],
)
def test_a_passcode_that_is_easily_guessed_is_refused(tmp_path: Path, passcode: str) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board:
            stored = home.planner._parts.store.fact("passcode_argon2id")
            answer = await board.put("/api/passcode", json={"passcode": passcode})
            assert answer.status_code == 409
            assert "passcode" in answer.json()["detail"]
            assert home.planner._parts.store.fact("passcode_argon2id") == stored

    run(walk())


def test_a_passcode_is_the_same_with_and_without_hyphens_and_blanks(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            for typed in (
                home.passcode,
                home.passcode.replace("-", ""),
                home.passcode.replace("-", " "),
                f" {home.passcode} ",
            ):
                assert (await phone.post("/api/sign-in", json={"passcode": typed})).status_code == 200, typed

    run(walk())


def test_an_empty_passcode_is_not_a_guess(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client() as phone:
            for _ in range(30):
                assert (await phone.post("/api/sign-in", json={"passcode": " - "})).status_code == 422
            assert home.authenticator.guesses.wrong == {}
            assert (await phone.post("/api/sign-in", json={"passcode": home.passcode})).status_code == 200

    run(walk())


def test_the_passcode_makes_an_owner_and_a_link_what_it_was_made_for(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board:
            async with home.client() as laptop:
                signed = await laptop.post("/api/sign-in", json={"passcode": home.passcode, "device": "Anna's laptop"})
                assert signed.json()["kind"] == "owner"
            for kind in DeviceKind:
                code = (await board.post("/api/links", json={"kind": kind})).json()["code"]
                async with home.client() as phone:
                    assert (await phone.post("/api/sign-in/link", json={"code": code})).json()["kind"] == kind
            assert [each["kind"] for each in (await board.get("/api/devices")).json()] == [
                "viewer",
                "operator",
                "owner",
                "owner",  # the laptop
                "owner",  # the board itself
            ]
            async with home.client(home.device("operator")) as operator:
                statuses = [(await operator.post("/api/links", json={"kind": kind})).status_code for kind in DeviceKind]
                assert statuses == [403, 201, 201]

    run(walk())


def test_an_owner_makes_an_owner_and_takes_it_back_and_the_journal_says_who(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client(home.device("owner", "Anna's laptop")) as anna:
            bens = home.device("operator", "Ben's phone")
            async with home.client(bens) as ben:
                board, her, his = sorted(each["id"] for each in (await anna.get("/api/devices")).json())
                refused = await ben.put(f"/api/devices/{his}", json={"kind": "owner"})
                assert refused.status_code == 403
                assert refused.json()["detail"].startswith("only an owner may change the set-up: sign in with the ")
                made = await anna.put(f"/api/devices/{his}", json={"kind": "owner"})
                assert (made.status_code, made.json()) == (200, {"id": his, "kind": "owner"})
                assert (await ben.put(f"/api/devices/{her}", json={"kind": "viewer"})).status_code == 200
                assert (await anna.post("/api/overrides", json={"kind": "pause"})).status_code == 403
                assert (await ben.put(f"/api/devices/{his}", json={"kind": "operator"})).status_code == 200
                assert (await ben.put(f"/api/devices/{his}", json={"kind": "owner"})).status_code == 403
            async with home.client(home.token) as itself:
                assert (await itself.put(f"/api/devices/{board}", json={"kind": "viewer"})).status_code == 409
                assert (await itself.put("/api/devices/99", json={"kind": "viewer"})).status_code == 404
                assert (await itself.put(f"/api/devices/{her}", json={"kind": "owner"})).status_code == 200
            lines = [(each["text"], each["who"]) for each in home.planner.journal(5, kinds=("device",))]
            assert lines[:4] == [
                ("Anna's laptop is now an owner", "this machine"),
                ("Ben's phone is now an operator", "Ben's phone"),
                ("Anna's laptop is now a viewer", "Ben's phone"),
                ("Ben's phone is now an owner", "Anna's laptop"),
            ]

    run(walk())


def test_an_open_stream_says_that_the_kind_of_its_device_has_changed(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home, home.client(home.token) as board, home.client(home.device()) as phone:
            asking = asyncio.create_task(phone.get("/api/events"))
            await asyncio.sleep(0.3)
            assert (await board.put("/api/devices/2", json={"kind": "owner"})).status_code == 200
            await asyncio.sleep(0.3)
            while not asking.done():
                home.app.state.streams.end_all()  # a stream would never end by itself
                await asyncio.sleep(0.05)
            lines = [line for line in asking.result().text.splitlines() if line.startswith('data: {"device"')]
            assert [json.loads(line[6:])["kind"] for line in lines] == ["operator", "owner"]

    run(walk())


def test_all_other_devices_are_signed_out_at_once_and_the_board_stays(tmp_path: Path) -> None:
    async def walk() -> None:
        async with house(tmp_path) as home:
            mine, others = home.device(), [home.device() for _ in range(3)]
            async with home.client(mine) as phone:
                assert len((await phone.delete("/api/devices")).json()) == 3
                assert (await phone.get("/api/devices")).status_code == 200
            for token in others:
                async with home.client(token) as lost:
                    assert (await lost.get("/api/now")).status_code == 401
            async with home.client(home.token) as board:
                assert (await board.get("/api/now")).status_code == 200

    run(walk())


def test_a_device_that_is_not_used_for_four_hundred_days_is_signed_out(tmp_path: Path) -> None:
    store = Store(tmp_path, NOW_NS)
    authenticator = Authenticator(store)
    token, lost = (authenticator._issue(name, DeviceKind.OPERATOR, NOW_NS) for name in ("a phone", "a lost phone"))
    assert authenticator.device(token, NOW_NS + 399 * DAY_NS)
    assert authenticator.device(token, NOW_NS + 798 * DAY_NS)
    assert authenticator.device(lost), "without a time that is trusted nobody is signed out"
    assert authenticator.device(lost, NOW_NS + 401 * DAY_NS) is None
    assert authenticator.device(lost) is None
    early = authenticator._issue("signed in before the time was known", DeviceKind.OPERATOR, 0)
    assert authenticator.device(early, NOW_NS)
    assert authenticator.sign_out_others(AuthenticatedDevice(1, "a phone", DeviceKind.OPERATOR), NOW_NS) == [3]
    assert [name for _, name, *_ in store.devices()] == ["a phone"]
    store.close()


def test_when_a_device_was_last_seen_outlives_a_restart(tmp_path: Path) -> None:
    store = Store(tmp_path, NOW_NS)
    token = Authenticator(store)._issue("a phone", DeviceKind.OPERATOR, NOW_NS)
    Authenticator(store).device(token, NOW_NS + DAY_NS)
    store.close()
    again = Store(tmp_path, NOW_NS + 2 * DAY_NS)
    assert [seen_ns for *_, seen_ns in again.devices()] == [NOW_NS + DAY_NS]
    again.close()
