"""Every kind of override over HTTP: made, listed, at work, undone, survived and expired.

A house that is opened again on the same state is a planner that was killed: it knows what is on the disk, and no more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from gloaming.daemon.direction.overrides import Kind as OverrideKind
from gloaming.daemon.direction.overrides import Override
from tests.api.house import House, house, run

AT = "2026-12-12T18:00:00"


@dataclass(frozen=True)
class Kind:
    """How a kind is asked for, when it ends, and what /api/now has while it stands."""

    request: dict[str, object]
    ends: str
    now: dict[str, object]
    later: str = "2026-12-12T18:01:30"
    """While it stands."""
    past: str = "2026-12-12T18:31:00"
    """When it has ended, and the evening is on."""


KINDS = {
    "pause": Kind({"kind": "pause"}, "18:15:00", {"state": "paused", "brightness": 0.0, "show": "evening"}),
    "pause while the show continues": Kind(
        {"kind": "pause", "minutes": 20, "show_continues": True}, "18:20:00", {"state": "paused", "brightness": 0.0}
    ),
    "dark": Kind({"kind": "dark", "until": "18:30"}, "18:30:00", {"state": "dark", "brightness": 0.0}),
    "call": Kind({"kind": "call", "show": "short"}, "18:30:00", {"state": "playing", "show": "short"}),
    "called piece": Kind(
        {"kind": "call", "piece": "lanterns"},
        "18:00:20",
        {"state": "playing", "show": "evening", "piece": "lanterns"},
        "2026-12-12T18:00:10",
        "2026-12-12T18:00:30",
    ),
    "dim": Kind({"kind": "dim", "level": 0.4, "minutes": 10}, "18:10:00", {"state": "playing", "brightness": 0.4}),
    "mute": Kind({"kind": "mute", "minutes": 5}, "18:05:00", {"state": "playing", "brightness": 1.0, "sound": False}),
    "skip": Kind({"kind": "skip"}, "18:01:00", {"state": "playing"}, "2026-12-12T18:00:30", "2026-12-12T18:02:00"),
}


async def now(client: httpx.AsyncClient) -> dict[str, Any]:
    answer = await client.get("/api/now")
    assert answer.status_code == 200
    return dict(answer.json())


async def ask(client: httpx.AsyncClient, request: dict[str, object]) -> dict[str, Any]:
    answer = await client.post("/api/overrides", json=request)
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def at_work(found: dict[str, Any], kind: Kind) -> bool:
    return all(
        found[key] == (pytest.approx(value) if isinstance(value, float) else value) for key, value in kind.now.items()
    )


@pytest.mark.parametrize("name", KINDS)
def test_it_is_made_and_listed_survives_a_restart_and_ends_by_itself(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]

    async def make(open_house: House) -> int:
        async with open_house.client(open_house.token) as client:
            assert (await now(client))["overrides"] == []
            made = await ask(client, kind.request)
            assert made["kind"] == kind.request["kind"]
            assert made["until"][:16] == f"2026-12-12T{kind.ends[:5]}"
            assert made["who"]
            assert made["on_the_wire"] is False  # there is no transmitter in this house
            (listed,) = (await now(client))["overrides"]
            for key in ("id", "kind", "at", "until", "who"):
                assert listed[key] == made[key]
            for key in ("show", "piece", "level", "show_continues"):
                assert listed.get(key) == kind.request.get(key)
            lines = (await client.get("/api/journal")).json()
            assert any(line["kind"] == "override" and line["data"].get("id") == made["id"] for line in lines)
            return int(made["id"])

    async def work() -> None:
        async with house(tmp_path, AT) as first:
            id = await make(first)
        async with house(tmp_path, kind.later) as again, again.client(again.token) as client:
            found = await now(client)
            assert [one["id"] for one in found["overrides"]] == [id]
            assert at_work(found, kind), found
        async with house(tmp_path, kind.past) as after, after.client(after.token) as client:
            found = await now(client)
            assert found["overrides"] == []
            assert found["state"] == "playing"
            assert found["show"] == "evening"
            assert found["brightness"] == 1
            gone = await client.delete(f"/api/overrides/{id}")
            assert gone.status_code == 404
            assert gone.headers["content-type"] == "application/problem+json"

    run(work())


@pytest.mark.parametrize("name", KINDS)
def test_it_can_be_undone_for_good(tmp_path: Path, name: str) -> None:
    kind = KINDS[name]

    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            made = await ask(client, kind.request)
            ended = await client.delete(f"/api/overrides/{made['id']}")
            assert ended.status_code == 200
            assert ended.json()["id"] == made["id"]
            assert (await now(client))["overrides"] == []
            assert (await client.delete(f"/api/overrides/{made['id']}")).status_code == 404
        async with house(tmp_path, kind.later) as again, again.client(again.token) as client:
            found = await now(client)
            assert found["overrides"] == []
            assert (found["state"], found["show"], found["brightness"]) == ("playing", "evening", 1)

    run(work())


def test_a_skip_moves_the_order_on_and_can_be_undone(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, "2026-12-12T18:00:05") as first, first.client(first.token) as client:
            before = (await now(client))["piece"]
            made = await ask(client, {"kind": "skip"})
            other = (await now(client))["piece"]
            assert {before, other} == {"tide", "lanterns"}
            await client.delete(f"/api/overrides/{made['id']}")
            assert (await now(client))["piece"] == before

    run(work())


def test_a_piece_is_called_after_the_one_that_plays_and_its_begin_and_end_move_with_a_pause(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, "2026-12-12T18:00:05") as first, first.client(first.token) as client:
            listed = (await client.get("/api/site")).json()["pieces"]
            assert {"name": "lanterns", "title": "lanterns", "artist": ""} in listed
            made = await ask(client, {"kind": "call", "piece": "lanterns", "after": True})
            assert (made["kind"], made["after"], made["piece"]) == ("call", True, "lanterns")
            last = await ask(client, {"kind": "call", "piece": "tide", "after": True})
            assert last["at"] == made["until"]
            lines = [line["text"] for line in (await client.get("/api/journal")).json() if line["kind"] == "override"]
            assert lines[1].startswith(f"call of lanterns, at {made['at'][11:19]} until 18:00")
            await ask(client, {"kind": "pause", "minutes": 15})
            first_one, second, _ = (await now(client))["overrides"]
            shift_s = 15 * 60 - 1  # the show moves on while the light fades
            for one, before in ((first_one, made), (second, last)):
                for key in ("at", "until"):
                    moved = datetime.fromisoformat(one[key]) - datetime.fromisoformat(before[key])
                    assert moved.total_seconds() == shift_s
            refused = await client.post("/api/overrides", json={"kind": "call", "piece": "lantern"})
            assert (refused.status_code, refused.json()["detail"]) == (
                422,
                "request: piece: there is no piece 'lantern'; did you mean lanterns?",
            )
            shown = await ask(client, {"kind": "call", "show": "short"})
            assert {one["id"] for one in shown["ended"]} == {made["id"], last["id"]}

    run(work())


def test_a_call_of_what_the_site_no_longer_has_does_not_count(tmp_path: Path) -> None:
    """Not even if a show has the name of the piece, or a piece that of the show."""

    async def work() -> None:
        async with house(tmp_path, AT) as first:
            at_ns = first.planner.now_ns()
            for id, names in ((1, {"piece": "short"}), (2, {"show": "lanterns"})):
                call = Override(id, OverrideKind.CALL, at_ns - 1, at_ns + 10**11, **names)
                first.planner._parts.store.add(call)
        async with house(tmp_path, AT) as again, again.client(again.token) as client:
            found = await now(client)
            assert (found["overrides"], found["show"]) == ([], "evening")

    run(work())


def test_a_call_outside_dark_hours_is_given_and_inside_refused_with_the_reason(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, "2026-12-12T22:30") as late, late.client(late.token) as client:
            made = await ask(client, {"kind": "call", "show": "short", "until": "23:30"})
            assert (await now(client))["show"] == "short"
            assert made["until"].startswith("2026-12-12T23:30")
        async with house(tmp_path, "2026-12-12T23:05") as night, night.client(night.token) as client:
            found = await now(client)
            assert (found["state"], found["brightness"]) == ("dark", 0)
            assert found["reasons"][0]["rule"].endswith("neighbours.dark")
            refused = await client.post("/api/overrides", json={"kind": "call", "show": "short"})
            assert refused.status_code == 409
            assert refused.headers["content-type"] == "application/problem+json"
            problem = refused.json()
            assert problem["status"] == 409
            assert problem["reasons"][0]["text"] == "dark hours 23:00 to 07:00: no light"
            assert problem["reasons"][0]["rule"].startswith("site.toml:")

    run(work())


def test_different_kinds_hold_together_and_another_of_a_kind_replaces_the_first(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            half = await ask(client, {"kind": "dim", "level": 0.5, "minutes": 30})
            for kind in ("mute", "pause", "dark"):
                one = await ask(client, {"kind": kind, "minutes": 60})
                other = await ask(client, {"kind": kind, "minutes": 10})
                assert other["ended"] == [{"id": one["id"], "kind": kind}]
                await client.delete(f"/api/overrides/{other['id']}")
            dim = await ask(client, {"kind": "dim", "level": 0.2, "minutes": 30})
            assert dim["ended"] == [{"id": half["id"], "kind": "dim"}]
            pause = await ask(client, {"kind": "pause", "minutes": 30})
            assert pause["ended"] == []
            assert [one["kind"] for one in (await now(client))["overrides"]] == ["dim", "pause"]
        async with house(tmp_path, "2026-12-12T18:05") as again, again.client(again.token) as client:
            assert (await now(client))["brightness"] == 0
            await client.delete(f"/api/overrides/{pause['id']}")
        async with house(tmp_path, "2026-12-12T18:06") as again, again.client(again.token) as client:
            assert (await now(client))["brightness"] == pytest.approx(0.2)
            await client.delete(f"/api/overrides/{dim['id']}")
        async with house(tmp_path, "2026-12-12T18:07") as again, again.client(again.token) as client:
            assert (await now(client))["brightness"] == 1

    run(work())


@pytest.mark.parametrize(
    "request_",
    [
        {"kind": "light"},
        {},
        {"kind": "pause", "minutes": -1},
        {"kind": "pause", "minutes": 1e300},
        {"kind": "dim", "level": 2},
        {"kind": "call", "show": "matinee"},
        {"kind": "dark", "until": "25:00"},
        {"kind": "skip", "minutes": 5},
        {"kind": "dark", "zone": "rof"},
        {"kind": "pause", "zone": "roof"},
        {"kind": "out-of-service"},
    ],
)
def test_a_wrong_request_is_a_problem_and_changes_nothing(tmp_path: Path, request_: dict[str, object]) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            answer = await client.post("/api/overrides", json=request_)
            assert answer.status_code == 422
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["detail"]
            assert (await now(client))["overrides"] == []

    run(work())


def test_a_viewer_may_ask_for_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first:
            for token, status in ((None, 401), (first.device("viewer"), 403)):
                async with first.client(token) as client:
                    assert (await client.post("/api/overrides", json={"kind": "pause"})).status_code == status
                    assert (await client.delete("/api/overrides/1")).status_code == status
            async with first.client(first.device("operator", "the porch")) as client:
                assert (await ask(client, {"kind": "pause"}))["who"] == "the porch"

    run(work())


def test_a_date_or_an_instant_out_of_range_is_a_problem(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            for path in ("nights?days=2&from=", "nights.svg?days=2&from=", "report?days=2&from=", "why?at="):
                for day, right in (("0001-01-01", 404), ("1900-01-02", 404), ("9999-12-31", 404), ("31.12.26", 422)):
                    at = f"{day}T23:59:59-12:00" if path == "why?at=" else day
                    answer = await client.get(f"/api/{path}{at}")
                    told = answer.headers["content-type"]
                    if (path, day) == ("why?at=", "1900-01-02"):
                        assert answer.json()["state"] == "dark"  # nothing was given then
                    else:
                        assert told == "application/problem+json", (path, day)
                        assert answer.status_code in (right, 422), (path, day, answer.json())
                        assert "Value error" not in answer.json()["detail"]

    run(work())


def test_what_is_out_of_service_is_listed_survives_a_restart_and_ends_when_somebody_says_so(tmp_path: Path) -> None:
    asked = {"kind": "out-of-service", "zone": "ridge", "until": "saturday", "why": "it flickers"}

    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            made = await ask(client, asked)
            assert (made["until"], made["zone"], made["why"]) == ("2026-12-19T12:00:00+00:00", "ridge", "it flickers")
            other = await ask(client, {"kind": "out-of-service", "zone": "roof"})
            assert (other["ended"], other["until"][:10]) == ([], "2028-01-16")
        async with house(tmp_path, "2026-12-12T18:30") as again, again.client(again.token) as client:
            found = await now(client)
            assert [(one["kind_name"], one["zone"]) for one in found["overrides"]] == [
                ("Out of service", "ridge"),
                ("Out of service", "roof"),
            ]
            assert not [one for one in found["health"]["troubles"] if "ridge" in one["text"]]
            again_asked = await ask(client, {**asked, "why": "it is wet"})
            assert again_asked["ended"] == [{"id": made["id"], "kind": "out-of-service"}]
            assert (await client.delete(f"/api/overrides/{again_asked['id']}")).status_code == 200
            assert [one["zone"] for one in (await now(client))["overrides"]] == ["roof"]
            lines = [one["text"] for one in (await client.get("/api/journal?kind=override")).json()]
            assert lines == [
                "ridge out of service ended",
                "ridge out of service until Sat 19 Dec, 12:00: it is wet",
                "roof out of service until Sun 16 Jan 2028, 18:00",
                "ridge out of service until Sat 19 Dec, 12:00: it flickers",
            ]

    run(work())


def test_an_override_of_a_zone_replaces_one_of_its_kind_for_the_same_zone_only(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            whole = await ask(client, {"kind": "dark", "minutes": 60})
            roof = await ask(client, {"kind": "dark", "zone": "roof"})
            railing = await ask(client, {"kind": "dark", "zone": "railing"})
            assert "zone" not in whole and whole["ended"] == roof["ended"] == railing["ended"] == []
            again = await ask(client, {"kind": "dark", "zone": "roof", "until": "22:00"})
            assert again["ended"] == [{"id": roof["id"], "kind": "dark"}]
            refused = await client.post("/api/overrides", json={"kind": "dark", "zone": "rof"})
            assert (refused.status_code, refused.json()["code"]) == (422, "invalid")
            assert refused.json()["detail"] == "request: zone: there is no zone 'rof'; did you mean roof?"

    run(work())


def test_a_zone_is_dark_dimmed_or_has_a_show_of_its_own_and_the_rest_goes_on(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:

            async def zone(name: str) -> dict[str, Any]:
                (found,) = [one for one in (await now(client))["zones"] if one["name"] == name]
                return dict(found)

            usual = await zone("roof")
            assert {key: usual[key] for key in ("state", "state_name", "show", "level", "differing")} == {
                "state": "playing",
                "state_name": "Playing",
                "show": "evening",
                "level": 1.0,
                "differing": [],
            }
            dark = await ask(client, {"kind": "dark", "zone": "roof", "until": "22:00"})
            found = await zone("roof")
            assert found["state"] == "dark"
            assert found["reason"]["code"] == "dark"
            assert found["reason"]["text"].startswith("roof: dark by this machine at 18:00 until 22:00")
            whole = await now(client)
            assert (whole["state"], whole["show"], whole["brightness"]) == ("playing", "evening", 1)
            assert whole["after_resume"] is None  # the whole rig is not dark
            why = (await client.get("/api/why?zone=roof")).json()
            assert (why["state"], why["reasons"][0]) == ("dark", found["reason"])
            assert (await client.get("/api/why")).json()["state"] == "playing"
            later = (await client.get("/api/why?zone=roof&at=2026-12-12T22:30:00")).json()
            assert later["reasons"][0]["code"] == "opens"
        async with house(tmp_path, "2026-12-12T18:00:30") as again, again.client(again.token) as client:
            found = await zone("roof")
            assert (found["state"], found["piece"], found["level"]) == ("dark", None, 0)
            await client.delete(f"/api/overrides/{dark['id']}")
            await ask(client, {"kind": "call", "show": "short", "zone": "railing"})
            await ask(client, {"kind": "dim", "level": 0.4, "zone": "roof"})
        async with house(tmp_path, "2026-12-12T18:01") as again, again.client(again.token) as client:
            dimmed = await zone("roof")
            assert dimmed["level"] == pytest.approx(0.4)
            assert dimmed["reason"]["text"].startswith("roof: dimmed by this machine at 18:00:30 until ")
            assert (await client.get("/api/why?zone=railing")).json()["show"] == "short"
            assert (await now(client))["show"] == "evening"
            unknown = await client.get("/api/why?zone=rof")
            assert (unknown.status_code, unknown.json()["detail"]) == (
                422,
                "request: zone: there is no zone 'rof'; did you mean roof?",
            )

    run(work())


def test_the_reason_of_a_zone_is_the_one_that_makes_it_differ(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:

            async def code() -> str:
                (zone,) = (await now(client))["zones"]
                return str(zone["reason"]["code"])

            assert await code() == "piece"  # as the rest
            call = await ask(client, {"kind": "call", "show": "short", "zone": "roof"})
            assert await code() == "opened"  # not the piece that its order is at
            await client.delete(f"/api/overrides/{call['id']}")
            await ask(client, {"kind": "dim", "level": 0.5, "zone": "roof"})
            assert await code() == "dim"
            await ask(client, {"kind": "out-of-service", "zone": "ridge"})
            assert await code() == "out-of-service"

    run(work())


def test_there_is_no_rest_where_all_strings_and_fixtures_show_something_else(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as first, first.client(first.token) as client:
            await ask(client, {"kind": "dark", "zone": "roof"})
            await ask(client, {"kind": "dark", "zone": "lamp"})
            assert (await now(client))["rest"]  # the railing
            railing = await ask(client, {"kind": "dark", "zone": "railing"})
        async with house(tmp_path, "2026-12-12T18:01") as first, first.client(first.token) as client:
            assert not (await now(client))["rest"]
            await ask(client, {"kind": "pause"})
        async with house(tmp_path, "2026-12-12T18:02") as first, first.client(first.token) as client:
            assert (await now(client))["rest"]  # all is paused
            for one in (await now(client))["overrides"]:
                if one["kind"] == "pause" or one["id"] == railing["id"]:
                    await client.delete(f"/api/overrides/{one['id']}")
            assert (await now(client))["rest"]

    run(work())
