"""The repairs list outlives the planner, and is bounded."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.planner import repairs
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.stored_rows import read_repairs
from gloaming.daemon.site.load import load_site
from tests.api.house import StillClock, write_site

DEAD: dict[str, Any] = {"part": "ridge", "pixel": 37, "fault": "dead"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_site(tmp_path / "site")


def planner_of(folder: Path) -> Planner:
    return Planner(load_site(folder), folder / "state", StillClock("2026-12-12T18:00"))


def listed(planner: Planner) -> list[tuple[str, int | None, str]]:
    return [(one["part"], one["pixel"], one["text"]) for one in planner.repairs.as_json()["open"]]


def test_marks_survive_a_power_cut_of_the_planner(folder: Path) -> None:
    planner = planner_of(folder)
    planner.repairs.mark(DEAD, "Nan")
    planner.repairs.mark({"part": "railing", "fault": "loose"}, "Nan")
    planner.repairs.mark({"part": "ridge", "pixel": 4, "fault": "cut-out"}, "Nan")
    planner.repairs.mend(1, "Huw")
    assert asyncio.run(planner.written())  # and no orderly end: what is on the disk is what there is
    again = planner_of(folder)
    assert listed(again) == [("ridge", 4, "cut out"), ("railing", None, "loose")]
    (mended,) = again.repairs.as_json()["mended"]
    assert (mended["pixel"], mended["mended_by"]) == (37, "Huw")
    assert again.repairs.mark(DEAD, "Nan")["id"] == 4
    assert [one.id for one in read_repairs(folder / "state" / "state.db")][:3] == [1, 2, 3]
    for one in (planner, again):
        one._parts.close()


def test_a_state_of_an_older_version_gets_the_list(tmp_path: Path) -> None:
    store = Store(tmp_path, 0)
    store.set_fact("cid", "x")
    store._writer.put(("DROP TABLE repair", ()))
    store.close()
    assert read_repairs(tmp_path / "state.db") == ()
    again = Store(tmp_path, 0)
    assert (again.repairs(), again.fact("cid"), again.set_aside) == ((), "x", None)
    again.close()


def test_a_string_that_was_renamed_keeps_its_marks(folder: Path) -> None:
    planner = planner_of(folder)
    planner.repairs.mark(DEAD, "Nan")
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('name = "ridge"', 'name = "roof edge"'))
    asyncio.run(planner.reload("a test"))
    (mark,) = planner.repairs.as_json()["open"]
    assert (mark["part"], mark["absence"]) == ("ridge", "ridge is not in the rig any more")
    planner._parts.close()


def test_so_many_marks_may_be_open_and_so_many_mended_ones_are_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(repairs, "OPEN_MAX", 3)
    monkeypatch.setattr(repairs, "MENDED_KEPT", 2)
    planner = planner_of(folder)
    for pixel in range(1, 4):
        planner.repairs.mark(DEAD | {"pixel": pixel}, "Nan")
    with pytest.raises(Refusal, match="3 marks are open; say first which of them are mended"):
        planner.repairs.mark(DEAD, "Nan")
    for id in (1, 2, 3):
        planner.repairs.mend(id, "Nan")
    assert [one["pixel"] for one in planner.repairs.as_json()["mended"]] == [3, 2]
    planner._parts.close()
