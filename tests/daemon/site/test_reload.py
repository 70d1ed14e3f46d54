"""An edit of the site during a piece is taken over whole or refused whole, and no frame is missed."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator

import pytest

from gloaming.daemon.site.reload import STILL_LOOKS, FileWatch
from tests.daemon.broken_evening import Broken, broken_evening
from tests.daemon.numbered import FPS, assert_none_missed, missed
from tests.daemon.webhook import WebhookServer
from tests.waiting import wait_until


@pytest.fixture(scope="module")
def hook() -> Iterator[WebhookServer]:
    with WebhookServer("127.0.74.44") as found:
        yield found


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory, hook: WebhookServer) -> Iterator[Broken]:
    more = f'[[alert]]\nurl = "{hook.url}/alert"\nkinds = ["site"]\nafter = "1 s"\nover_after = "2 s"\n'
    with broken_evening(tmp_path_factory.mktemp("reload"), "127.0.74.45", more=more) as found:
        found.wait_until_lit()
        yield found


def test_files_are_read_once_they_no_longer_change() -> None:
    first, second, third = ((("site.toml", 1, size, size),) for size in (1, 2, 3))
    watch = FileWatch(first)
    assert not any(watch.due(first) for _ in range(5))
    growing = [watch.due(found) for found in (second, third, second, third)]
    assert not any(growing), "a copy is in progress"
    held = [watch.due(third) for _ in range(6)]
    assert held.count(True) == 1
    assert held.index(True) == STILL_LOOKS - 1


def test_an_edit_during_a_piece_is_taken_over(broken: Broken) -> None:
    begin_ns = time.time_ns()
    broken.edit('name = "Pier Road boathouse"', 'name = "Pier Road"')
    wait_until(lambda: broken.ask("/api/now")["site"] == "Pier Road", "the new name")
    broken.edit('name = "Pier Road"', 'name = "Pier Road boathouse"')
    os.kill(broken.evening.process.pid if broken.evening.process else 0, signal.SIGHUP)
    broken.says("is used now: asked by a signal", "site")
    wait_until(lambda: broken.ask("/api/now")["site"] == "Pier Road boathouse", "the old name")
    lit = broken.wait_until_lit(begin_ns)
    assert missed(lit) <= 2 * FPS, "each packet has the name, so the streams begin again"
    assert broken.lit()[-1].frame != lit[0].frame


def test_a_change_that_is_not_on_the_wire_misses_no_frame(broken: Broken) -> None:
    broken.wait_until_lit()
    begin_ns = time.time_ns()
    broken.edit('to = "06:00"', 'to = "05:50"')
    wait_until(lambda: "05:50" in json.dumps(broken.ask("/api/nights?days=1")), "the new closing")
    broken.wait_until_lit()
    assert_none_missed(broken.packets(begin_ns))


def test_a_mistake_is_refused_whole_and_its_alert_has_an_end(broken: Broken, hook: WebhookServer) -> None:
    """One mistake and one good change: neither is taken over. The alert and its end arrive once each."""
    begin_ns = time.time_ns()
    hook.got.clear()
    broken.edit('to = "05:50"', 'to = "05:40"\ncurfew = "never"')
    wait_until(lambda: broken.troubles("site"), "the trouble")
    assert "there is no such key" in broken.troubles("site")[0]["text"]
    assert "05:50" in json.dumps(broken.ask("/api/nights?days=1"))
    code, answer = broken.evening.ask("POST", "/api/reload", {})
    assert (code, answer["taken_over"], len(answer["errors"])) == (200, False, 1)
    wait_until(lambda: hook.got, "the alert")
    broken.edit('\ncurfew = "never"', "")
    wait_until(lambda: not broken.troubles("site"), "the end of the trouble")
    assert "05:40" in json.dumps(broken.ask("/api/nights?days=1"))
    wait_until(lambda: len(hook.got) == 2, "the end of the alert", 60)
    assert [json.loads(body)["event"] for _, body in hook.got] == ["trouble", "over"]
    assert_none_missed(broken.packets(begin_ns))
