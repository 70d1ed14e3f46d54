"""A board without a package: `systemd/install` from an unpacked source archive, its refusals, and what can go wrong."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.boot.board import PLANNER, TRANSMITTER, Board, needs_a_machine, put_site
from tests.boot.container import (
    BOX,
    BOX_ADDRESS,
    PYTHON,
    STREET,
    STREET_ADDRESS,
    Machine,
    cut_cable,
    lay_cable,
    run,
    socket_in,
    wait_for,
)
from tests.boot.street import Street
from tests.daemon.numbered import FPS, assert_none_missed, assert_right
from tests.namespaces import outdoors
from tests.places import TOP

LIBRARIES = f"usr/lib/gloaming/lib/python{PYTHON}/site-packages"
INSTALL = "/root/source/systemd/install --wheels /root/wheels"
SOURCE = ("pyproject.toml", "README.md", "LICENSE", "shows", "daemon", "api", "systemd")
PLATFORMS = ("manylinux2014_x86_64", "manylinux_2_26_x86_64", "manylinux_2_27_x86_64", "manylinux_2_28_x86_64")

pytestmark = needs_a_machine


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    folder = tmp_path_factory.mktemp("installer")
    lay_cable()
    machine = Machine(folder)
    street = Street(socket_in(STREET, STREET_ADDRESS))
    try:
        lay_source(machine.root / "root")
        yield Board(machine, street, folder)
    finally:
        street.close()
        machine.scrap()
        cut_cable()


def lay_source(home: Path) -> None:
    """An unpacked source archive, and wheels beside it."""
    (home / "source").mkdir()
    for name in SOURCE:
        if (TOP / name).is_dir():
            shutil.copytree(TOP / name, home / "source" / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(TOP / name, home / "source")
    fetch_wheels(home / "wheels")


def fetch_wheels(folder: Path) -> None:
    """What the machine's Python needs, since it has no way to the internet."""
    platforms = [word for each in PLATFORMS for word in ("--platform", each)]
    locks = [word for each in ("board", "build") for word in ("-r", str(TOP / f"systemd/{each}.lock"))]
    pip = [sys.executable, "-m", "pip", "download", "-qq", "--only-binary=:all:", "--require-hashes"]
    with outdoors():
        run(*pip, "--python-version", PYTHON, *platforms, "--dest", str(folder), *locks)


def refused(board: Board, how: str) -> str:
    """The one line with which it refuses."""
    said = board.machine.inside("sh", "-c", f"! unshare --mount sh -ec '{how}' 2>&1")
    lines = [line for line in said.splitlines() if not line.startswith("install: fetching")]
    assert len(lines) == 1, said
    assert lines[0].startswith("install: ")
    return lines[0]


def left(board: Board) -> list[str]:
    """What is there that bears the name."""
    places = ("/etc", "/usr", "/var/lib", "/run", "/home", "/tmp", "/var/tmp", "/root/.cache")
    found = board.machine.inside("sh", "-c", f"find {' '.join(places)} -iname '*gloaming*' 2>/dev/null; true")
    return found.split()


def test_what_stands_in_its_way_is_said_in_one_line(board: Board) -> None:
    """Mounts of namespaces of their own stand for boards that lack something."""
    said = subprocess.run(
        ["chroot", str(board.machine.root), "/root/source/systemd/install"], capture_output=True, text=True, check=False
    )
    assert (said.returncode, "systemd does not run here" in said.stderr) == (1, True)
    board.machine.power_on()
    assert "only root" in refused(board, f"chmod a+x /root; setpriv --reuid 65534 --clear-groups {INSTALL}")
    old = r'printf "#!/bin/sh\n[ \$1 = -V ] && echo Python 3.9.2\n" >/tmp/old; chmod 755 /tmp/old'
    assert "Python 3.9.2 is too old" in refused(board, f"{old}; mount --bind /tmp/old /usr/bin/python3; {INSTALL}")
    no_venv = f"mount -t tmpfs none /usr/lib/python{PYTHON}/ensurepip"
    assert "apt-get install -y python3-venv" in refused(board, f"{no_venv}; {INSTALL}")
    full = "mount -t tmpfs -o size=20M none /mnt; mkdir /mnt/u /mnt/w; mount -t overlay none"
    full += " -o lowerdir=/usr/lib,upperdir=/mnt/u,workdir=/mnt/w /usr/lib"
    assert "the disk is full" in refused(board, f"{full}; {INSTALL}")
    assert "read-only" in refused(board, f"mount -o bind,ro /usr/lib /usr/lib; {INSTALL}")
    assert "another installation is running" in refused(board, f"flock /usr/lib {INSTALL}")
    network = "PIP_RETRIES=1 PIP_INDEX_URL=https://192.0.2.21/simple /root/source/systemd/install"
    assert "no network" in refused(board, network)
    another = "cp -r /root/wheels /tmp/wheels; echo | tee -a /tmp/wheels/segno-*.whl >/dev/null"
    said = refused(board, f"{another}; /root/source/systemd/install --wheels /tmp/wheels")
    assert "segno==" in said and "board.lock" in said
    assert left(board) == []


