"""What is said to the service manager (sd_notify(3), the protocol itself): ready, alive, reloading, stopping."""

from __future__ import annotations

import os
import socket


class Notifier:
    """Says lines to the socket that the service manager named, or to nobody. Never waits, never fails."""

    def __init__(self, address: str | None = None) -> None:
        given = os.environ.get("NOTIFY_SOCKET", "") if address is None else address
        self._address = f"\0{given[1:]}" if given.startswith("@") else given
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) if given else None

    def say(self, *lines: str) -> bool:
        """Say `READY=1`, `WATCHDOG=1`, `STATUS=...`; whether somebody took it."""
        if self._socket is None:
            return False
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return False  # a manager that is busy or gone; the watchdog is the judge of it
        return True


def managed() -> bool:
    """Whether a service manager has started this process, and starts it again."""
    return "NOTIFY_SOCKET" in os.environ


def watchdog_s() -> float | None:
    """How often to say that all is well: a third of what the manager allows, seconds; None where it does not ask."""
    allowed, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not allowed.isdigit() or int(allowed) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(allowed) / 3e6
