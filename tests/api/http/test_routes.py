"""Every route, and which devices it accepts: nobody in particular, a viewer, an operator, an owner, the board itself.

A route without a row fails, and so does a row without a route.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from starlette.routing import Mount

from tests.api.house import House, house, run

NOBODY, VIEWER, OPERATOR, OWNER, BOARD = "nobody", "viewer", "operator", "owner", "board"
EVERYBODY = {NOBODY, VIEWER, OPERATOR, OWNER, BOARD}
LOOKS = EVERYBODY - {NOBODY}
ACTS = {OPERATOR, OWNER, BOARD}
SETS_UP = {OWNER, BOARD}
ROWS = {
    "GET /": EVERYBODY,
    "GET /setup": EVERYBODY,
    "GET /healthz": EVERYBODY,
    "GET /api/public": EVERYBODY,
    "GET /sign": EVERYBODY,
    "POST /api/sign-in": EVERYBODY,
    "POST /api/sign-in/link": EVERYBODY,
    "GET /api/openapi.json": LOOKS,
    "GET /api/now": LOOKS,
    "GET /api/nights": LOOKS,
    "GET /api/nights.svg": LOOKS,
    "GET /api/why": LOOKS,
    "GET /api/journal": LOOKS,
    "GET /api/site": LOOKS,
    "GET /api/events": LOOKS,
    "GET /api/view": LOOKS,
    "GET /api/rig": LOOKS,
    "GET /api/network": LOOKS,
    "GET /api/repairs": LOOKS,
    "GET /api/devices": LOOKS,
    "GET /api/triggers": LOOKS,
    "GET /api/holds": LOOKS,
    "GET /api/boards": LOOKS,
    "GET /metrics": LOOKS,
    "GET /api/health": LOOKS,
    "GET /api/report": LOOKS,
    "POST /api/overrides": ACTS,
    "DELETE /api/overrides/{id}": ACTS,
    "POST /api/rig-check": ACTS,
    "POST /api/network": ACTS,
    "POST /api/repairs": ACTS,
    "POST /api/repairs/{id}/done": ACTS,
    "DELETE /api/repairs/{id}": ACTS,
    "POST /api/links": ACTS,
    "DELETE /api/devices": ACTS,
    "DELETE /api/devices/{id}": ACTS,  # of another device: each may sign itself out
    "PUT /api/devices/{id}": SETS_UP,
    "POST /api/triggers/{name}": ACTS,
    "POST /api/holds/{name}": ACTS,
    "POST /api/triggers/{name}/token": SETS_UP,
    "POST /api/holds/{name}/token": SETS_UP,
    "POST /api/clock": ACTS,
    "POST /api/reload": ACTS,
    "PUT /api/passcode": {BOARD},
}


def routes(found: Iterable[Any], before: str = "") -> Iterator[str]:
    """The routes of an application, those of the routers in it too, as "GET /api/now"."""
    for route in found:
        if isinstance(route, Mount):
            yield from (f"GET {route.path}/{name}" for name in route.app.names)  # type: ignore[attr-defined]
        elif hasattr(route, "original_router"):  # how FastAPI keeps a router that was included
            yield from routes(route.original_router.routes, before + route.include_context.prefix)
        else:
            yield from (f"{method} {before}{route.path}" for method in sorted(route.methods))


async def is_let_in(home: House, who: str, row: str) -> bool:
    token = {NOBODY: None, BOARD: home.token}[who] if who in (NOBODY, BOARD) else home.device(who)
    method, _, path = row.partition(" ")
    async with home.client(token) as client:
        asking = asyncio.create_task(client.request(method, path.replace("{id}", "9999"), json={}))
        while not (await asyncio.wait([asking], timeout=0.1))[0]:
            home.app.state.streams.end_all()  # a stream would never end by itself
        answer = asking.result()
    assert answer.status_code < 500, (who, row, answer.text)
    return answer.status_code not in (401, 403)


def test_each_route_accepts_the_right_devices_and_no_others(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            found = [row for row in routes(home.app.routes) if not row.startswith("HEAD ")]
            parts = {row: EVERYBODY for row in found if "/{tag}/" in row}
            rows = {**ROWS, **parts}
            assert sorted(row for row in found if " /api/setup/" not in row) == sorted(rows)
            for row, expected in rows.items():
                assert {who for who in sorted(EVERYBODY) if await is_let_in(home, who, row)} == expected, row

    run(work())
