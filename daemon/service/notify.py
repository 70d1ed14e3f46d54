"""Notices to the service manager, by the protocol of sd_notify(3): ready, alive, reloading, stopping."""

from __future__ import annotations

import os
import socket


class Notifier:
    """Sends lines to the socket that NOTIFY_SOCKET names; without it, does nothing. Never waits, never fails."""

    def __init__(self, address: str | None = None) -> None:
        given = os.environ.get("NOTIFY_SOCKET", "") if address is None else address
        self._address = f"\0{given[1:]}" if given.startswith("@") else given
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) if given else None

    def notify(self, *lines: str) -> bool:
        """Send lines like `READY=1`, `WATCHDOG=1`, `STATUS=...`. Whether the manager took them."""
        if self._socket is None:
            return False
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return False  # the manager is busy or gone; its watchdog acts if notices stay away
        return True


def managed() -> bool:
    """Whether a service manager started this process and will restart it."""
    return "NOTIFY_SOCKET" in os.environ


def watchdog_s() -> float | None:
    """The interval of WATCHDOG=1 in seconds: a third of the manager's limit. None without a limit."""
    allowed, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not allowed.isdigit() or int(allowed) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(allowed) / 3e6
