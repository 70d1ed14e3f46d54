"""What several tests of the transmitter need."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from gloaming.daemon.transmitter import output as output_module
from tests.daemon.transmitter.hall import Air


@pytest.fixture
def air(monkeypatch: pytest.MonkeyPatch) -> Iterator[Air]:
    there = Air()
    monkeypatch.setattr(output_module, "UdpSender", lambda *options: there)
    yield there
