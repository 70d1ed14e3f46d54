"""`gloaming network` against Art-Net nodes in namespaces of their own, of which one is set wrongly."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.integrations.network_look import LOOK_S
from gloaming.daemon.reports import network
from tests.api.house import planner_on, run, write_site
from tests.namespaces import inside
from tests.network_nodes import Node, network_nodes
from tests.tools import needs

pytestmark = needs("ip", "root")
RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
protocol = "artnet"
universes = "1-24"

[[controller]]
name = "right"
host = "192.0.2.22"
protocol = "artnet"
universes = "25"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150

[[string]]
name = "eaves"
controller = "left"
universe = 20
pixels = 150
"""
NODES = (
    Node("192.0.2.21", "left", range(1, 17), receives=range(1, 17)),
    Node("192.0.2.22", "right", [25], merges=[25], by_broadcast=True),
    Node("192.0.2.23", "spare", [7]),
)
TRIES = 5
"""A busy machine may answer too late once."""
FOUND = {
    ("node-differs", "rig.toml:1"): "left answers at 192.0.2.21 and expects universes 1-16; rig.toml sends 1-24. "
    "Dark with it: eaves",
    ("node-merges", "rig.toml:7"): "right (192.0.2.22) merges two sources on universe 25",
    ("node-unknown", "rig.toml"): "spare answers at 192.0.2.23, firmware 1.0, and expects port-addresses 0:0:7; "
    "rig.toml has no controller there",
}


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setattr(network, "LISTEN_S", LOOK_S)  # the nodes do not take the 10 s of E1.31
    with network_nodes(NODES) as name:
        yield name


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = write_site(tmp_path / "site")
    text = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(text.replace('interface = "lo"\n', ""), encoding="utf-8")
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    return folder


def by_code(found: Any) -> dict[tuple[str, str], str]:
    return {(one["code"], one["place"]): one["text"] for one in found["findings"]}


def test_without_a_planner_and_with_one_the_findings_name_what_differs_and_where(
    board: str, site: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with inside(board):
        for _ in range(TRIES):
            assert main(["network", str(site), "--json"]) == 1
            if (found := by_code(json.loads(capfd.readouterr().out))) == FOUND:
                break
    assert found == FOUND

    async def by_the_planner() -> None:
        async with planner_on(site, site / "state") as home, home.client(home.token) as client:
            for _ in range(TRIES):
                while (answer := (await client.get("/api/network")).json())["looking"] or answer["at"] is None:
                    await asyncio.sleep(0.2)
                if by_code(answer) == FOUND:
                    break
                await client.post("/api/network")
            assert by_code(answer) == FOUND
            now = (await client.get("/api/now")).json()
            troubles = {one["code"]: one["text"] for one in now["health"]["troubles"]}
            left, right = now["health"]["controllers"]
            assert (troubles["node-differs"], troubles["node-merges"]) == tuple(FOUND.values())[:2]
            assert left["nodes"][0]["text"].startswith("left of the quay, firmware 1.0, expects universes 1-16")
            assert right["nodes"][0]["merges"] == [25]

    with inside(board):
        run(by_the_planner())
