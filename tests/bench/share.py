"""A share of a processor: the demonstration with its receiver on half a core, and how many frames it drops.

    python -m tests.bench.share [--percent 50] [--seconds 30]

As root, since it sets a quota of the kernel's (cgroup v1 or v2; period 5 ms). All of `gloaming demo` is within it:
planner, transmitter, sound, receiver and the rendering before. What is dropped is counted from ten seconds after the
first frame. The processors' time by process says where it goes. Nothing is asserted: other load moves the figures.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.waiting import wait_until

PERIOD_US = 5000
SETTLE_S = 10
PATIENCE_S = 600.0
CGROUPS = Path("/sys/fs/cgroup")


@contextmanager
def quota(percent: float) -> Iterator[Path]:
    """A control group whose processes get so much of one core together."""
    first = CGROUPS / "cpu" if (CGROUPS / "cpu/cpu.cfs_quota_us").exists() else CGROUPS
    group = first / f"gloaming-share-{os.getpid()}"
    group.mkdir()
    quota_us = round(PERIOD_US * percent / 100)
    try:
        if first == CGROUPS:
            (CGROUPS / "cgroup.subtree_control").write_text("+cpu")
            (group / "cpu.max").write_text(f"{quota_us} {PERIOD_US}")
        else:
            (group / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (group / "cpu.cfs_quota_us").write_text(str(quota_us))
        yield group
    finally:
        wait_until(lambda: not (group / "cgroup.procs").read_text(), "the end of all processes")
        group.rmdir()


def cpu_s(group: Path) -> dict[str, float]:
    """The processors' time of each process of a group, by the module that it runs (proc(5), schedstat)."""
    found: dict[str, float] = {}
    for pid in (group / "cgroup.procs").read_text().split():
        words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
        name = next((word.removeprefix("gloaming.") for word in words if word.startswith("gloaming.")), words[0])
        tasks = Path(f"/proc/{pid}/task").iterdir()
        spent = sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9
        found[name] = found.get(name, 0.0) + spent
    return found


def telemetry(state: Path) -> dict[str, Any] | None:
    """What the transmitter said last, asked for from outside the quota; None where nobody answers yet."""
    try:
        address, token = (state / "address").read_text().strip(), (state / "token").read_text().strip()
        request = urllib.request.Request(f"{address}/api/now", headers={"Authorization": f"Bearer {token}"})
        with urllib.request.urlopen(request, timeout=20) as answer:
            found: dict[str, Any] | None = json.load(answer)["health"]["transmitter"]
            return found
    except OSError:
        return None


def measure(percent: float, seconds: float, folder: Path) -> None:
    with quota(percent) as group:
        join = f"echo $$ > {group}/cgroup.procs; exec {sys.executable} -m gloaming.api.cli.main demo --json --for 80000"
        environment = {**os.environ, "TMPDIR": str(folder)}
        with subprocess.Popen(["sh", "-c", join], env=environment, stdout=subprocess.DEVNULL) as process:
            try:
                wait_until(
                    lambda: process.poll() or list(folder.glob("gloaming-*/pier-road/state")), "the season", PATIENCE_S
                )
                (state,) = folder.glob("gloaming-*/pier-road/state")
                wait_until(lambda: (telemetry(state) or {}).get("frames_due"), "the first frame", PATIENCE_S)
                time.sleep(SETTLE_S)
                before, spent, begin_s = telemetry(state), cpu_s(group), time.monotonic()
                time.sleep(seconds)
                after, then, passed_s = telemetry(state), cpu_s(group), time.monotonic() - begin_s
            finally:
                process.send_signal(signal.SIGTERM)
                process.wait(PATIENCE_S)
    assert before and after
    due, dropped, late = (after[f"frames_{key}"] - before[f"frames_{key}"] for key in ("due", "dropped", "late"))
    shares = {name: 100 * (then[name] - spent.get(name, 0)) / passed_s for name in then}
    told = ", ".join(f"{name} {share:.1f}" for name, share in sorted(shares.items(), key=lambda one: -one[1]))
    print(f"| {percent:g} % | {due} | {dropped} | {1000 * dropped / due:.1f} | {late} | {told} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.share")
    parser.add_argument("--percent", type=float, nargs="+", default=[50, 30, 20])
    parser.add_argument("--seconds", type=float, default=30)
    args = parser.parse_args()
    print("| of a core | frames due | dropped | of 1,000 | late | % of a core by process |")
    print("| --- | --- | --- | --- | --- | --- |")
    for percent in args.percent:
        with tempfile.TemporaryDirectory() as folder:
            measure(percent, args.seconds, Path(folder))


if __name__ == "__main__":
    main()
