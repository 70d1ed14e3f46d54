"""Network namespaces for tests: a board, a street, a box behind a switch, each with interfaces of its own."""

from __future__ import annotations

import ctypes
import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import TypeVar

import pytest

CLONE_NEWNET = 0x40000000
T = TypeVar("T")
_libc = ctypes.CDLL(None, use_errno=True)
_numbers = count()


@contextmanager
def namespaces(*kinds: str) -> Iterator[list[str]]:
    """The names of new ones, one of each kind; their loopback is up."""
    mark = f"{os.getpid()}-{next(_numbers)}"
    names = [f"gloaming-{kind}-{mark}" for kind in kinds]
    try:
        for name in names:
            made = subprocess.run(["ip", "netns", "add", name], capture_output=True, text=True, check=False)
            if made.returncode:
                pytest.skip(f"network namespaces need root and iproute2: {made.stderr.strip()}")
            subprocess.run(["ip", "-n", name, "link", "set", "lo", "up"], check=True)
        yield names
    finally:
        for name in names:
            subprocess.run(["ip", "netns", "delete", name], check=False, capture_output=True)


@contextmanager
def inside(namespace: str | None) -> Iterator[None]:
    """Sockets that this thread opens within belong to a namespace, and stay there (setns(2))."""
    if namespace is None:
        yield
        return
    with Path("/proc/thread-self/ns/net").open() as here, Path(f"/run/netns/{namespace}").open() as there:
        _enter(there.fileno())
        try:
            yield
        finally:
            _enter(here.fileno())


def _enter(file: int) -> None:
    assert _libc.setns(file, CLONE_NEWNET) == 0, os.strerror(ctypes.get_errno())


def in_namespace(namespace: str | None, work: Callable[[], T]) -> T:
    """Do some work inside a namespace."""
    with inside(namespace):
        return work()
