"""`python -m tests.bench.pause_everywhere [PAUSES]`: from a pause on one board to the first fading frame of all boards.

Three boards are in network namespaces, with the broker on one of them (quay). East is asked. The yardstick of the same
run is a board of a site without boards. It also prints the time until the answer, without the fade: with three boards,
the answer names all of them.
"""

from __future__ import annotations

import select
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from tests.api.evening import Evening, evening_apart, numbered
from tests.namespaces import inside
from tests.three_boards import three_boards

LIGHT = 126 + 8
"""Where the eighth slot is in a data packet (E1.31 table 4-1): one that has light in each frame."""
FULL = 200
REST_S = 1.0
FADE_MS = 200


def listen(board: Evening, stack: ExitStack) -> socket.socket:
    """What a board's controller gets."""
    with inside(board.namespace):
        found = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        found.bind(("127.0.0.1", 5568))
    return found


def drained(sockets: Mapping[str, socket.socket], seconds: float) -> None:
    """Read everything for some time."""
    until_s = time.monotonic() + seconds
    while (left_s := until_s - time.monotonic()) > 0:
        for each in select.select(sockets.values(), (), (), left_s)[0]:
            each.recv(2048)


def fades_ms(sockets: Mapping[str, socket.socket], begin_ns: int) -> dict[str, float]:
    """When each of them has the first frame with less than full light, since an instant."""
    found: dict[str, float] = {}
    while len(found) < len(sockets):
        ready = select.select(sockets.values(), (), (), 20)[0]
        assert ready, f"in 20 s only {sorted(found)} have paused"
        for name in (name for name, each in sockets.items() if each in ready):
            if sockets[name].recv(2048)[LIGHT] < FULL:
                found.setdefault(name, (time.monotonic_ns() - begin_ns) / 1e6)
    return found


def pause(
    board: Evening, sockets: Mapping[str, socket.socket], pool: ThreadPoolExecutor
) -> tuple[dict[str, float], float]:
    """Pause, and resume: when each has the first fading frame, and when the answer has come without the fade."""

    def ask() -> tuple[int, float]:
        status, answer = board.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 5})
        assert status == 201 and all(one["on_the_wire"] for one in answer.get("boards", ())), answer
        return answer["id"], (time.monotonic_ns() - begin_ns) / 1e6 - FADE_MS

    begin_ns = time.monotonic_ns()
    answer = pool.submit(ask)
    found = fades_ms(sockets, begin_ns)
    id, answered_ms = answer.result()
    board.ask("DELETE", f"/api/overrides/{id}")
    drained(sockets, REST_S)
    return found, answered_ms


def main() -> None:
    pauses = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    with tempfile.TemporaryDirectory() as text, ExitStack() as stack, ThreadPoolExecutor(1) as pool:
        folder = Path(text)
        alone = stack.enter_context(evening_apart(folder / "alone", "127.0.0.1", "1"))
        alone.write(numbered(400))
        stack.enter_context(alone.running())
        three = stack.enter_context(three_boards(folder, broker_at="quay"))
        own = {"alone": listen(alone, stack)}
        all_boards = {board.name: listen(board, stack) for board in three}
        drained({**own, **all_boards}, 5)
        single: list[tuple[float, float]] = []
        everywhere: list[tuple[float, float, float]] = []
        for _ in range(pauses):
            found, answered_ms = pause(alone, own, pool)
            single.append((found["alone"], answered_ms))
            found, answered_ms = pause(three["east"], all_boards, pool)
            everywhere.append((found["east"], max(found.values()), answered_ms))
    print(f"{pauses} pauses; milliseconds from the request")
    print("| what | median | longest | of a single board |\n| --- | --- | --- | --- |")
    first_ms, whole_ms = (statistics.median(one[at] for one in single) for at in (0, 1))
    for name, values, yardstick_ms in (
        ("a single board: the first fading frame", [one[0] for one in single], first_ms),
        ("three boards: at the board that was asked", [one[0] for one in everywhere], first_ms),
        ("three boards: at the last of them", [one[1] for one in everywhere], first_ms),
        ("a single board: the answer, without the fade", [one[1] for one in single], whole_ms),
        ("three boards: the answer, without the fade", [one[2] for one in everywhere], whole_ms),
    ):
        median_ms = statistics.median(values)
        print(f"| {name} | {median_ms:.0f} ms | {max(values):.0f} ms | {median_ms / yardstick_ms:.2f} |")


if __name__ == "__main__":
    main()
