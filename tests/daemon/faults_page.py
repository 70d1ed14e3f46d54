"""The fault table's rows of what no show may wait for: the page's port, its certificate, a site that comes late."""

from __future__ import annotations

import json
import shutil
import socket
import time
from pathlib import Path
from typing import Any

from tests.api.evening import gloaming
from tests.api.http.certificates import make_certificate
from tests.daemon.broken_evening import ROUND_THE_CLOCK, Broken, broken_evening, since
from tests.daemon.fault_figures import Figures, all_right
from tests.daemon.numbered import FPS, assert_none_missed, missed
from tests.waiting import wait_until


def asked(broken: Broken) -> dict[str, Any] | None:
    """`gloaming now`, as the board's owner asks; None where it has no answer."""
    done = gloaming("now", "--json", broken.folder)
    return json.loads(done.stdout) if done.returncode == 0 else None


def page_troubles(broken: Broken, kind: str) -> list[str] | None:
    """The texts of a kind of trouble, by `gloaming now`; None where it has no answer."""
    now = asked(broken)
    return now and [one["text"] for one in now["health"]["troubles"] if one["kind"] == kind]


def port_taken(folder: Path) -> Figures:
    """Another program has the page's port when power comes: the show begins; the page comes when the port is free."""
    address = "127.0.74.35"
    with broken_evening(folder, address, start=False) as broken:
        taken, begin_ns = socket.create_server((address, 8090)), time.time_ns()
        with broken.evening.running():
            with taken:
                recovered_s = since(lambda: broken.lit(begin_ns), "light")
                wait_until(lambda: "in use" in gloaming("now", broken.folder).stderr, "why nobody can ask")
            said = broken.says("phone.listen", "trouble")
            broken.wait_until_lit(seconds=1.2)
            packets = broken.lit(begin_ns)
            assert_none_missed(packets)
            all_right(broken, begin_ns + round(recovered_s * 1e9))
            broken.says("over: page", "trouble")
            return Figures(missed(packets), recovered_s, said, off=round(recovered_s * FPS))


def certificate_expired(folder: Path) -> Figures:
    """The page's certificate has expired: the board's own commands go on, and a renewed one is taken up as it is."""
    with broken_evening(folder, "127.0.74.36", start=False) as broken:
        path = broken.folder / "site.toml"
        path.write_text(path.read_text() + 'certificate = "board.pem"\nkey = "board.key"\n')
        make_certificate(broken.folder, "2026-01-01", 9)
        with broken.evening.running():
            broken.wait_until_lit(seconds=0.5)
            (said,) = wait_until(lambda: page_troubles(broken, "certificate"), "a trouble of the certificate")
            begin_ns = time.time_ns()
            make_certificate(broken.folder)
            renewed_s = since(lambda: page_troubles(broken, "certificate") == [], "the renewed certificate")
            packets = broken.wait_until_lit(begin_ns, 1.2)
            assert_none_missed(packets)
            all_right(broken, begin_ns)
            return Figures(missed(packets), renewed_s, said)


def stick_late(folder: Path) -> Figures:
    """The site lies on a stick that is there some seconds after the planner (test_a_real_boot mounts one)."""
    from tests.daemon.planner.test_clock_1970 import both

    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(folder / "notify"))
    manager.settimeout(60)
    site = {"performance": ROUND_THE_CLOCK, "dark": False}
    with manager, broken_evening(folder, "127.0.74.37", start=False, moved=False, **site) as broken:
        stick = folder / "stick"
        shutil.copytree(broken.folder, stick)
        shutil.rmtree(broken.folder)
        broken.folder.mkdir()
        with both(broken, {"NOTIFY_SOCKET": str(manager.getsockname())}):
            said = ""
            while "waits" not in said:
                said = manager.recv(4096).decode()
            begin_ns = time.time_ns()
            for path in stick.iterdir():
                path.rename(broken.folder / path.name)
            recovered_s = since(lambda: broken.lit(begin_ns), "light")
            broken.wait_until_lit(seconds=1.2)
            packets = broken.lit(begin_ns)
            assert_none_missed(packets)
            all_right(broken, begin_ns)
            words = said.partition("STATUS=")[2].strip()
            return Figures(missed(packets), recovered_s, words, off=round(recovered_s * FPS))
