"""How tests wait: for a condition, with patience, and saying what never came. Never for a time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

PATIENCE_S = 60.0


def wait_until(true: Callable[[], object], what: str, patience_s: float = PATIENCE_S, every_s: float = 0.02) -> Any:
    """Wait for something that must come; what it came to. What takes long to look at is looked at less often."""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        if found := true():
            return found
        time.sleep(every_s)
    raise AssertionError(f"in {patience_s:g} s there was never {what}")


async def until(true: Callable[[], object], what: str) -> None:
    """`wait_until` on the event loop."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"in {PATIENCE_S:g} s there was never {what}"
        await asyncio.sleep(0.01)
