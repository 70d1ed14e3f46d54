"""Figures of a running planner: /metrics by promtool, health."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.shows.protocols import ProtocolName
from tests.api.house import house
from tests.daemon.broken_evening import Broken, broken_evening
from tests.tools import needs
from tests.waiting import wait_until


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broken]:
    with broken_evening(tmp_path_factory.mktemp("metrics"), "127.0.74.46") as found:
        found.wait_until_lit()
        yield found


def fetch(broken: Broken, path: str, accept: str = "*/*", token: bool = True) -> str:
    state = broken.evening.state
    request = urllib.request.Request((state / "address").read_text().strip() + path, headers={"Accept": accept})
    if token:
        request.add_header("Authorization", f"Bearer {(state / 'token').read_text().strip()}")
    with urllib.request.urlopen(request, timeout=20) as answer:
        return str(answer.read().decode())


def test_a_controller_has_its_protocol_as_a_label(tmp_path: Path) -> None:
    async def work() -> str:
        async with house(tmp_path) as here, here.client(here.token) as phone:
            found = here.planner._parts.rig.reach.found
            (left,) = found.values()
            found["left"] = replace(left, answers=True, protocol=ProtocolName.DDP)
            return (await phone.get("/metrics")).text

    assert 'gloaming_controller_up{controller="left",protocol="ddp"} 1.0' in asyncio.run(work()).splitlines()


def figure(text: str, name: str) -> float:
    return float(next(line for line in text.splitlines() if line.startswith(f"{name} ")).split()[1])


def promtool_has_nothing_to_say_about(text: str) -> None:
    checked = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, text=True, check=False)
    assert (checked.returncode, checked.stdout + checked.stderr) == (0, "")


@needs("promtool")
def test_promtool_has_nothing_to_say_about_the_metrics(broken: Broken) -> None:
    promtool_has_nothing_to_say_about(fetch(broken, "/metrics"))


def test_the_metrics_tell_what_the_wire_has(broken: Broken) -> None:
    before = fetch(broken, "/metrics")
    broken.wait_until_lit()
    sent = figure(before, "gloaming_frames_sent_total")
    wait_until(lambda: figure(fetch(broken, "/metrics"), "gloaming_frames_sent_total") > sent, "the next telemetry")
    after = fetch(broken, "/metrics")
    assert figure(after, "gloaming_transmitter_connected") == 1
    assert figure(after, 'gloaming_state{state="playing"}') == 1
    assert figure(after, 'gloaming_state{state="no-clock"}') == 0
    assert figure(after, "gloaming_universes") == 1


@needs("promtool")
def test_any_name_may_be_a_label_and_a_figure_that_nobody_knows_is_left_out(tmp_path: Path) -> None:
    """Prometheus, exposition formats, text format: a label's value has \\\\, \\" and \\n for these three characters."""

    async def work() -> str:
        async with house(tmp_path) as here, here.client(here.token) as phone:
            limited = [{"kind": "supply", "name": 'the "left" \\ box\nof 12 V', "frames": 4}]
            here.planner._parts.client.telemetry = {"frames_sent": 12_345_678_901, "limited": limited}
            return (await phone.get("/metrics")).text

    text = asyncio.run(work())
    assert figure(text, "gloaming_frames_sent_total") == 12_345_678_901
    assert r'gloaming_limited_frames_total{kind="supply",name="the \"left\" \\ box\nof 12 V"} 4.0' in text
    assert "gloaming_frames_late" not in text
    promtool_has_nothing_to_say_about(text)


def test_nobody_reads_the_metrics_without_a_token(broken: Broken) -> None:
    with pytest.raises(urllib.error.HTTPError, match="401"):
        fetch(broken, "/metrics", token=False)


def test_health_has_the_board_in_numbers(broken: Broken) -> None:
    found = json.loads(fetch(broken, "/api/health"))
    board = found["board"]
    assert board["disk_free_bytes"] == pytest.approx(os.statvfs(broken.folder).f_bavail * 4096, rel=0.1)
    assert board["own_memory_bytes"] > 10_000_000
    assert found["clock"]["trusted"]
    assert found["transmitter"]["frames_sent"] > 0


def test_a_time_is_not_taken_where_the_clock_is_not_asked_for(broken: Broken) -> None:
    code, problem = broken.evening.ask("POST", "/api/clock", {"utc": "2026-12-12T17:30:00Z"})
    assert (code, "moved" in problem["detail"]) == (409, True)


def test_a_viewer_may_not_have_the_site_read_again(broken: Broken) -> None:
    request = urllib.request.Request((broken.evening.state / "address").read_text().strip() + "/api/reload", b"{}")
    with pytest.raises(urllib.error.HTTPError, match="401"):
        urllib.request.urlopen(request, timeout=20)
    wait_until(lambda: broken.ask("/api/now")["state"] == "playing", "the show going on")
