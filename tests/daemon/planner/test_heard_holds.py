"""The transmitter's report of held windows reaches the planner."""

from __future__ import annotations

import json

from gloaming.daemon.planner.messages import read_message

TELEMETRY = {
    "op": "telemetry",
    "sequence": 7,
    "universes": 1,
    "level": 0.0,
    "frames_due": 0,
    "frames_sent": 0,
    "frames_late": 0,
    "frames_dropped": 0,
    "packets_sent": 9,
    "bytes_sent": 5742,
    "send_errors": 0,
    "lateness_us": {"p50": 4},
    "limited": [],
}


def test_telemetry_in_dark_hours_is_read() -> None:
    for held in ([], [["a rule", 5_000_000_000]], [["a rule", 1], ["another", 2]]):
        assert read_message(json.dumps({**TELEMETRY, "held": held}).encode())["held"] == held
