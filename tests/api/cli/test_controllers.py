"""`gloaming controllers`, by a running planner: a line for each, its words, and its exit code."""

from __future__ import annotations

import json
import re
import socket
from typing import Any

import pytest

from gloaming.api.cli.main import main
from gloaming.shows.protocols.e131 import PORT
from tests.api.cli.conftest import AnsweringServer
from tests.api.daemon import HOST, Daemon
from tests.api.evening import gloaming
from tests.waiting import wait_until

LEFT = {
    "name": "left",
    "host": "left.lan",
    "address": "192.0.2.21",
    "protocol": "artnet",
    "way": "Art-Net to left.lan at 192.0.2.21",
    "answers": True,
    "words": "answers",
    "since": "2026-12-12T18:00:00+00:00",
    "strings": ["ridge", "eaves"],
    "packets": 12345,
    "errors": 0,
    "last_error": None,
    "nodes": [],
}
NODE = {"address": "192.0.2.21", "text": "16 ports, firmware 2.14, expects universes 1-16"}
ERROR = {"at": "2026-12-12T18:05:00+00:00", "text": "packets to 192.0.2.22 are not taken: No route", "stands": True}
RIGHT = {
    **LEFT,
    "name": "right",
    "host": "192.0.2.22",
    "address": "192.0.2.22",
    "protocol": "e131",
    "way": "E1.31 to 192.0.2.22 and by multicast",
    "answers": False,
    "words": "does not answer",
    "errors": 7,
    "last_error": ERROR,
}
MAST = {
    **LEFT,
    "name": "mast",
    "host": None,
    "address": None,
    "protocol": "e131",
    "way": "E1.31 by multicast",
    "answers": None,
    "words": "listens to multicast and cannot be asked",
    "strings": [],
}


def test_a_controller_of_a_running_planner_is_listed_with_its_packets(daemon: Daemon) -> None:
    """Without a receiver the kernel reports each packet to this machine as refused: an error, which ends with one."""

    def found() -> Any:
        (one,) = json.loads(gloaming("controllers", daemon.site, "--json").stdout)
        error = one["last_error"]
        return one if one["packets"] and one["answers"] and error and not error["stands"] else None

    with socket.socket(type=socket.SOCK_DGRAM) as receiver:
        wait_until(lambda: gloaming("controllers", daemon.site).returncode == 1, "an error")
        receiver.bind((HOST, PORT))
        one = wait_until(found, "the end of the error")
        assert (one["name"], one["words"], one["strings"]) == ("left", "answers", ["ridge", "railing"])
        shown = gloaming("controllers", daemon.site)
        assert (shown.returncode, shown.stderr) == (0, "")
    assert re.fullmatch(
        r"left answers, since 2026-12-12 18:\d\d; E1.31 to 127.0.79.1; ridge, railing; [\d,]+ packets sent"
        r"(, [\d,]+ not taken)?; last error 2026-12-12 18:\d\d: packets to 127.0.79.1 are not taken: "
        r"Connection refused\n",
        shown.stdout,
    )


def test_words_say_what_colours_say_and_one_that_is_gone_makes_the_answer_no(
    board: AnsweringServer, token: Any, capfd: pytest.CaptureFixture[str]
) -> None:
    call = ["controllers", "--url", board.url, "--token-file", str(token)]
    board.answer = lambda _: board.json(200, controllers=[LEFT, RIGHT, MAST])
    assert main(call) == 1
    assert capfd.readouterr().out.splitlines() == [
        "left answers, since 2026-12-12 18:00; Art-Net to left.lan at 192.0.2.21; ridge, eaves; 12,345 packets sent",
        "right does not answer, since 2026-12-12 18:00; E1.31 to 192.0.2.22 and by multicast; ridge, eaves; 12,345 "
        "packets sent, 7 not taken; error since 2026-12-12 18:05: packets to 192.0.2.22 are not taken: No route",
        "mast listens to multicast and cannot be asked, since 2026-12-12 18:00; E1.31 by multicast; no string; "
        "12,345 packets sent",
    ]
    over = {**LEFT, "last_error": {**ERROR, "stands": False}, "nodes": [NODE, {**NODE, "address": "192.0.2.31"}]}
    board.answer = lambda _: board.json(200, controllers=[over, MAST])
    assert main(call) == 0
    shown = capfd.readouterr().out
    assert "last error 2026-12-12 18:05: packets" in shown
    assert f"\n  Art-Net: {NODE['text']}\n  Art-Net at 192.0.2.31: {NODE['text']}\n" in shown
