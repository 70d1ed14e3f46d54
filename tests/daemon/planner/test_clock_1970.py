"""A board without battery and network wakes in 1970: dark, said, and put right from a phone (libfaketime)."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.daemon.broken_evening import ALL_NIGHT, Broken, broken_evening, moved_to
from tests.daemon.numbered import assert_right, write_site
from tests.tools import find, needs

FAKETIME = find("libfaketime")


def clear_away_what_the_dead_left() -> None:
    """libfaketime leaves /dev/shm/faketime_shm_PID behind, and ends whichever later process gets that number again."""
    for path in [*Path("/dev/shm").glob("faketime_shm_*"), *Path("/dev/shm").glob("sem.faketime_sem_*")]:
        if not Path(f"/proc/{path.name.rpartition('_')[2]}").exists():
            with suppress(PermissionError):  # another user's
                path.unlink(missing_ok=True)


@contextmanager
def both(broken: Broken, environment: dict[str, str]) -> Iterator[None]:
    """Planner and transmitter without a supervisor, whose sleep libfaketime does not bear."""
    state = broken.evening.state
    state.mkdir()
    clear_away_what_the_dead_left()
    site = ["gloaming.api.serve", str(broken.folder), "--state", str(state)]
    programs = (["gloaming.daemon.transmitter", str(state / "transmitter.sock")], site)
    started = [subprocess.Popen([sys.executable, "-m", *each], env={**os.environ, **environment}) for each in programs]
    try:
        yield
    finally:
        for process in started:
            process.terminate()
        codes = [process.wait(30) for process in started]
        clear_away_what_the_dead_left()
        assert codes in ([0, 0], [0, -15])


def in_1970() -> dict[str, str]:
    """The environment of a process whose wall clock stands at the second day of 1970."""
    return {**_preloaded(), "FAKETIME": f"{86_400 - int(time.time()):+}s"}


def stepping(steps: Path) -> dict[str, str]:
    """The environment of processes whose wall clock is off by what a file says, as "+600s"; they look once a second."""
    return {**_preloaded(), "FAKETIME_TIMESTAMP_FILE": str(steps), "FAKETIME_CACHE_DURATION": "1"}


def _preloaded() -> dict[str, str]:
    return {"LD_PRELOAD": str(FAKETIME), "DONT_FAKE_MONOTONIC": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1"}


@needs("libfaketime")
def test_in_1970_it_is_dark_and_says_so_until_a_phone_gives_the_time(tmp_path: Path) -> None:
    with broken_evening(tmp_path, "127.0.74.2", start=False) as broken, both(broken, in_1970()):
        evening = broken.evening
        now = evening.now()
        assert now["at"].startswith("1970-01-0")
        assert (now["state"], now["brightness"], now["clock"]["trusted"]) == ("no-clock", 0.0, False)
        assert "cannot be" in now["reasons"][0]["text"]
        assert "from a signed-in phone" in broken.troubles("clock")[0]["do"]
        code, problem = evening.ask("POST", "/api/overrides", {"kind": "call", "show": "evening"})
        assert (code, "cannot be" in problem["detail"]) == (409, True)
        assert evening.ask("POST", "/api/clock", {"utc": "soon"})[0] == 422
        assert evening.ask("POST", "/api/clock", {"utc": "2026-12-01T18:00:00"})[0] == 422
        broken.wait_until_black()
        assert not broken.lit()

        offset_ns = moved_to("2026-12-01T18:00")
        code, answer = evening.ask("POST", "/api/clock", {"utc": "2026-12-01T18:00:00Z"})
        assert (code, answer["trusted"], answer["by"]) == (200, True, "given")
        assert_right(broken.wait_until_lit(), broken.site, (), offset_ns)
        now = evening.now()
        assert (now["state"], now["at"][:15]) == ("playing", "2026-12-01T18:0")
        assert not broken.troubles("clock")
        assert broken.says("the time was given by this machine", "clock")


@needs("libfaketime")
def test_run_does_not_promise_what_a_clock_of_1970_will_not_give(tmp_path: Path) -> None:
    """What `gloaming run` says before it starts anything."""
    write_site(tmp_path, "127.0.74.3", ALL_NIGHT)
    command = [sys.executable, "-m", "gloaming.api.cli.run", str(tmp_path), str(tmp_path / "state")]
    done = subprocess.run(command, env={**os.environ, **in_1970()}, capture_output=True, text=True, check=True)
    clear_away_what_the_dead_left()
    first, *others = done.stdout.splitlines()
    assert first.startswith("Pier Road boathouse: no-clock now; the clock says 1970-01-0")
    assert first.endswith("which cannot be; the show stays dark until the clock is right")
    assert not [line for line in others if line.startswith("next:")]
