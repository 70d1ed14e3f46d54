"""The output with protocols that differ: E1.31 and DDP beside each other, and one with a rhythm of its own."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from gloaming.daemon import transmitter
from gloaming.daemon.score.setup import Setup, Target
from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.output import Output
from gloaming.shows.protocols.ddp.build import Ddp
from gloaming.shows.protocols.packets import KeepAlive, PacketProtocol
from tests.daemon.transmitter.player_harness import MS, A, B, FakeSender, PlayerHarness, setup_with
from tests.daemon.transmitter.process_harness import SECOND_NS, segment, universe


def test_two_protocols_of_a_setup_number_and_end_their_streams_each_in_its_own_way(sender: FakeSender) -> None:
    output = Output(setup_with(universe(1, A, slots=20), universe(2, B, slots=20, protocol="ddp")))
    (group,) = output.groups
    ports = {batch.host: batch.port for part in output.counters.parts for batch in part.batches}
    assert ports == {A: 5568, B: 4048}
    for _ in range(17):
        group.send()
    e131, ddp = ([data for _, to, data in sender.left if to == host] for host in (A, B))
    assert [data[111] for data in e131] == list(range(1, 18))  # E1.31 6.7.2
    assert [data[1] for data in ddp] == [*range(1, 16), 1, 2]
    sender.left.clear()
    output.terminate()
    assert [data[112] & 0x40 for _, to, data in sender.left if to == A] == [0x40] * 3  # E1.31 6.2.6


class Slow(Ddp):
    """DDP, in another rhythm."""

    keep_alive = KeepAlive(packets=2, every_ns=400 * MS)
    endings = 0


def test_the_protocol_sets_how_often_unchanged_data_are_sent(
    sender: FakeSender, monkeypatch: pytest.MonkeyPatch
) -> None:
    def protocols_of(setup: Setup, broadcast: str) -> dict[PacketProtocol, tuple[Target, ...]]:
        return {Slow({}): setup.targets}

    monkeypatch.setattr(output_module, "protocols_of", protocols_of)
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
