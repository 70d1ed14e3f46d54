"""Sends raw frames by the `sacn` library's own sender: FRAMES UNIVERSES SLOTS FPS HOST, until standard input ends.

It is told to flush at each frame's instant: left to itself it sleeps between frames and falls behind 40 a second.
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import numpy as np
import sacn


def main() -> None:
    path, universes, slots, fps, host = sys.argv[1:]
    count, size, rate = int(universes), int(slots), int(fps)
    raw = np.frombuffer(Path(path).read_bytes(), np.uint8).reshape(-1, count, size)
    frames = [[tuple(row) for row in frame] for frame in raw[:20].tolist()]
    sender = sacn.sACNsender(fps=rate, universeDiscovery=False)  # it would be broadcast, which has no route here
    sender.start()
    sender.manual_flush = True
    for number in range(count):
        sender.activate_output(number + 1)
        sender[number + 1].destination = host
    ending = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ending.set()), daemon=True).start()
    print("ready", flush=True)
    begin, frame = time.monotonic(), 0
    while not ending.is_set():
        for number, slots_now in enumerate(frames[frame % len(frames)]):
            sender[number + 1].dmx_data = slots_now
        sender.flush()
        frame += 1
        time.sleep(max(0.0, begin + frame / rate - time.monotonic()))
    sender.stop()


if __name__ == "__main__":
    main()
