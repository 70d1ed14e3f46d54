"""The boards of a site over HTTP, by a real broker (Debian's mosquitto): the list, /api/now, the metrics."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from tests.api.house import house, run
from tests.light_boards import light_boards
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import until

pytestmark = needs("mosquitto")

SITE = """
[[board]]
name = "quay"
controllers = ["left"]

[[board]]
name = "east"
controllers = ["left"]

[[board]]
name = "spare"
spare_for = "quay"

[sharing]
broker = "{broker}"
"""


def test_who_is_in_contact_is_listed_told_in_brief_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GLOAMING_BOARD", "quay")

    async def work(broker: Mosquitto) -> None:
        async with house(tmp_path) as here, here.client(here.device("viewer")) as phone:

            async def brief() -> Any:
                return (await phone.get("/api/now")).json()["boards"]

            assert await brief() is None
            assert (await phone.get("/api/boards")).json() == {"this": "", "sharing": "none", "boards": []}
            assert "sharing" not in (await phone.get("/metrics")).text
            with (tmp_path / "site" / "site.toml").open("a") as file:
                file.write(SITE.format(broker=broker.url("pier-road")))
            await here.planner.reload("a test")
            with light_boards(broker, "pier-road", "east", "spare", program="1.1", troubles=1) as others:
                boards = here.planner.boards
                await until(lambda: boards.sharing == "connected", "contact with the broker")
                await until(lambda: sum(one.contact for one in boards.seen()) == 3, "three boards")
                assert (await brief()) == {
                    "this": "quay",
                    "sharing": "connected",
                    "in_contact": 3,
                    "of": 3,
                    "away": [],
                    "text": "3 of 3 boards in contact",
                }
                others["east"].lose()
                await until(lambda: not all(one.contact for one in boards.seen()), "a board that is away")
                found = await brief()
                assert (found["in_contact"], found["away"]) == (2, ["east"])
                assert found["text"] == "2 of 3 boards in contact; east: no contact since 18:00"
                listed = (await phone.get("/api/boards")).json()
                assert [(row["name"], row["this"], row["contact"]) for row in listed["boards"]] == [
                    ("quay", True, True),
                    ("east", False, False),
                    ("spare", False, True),
                ]
                assert [row["troubles"] for row in listed["boards"][1:]] == [0, 1]
                assert listed["boards"][1]["since"] == "2026-12-12T18:00:00+00:00"
                assert listed["boards"][0]["program"] == version("gloaming")
                figures = (await phone.get("/metrics")).text.splitlines()
                assert {
                    "gloaming_sharing_connected 1.0",
                    "gloaming_boards 3.0",
                    "gloaming_boards_in_contact 2.0",
                    'gloaming_board_in_contact{board="east"} 0.0',
                    'gloaming_board_in_contact{board="spare"} 1.0',
                } <= set(figures)

    with Mosquitto(tmp_path) as broker:
        run(work(broker))
