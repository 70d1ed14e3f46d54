"""Three boards of one site, each `gloaming run` in a network namespace of its own on one bridge, and a real broker.

    @pytest.fixture(scope="module")
    def three(tmp_path_factory):
        with three_boards(tmp_path_factory.mktemp("three")) as three:
            yield three

    pytestmark = needs("ip", "mosquitto", "root")

    three["east"].ask("POST", "/api/overrides", {"kind": "pause", "minutes": 5})   # HTTP, inside its namespace
    three.reader("quay").lit()                    # what the controller of a board got (tests.api.evening.Reader)
    three.partition("east"); three.heal("east")   # unplug its cable, and plug it in again
    three.broker.stop(); three.broker.start()     # it forgets all, unless `broker_lines` say otherwise
    three["spare"].kill_everything(); three["spare"].start()

"quay" feeds controller left (universe 1), "east" feeds right (universe 2), "spare" is the spare for quay. A frame has
its number in the first four slots of each universe (`Seen.number`). Each board has a controller of its own at 127.0.0.1
in its namespace, unless `controllers` is an address that all reach, such as `STREET` (`three.reader("street")`).
The broker is at `STREET`, unless `broker_at` is a board. `tables` is more of site.toml. `env` has more variables of a
board, `machines` its machine-id: without it, each board has another one. Starting takes seconds: share them.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fractions import Fraction
from hashlib import md5
from pathlib import Path
from shutil import rmtree

import numpy as np

from gloaming.shows.framefile.source import lay_out
from gloaming.shows.framefile.writer import FrameWriter
from tests.api.evening import SITE, Evening, Reader, numbered
from tests.mosquitto import Mosquitto
from tests.namespaces import namespaces
from tests.waiting import wait_until

ADDRESSES = {"quay": "10.66.0.1", "east": "10.66.0.2", "spare": "10.66.0.3"}
STREET, RIGHT = "10.66.0.9", "10.66.0.8"
"""Both are addresses of the street. RIGHT is that of the controller right, where left is at STREET."""
PORT = 8080
SLOTS = 12
ROOT = "pier-road"
BOARDS = """
[[board]]
name = "quay"
controllers = ["left"]
address = "http://10.66.0.1:8080"

[[board]]
name = "east"
controllers = ["right"]
address = "http://10.66.0.2:8080"

[[board]]
name = "spare"
spare_for = "quay"
address = "http://10.66.0.3:8080"

