"""How many cases a test draws. `GLOAMING_CASES=3` draws three times as many, before a change of what they test."""

from __future__ import annotations

import os

TIMES = int(os.environ.get("GLOAMING_CASES", "1"))


def cases(usual: int) -> int:
    """The cases to draw, for a number that a usual run draws."""
    return usual * TIMES
