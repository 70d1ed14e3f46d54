"""`python -m tests.bench.broker [SECONDS]`: what a broker that floods costs the planner and the wire.

A client publishes as fast as it can, on the topics of a trigger and of a hold, while a wind gauge sends a reading each
second. The same figures come first without the flood: they are the yardstick. Processor time and memory are those of
the planner's process (proc_pid_stat(5)).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

from tests.api.evening import Evening, Reader, evening_apart
from tests.api.test_button_on_the_wire import prepare
from tests.mosquitto import Mosquitto
from tests.waiting import wait_until

HOLDS = """
[[hold]]
name = "wind"
mqtt = "{wind}"
above = 14
if_silent = "hold"
silent_after = "5 s"

[[hold]]
name = "broken"
mqtt = "{broken}"
above = 1e9
if_silent = "ignore"
"""
FLOOD = """
import sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
host, port, seconds, *topics = sys.argv[1:]
client = Client(CallbackAPIVersion.VERSION2)
client.connect(host, int(port))
begin, sent = time.monotonic(), 0
while time.monotonic() - begin < float(seconds):
    for _ in range(100):
        for topic in topics:
            client.publish(topic, "7", qos=0)
    sent += 100 * len(topics)
    while client.want_write():
        client.loop_write()
    client.loop_misc()
    time.sleep(max(0, begin + sent / 10_000 - time.monotonic()))
print(sent)
"""
"""Publishes 10,000 messages a second."""
ASK_S = 0.2


def figures(pid: int) -> tuple[float, float]:
    """Processor seconds and resident megabytes of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    ticks = int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK"), int(fields[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def watch(evening: Evening, reader: Reader, seconds: float, ending: threading.Event) -> None:
    """Ask for a while, and print how long the answers took and what became of the frames."""
    pid, took_ms = evening.pid("planner"), []
    before, frames = figures(pid), len(reader.lit())
    newest = evening.ask("GET", "/api/journal?limit=1")[1][0]["id"]
    begin_s = time.monotonic()
    while time.monotonic() - begin_s < seconds and not ending.is_set():
        asked_s = time.monotonic()
        evening.now()
        took_ms.append((time.monotonic() - asked_s) * 1000)
        time.sleep(ASK_S)
    asked_s = time.monotonic()
    status, paused = evening.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 1})
    pause_ms = (time.monotonic() - asked_s) * 1000
    evening.ask("DELETE", f"/api/overrides/{paused['id']}")
    passed_s = time.monotonic() - begin_s
    after, telemetry = figures(pid), evening.now()["health"]["transmitter"]
    lines = [line for line in evening.ask("GET", "/api/journal?limit=1000")[1] if line["id"] > newest]
    kinds = ", ".join(f"{number} {kind}" for kind, number in Counter(line["kind"] for line in lines).items())
    used = (after[0] - before[0]) / passed_s
    print(
        f"  /api/now: median {statistics.median(took_ms):.1f} ms, longest {max(took_ms):.0f} ms; pause ({status}): "
        f"{pause_ms:.0f} ms, {paused['wire']}\n"
        f"  planner: {used:.1%} of a processor, {after[1]:.0f} MB ({after[1] - before[1]:+.1f});"
        f" journal in {passed_s:.0f} s: {kinds}\n"
        f"  frames: {len(reader.lit()) - frames} received, {telemetry['frames_dropped']} dropped in all"
    )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    with (
        tempfile.TemporaryDirectory() as folder,
        evening_apart(Path(folder) / "site", "127.0.0.1", "1") as evening,
        Mosquitto(Path(folder), namespace=evening.namespace) as broker,
        broker.client() as gauge,
    ):
        prepare(evening, broker.url("gate/button"))
        tables = HOLDS.format(wind=broker.url("roof/wind"), broken=broker.url("roof/broken"))
        with (evening.folder / "site.toml").open("a", encoding="utf-8") as site:
            site.write(tables)
        ending = threading.Event()

        def blow() -> None:
            while not ending.wait(1):
                gauge.publish("roof/wind", "7.5")

        threading.Thread(target=blow, daemon=True).start()
        with evening.reader("0.0.0.0") as reader, evening.running():
            wait_until(reader.lit, "light")
            evening.now()
            time.sleep(10)
            print("without the flood")
            watch(evening, reader, min(30, seconds), ending)
            topics = ("gate/button", "roof/broken")
            command = [*evening.within(), sys.executable, "-c", FLOOD, broker.address, str(broker.port)]
            command += [str(seconds + 5), *topics]
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as flood:
                time.sleep(3)
                print("with the flood")
                watch(evening, reader, seconds, ending)
                assert flood.stdout
                print(f"  {int(flood.stdout.read()) / (seconds + 5):.0f} messages a second were published")
            holds = evening.ask("GET", "/api/holds")[1]["holds"]
            print(*(f"  hold {one['name']}: reading {one['reading']}, {one['text']}" for one in holds), sep="\n")
            troubles = evening.now()["health"]["troubles"]
            print(*(f"  trouble: {one['subject']}: {one['text']}" for one in troubles), sep="\n")
        ending.set()


if __name__ == "__main__":
    main()