[sharing]
broker = "{broker}"
"""
NETNS = Path("/etc/netns")
"""`ip netns exec` puts what lies here over /etc (ip-netns(8))."""


@dataclass
class Board(Evening):
    """One of the boards: its site, its process and its namespace."""

    name: str = ""


class ThreeBoards:
    """The boards by their names, the broker, and the street where all meet."""

    def __init__(self, boards: Mapping[str, Board], street: Evening, broker: Mosquitto) -> None:
        self.boards, self.street, self.broker = boards, street, broker
        self._readers: dict[str, Reader] = {}
        self.stack = ExitStack()

    def __getitem__(self, name: str) -> Board:
        return self.boards[name]

    def __iter__(self) -> Iterator[Board]:
        return iter(self.boards.values())

    def reader(self, where: str) -> Reader:
        """What arrives at the controllers in the namespace of a board, or at those of the street, from the first call
        on."""
        if where not in self._readers:
            there = self.street if where == "street" else self.boards[where]
            self._readers[where] = self.stack.enter_context(there.reader("0.0.0.0"))
        return self._readers[where]

    def partition(self, *names: str) -> None:
        """Unplug the cables of some boards at the switch."""
        self._plug(names, "down")

    def heal(self, *names: str) -> None:
        """Plug the cables in again."""
        self._plug(names, "up")

    def _plug(self, names: tuple[str, ...], how: str) -> None:
        for name in names:
            subprocess.run(["ip", "-n", str(self.street.namespace), "link", "set", name, how], check=True)

    def wait_for_contact(self) -> None:
        """Wait until the broker has a status with contact of every board."""
        with self.broker.listen(f"{ROOT}/boards/+") as heard:

            def here() -> bool:
                newest = {one.topic.rpartition("/")[2]: b'"contact": true' in one.payload for one in heard}
                return all(newest.get(name) for name in self.boards)

            wait_until(here, "contact of all boards")


@contextmanager
def three_boards(
    folder: Path,
    tables: str = "",
    frames: int = 400,
    fps: str = "40",
    controllers: str = "127.0.0.1",
    interface: str = "lo",
    broker_at: str = "street",
    broker_lines: str = "",
    env: Mapping[str, Mapping[str, str]] | None = None,
    machines: Mapping[str, str] | None = None,
    start: bool = True,
) -> Iterator[ThreeBoards]:
    """Three boards that run, in contact. With `start` false, nothing runs but the broker."""
    with namespaces("street", *ADDRESSES) as (street, *others), ExitStack() as stack:
        inside = dict(zip(ADDRESSES, others, strict=True))
        _plug_together(street, inside)
        at = STREET if broker_at == "street" else ADDRESSES[broker_at]
        where = street if broker_at == "street" else inside[broker_at]
        broker = stack.enter_context(Mosquitto(folder, lines=broker_lines, namespace=where, address=at))
        boards: dict[str, Board] = {}
        for name, namespace in inside.items():
            boards[name] = Board(folder / name, None, "1-2", namespace, name=name)
            boards[name].env = {"GLOAMING_BOARD": name, **(env or {}).get(name, {})}
            _give_machine_id(stack, namespace, (machines or {}).get(name) or md5(name.encode()).hexdigest())
            text = tables + BOARDS.format(broker=broker.url(ROOT))
            write(boards[name], text, frames, fps, controllers, interface)
        moved_ns = boards["quay"].offset_ns
        for board in boards.values():
            board.offset_ns = moved_ns
        (folder / "street").mkdir()
        three = ThreeBoards(boards, Evening(folder / "street", None, "1-2", street), broker)
        stack.enter_context(three.stack)
        if start:
            for board in boards.values():
                stack.enter_context(board.running())
            three.wait_for_contact()
        yield three


def write(board: Board, tables: str, frames: int, fps: str, controllers: str, interface: str) -> None:
    """The files of the site, in a board's own folder. Each has the same, the frame file too."""
    folder, first = board.folder, board.folder.parent / "quay" / "numbers.frames"
    folder.mkdir()
    if board.name == "quay":
        array = np.hstack([numbered(frames, SLOTS)] * 2)
        with FrameWriter(first, Fraction(fps), lay_out("1-2", 2 * SLOTS, SLOTS)) as writer:
            writer.write(array)
    else:
        (folder / "numbers.frames").write_bytes(first.read_bytes())
    right = RIGHT if controllers == STREET else controllers
    rig = "".join(
        f'[[controller]]\nname = "{name}"\nhost = "{host}"\nuniverses = "{number}"\n'
        for number, name, host in ((1, "left", controllers), (2, "right", right))
    )
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    hours = {"opens": "12:00", "closes": "06:00", "dark_from": "06:30", "dark_to": "07:00"}
    site = SITE.format(interface=interface, fade="0.2 s", **hours).replace("pieces/", "")
    site = site.replace('listen = "127.0.0.1:0"', f'listen = "0.0.0.0:{PORT}"\nannounce = false')
    (folder / "site.toml").write_text(f"{site}\n{tables}", encoding="utf-8")
    board.move_to("2026-12-01T18:00")


def _plug_together(street: str, boards: Mapping[str, str]) -> None:
    """A bridge in the street, and a cable from it to each board."""

    def ip(namespace: str, *words: str) -> None:
        subprocess.run(["ip", "-n", namespace, *words], check=True)

    ip(street, *["link", "add", "bridge", "type", "bridge"])
    ip(street, *["link", "set", "bridge", "up"])
    for address in (STREET, RIGHT):
        ip(street, "address", "add", f"{address}/24", "dev", "bridge")
    for name, namespace in boards.items():
        ip(street, "link", "add", name, "type", "veth", "peer", "name", "eth0", "netns", namespace)
        ip(street, "link", "set", name, "master", "bridge", "up")
        ip(namespace, "address", "add", f"{ADDRESSES[name]}/24", "dev", "eth0")
        ip(namespace, *["link", "set", "eth0", "up"])
        ip(namespace, *["link", "set", "lo", "multicast", "on"])
        ip(namespace, *["route", "add", "239.0.0.0/8", "dev", "lo"])


def _give_machine_id(stack: ExitStack, namespace: str, machine: str) -> None:
    place = NETNS / namespace
    place.mkdir(parents=True)
    stack.callback(rmtree, place)
    (place / "machine-id").write_text(f"{machine}\n")
    if not Path("/etc/machine-id").exists():  # there must be something to put it over
        Path("/etc/machine-id").touch()
