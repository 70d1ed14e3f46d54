"""The rig check over HTTP: its places, and a single pixel that moves while a person holds a button."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.api.house import house, run

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
            assert len(home.planner._store.overrides(0)) == 1

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
