"""Documents that take long: a process of its own makes one at a time, until somebody stops it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx

from gloaming.api.http.html_document import POLICY
from gloaming.api.http.setup.making import CHANGED, MODULE
from tests.api.house import house, run

SURVEY, REHEARSAL = "/api/setup/documents/survey", "/api/setup/documents/rehearsal"


async def made(owner: httpx.AsyncClient, path: str) -> dict[str, Any]:
    """The state of a long document once nothing is under way."""
    while (state := (await owner.get(f"{path}/making")).json())["making"] in ("running", "waiting"):
        await asyncio.sleep(0.1)
    return dict(state)


def test_a_survey_has_the_lowest_priority_and_counts_until_a_file_changes(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.device("owner")) as owner:
            missing = await owner.get(SURVEY)
            assert missing.status_code == 404
            assert missing.json()["detail"].startswith("the survey is not made: POST ")
            assert (await owner.post(f"{SURVEY}/making")).json()["making"] == "running"
            niced: set[int] = set()
            while (state := (await owner.get(f"{SURVEY}/making")).json())["making"] == "running":
                niced |= {nice_of(pid) for pid in workers()}
                await asyncio.sleep(0.1)
            assert 19 in niced
            assert (state["making"], state["problem"]) == ("made", "")
            answer = await owner.get(SURVEY)
            assert answer.headers["content-security-policy"] == POLICY
            assert "Survey before the season" in answer.text and "Pier Road boathouse" in answer.text
            await owner.post(f"{SURVEY}/making")
            while not workers():
                await asyncio.sleep(0.1)
            assert (await owner.delete(f"{SURVEY}/making")).json()["making"] == "made"
            assert (await owner.get(SURVEY)).text == answer.text
            (home.planner.site.folder / "site.toml").touch()
            assert (await owner.get(SURVEY)).status_code == 404
            state = (await owner.get(f"{SURVEY}/making")).json()
            assert (state["making"], state["made"], state["problem"]) == ("none", None, CHANGED)

    run(work())


def test_a_document_waits_for_another_and_each_is_stopped_with_its_process(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as owner:
            assert (await owner.post(f"{REHEARSAL}/making")).json()["making"] == "running"
            assert (await owner.post(f"{SURVEY}/making")).json()["making"] == "waiting"
            while not workers():
                await asyncio.sleep(0.1)
            assert (await owner.delete(f"{SURVEY}/making")).json()["making"] == "none"
            stopped = (await owner.delete(f"{REHEARSAL}/making")).json()
            assert (stopped["making"], stopped["problem"]) == ("none", "")
            assert workers() == []
            assert (await owner.delete(f"{REHEARSAL}/making")).status_code == 200

    run(work())


def test_a_mistake_in_the_site_is_a_finding_of_the_survey_and_the_reason_for_no_rehearsal(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as owner:
            site = home.planner.site.folder / "site.toml"
            site.write_text(site.read_text().replace('show = "evening"', 'show = "evenning"'))
            for path in (SURVEY, REHEARSAL):
                await owner.post(f"{path}/making")
            problem = (await made(owner, REHEARSAL))["problem"]
            assert problem.startswith(f"{site}:") and "\n" not in problem
            assert (await made(owner, SURVEY))["making"] == "made"
            assert "evenning" in (await owner.get(SURVEY)).text

    run(work())


def workers() -> list[int]:
    """The processes of this one that make a document."""
    found = Path("/proc/self/task").glob("*/children")
    children = [int(pid) for each in found for pid in each.read_text().split()]
    return [pid for pid in children if MODULE.encode() in Path(f"/proc/{pid}/cmdline").read_bytes()]


def nice_of(pid: int) -> int:
    """The nice value of a process: field 19 of /proc/PID/stat (proc(5)); the name before it may have blanks."""
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[16])
