"""Controllers with host names on the wire, with a name server that moves one, falls silent, and is gone at a start."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.api.evening import Evening, evening_apart, numbered
from tests.daemon.transmitter.process_harness import Heard, PacketListener, listening
from tests.name_server import NameServer, name_server
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

FIRST, SECOND, RIGHT, PORCH = "192.0.2.21", "192.0.2.22", "192.0.2.23", "192.0.2.24"
RIG = """[[controller]]
name = "left"
host = "left.lan"
universes = "1"

[[controller]]
name = "right"
host = "right.lan"
universes = "2"

[[controller]]
name = "porch"
host = "porch.lan"
universes = "3"
"""


OFTEN = "from gloaming.daemon.integrations import host_names\nhost_names.LOOK_UP_S, host_names.WAITS_S = 2, (0.5, 1)\n"
"""What each process of the evening runs first (site in Python's library): names are looked up more often."""


@pytest.fixture
def evening(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Evening]:
    (tmp_path / "often").mkdir()
    (tmp_path / "often" / "sitecustomize.py").write_text(OFTEN)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path / "often"), os.environ.get("PYTHONPATH", "")]))
    with evening_apart(tmp_path / "site", None, "1-3") as one:
        for address in (FIRST, SECOND, RIGHT, PORCH):
            subprocess.run(["ip", "-n", str(one.namespace), "addr", "add", f"{address}/32", "dev", "lo"], check=True)
        one.write(np.tile(numbered(2400, 510), 3))
        (one.folder / "rig.toml").write_text(RIG, encoding="utf-8")
        yield one


def since(listener: PacketListener, at: int, host: str) -> list[Heard]:
    return [one for one in listener.heard[at:] if one.is_data and one.host == host]


def lit(packets: list[Heard]) -> bool:
    return any(any(one.slots) for one in packets)


def controller(evening: Evening, name: str) -> dict[str, Any]:
    return next(one for one in evening.now()["health"]["controllers"] if one["name"] == name)


def test_an_address_that_changes_moves_one_stream_and_a_silent_name_server_none(evening: Evening) -> None:
    assert evening.namespace
    with (
        name_server(evening.namespace) as server,
        listening(FIRST, SECOND, RIGHT, PORCH, namespace=evening.namespace) as listener,
    ):
        server.addresses = {"left.lan": [FIRST], "right.lan": ["2001:db8::23", RIGHT]}
        with evening.running():
            _moved(evening, server, listener)
            _silent(evening, server, listener)
            evening.kill_everything()
            begun = len(listener.heard)
            evening.start()  # a power cut: the name server is still silent
            wait_until(lambda: lit(since(listener, begun, SECOND)) and lit(since(listener, begun, RIGHT)), "light")
            assert controller(evening, "left")["address"] == SECOND
            assert not since(listener, begun, FIRST)
            assert not since(listener, begun, PORCH)


def _moved(evening: Evening, server: NameServer, listener: PacketListener) -> None:
    """The name server gives another address while the show plays."""
    wait_until(lambda: lit(since(listener, 0, FIRST)) and lit(since(listener, 0, RIGHT)), "light")
    server.addresses["left.lan"] = [SECOND]
    wait_until(lambda: lit(since(listener, 0, SECOND)), "light at the new address")
    wait_until(lambda: any(one.terminated for one in since(listener, 0, FIRST)), "an end at the old address")
    assert {one.universe for one in since(listener, 0, SECOND)} == {1}
    ended = [one.terminated for one in since(listener, 0, FIRST)]
    assert ended[-3:] == [True] * 3 and not any(ended[:-3])  # E1.31 6.2.6: three packets end a stream
    right = since(listener, 0, RIGHT)
    assert not any(one.terminated for one in right)
    steps = [(after.data[111] - before.data[111]) & 0xFF for before, after in pairwise(right)]
    assert all(0 < step < 236 for step in steps)  # E1.31 6.7.2: a receiver drops steps of -19 to 0
    frames = [int.from_bytes(one.slots[:4], "big") for one in right if any(one.slots)]
    assert all(0 <= after - before < 20 for before, after in pairwise(frames))  # no break; a busy machine drops some
    [trouble] = [one for one in evening.now()["health"]["troubles"] if one["kind"] == "controller"]
    assert (trouble["code"], trouble["subject"]) == ("host-unknown", "porch.lan")
    assert "controller porch: nobody knows the address of porch.lan" in trouble["text"]
    assert not since(listener, 0, PORCH)


def _silent(evening: Evening, server: NameServer, listener: PacketListener) -> None:
    """No answer at all: every stream goes on to the last address."""
    server.silent, asked = True, len(server.asked)
    wait_until(lambda: len(server.asked) >= asked + 6, "questions of another look")
    begun = len(listener.heard)
    wait_until(lambda: lit(since(listener, begun, SECOND)) and lit(since(listener, begun, RIGHT)), "light")
    assert controller(evening, "left")["address"] == SECOND


def test_a_name_server_that_comes_late_lights_the_rig(evening: Evening) -> None:
    assert evening.namespace
    with (
        name_server(evening.namespace) as server,
        listening(FIRST, SECOND, RIGHT, PORCH, namespace=evening.namespace) as listener,
    ):
        server.silent = True
        with evening.running():
            wait_until(lambda: len(evening.now()["health"]["troubles"]) == 3, "a trouble for each name")
            assert not listener.data()
            server.addresses = {"left.lan": [FIRST], "right.lan": [RIGHT], "porch.lan": [PORCH]}
            server.silent = False
            wait_until(lambda: all(lit(since(listener, 0, one)) for one in (FIRST, RIGHT, PORCH)), "light", 60)
            wait_until(lambda: evening.now()["health"]["ok"], "health")
            said = evening.ask("GET", "/api/journal")[1]
    assert "addresses were looked up" in str(said)


def test_the_survey_looks_names_up(evening: Evening) -> None:
    assert evening.namespace
    with name_server(evening.namespace) as server:
        server.addresses = {"left.lan": [FIRST], "right.lan": [FIRST]}
        command = [*evening.within(), sys.executable, "-m", "gloaming.api.cli.main", "survey", str(evening.folder)]
        done = subprocess.run([*command, "--json"], capture_output=True, text=True, timeout=120, check=False)
        asked = len(server.asked)
        alone = subprocess.run([*command, "--ask-nobody"], capture_output=True, text=True, timeout=120, check=False)
        assert len(server.asked) == asked
    found = {one["code"]: one for one in json.loads(done.stdout)["findings"] if one["section"] == "the machine"}
    assert (found["host-unknown"]["severity"], found["host-unknown"]["place"]) == ("warning", "rig.toml:11")
    assert "nobody knows the address of porch.lan" in found["host-unknown"]["text"]
    assert "right.lan is 192.0.2.21, which is already the address of controller left" in found["host-shared"]["text"]
    assert found["controllers-answer"]["text"] == "these controllers answer: left, right"
    assert "porch.lan" in done.stdout and "porch.lan" not in alone.stdout
