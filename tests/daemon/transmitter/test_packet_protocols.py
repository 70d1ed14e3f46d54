"""The output with another packet protocol than E1.31.

The test invents a protocol that differs from E1.31 as much as possible: several universes in a packet, packets of two
lengths, sequence numbers from 1 to 15, a mark on the last packet, and no packet that ends a stream.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gloaming.daemon import transmitter
from gloaming.daemon.score.setup import Setup, Target
from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.view import View
from gloaming.shows.protocols.e131.build import E131
from gloaming.shows.protocols.packets import (
    Bytes,
    KeepAlive,
    PacketBlock,
    PacketProtocol,
    PacketRow,
    Portion,
    Synchronization,
)
from tests.daemon.transmitter.player_harness import MS, A, B, FakeSender, PlayerHarness
from tests.daemon.transmitter.process_harness import SECOND_NS, SETUP, segment, universe

PORT, PART = 4999, 32


class Parts:
    """A host's slots, side by side, in packets of up to 32 bytes: sequence, mark of the last, slots."""

    port = PORT
    keep_alive = KeepAlive(packets=2, every_ns=400 * MS)
    endings = 0
    counts_alike = False
    announce_ns = None

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        by_host: dict[str, list[Portion]] = {}
        for one in portions:
            by_host.setdefault(one.host, []).append(one)
        made = []
        for host, there in by_host.items():
            end = there[-1].begin + there[-1].slots
            cuts = list(range(there[0].begin, end, PART))
            for begins, slots in ((cuts[:-1], PART), (cuts[-1:], end - cuts[-1])):
                rows = tuple(
                    PacketRow(host, tuple(one.universe for one in there if at - one.slots < one.begin < at + slots), at)
                    for at in begins
                )
                packets = np.zeros((len(rows), 2 + slots), np.uint8)
                packets[:, 1] = begins == cuts[-1:]
                if rows:
                    made.append(PacketBlock(self, host, rows, packets, packets[:, 2:], packets[:, 0]))
        return tuple(made)

    def max_refresh_hz(self, slots: int) -> float:
        return float("inf")

    def count(self, sequences: Bytes, step: int = 1) -> None:
        sequences[:] = sequences % 15 + 1

    def mark_end(self, block: PacketBlock, ends: bool) -> None: ...

    def synchronization(self) -> Synchronization | None:
        return None

    def synchronization_to(self, host: str) -> tuple[str, str]:
        return host, host

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        return ()


def setup(*universes: dict[str, Any]) -> Setup:
    return Setup.from_json({**SETUP, "universes": universes})


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """All hosts of a setup receive `Parts`, except the host `A`, which receives E1.31."""

    def protocols_of(setup: Setup, broadcast: str) -> dict[PacketProtocol, tuple[Target, ...]]:
        mine = tuple(target for target in setup.targets if A not in target.hosts)
        others = tuple(target for target in setup.targets if A in target.hosts)
        return {Parts(): mine, E131(setup.heading.cid, "quay", 100): others}

    monkeypatch.setattr(output_module, "protocols_of", protocols_of)


@pytest.mark.usefixtures("parts")
def test_packets_of_several_universes_carry_every_slot_of_a_frame(sender: FakeSender) -> None:
    output = Output(setup(*(universe(number, B, slots=25) for number in (1, 2, 4))))
    (group,), view = output.groups, View()
    frame = np.arange(1, 76, dtype=np.uint8)
    for _ in range(16):
        group.fill(frame)
        group.send()
    packets = [data for _, _, data in sender.left]
    assert [len(data) for data in packets[:3]] == [34, 34, 13] and len(packets) == 48
    assert b"".join(data[2:] for data in packets[:3]) == frame.tobytes()
    assert [data[0] for data in packets[::3]] == [*range(1, 16), 1]
    assert [data[1] for data in packets] == [0, 0, 1] * 16
    view.pick([512, 512 + 24, 2 * 512 + 6, 2 * 512 + 7, 4 * 512 + 24, 3 * 512, 512 + 25])
    assert view.levels(output.mixer, output.blocks()) == "ARkgIUsAAA=="  # 1, 25, 32, 33, 75, and two outside the setup
    counted = output.counters.figures()["universe_packets"]
    assert [(first, last, sent) for first, last, sent, _ in counted] == [(1, 1, 16), (2, 2, 32), (4, 4, 32)]


@pytest.mark.usefixtures("parts")
def test_two_protocols_of_a_setup_number_and_end_their_streams_each_in_its_own_way(sender: FakeSender) -> None:
    output = Output(setup(universe(1, A, slots=20), universe(2, B, slots=20)))
    (group,) = output.groups
    ports = {batch.host: batch.port for part in output.counters.parts for batch in part.batches}
    assert ports == {A: 5568, B: PORT}
    for _ in range(17):
        group.send()
    ours, theirs = ([data for _, to, data in sender.left if to == host] for host in (A, B))
    assert [data[111] for data in ours] == list(range(1, 18))  # E1.31 6.7.2
    assert [data[0] for data in theirs] == [*range(1, 16), 1, 2]
    sender.left.clear()
    output.terminate()
    assert [data[112] & 0x40 for _, to, data in sender.left if to == A] == [0x40] * 3  # E1.31 6.2.6


@pytest.mark.usefixtures("parts")
def test_the_protocol_sets_how_often_unchanged_data_are_sent(sender: FakeSender) -> None:
    harness = PlayerHarness(sender, universe(2, B, slots=20), between_performances="release")
    harness.score(segment(0, 3 * SECOND_NS, look=9), segment(3 * SECOND_NS, 9 * SECOND_NS, show=None))
    at_ms = [at_ns // MS for at_ns, _, _ in harness.play(3 * SECOND_NS)]
    assert at_ms == [0, 25, 425, 825, 1225, 1625, 2025, 2425, 2825]
    assert len(harness.play(9 * SECOND_NS)) == 2, "black as often as the protocol says, and no termination"


def test_only_the_protocol_knows_where_its_fields_are() -> None:
    """Only the watch knows the place of the CID: by it the kernel drops our own packets."""
    known: dict[str, set[str]] = {}
    for path in Path(transmitter.__path__[0]).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "gloaming.shows.protocols.e131":
                known.setdefault(path.name, set()).update(alias.name for alias in node.names)
    assert known and not any({"FIELDS", "HEAD_BYTES"} & names for names in known.values())
    assert [name for name, names in known.items() if "CID_AT" in names] == ["watch_sockets.py"]