def test_over_an_installation_that_went_half_away_it_installs_and_the_street_sees_the_opening(board: Board) -> None:
    """What is left of that: a folder, and one of the units, whose process has outlived its files."""
    stale = board.machine.root / LIBRARIES / "stale.py"
    stale.parent.mkdir(parents=True)
    stale.touch()
    unit = board.machine.root / "usr/lib/systemd/system" / PLANNER
    unit.write_text("[Service]\nExecStart=/usr/bin/sleep infinity\n\n[Install]\nWantedBy=multi-user.target\n")
    board.machine.inside("systemctl", "enable", "--quiet", "--now", PLANNER)
    outlived = board.pid(PLANNER)
    assert "    systemd/install\n" in (TOP / "systemd" / "README.md").read_text()
    assert "install: done" in board.machine.inside("sh", "-c", INSTALL)
    wait_for(lambda: board.pid(PLANNER) != outlived, "what is no more plays on")
    assert not stale.exists()
    put_site(board, site='[clock]\ntrust = "plausible"\nset = true\n\n[phone]\nlisten = "192.0.2.10:8080"\n\n')
    words = (TOP / "systemd" / "README.md").read_text()
    begin = words.index("    cp -r site/. /etc/gloaming/site/")
    board.machine.inside("sh", "-c", "umask 022; cp /root/site/site.toml /etc/gloaming/site/")
    careful = "cd /root; chmod -R go= site; umask 077\n"  # a site with secrets in it
    board.machine.inside("sh", "-ec", careful + words[begin : words.index("    gloaming now", begin)])
    for_all = board.machine.inside("find", "/etc/gloaming/site", "-perm", "/o=rwx")
    assert not for_all, "a site may have secrets in it"
    lit = board.wait_until_lit(0)
    assert_none_missed(lit)
    assert_right(lit[:: FPS // 4], board.site(), board.overrides("opening"))
    answer = board.machine.inside("systemd-analyze", "security", "--json=short", "--no-pager", PLANNER, TRANSMITTER)
    assert all(float(one["exposure"]) <= 2.0 for one in json.loads(answer.splitlines()[-1]))


def entries(board: Board, *which: str) -> list[dict[str, str]]:
    """What journald has, each with its fields."""
    said = board.machine.inside("journalctl", "--no-pager", "-o", "json", *which)
    return [json.loads(line) for line in said.splitlines()]


def test_journald_has_levels_and_fields(board: Board) -> None:
    (start,) = entries(board, "-u", PLANNER, "GLOAMING_KIND=start")
    assert (start["PRIORITY"], start["SYSLOG_IDENTIFIER"], start["_COMM"]) == ("5", "gloaming-planner", "python3")
    assert "Pier Road boathouse" in start["MESSAGE"]
    playing = entries(board, "GLOAMING_KIND=playing")
    assert {(one["PRIORITY"], one["GLOAMING_SHOW"]) for one in playing} == {("6", "evening")}
    assert playing[0]["GLOAMING_PIECE"] == "tide"
    board.machine.inside("systemctl", "kill", "--kill-whom=main", "-s", "KILL", TRANSMITTER)
    wait_for(lambda: entries(board, "-u", PLANNER, "-p", "warning", "GLOAMING_KIND=restart"), "no word of the restart")


def test_what_the_readme_gives_for_buttons_grants_input_devices_alone(board: Board) -> None:
    words = (TOP / "systemd" / "README.md").read_text()
    (command,) = [line.strip() for line in words.splitlines() if "doc/gloaming/input.conf" in line]
    board.machine.inside("groupadd", "--force", "--system", "input")  # as udev does, which this root has not
    board.machine.inside("sh", "-c", f"{command} && systemctl daemon-reload && systemctl restart {PLANNER}")
    wait_for(board.answers, "the planner does not answer")
    keys = "DeviceAllow,DevicePolicy,SupplementaryGroups"
    shown = board.machine.inside("systemctl", "show", "-p", keys, PLANNER).splitlines()
    assert set(shown) == {"DeviceAllow=char-input r", "DevicePolicy=closed", "SupplementaryGroups=input"}
    answer = board.machine.inside("systemd-analyze", "security", "--json=short", "--no-pager", PLANNER, TRANSMITTER)
    (granted,) = [float(one["exposure"]) for one in json.loads(answer.splitlines()[-1]) if one["unit"] == PLANNER]
    print(f"exposure with input.conf: {granted}")
    assert granted <= 2.4, "0.3 of it are the devices and the group"
    status = board.machine.inside("cat", f"/proc/{board.pid(PLANNER)}/status").splitlines()
    (groups,) = [line.split()[1:] for line in status if line.startswith("Groups:")]
    assert board.machine.inside("getent", "group", "input").split(":")[2] in groups
    board.machine.inside("sh", "-c", f"rm {command.split()[-1]} && systemctl daemon-reload")


def test_it_upgrades_during_a_performance_and_misses_no_frame(board: Board) -> None:
    board.wait_until_lit(time.time_ns())
    begin_ns = time.time_ns()
    planner, transmitter = board.pid(PLANNER), board.pid(TRANSMITTER)
    player = board.machine.root / "root/source/daemon/transmitter/player.py"
    player.write_text(player.read_text() + "# another\n")
    assert "upgraded" in board.machine.inside("sh", "-c", INSTALL)
    wait_for(lambda: board.pid(PLANNER) not in (0, planner) and board.answers(), "the new planner does not answer")
    board.wait_until_lit(time.time_ns())
    assert board.pid(TRANSMITTER) == transmitter, "a transmitter with light on the wire is left alone"
    packets = board.street.since(begin_ns)
    assert_none_missed(packets)
    assert_right(packets[::FPS], board.site(), board.overrides("upgrade"))
    (gone,) = entries(board, "-u", TRANSMITTER, "-p", "warning", "GLOAMING_KIND=restart")
    assert "the planner is gone" in gone["MESSAGE"]
    laid = (
        board.machine.root / f"usr/lib/gloaming/lib/python{PYTHON}/site-packages/gloaming/daemon/transmitter/player.py"
    )
    assert laid.read_text().endswith("# another\n")


def test_the_package_leaves_a_board_with_the_installer_s_alone(board: Board) -> None:
    """Its first script, as build-deb makes it."""
    script = "set -e\n" + "".join((TOP / "systemd" / each).read_text() for each in ("board", "deb/preinst"))
    (board.machine.root / "root/preinst").write_text(script)
    said = board.machine.inside("sh", "-c", "! sh /root/preinst install 2>&1")
    assert said.count("\n") == 1
    assert "/usr/lib/gloaming/systemd/install --remove" in said


def test_without_an_address_with_a_read_only_root_and_another_owner_s_state_it_begins_when_it_can(board: Board) -> None:
    """As the README has it: the state on a partition of its own."""
    asked = board.overrides("late")
    board.machine.power_cut()
    run("ip", "-n", BOX, "address", "flush", "dev", "gl0")
    state, mounted = board.folder / "state", board.machine.root / "var/lib/gloaming"
    shutil.move(mounted, state)
    mounted.mkdir()
    run("chown", "-R", "4242:4242", str(state))
    begin_ns = time.time_ns()
    board.machine.power_on("--read-only", f"--bind={state}:/var/lib/gloaming")
    wait_for(lambda: board.machine.inside("systemctl", "is-active", "--quiet", PLANNER, ok=True), "it waits for ever")
    assert not board.machine.inside("touch", "/usr/lib/gloaming/mark", ok=True)
    assert "read-only" in refused(board, INSTALL)
    assert not board.street.since(begin_ns)
    run("ip", "-n", BOX, "address", "add", f"{BOX_ADDRESS}/24", "dev", "gl0")
    assert_right(board.wait_until_lit(begin_ns), board.site(), asked)
    wait_for(board.answers, "the page is not there, though its address is")
    owners = board.machine.inside("stat", "-c", "%U", "/var/lib/gloaming", "/var/lib/gloaming/state.db").split()
    assert owners == ["gloaming", "gloaming"]
    assert "disk" not in [trouble["kind"] for trouble in board.now()["health"]["troubles"]]
    board.machine.power_cut()
    shutil.rmtree(mounted)
    shutil.move(state, mounted)
    board.machine.power_on()


def test_a_board_that_does_not_permit_its_clock_to_be_set_says_so_in_one_line(board: Board) -> None:
    """The time that it is anyway, to a planner without any capability: the machine's clock is in no danger. A person's
    time is taken since the card has seen a later one."""
    board.machine.power_cut()
    with closing(sqlite3.connect(board.machine.root / "var/lib/gloaming/state.db")) as state, state:
        state.execute("DELETE FROM fact WHERE name = 'clock_trusted_boot'")
        newest = "INSERT OR REPLACE INTO fact (name, value) VALUES ('clock_newest_ns', ?)"
        state.execute(newest, (str(time.time_ns() + 86_400 * 10**9),))
    board.machine.power_on()
    wait_for(board.answers, "the planner does not answer")
    status = board.machine.inside("cat", f"/proc/{board.pid(PLANNER)}/status").splitlines()
    assert "CapBnd:\t0000000000000000" in status
    token = board.machine.inside("cat", "/var/lib/gloaming/token").strip()
    request = (
        "import datetime as d, json, sys, urllib.request as u; r = u.Request('http://192.0.2.10:8080/api/clock', "
        "json.dumps({'utc': d.datetime.now(d.UTC).isoformat()}).encode(), {'Content-Type': 'application/json', "
        "'Authorization': 'Bearer ' + sys.argv[1]}); print(u.urlopen(r).read().decode())"
    )
    answer = json.loads(board.machine.inside("python3", "-c", request, token))
    assert answer["by"] == "given"
    assert answer["text"].endswith("the board's clock could not be set (Operation not permitted) and stays as it is")
    given = datetime.fromisoformat(answer["at"])
    assert abs((given - datetime.now(UTC)).total_seconds()) < 60
    filter_of_calls = board.machine.inside("systemctl", "show", "-P", "SystemCallFilter", PLANNER).split()
    assert {"adjtimex", "clock_adjtime"} <= set(filter_of_calls), "the kernel may be asked"
    assert not {"clock_settime", "settimeofday"} & set(filter_of_calls)


def test_what_the_readme_gives_so_that_the_clock_may_be_set_grants_that_alone(board: Board) -> None:
    """Looked at, never run: this would be the machine's own clock."""
    words = (TOP / "systemd" / "README.md").read_text()
    (command,) = [line.strip() for line in words.splitlines() if "doc/gloaming/clock.conf" in line]
    board.machine.inside("sh", "-c", f"{command} && systemctl daemon-reload")
    shown = board.machine.inside("systemctl", "show", "-p", "AmbientCapabilities,SystemCallFilter", PLANNER).split()
    assert "AmbientCapabilities=cap_sys_time" in shown
    assert {"adjtimex", "clock_settime"} <= set(shown)
    answer = board.machine.inside("systemd-analyze", "security", "--json=short", "--no-pager", PLANNER, TRANSMITTER)
    (granted,) = [float(one["exposure"]) for one in json.loads(answer.splitlines()[-1]) if one["unit"] == PLANNER]
    print(f"exposure with clock.conf: {granted}")
    assert granted <= 2.5, "0.5 of it are the namespaces in which a command of the site runs"


def test_it_is_removed_while_it_plays_and_leaves_the_site_and_the_journal_alone(board: Board) -> None:
    board.wait_until_lit(time.time_ns())
    said = board.machine.inside("/usr/lib/gloaming/systemd/install", "--remove")
    assert "the season's journal is kept in /etc/gloaming/journal-" in said
    assert left(board) == ["/etc/gloaming"]
    assert board.site().name == "Pier Road boathouse"
    assert "gloaming" not in board.machine.inside("cat", "/etc/passwd", "/etc/group", "/etc/shadow")
    assert board.street.packets[-1].terminated
    units = board.machine.inside(
        "systemctl", "list-units", "--all", "--plain", "--no-legend", "gloaming-*"
    ).splitlines()
    assert all("not-found inactive dead" in " ".join(unit.split()) for unit in units), "names that are still remembered"
    board.machine.inside("sh", "-c", "/root/source/systemd/install --remove")  # what is away may be removed
