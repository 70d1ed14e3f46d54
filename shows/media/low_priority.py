"""Work beside the show runs at a low priority."""

from __future__ import annotations

import os
from contextlib import suppress


def lower_priority() -> None:
    """Give way to all other processes. A service may be forbidden it (`@resources`, systemd.exec(5)): then its unit's
    weight decides."""
    with suppress(PermissionError):
        os.nice(19)
