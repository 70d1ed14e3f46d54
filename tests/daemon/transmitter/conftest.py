"""Fixtures for several tests of the transmitter."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from gloaming.daemon.transmitter import output as output_module
from tests.daemon.transmitter.player_harness import FakeSender


@pytest.fixture
def sender(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeSender]:
    there = FakeSender()
    monkeypatch.setattr(output_module, "UdpSender", lambda *options: there)
    yield there
