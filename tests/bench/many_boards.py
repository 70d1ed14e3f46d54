"""`python -m tests.bench.many_boards [BOARDS ...]`: what one more board costs, from 10 to 1,000 of them.

One real board (`gloaming run`) and a real mosquitto. The other boards are light: one process has a connection for each
of them (MQTT 3.1.1). A light board subscribes as a board does, publishes its status, and confirms each fact to the
board that has changed it. All hear all statuses, and each changes as often as a board may publish it.

A pause counts from before the HTTP call until the last board has it. Processor time and memory are those of the
processes (proc_pid_stat(5)); the light boards share both cores with them. With `--lines TEXT` the broker has more lines
in its configuration.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import resource
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gloaming.daemon.planner.boards import STATUS_EACH_S, STATUS_S
from tests.api.evening import Evening, evening_apart, numbered
from tests.bench.broker import figures
from tests.mosquitto import Mosquitto
from tests.waiting import wait_until

ROOT = "pier-road"
HEAD = (
    "| boards | all connect at once: until each knows all; the planner after it | statuses; CPU of broker; of planner "
    "| a pause: at the median board; at the last; at the last of the worst of ten | answer; confirmed | broker "
    "| planner | /api/boards |"
)
PAUSES = 5
IDLE_S = 20.0
PATIENCE_S, SETTLE_S = 300.0, 5.0
FILES = 4096
LINES = "max_queued_messages 10000\nset_tcp_nodelay true"
CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ = 0x10, 0x30, 0x40, 0x82, 0xC0
"""The first bytes of packets (MQTT 3.1.1, 2.2.1)."""


def packet(first: int, body: bytes) -> bytes:
    length, size = b"", len(body)
    while True:
        size, digit = divmod(size, 128)
        length += bytes((digit | (0x80 if size else 0),))
        if not size:
            return bytes((first,)) + length + body


def text(value: str | bytes) -> bytes:
    data = value.encode() if isinstance(value, str) else value
    return struct.pack("!H", len(data)) + data


class LightBoard(asyncio.Protocol):
    """The connection of a light board (MQTT 3.1.1, sections 3.1, 3.3, 3.4, 3.8 and 3.12)."""

    def __init__(self, number: int, all: LightBoards) -> None:
        self.name, self.cid = f"lamp {number}", f"{number:032x}"
        self.all, self.buffer = all, b""
        self.seen = bytearray(len(all.names))
        self.missing = len(all.names)
        self.count = 0

    def status(self, here: bool) -> bytes:
        about = {"format": 1, "machine": "0" * 32, "program": "1", "name": self.name, "cid": self.cid}
        about |= {"address": "http://192.0.2.5:8080", "site": self.all.digest, "troubles": self.count}
        about |= {"clock": {"by": "chrony", "error_ms": 0.25, "trusted": True}, "carries": False}
        return json.dumps({**about, "session": "a", "contact": here, "at_ns": time.time_ns()}).encode()

    def connection_made(self, transport: Any) -> None:
        self.transport = transport
        will = text(f"{ROOT}/boards/{self.name}") + text(self.status(here=False))
        transport.write(
            packet(CONNECT, text("MQTT") + struct.pack("!BBH", 4, 0b0010_1110, 60) + text(self.name) + will)
        )
        filters = {f"{ROOT}/to/{self.name}/+": 1, f"{ROOT}/facts/+": 1, f"{ROOT}/boards/+": 0}
        transport.write(
            packet(SUBSCRIBE, b"\0\1" + b"".join(text(one) + bytes((qos,)) for one, qos in filters.items()))
        )
        self.publish_status()

    def publish_status(self) -> None:
        self.count += 1
        self.publish(f"{ROOT}/boards/{self.name}", self.status(here=True), retained=True)

    def publish(self, topic: str, payload: bytes, retained: bool = False) -> None:
        self.transport.write(packet(PUBLISH | 0b10 | retained, text(topic) + b"\0\2" + payload))

    def connection_lost(self, error: Exception | None) -> None:
        self.all.lost += 1

    def data_received(self, data: bytes) -> None:
        data = self.buffer + data
        at = 0
        while len(data) - at >= 2:
            size, shift, place = 0, 0, at + 1
            while place < len(data):
                size |= (data[place] & 0x7F) << shift
                shift, place = shift + 7, place + 1
                if data[place - 1] < 0x80:
                    break
            else:
                break
            if place + size > len(data):
                break
            if data[at] & 0xF0 == PUBLISH:
                self.take(data[at], data[place : place + size])
            at = place + size
        self.buffer = data[at:]

    def take(self, first: int, body: bytes) -> None:
        end = 2 + (body[0] << 8) + body[1]
        topic, start = body[2:end].decode(), end
        if first & 0b0110:
            start += 2
            self.transport.write(bytes((PUBACK, 2)) + body[end:start])
        _, kind, name = topic.split("/", 2)
        if kind == "boards":
            self.all.statuses += 1
            number = self.all.names.get(name)
            if number is not None and not self.seen[number]:
                self.seen[number] = 1
                self.missing -= 1
                if not self.missing:
                    self.all.complete += 1
        elif kind == "facts" and not first & 1 and start < len(body):
            self.all.take_fact(self, body[start:])


class LightBoards:
    """All light boards. Prints what they have heard, as JSON lines."""

    def __init__(self, number: int, digest: str) -> None:
        self.digest = digest
        self.names = {f"lamp {one}": one for one in range(number)} | {"quay": number}
        self.statuses = self.complete = self.lost = 0
        self.boards: list[LightBoard] = []
        self.facts: dict[bytes, list[int]] = {}

    def take_fact(self, board: LightBoard, payload: bytes) -> None:
        heard = self.facts.setdefault(payload, [])
        heard.append(time.monotonic_ns())
        fact = json.loads(payload)
        ack = {"from": board.name, "id": fact["id"], "version": fact["version"], "on_the_wire": True, "wire": "black"}
        board.publish(f"{ROOT}/to/{fact['changed_by']}/ack", json.dumps(ack).encode())
        if len(heard) == len(self.boards):
            self.say(fact=fact["id"], version=fact["version"], heard_ns=sorted(heard))

    def say(self, **what: object) -> None:
        print(json.dumps(what), flush=True)

    async def run(self, host: str, port: int) -> None:
        loop = asyncio.get_running_loop()
        number, begin_s = len(self.names) - 1, time.monotonic()
        made = await asyncio.gather(
            *(loop.create_connection(lambda one=one: LightBoard(one, self), host, port) for one in range(number))
        )
        self.boards = [board for _, board in made]
        open_s = time.monotonic() - begin_s
        while self.complete < number and not self.lost:
            await asyncio.sleep(0.05)
        self.say(open_s=open_s, storm_s=time.monotonic() - begin_s, statuses=self.statuses, lost=self.lost)
        each_s = max(STATUS_S, STATUS_EACH_S * (number + 1))
        while True:
            for board in self.boards:
                await asyncio.sleep(each_s / number)
                board.publish_status()
                board.transport.write(bytes((PINGREQ, 0)))


def line(boards: subprocess.Popen[str]) -> Any:
    assert boards.stdout
    return json.loads(boards.stdout.readline())


def prepare(evening: Evening, broker: Mosquitto, number: int) -> None:
    evening.write(numbered(400), fade="0.2 s")
    names = ("quay", *(f"lamp {one}" for one in range(number)))
    tables = "".join(f'\n[[board]]\nname = "{name}"\ncontrollers = ["left"]\n' for name in names)
    with (evening.folder / "site.toml").open("a", encoding="utf-8") as site:
        site.write(f'{tables}\n[sharing]\nbroker = "{broker.url(ROOT)}"\n')
    evening.env = {"GLOAMING_BOARD": "quay"}


def measure(number: int, lines: str) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        evening_apart(Path(folder) / "site", None, "1") as evening,
        Mosquitto(Path(folder), lines=lines, namespace=evening.namespace) as broker,
    ):
        prepare(evening, broker, number)
        with evening.running():
            wait_until(lambda: boards_of(evening)["sharing"] == "connected", "a connection")
            assert broker.process
            pids = {"broker": broker.process.pid, "planner": evening.pid("planner")}
            empty = {name: figures(pid) for name, pid in pids.items()}
            command = [*evening.within(), sys.executable, "-m", "tests.bench.many_boards", "--light", str(number)]
            command += ["--at", broker.address, str(broker.port)]
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as light:
                try:
                    report(number, evening, light, pids, empty)
                finally:
                    broker.process.kill()  # a thousand boards that it lost at once would keep it busy for a minute
                    light.kill()


@dataclass
class Pauses:
    """What became of some pauses and their ends: when the boards had them, the answer, and who had confirmed."""

    median_ms: list[float] = field(default_factory=list)
    last_ms: list[float] = field(default_factory=list)
    answer_ms: list[float] = field(default_factory=list)
    confirmed: list[int] = field(default_factory=list)

    def one(self, evening: Evening, light: subprocess.Popen[str], method: str, path: str, body: object) -> int:
        """Ask once. The id of the pause."""
        asked_ns = time.monotonic_ns()
        status, answer = evening.ask(method, path, body)
        assert status in (200, 201), answer
        self.answer_ms.append((time.monotonic_ns() - asked_ns) / 1e6)
        heard_ns = line(light)["heard_ns"]
        self.median_ms.append((statistics.median(heard_ns) - asked_ns) / 1e6)
        self.last_ms.append((heard_ns[-1] - asked_ns) / 1e6)
        self.confirmed.append(sum(one["on_the_wire"] for one in answer["boards"]))
        time.sleep(1)
        return int(answer["id"])


def answer_of(evening: Evening, path: str) -> str:
    """The size of an answer, and how long it takes."""
    took_ms = []
    for _ in range(5):
        asked_s = time.monotonic()
        _, answer = evening.ask("GET", path)
        took_ms.append((time.monotonic() - asked_s) * 1000)
        time.sleep(0.3)
    return f"{len(json.dumps(answer, separators=(',', ':'))) / 1000:.1f} kB, {statistics.median(took_ms):.0f} ms"


def report(
    number: int,
    evening: Evening,
    light: subprocess.Popen[str],
    pids: dict[str, int],
    empty: dict[str, tuple[float, float]],
) -> None:
    """Print the row of a number of boards."""
    storm, begin_s = line(light), time.monotonic()
    wait_until(lambda: in_contact(evening) == number + 1, "contact of all", PATIENCE_S, 0.2)
    late_s = time.monotonic() - begin_s
    storm_s = {name: figures(pid)[0] - empty[name][0] for name, pid in pids.items()}
    time.sleep(SETTLE_S)
    pauses = Pauses()
    for _ in range(PAUSES):
        id = pauses.one(evening, light, "POST", "/api/overrides", {"kind": "pause", "minutes": 1})
        pauses.one(evening, light, "DELETE", f"/api/overrides/{id}", None)
    before, idle_s = {name: figures(pid) for name, pid in pids.items()}, time.monotonic()
    time.sleep(IDLE_S)
    now, idle_s = {name: figures(pid) for name, pid in pids.items()}, time.monotonic() - idle_s
    cpu = {name: (now[name][0] - before[name][0]) / idle_s for name in pids}
    columns = (
        str(number),
        f"{storm['storm_s']:.1f} s; {late_s:.1f} s",
        f"{storm['statuses'] / 1000:.1f} k; {storm_s['broker']:.1f} s; {storm_s['planner']:.1f} s",
        f"{statistics.median(pauses.median_ms):.0f}; {statistics.median(pauses.last_ms):.0f}; "
        f"{max(pauses.last_ms):.0f} ms",
        f"{statistics.median(pauses.answer_ms):.0f} ms; {min(pauses.confirmed)} of {number + 1}",
        f"{cpu['broker']:.1%}, {now['broker'][1]:.0f} MB",
        f"{cpu['planner']:.1%}, {now['planner'][1]:.0f} MB",
        answer_of(evening, "/api/boards"),
    )
    print("|", " | ".join(columns), "|", flush=True)


def boards_of(evening: Evening) -> Any:
    evening.now()
    return evening.ask("GET", "/api/boards")[1]


def in_contact(evening: Evening) -> int:
    return int(evening.now()["boards"]["in_contact"])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.many_boards")
    parser.add_argument("boards", type=int, nargs="*", default=[10, 30, 100, 300, 1000])
    parser.add_argument("--lines", default=LINES)
    parser.add_argument("--light", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--at", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (FILES, max(FILES, resource.getrlimit(resource.RLIMIT_NOFILE)[1])))
    if args.light:
        asyncio.run(LightBoards(args.light, "").run(args.at[0], int(args.at[1])))
        return
    print(HEAD, "|" + " --- |" * (HEAD.count("|") - 1), sep="\n")
    for number in args.boards:
        measure(number, args.lines)


if __name__ == "__main__":
    main()
