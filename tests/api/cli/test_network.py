"""`gloaming network`: by the planner, or alone; what it prints, and its exit code."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli.main import main
from gloaming.api.http.schemas.network import NetworkFound
from gloaming.daemon.integrations.e131_sources import E131Source
from gloaming.daemon.integrations.mdns_names import MdnsName
from gloaming.daemon.integrations.network_look import NetworkLook
from gloaming.daemon.reports import network
from gloaming.daemon.reports.network import NetworkComparison
from tests.api.cli.conftest import AnsweringServer
from tests.daemon.quay_site import EVENING, TABLES, site_of
from tests.daemon.reports.test_network import AT, LEFT, MAST, STRINGS, node

NODES = node(outputs=range(1, 17), receives=()), node("192.0.2.77", [0], name="spare", long_name="[red]")
SOURCES = (
    E131Source("192.0.2.40", "desk", "c" * 32, (1, 2)),
    E131Source("192.0.2.41", "Pier Road boathouse", "d" * 32, (50,)),
)
NAMES = (MdnsName("left.local", "192.0.2.21", ("_http._tcp",)),)
LOOK = NetworkLook(AT, NODES, SOURCES, NAMES, ("UDP port 6454 is taken",), 2)
SHOWN = """\
as of 2025-12-12 19:00:00
controllers of rig.toml
  left answers: Art-Net to 192.0.2.21 (left.local)
    Art-Net: 16 ports, firmware 2.14, expects universes 1-16, receives no universe
  mast was not asked: E1.31 to 192.0.2.23
other Art-Net nodes
  192.0.2.77: [red], firmware 2.14, expects port-addresses 0:0:0
E1.31 sources
  desk at 192.0.2.40: universes 1-2
  Pier Road boathouse at 192.0.2.41: universe 50 (this site)
names in the network (mDNS)
  192.0.2.21: left.local _http._tcp
what could not be asked, and what is odd
  UDP port 6454 is taken
  2 packets cannot be read
where rig.toml differs
  warning rig.toml:1: left answers at 192.0.2.21 and expects universes 1-16; rig.toml sends 1-24. Dark with it: eaves
      on the controller's own page, set port-addresses 0:0:1-0:1:8; or correct universes in its table
  warning rig.toml: spare answers at 192.0.2.77, firmware 2.14, and expects port-addresses 0:0:0; rig.toml has no \
controller there
      add a [[controller]] table, correct its host, or leave it if it is somebody else's
"""


def test_the_planner_is_asked_and_what_differs_is_the_exit_code(
    board: AnsweringServer,
    token: Any,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("gloaming.api.cli.network.EVERY_S", 0.0)
    call = ["network", "--url", board.url, "--token-file", str(token)]
    site = site_of(tmp_path, TABLES, EVENING, rig=LEFT + STRINGS + MAST)
    found = NetworkComparison(site, {}, LOOK, {"left": True}).as_json()
    steps = iter([True, True, False])
    board.answer = lambda _: board.json(202, **{**found, "looking": next(steps, False)})
    assert main(call) == 1
    shown = capfd.readouterr()
    assert shown.out == SHOWN
    assert shown.err == "asking and listening for 11 s: E1.31 sources name themselves every 10 s\n"
    assert [method for method, path, _ in board.asked if path == "/api/network"] == ["POST", "GET", "GET"]
    assert main([*call, "--json"]) == 1
    shown = capfd.readouterr()
    assert (json.loads(shown.out), shown.err) == (json.loads(json.dumps(found)), "")
    assert NetworkFound.model_validate(found)
    right = NetworkComparison(site, {}, NetworkLook(AT, (node(),), (), (), (), 0)).as_json()
    board.answer = lambda _: board.json(200, **{**right, "art_poll": False})
    assert main(call) == 0
    _, first, *_, last = capfd.readouterr().out.splitlines()
    assert first == "Art-Net nodes were not asked: art_poll = false in [output] of site.toml"
    assert last == "nothing differs from rig.toml"
    board.answer = lambda _: board.json(200, **{**right, "at": None})
    assert main(call) == 2
    assert "the planner: its look failed; gloaming journal says why" in capfd.readouterr().err


def test_without_a_planner_the_command_asks_itself(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def look(addresses: list[str], interface: str | None, **how: object) -> NetworkLook:
        assert (addresses, interface, how["art_poll"], how["seconds"]) == (["192.0.2.21"], None, True, 11.0)
        return LOOK

    async def answers(*_: object) -> dict[str, bool]:
        return {"left": True}

    monkeypatch.setattr(network, "look", look)
    monkeypatch.setattr("gloaming.daemon.integrations.reachability.look_once", answers)
    site_of(tmp_path, TABLES, EVENING, rig=LEFT + STRINGS + MAST)
    assert main(["network", str(tmp_path)]) == 1
    assert capfd.readouterr().out == SHOWN
    assert main(["network", str(tmp_path), "--url", "http://127.0.79.9:9", "--token-file", str(tmp_path / "none")]) == 2
