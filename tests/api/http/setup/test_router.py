"""Nobody but an owner reaches a route of the set-up."""

from __future__ import annotations

import re
from pathlib import Path

from tests.api.house import house, run
from tests.api.http.test_routes import NOBODY, OPERATOR, VIEWER, routes


def test_every_route_of_the_set_up_refuses_an_operator_a_viewer_and_a_stranger(tmp_path: Path) -> None:
    """A new route below /api/setup is asked here by itself, with each of its methods."""

    async def work() -> None:
        async with house(tmp_path) as home:
            asked = [row for row in routes(home.app.routes) if " /api/setup/" in row]
            assert asked
            statuses = {NOBODY: 401, VIEWER: 403, OPERATOR: 403}
            for who, status in statuses.items():
                async with home.client(None if who == NOBODY else home.device(who)) as client:
                    for row in asked:
                        method, _, path = row.partition(" ")
                        answer = await client.request(method, re.sub(r"{\w+}", "9999", path), json={})
                        assert answer.status_code == status, (who, row, answer.text)
                        if who == OPERATOR and method != "HEAD":
                            assert answer.json()["detail"].startswith("only an owner may change the set-up"), row

    run(work())
