"""`python -m tests.bench.button [PRESSES]`: from the publish of a button's message to the first packet of the piece.

A broker (mosquitto), `gloaming run` and the receiver are on one machine, in a network namespace. It prints the median
and the longest time, as a ratio to the time of a frame. The first part ends when the planner has made the override.
"""

from __future__ import annotations

import socket
import statistics
import sys
import tempfile
import time
from pathlib import Path

from gloaming.daemon.planner.stored_rows import read_overrides
from tests.api.evening import evening_apart
from tests.api.test_button_on_the_wire import BELLS, CALLED, FPS, prepare
from tests.mosquitto import Mosquitto
from tests.namespaces import inside
from tests.waiting import wait_until

FIFTH_SLOT = 126 + 4
"""Where the fifth slot is in a data packet (E1.31 table 4-1)."""
REST_S = 1.2
"""A trigger rests for a second after a call."""
FRAME_MS = 1000 / FPS


def wait_for(receiver: socket.socket, value: int) -> int:
    """The monotonic instant of the first packet that has a value in its fifth slot."""
    while receiver.recv(2048)[FIFTH_SLOT] != value:
        pass
    return time.monotonic_ns()


def main() -> None:
    presses = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    pressed: list[tuple[int, int]] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        evening_apart(Path(folder) / "site", "127.0.0.1", "1") as evening,
        Mosquitto(Path(folder), namespace=evening.namespace) as broker,
        broker.client() as button,
        inside(evening.namespace),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver,
    ):
        receiver.bind(("127.0.0.1", 5568))
        receiver.settimeout(20)
        prepare(evening, broker.url("gate/button"))
        with evening.running():
            wait_until(lambda: receiver.recv(2048)[FIFTH_SLOT] not in (0, CALLED), "the show")
            evening.now()
            time.sleep(5)  # the planner has started, and listens
            for _ in range(presses):
                begin_ns = time.monotonic_ns()
                button.publish("gate/button", "pressed", qos=1)
                pressed.append((begin_ns, wait_for(receiver, CALLED)))
                until_s = time.monotonic() + BELLS / FPS + REST_S
                while time.monotonic() < until_s:
                    receiver.recv(2048)
            clock_ns = time.time_ns() - time.monotonic_ns() + evening.offset_ns
        made = [one.at_ns - clock_ns for one in read_overrides(evening.state / "state.db", 0)]
    whole_ms = [(shown_ns - begin_ns) / 1e6 for begin_ns, shown_ns in pressed]
    made_ms = [(made_ns - begin_ns) / 1e6 for (begin_ns, _), made_ns in zip(pressed, made, strict=True)]
    print(f"{presses} presses, from the publish to the first packet of the piece; a frame takes {FRAME_MS:g} ms")
    for name, found in (("until the override is made", made_ms), ("in all", whole_ms)):
        median, longest = statistics.median(found) / FRAME_MS, max(found) / FRAME_MS
        print(f"  {name}: median {median:.2f} frames, longest {longest:.2f} frames")


if __name__ == "__main__":
    main()
