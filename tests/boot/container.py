"""A machine to break: a Debian root booted by systemd-nspawn, in a network namespace with a cable to another."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests.namespaces import inside, outdoors

SUITE = os.environ.get("GLOAMING_BOOT_SUITE", "bookworm")
"""Debian 12; or "trixie", Debian 13."""
PYTHON = {"bookworm": "3.11", "trixie": "3.13"}[SUITE]
"""Which that Debian has."""
MIRROR = "http://deb.debian.org/debian"
PACKAGES = "systemd,systemd-sysv,dbus,python3,python3-venv,iproute2,libportaudio2"
CACHE = Path(os.environ.get("GLOAMING_BOOT_CACHE", "/var/cache/gloaming-boot"))
BOX, STREET = "gl-box", "gl-street"
BOX_ADDRESS, STREET_ADDRESS = "192.0.2.10", "192.0.2.21"
PORT = 5568
"""E1.31 9.2."""


def run(*command: str, check: bool = True, timeout_s: float = 900.0) -> str:
    """A command to its end; what it printed. AssertionError with all it said where it fails."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)
    assert done.returncode == 0 or not check, f"{' '.join(command)}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def debian_root(packages: str = PACKAGES) -> Path:
    """A root that machines begin with, made once."""
    root = CACHE / f"{SUITE}-{packages.replace(',', '-')}"
    if not root.exists():
        CACHE.mkdir(parents=True, exist_ok=True)
        fresh = CACHE / f"fresh-{os.getpid()}"
        with outdoors():
            run("debootstrap", "--variant=minbase", f"--include={packages}", SUITE, str(fresh), MIRROR)
        shutil.rmtree(fresh / "var/cache/apt/archives")
        fresh.rename(root)
    return root


def mount_copy(root: Path, folder: Path) -> Path:
    """A copy of a root to change, in a folder; whoever asked for it unmounts it."""
    copy, upper, work = (folder / name for name in ("root", "upper", "work"))
    for path in (copy, upper, work):
        path.mkdir()
    run("mount", "-t", "overlay", "overlay", "-o", f"lowerdir={root},upperdir={upper},workdir={work}", str(copy))
    return copy


def lay_cable() -> None:
    """Two namespaces and a cable between them: the board's, and the one of what hangs outside."""
    cut_cable()
    for name in (BOX, STREET):
        run("ip", "netns", "add", name)
    run("ip", "link", "add", "gl0", "netns", BOX, "type", "veth", "peer", "name", "gl1", "netns", STREET)
    for name, link, address in ((BOX, "gl0", BOX_ADDRESS), (STREET, "gl1", STREET_ADDRESS)):
        run("ip", "-n", name, "address", "add", f"{address}/24", "dev", link)
        run("ip", "-n", name, "link", "set", link, "up")
        run("ip", "-n", name, "link", "set", "lo", "up")
    run("ip", "-n", BOX, "route", "add", "default", "via", STREET_ADDRESS)


def cut_cable() -> None:
    for name in (BOX, STREET):
        if Path(f"/run/netns/{name}").exists():
            run("ip", "netns", "delete", name)


def socket_in(space: str, address: str) -> socket.socket:
    """A socket that listens for E1.31 in a namespace."""
    with inside(space):
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
        sock.bind((address, PORT))
        return sock


class Machine:
    """A copy of the Debian root; `power_on`, `power_cut`, and commands inside."""

    def __init__(self, folder: Path) -> None:
        self.root = mount_copy(debian_root(), folder)
        self.process: subprocess.Popen[bytes] | None = None
        self.console = folder / "console"

    def power_on(self, *more: str) -> None:
        """Boot until the service manager answers; `more` are systemd-nspawn's words."""
        command = ["systemd-nspawn", "--quiet", "--register=no", "--keep-unit", "--boot", f"--directory={self.root}"]
        command += ["--machine=gl-board", f"--network-namespace-path=/run/netns/{BOX}", "--resolv-conf=off", *more]
        with self.console.open("ab") as console:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True
            )
        wait_for(lambda: self.inside("true", check=False, ok=True), "the machine does not boot")
        wait_for(
            lambda: self.inside("systemctl", "is-active", "dbus.socket", check=False).strip() == "active",
            "its service manager does not answer",
        )

    @property
    def init(self) -> str:
        """The process id, seen from outside, of the first process inside."""
        assert self.process
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return children[0] if children else "0"

    def inside(self, *command: str, check: bool = True, ok: bool = False) -> str:
        """Run a command inside; with `ok`, "" where it fails and "ok" where it does not."""
        environment = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND=noninteractive", "LC_ALL=C"]
        entered = ["nsenter", "--target", self.init, "--mount", "--uts", "--ipc", "--net", "--pid", "--cgroup"]
        if not ok:
            return run(*entered, *environment, *command, check=check)
        return "ok" if subprocess.run([*entered, *command], capture_output=True, check=False).returncode == 0 else ""

    def power_cut(self) -> None:
        """Everything inside ends at once: nothing is told, nothing is flushed by the processes."""
        assert self.process
        os.kill(int(self.init), signal.SIGKILL)
        self.process.wait(120)
        self.process = None

    def scrap(self) -> None:
        if self.process and self.process.poll() is None:
            self.power_cut()
        run("umount", str(self.root))


def wait_for(true: Callable[[], object], otherwise: str, within_s: float = 120.0) -> None:
    """Wait until something holds. AssertionError when it does not come to pass."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, otherwise
        time.sleep(0.1)
