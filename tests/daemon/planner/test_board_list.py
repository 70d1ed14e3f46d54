"""What HTTP returns of the boards of a site, by what each has published."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.http.schemas.boards import BoardsListed, BoardsNow
from gloaming.daemon.planner.board_list import BoardList
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.api.house import instant, write_site

SITE = """
[[board]]
name = "quay"
controllers = ["left"]
address = "https://192.0.2.11:8080"

[[board]]
name = "east"
spare_for = "quay"

[[board]]
name = "far"
controllers = []

[sharing]
broker = "mqtt://192.0.2.9/pier-road"
"""
SINCE_NS = instant("2026-12-12T20:14:33")
STATUS = {"site": "abc", "program": "1.0", "troubles": 0, "clock": {"by": "chrony", "error_ms": 0.4, "trusted": True}}
QUAY = BoardSeen("quay", True, None, STATUS)


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    folder = write_site(tmp_path / "site")
    with (folder / "site.toml").open("a") as file:
        file.write(SITE)
    return replace(load_site(folder), digest="abc")


def listed(site: Site, *seen: BoardSeen) -> dict[str, Any]:
    """The rows by their names, as the model returns them."""
    boards = BoardList(site, seen, "connected", SINCE_NS)
    found = boards.as_json(lambda _: [], lambda name: 1.234 if name == "east" else None)
    assert BoardsListed.model_validate(found).model_dump() == found
    return {row["name"]: row for row in found["boards"]}


def test_in_brief_the_boards_without_contact_are_named_with_since_when(site: Site) -> None:
    east, far = BoardSeen("east", False, SINCE_NS, {}), BoardSeen("far", True, SINCE_NS, {})
    found = BoardList(site, (QUAY, east, far), "connected", SINCE_NS).brief()
    assert found == {
        "this": "quay",
        "sharing": "connected",
        "in_contact": 2,
        "of": 3,
        "away": ["east"],
        "text": "2 of 3 boards in contact; east: no contact since 20:14",
    }
    assert BoardsNow.model_validate(found).model_dump() == found
    found = BoardList(site, (QUAY, replace(east, contact=True), far), "connected", SINCE_NS).brief()
    assert found and found["text"] == "3 of 3 boards in contact"


def test_a_site_without_boards_has_nothing_to_say_of_them(site: Site) -> None:
    boards = BoardList(replace(site, boards=()), (), "none", SINCE_NS)
    assert boards.brief() is None
    assert boards.as_json(lambda _: [], lambda _: None)["boards"] == []


def test_without_a_broker_a_person_reads_that_a_pause_reaches_one_board(site: Site) -> None:
    alone = replace(site, sharing=site.sharing.model_copy(update={"broker": None}))
    found = BoardList(alone, (QUAY,), "none", SINCE_NS).brief()
    assert found and (found["in_contact"], found["of"], found["away"]) == (1, 3, ["east", "far"])
    assert "reaches this board only" in found["text"]


def test_of_a_thousand_boards_a_few_are_named_and_all_are_counted(site: Site) -> None:
    """The brief answer is streamed to each phone."""
    names = [f"hut-{number}" for number in range(1000)]
    many = replace(site, boards=tuple(site.boards[2].model_copy(update={"name": name}) for name in names))
    found = BoardList(many, (), "away", SINCE_NS).brief()
    assert found and (found["in_contact"], found["of"], len(found["away"])) == (0, 1000, 12)
    first = "; ".join(f"{name}: never in contact" for name in names[:3])
    assert found["text"] == f"0 of 1000 boards in contact; {first}; 997 more"


def test_a_board_says_what_it_knows_of_each(site: Site) -> None:
    status = {
        "site": "other",
        "program": "1.1",
        "troubles": 2,
        "address": "https://192.0.2.12:8080",
        "carries": True,
        "clock": {"by": "chrony", "error_ms": 0.256, "trusted": True},
    }
    rows = listed(site, QUAY, BoardSeen("east", True, SINCE_NS, status), BoardSeen("far", False, None, {}))
    assert list(rows) == ["quay", "east", "far"]
    assert rows["east"] == {
        "name": "east",
        "this": False,
        "in_site": True,
        "contact": True,
        "since": "2026-12-12T20:14:33+00:00",
        "text": "in contact",
        "controllers": [],
        "spare_for": "quay",
        "carries": True,
        "address": "https://192.0.2.12:8080",
        "program": "1.1",
        "same_site": False,
        "troubles": 2,
        "clock": {"by": "chrony", "text": "kept by chrony", "error_ms": 0.26, "offset_ms": 1.23, "trusted": True},
        "asked": [],
    }
    assert rows["quay"]["this"] and rows["quay"]["same_site"] and rows["quay"]["controllers"] == ["left"]
    assert rows["quay"]["address"] == "https://192.0.2.11:8080"
    assert (rows["far"]["text"], rows["far"]["since"], rows["far"]["program"]) == ("never in contact", None, None)


def test_of_a_board_without_contact_only_what_stays_true_is_listed(site: Site) -> None:
    status = {"program": "1.1", "troubles": 2, "site": "abc", "carries": True, "clock": STATUS["clock"]}
    row = listed(site, QUAY, BoardSeen("east", False, SINCE_NS, status))["east"]
    assert (row["program"], row["troubles"], row["clock"], row["same_site"], row["carries"]) == (
        "1.1",
        0,
        None,
        None,
        False,
    )


def test_a_board_that_the_site_does_not_name_is_listed_last(site: Site) -> None:
    rows = listed(site, QUAY, BoardSeen("pump", True, SINCE_NS, {}))
    assert [name for name, row in rows.items() if not row["in_site"]] == ["pump"]


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("address", "javascript:alert(1)", None),
        ("address", "https://[", None),
        ("address", 5, None),
        ("program", ["1.0"], None),
        ("troubles", "2", 0),
        ("troubles", True, 0),
        ("carries", "yes", False),
        ("site", 7, None),
        ("clock", "chrony", None),
        ("clock", {"error_ms": 1}, None),
        ("clock", {"by": "chrony", "error_ms": 10**400, "trusted": 1}, (None, False)),
        ("clock", {"by": "chrony", "error_ms": float("nan"), "trusted": True}, (None, True)),
    ],
)
def test_a_value_of_another_kind_is_left_out(site: Site, key: str, value: object, shown: object) -> None:
    """A newer or a broken program may publish it. The answer stays readable, and no link leads to a script."""
    row = listed(site, QUAY, BoardSeen("east", True, SINCE_NS, {key: value}))["east"]
    found = row["same_site" if key == "site" else key]
    assert ((found["error_ms"], found["trusted"]) if key == "clock" and found else found) == shown
