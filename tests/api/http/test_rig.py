"""The rig check over HTTP: its places, and a single pixel that moves while a person holds a button."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.api.house import House, house, run

PIXEL = {"pattern": "pixel", "string": "ridge"}


def test_a_pixel_that_moves_stays_one_override_and_one_line_of_the_journal(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            first = (await phone.post("/api/rig-check", json=PIXEL | {"number": 1})).json()
            lines = home.planner.journal(100)
            for number in range(2, 60):
                moved = (await phone.post("/api/rig-check", json=PIXEL | {"number": number})).json()
                assert (moved["id"], moved["at"], moved["ended"]) == (first["id"], first["at"], [])
            assert moved["pattern"] == {
                "kind": "pixel",
                "colour": "white",
                "number": 59,
                "a_second": 2,
                "frames": 150,
                "controller": None,
                "port": None,
                "zone": None,
            }
            assert home.planner.journal(100) == lines
            assert [one["check"] for one in (await phone.get("/api/now")).json()["overrides"]] == [
                "pixel 59, white of string ridge"
            ]
            assert len(home.planner._parts.store.overrides(0)) == 1

    run(work())


def test_another_brightness_does_not_begin_a_walk_again_and_another_tap_on_walk_does(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            walk = {"pattern": "walk", "string": "ridge"}
            first = (await phone.post("/api/rig-check", json=walk)).json()
            brighter = (await phone.post("/api/rig-check", json=walk | {"level": 0.5})).json()
            assert (brighter["id"], brighter["at"], brighter["level"]) == (first["id"], first["at"], 0.5)
            again = (await phone.post("/api/rig-check", json=walk | {"level": 0.5})).json()
            assert again["id"] != first["id"] and again["ended"] == [{"id": first["id"], "kind": "rig-check"}]

    run(work())


def test_two_phones_on_different_pixels_the_newest_counts(tmp_path: Path) -> None:
    async def work() -> None:
        async with (
            house(tmp_path) as home,
            home.client(home.device(name="Anna's phone")) as anna,
            home.client(home.device(name="Ben's phone")) as ben,
        ):
            first = (await anna.post("/api/rig-check", json=PIXEL | {"number": 1})).json()
            second = (await ben.post("/api/rig-check", json=PIXEL | {"number": 9})).json()
            assert second["ended"] == [{"id": first["id"], "kind": "rig-check"}]
            (shown,) = (await anna.get("/api/now")).json()["overrides"]
            assert (shown["who"], shown["pattern"]["number"]) == ("Ben's phone", 9)

    run(work())


def test_a_zone_is_a_place_of_a_rig_check(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            found = (await phone.post("/api/rig-check", json={"pattern": "walk", "zone": "roof"})).json()
            assert (found["check"], found["pattern"]["zone"]) == ("walk, white of zone roof", "roof")
            assert found["pattern"]["frames"] == 150

    run(work())


@pytest.mark.parametrize(
    ("asked", "status", "detail"),
    [
        ({"zone": "rof"}, 422, "request: zone: there is no zone 'rof'; did you mean roof?"),
        ({"zone": "roof", "string": "ridge"}, 422, "request: string: it cannot go with zone; give one of the two"),
        ({"zone": "roof", "port": "3 of left"}, 422, "request: zone: it cannot go with port; give one of the two"),
        (PIXEL | {"number": 151}, 409, "request: number: there is no pixel 151; the longest string has 150"),
    ],
)
def test_a_place_that_is_not_there_is_one_clear_line(
    asked: dict[str, object], status: int, detail: str, tmp_path: Path
) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            answer = await phone.post("/api/rig-check", json=asked)
            assert (answer.status_code, answer.json()["detail"]) == (status, detail)

    run(work())


def lines(home: House) -> list[tuple[str, str]]:
    return [(line["text"], line["who"]) for line in home.planner.journal(100, kinds=("repair",))]


def test_a_mark_is_listed_mended_and_in_the_journal(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.device(name="Anna's phone")) as phone:
            dead = {"part": "ridge", "pixel": 37, "fault": "dead"}
            marked = await phone.post("/api/repairs", json=dead)
            assert marked.status_code == 201
            assert {**marked.json(), "at": ""} == dead | {
                "id": 1,
                "kind": "string",
                "note": "",
                "text": "dead",
                "at": "",
                "who": "Anna's phone",
                "mended": None,
                "mended_by": None,
                "absence": None,
                "hint": None,
            }
            assert (await phone.post("/api/repairs", json=dead)).json() == marked.json(), "a thumb that taps twice"
            cut = await phone.post("/api/repairs", json=dead | {"pixel": 4, "fault": "cut-out"})
            assert cut.json()["hint"].endswith("write missing = [4] into string ridge of rig.toml")
            own = await phone.post("/api/repairs", json={"part": "lamp", "fault": "look", "note": " it flickers "})
            assert own.json()["text"] == "it flickers"
            found = (await phone.get("/api/repairs")).json()
            assert [(one["part"], one["pixel"]) for one in found["open"]] == [
                ("ridge", 4),
                ("ridge", 37),
                ("lamp", None),
            ]
            for _ in range(2):
                done = await phone.post("/api/repairs/1/done")
                assert (done.status_code, done.json()["mended_by"]) == (200, "Anna's phone")
            assert (await phone.delete("/api/repairs/2")).status_code == 200
            found = (await phone.get("/api/repairs")).json()
            assert [one["id"] for one in found["open"]] == [3]
            assert [one["id"] for one in found["mended"]] == [1]
            assert lines(home)[::-1] == [
                ("ridge, pixel 37 marked: dead", "Anna's phone"),
                ("ridge, pixel 4 marked: cut out", "Anna's phone"),
                ("lamp marked: it flickers", "Anna's phone"),
                ("ridge, pixel 37 mended: dead", "Anna's phone"),
                ("ridge, pixel 4 was marked by mistake: cut out", "Anna's phone"),
            ]

    run(work())


@pytest.mark.parametrize(
    ("asked", "status", "detail"),
    [
        (
            {"part": "rigde", "fault": "dead"},
            422,
            "part: there is no string and no fixture 'rigde'; did you mean ridge?",
        ),
        ({"part": "ridge", "pixel": 151, "fault": "dead"}, 409, "pixel: there is no pixel 151; string ridge has 150"),
        ({"part": "lamp", "pixel": 1, "fault": "dead"}, 409, "pixel: there is no pixel 1; fixture lamp has no pixels"),
        ({"part": "ridge", "pixel": 0, "fault": "dead"}, 422, "pixel: 0 is not a number from 1 on; as 37"),
        ({"part": "ridge", "fault": "bad"}, 422, "fault: there is no fault 'bad'; use dead, loose, cut-out, look"),
        ({"part": "ridge"}, 422, "fault: missing; use dead, loose, cut-out, look"),
        (
            {"part": "ridge", "fault": "look", "note": "a\nb"},
            422,
            'note: this is not a line of at most 200 characters; as "behind the gutter"',
        ),
        (
            {"part": "ridge", "fault": "look", "note": "x" * 201},
            422,
            'note: this is not a line of at most 200 characters; as "behind the gutter"',
        ),
    ],
)
def test_a_mark_that_cannot_be_is_one_clear_line(
    asked: dict[str, object], status: int, detail: str, tmp_path: Path
) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as phone:
            answer = await phone.post("/api/repairs", json=asked)
            assert (answer.status_code, answer.json()["detail"]) == (status, f"request: {detail}")
            for missing in (await phone.post("/api/repairs/9/done"), await phone.delete("/api/repairs/9")):
                assert missing.status_code == 404
                assert missing.json()["detail"] == "there is no mark 9; `gloaming repairs` lists them"
            assert lines(home) == []

    run(work())
