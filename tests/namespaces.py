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
_outdoors = os.open("/proc/self/ns/net", os.O_RDONLY)  # held open, so that there is a way back


def may_have_namespaces() -> bool:
    """Whether this user may make network namespaces."""
    tried = subprocess.run(["unshare", "--net", "ip", "link"], capture_output=True, check=False)
    return tried.returncode == 0


def move_into_a_network_of_ones_own() -> None:
    """This process sees none but its own loopback from now on, which carries multicast, too (unshare(2))."""
    assert _libc.unshare(CLONE_NEWNET) == 0, os.strerror(ctypes.get_errno())
    for words in ("link set lo up", "link set lo multicast on", "route add 224.0.0.0/4 dev lo"):
        subprocess.run(["ip", *words.split()], check=True)


@contextmanager
def namespaces(*kinds: str) -> Iterator[list[str]]:
    """The names of new ones, one of each kind; their loopback is up."""
    mark = f"{os.getpid()}-{next(_numbers)}"
    names = [f"gloaming-{kind}-{mark}" for kind in kinds]
    try:
        for name in names:
            made = subprocess.run(["ip", "netns", "add", name], capture_output=True, text=True, check=False)
            if made.returncode:
                pytest.skip(f"network namespaces need root: {made.stderr.strip()}")
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
    with Path(f"/run/netns/{namespace}").open() as there, _within(there.fileno()):
        yield


@contextmanager
def outdoors() -> Iterator[None]:
    """The network in which the tests were started: packages come from there."""
    with _within(_outdoors):
        yield


@contextmanager
def _within(namespace: int) -> Iterator[None]:
    with Path("/proc/thread-self/ns/net").open() as here:
        _enter(namespace)
        try:
            yield
        finally:
            _enter(here.fileno())


def _enter(namespace: int) -> None:
    assert _libc.setns(namespace, CLONE_NEWNET) == 0, os.strerror(ctypes.get_errno())


def in_namespace(namespace: str | None, work: Callable[[], T]) -> T:
    """Do some work inside a namespace."""
    with inside(namespace):
        return work()
