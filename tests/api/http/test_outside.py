"""Triggers and holds over HTTP: the tokens, and that each opens its own trigger or hold and nothing else."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from gloaming.api.http.middleware import RequestLimits
from tests.api.house import House, house, run
from tests.api.http.test_routes import EVERYBODY, ROWS

TABLES = """
[[trigger]]
name = "gate"
show = "short"
http = true
cool_down = "10 min"

[[trigger]]
name = "quay"
show = "short"
http = true

[[trigger]]
name = "wired"
show = "short"
mqtt = "mqtt://127.0.77.2:9/quay/button"

[[hold]]
name = "gate"
http = true
above = 14
until_below = 10
if_silent = "ignore"
"""
GATE, HOLD = "/api/triggers/gate", "/api/holds/gate"


@asynccontextmanager
async def venue(folder: Path, limits: RequestLimits | None = None) -> AsyncIterator[House]:
    """A site with triggers and a hold that listen to HTTP."""
    async with house(folder, limits=limits) as home:
        await put(home, TABLES)
        yield home


async def put(home: House, tables: str) -> None:
    """Put these tables at the end of site.toml, in place of those before."""
    path = home.planner.site.folder / "site.toml"
    plain = path.read_text(encoding="utf-8").partition("# outside\n")[0]
    path.write_text(f"{plain}# outside\n{tables}", encoding="utf-8")
    assert await home.planner.reload("a test") is None


async def token(home: House, path: str) -> str:
    async with home.client(home.token) as owner:
        made = await owner.post(f"{path}/token")
    assert made.status_code == 201
    assert made.json()["url"].endswith(path)
    return str(made.json()["token"])


async def post(home: House, token: str | None, path: str, body: str | None = None, **more: Any) -> httpx.Response:
    async with home.client(token) as client:
        return await client.post(path, content=body, **more)


def test_a_token_calls_its_trigger_and_a_second_event_is_refused_with_the_reason(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path) as home:
            gate = await token(home, GATE)
            called = await post(home, gate, GATE)
            assert (called.status_code, called.json()["show"], called.json()["who"]) == (201, "short", "trigger gate")
            again = await post(home, gate, GATE)
            assert (again.status_code, [one["code"] for one in again.json()["reasons"]]) == (409, ["plays-already"])
            assert (await post(home, home.device("operator"), "/api/triggers/quay")).status_code == 409

    run(work())


def test_a_reading_darkens_the_rig_and_one_that_is_no_number_says_so(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path) as home, home.client(home.token) as owner:
            wind = await token(home, HOLD)
            assert (await post(home, wind, HOLD, "15.2")).status_code == 200
            assert [one["kind"] for one in (await owner.get("/api/now")).json()["overrides"]] == ["hold-dark"]
            for body in ("NaN", "a storm", "", "[" * 20_000, "1" * 60_000):
                refused = await post(home, wind, HOLD, body)
                assert refused.status_code == 422, body[:20]
                assert refused.headers["content-type"] == "application/problem+json"
                assert len(refused.json()["detail"]) < 300
            assert (await post(home, wind, HOLD, "1" * 10_000_000)).status_code == 413
            assert [one["kind"] for one in (await owner.get("/api/now")).json()["overrides"]] == ["hold-dark"]

    run(work())


def test_of_several_boards_one_takes_the_readings_and_another_one_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boards = '[[board]]\nname = "quay"\ncontrollers = ["left"]\naddress = "https://192.0.2.11"\n'
    spare = '[[board]]\nname = "spare"\nspare_for = "quay"\n'
    wind = '[[hold]]\nname = "wind"\nhttp = true\nboard = "quay"\nabove = 14\nif_silent = "ignore"\n'

    async def work() -> None:
        async with house(tmp_path) as home:
            monkeypatch.setenv("GLOAMING_BOARD", "spare")
            await put(home, boards + spare + wind)
            refused = await post(home, home.token, "/api/holds/wind", "15.2")
            assert refused.status_code == 409
            where = "send them to https://192.0.2.11/api/holds/wind"
            assert refused.json()["detail"] == f"the board quay takes the readings of this hold: {where}"
            monkeypatch.setenv("GLOAMING_BOARD", "quay")
            await put(home, boards + spare + wind)
            assert (await post(home, home.token, "/api/holds/wind", "15.2")).status_code == 200
            assert home.planner.outside.holds.as_json()[0]["board"] == "quay"
            assert [one["kind"] for one in home.planner.now()["overrides"]] == ["hold-dark"]

    run(work())


@pytest.mark.parametrize("path", [GATE, HOLD])
def test_a_token_opens_nothing_else(path: str, tmp_path: Path) -> None:
    """Every route, also with the token as the cookie of a browser."""

    async def work() -> None:
        async with venue(tmp_path) as home:
            good = await token(home, path)
            own = path.replace("gate", "{name}")
            closed = [row for row, who in ROWS.items() if who != EVERYBODY]
            assert len(closed) > 30
            for row in closed:
                method, _, route = row.partition(" ")
                there = route.replace("{name}", "quay" if route == own else "gate").replace("{id}", "1")
                for client_with in (home.client(good), home.client(cookies={"gloaming": good})):
                    async with client_with as client:
                        answer = await client.request(method, there, json={"kind": "pause"})
                    assert answer.status_code == 401, row
            assert not home.planner._parts.situation.overrides

    run(work())


def test_an_old_token_ends_and_so_does_that_of_a_table_that_is_gone(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path) as home:
            old = await token(home, GATE)
            new = await token(home, GATE)
            assert (await post(home, old, GATE)).status_code == 401
            await put(home, TABLES.replace('"gate"', '"jetty"'))
            assert (await post(home, new, GATE)).status_code == 401
            await put(home, TABLES.replace("http = true\ncool", 'device = "/dev/input/event0"\ncool'))
            assert (await post(home, new, GATE)).status_code == 401
            await put(home, TABLES)
            assert (await post(home, new, GATE)).status_code == 201

    run(work())


def test_what_does_not_listen_to_http_has_no_token_and_nobody_else_makes_one(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path) as home:
            gate = await token(home, GATE)
            for path in ("/api/triggers/wired", "/api/triggers/nobody", "/api/holds/quay", "/api/holds/%00"):
                assert (await post(home, home.token, f"{path}/token")).status_code == 404
                assert (await post(home, home.token, path, "1")).status_code == 404
                assert (await post(home, None, path)).status_code == 401
            for who, status in ((gate, 401), (home.device("viewer"), 403), (home.device("operator"), 403)):
                assert (await post(home, who, f"{GATE}/token")).status_code == status
            assert (await post(home, gate, GATE)).status_code == 201, "and the token is still good"

    run(work())


def test_a_token_is_stored_as_a_hash_and_is_in_no_line(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path) as home:
            gate = await token(home, GATE)
            assert (await post(home, gate, GATE)).status_code == 201
            assert await home.planner.written()
            lines = [line["text"] for line in home.planner.journal(20)]
            assert "a new token for the trigger gate" in lines
            for path in filter(Path.is_file, (tmp_path / "state").iterdir()):
                assert gate.encode() not in path.read_bytes(), path

    run(work())


def test_a_source_that_sends_all_the_time_is_refused_and_nobody_else_is(tmp_path: Path) -> None:
    async def work() -> None:
        async with venue(tmp_path, RequestLimits(device_rate=0.001, device_burst=5)) as home:
            gate, wind = await token(home, GATE), await token(home, HOLD)
            found = [(await post(home, gate, GATE)).status_code for _ in range(7)]
            assert found == [201, 409, 409, 409, 409, 429, 429]
            assert (await post(home, wind, HOLD, "3")).status_code == 200

    run(work())
