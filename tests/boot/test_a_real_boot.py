"""A board from power to light: a Debian root, booted, the package installed as the README says, then trouble."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.boot.board import PLANNER, TRANSMITTER, ZONE, Board, needs_a_machine, put_site
from tests.boot.container import PYTHON, STREET, STREET_ADDRESS, Machine, cut_cable, lay_cable, run, socket_in, wait_for
from tests.boot.street import Street
from tests.daemon.numbered import FPS, LATE_FRAMES, assert_none_missed, assert_right, name_of
from tests.namespaces import outdoors
from tests.places import TOP

pytestmark = needs_a_machine


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    folder = tmp_path_factory.mktemp("boot")
    packages = build_packages(folder)
    lay_cable()
    machine = Machine(folder)
    street = Street(socket_in(STREET, STREET_ADDRESS))
    try:
        machine.power_on()
        shutil.copy(packages[0], machine.root / "root")
        yield Board(machine, street, folder)
    finally:
        street.close()
        machine.scrap()
        cut_cable()


def build_packages(folder: Path) -> tuple[Path, Path]:
    """The package, and a later one in which a file of the transmitter is another."""
    environment = {**os.environ, "GLOAMING_BUILD": "1", "GLOAMING_PACK": "1"}
    command = [str(TOP / "systemd/build-deb"), "--python", PYTHON, "--out", str(folder)]
    with outdoors():
        built = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    first = Path(built.stdout.strip())
    tree = folder / "later"
    run("dpkg-deb", "--raw-extract", str(first), str(tree))
    control = tree / "DEBIAN/control"
    control.write_text(control.read_text().replace("+1\n", "+2\n"))
    (player,) = tree.glob("usr/lib/gloaming/lib/*/site-packages/gloaming/daemon/transmitter/player.py")
    player.write_text(player.read_text() + "# another\n")
    second = folder / first.name.replace("+1_", "+2_")
    run("dpkg-deb", "--root-owner-group", "-Zzstd", "-z1", "--build", str(tree), str(second))
    shutil.rmtree(tree)
    return first, second


def test_the_package_installs_as_the_readme_says_and_the_street_sees_the_opening(board: Board) -> None:
    words = (TOP / "systemd" / "README.md").read_text()
    for words_of_the_readme in ("apt-get install ./gloaming_*.deb", "cp -r site/. /etc/gloaming/site/"):
        assert words_of_the_readme in words
    board.machine.inside("sh", "-c", "cd /root && apt-get install -y ./gloaming_*.deb")
    put_site(board, opens_in_s=30, site='[clock]\ntrust = "plausible"\n\n')
    board.machine.inside("sh", "-c", "cd /root && cp -r site/. /etc/gloaming/site/")
    board.machine.inside("systemctl", "start", PLANNER)
    lit = board.wait_until_lit(0)
    assert_none_missed(lit)
    assert_right(lit[:: FPS // 4], board.site(), board.overrides("opening"))
    assert name_of(lit[0]) == "tide" and lit[0].frame <= LATE_FRAMES, "the first piece is lit from its beginning on"


def test_the_units_grant_little_and_the_real_time_to_the_transmitter_alone(board: Board) -> None:
    answer = board.machine.inside("systemd-analyze", "security", "--json=short", "--no-pager", PLANNER, TRANSMITTER)
    exposures = json.loads(answer.splitlines()[-1])
    print({one["unit"]: one["exposure"] for one in exposures})
    assert {one["unit"] for one in exposures} == {PLANNER, TRANSMITTER}
    assert all(float(one["exposure"]) <= 2.0 for one in exposures)
    for unit, priority, memory in ((TRANSMITTER, "40", "infinity"), (PLANNER, "0", None)):
        assert board.machine.inside("systemctl", "show", "-P", "LimitRTPRIO", unit).strip() == priority
        memory_limit = board.machine.inside("systemctl", "show", "-P", "LimitMEMLOCK", unit).strip()
        assert (memory_limit == "infinity") == (memory is not None)
        status = (board.machine.inside("cat", f"/proc/{board.pid(unit)}/status")).splitlines()
        assert "CapEff:\t0000000000000000" in status
        assert "NoNewPrivs:\t1" in status


def test_the_site_is_read_again_at_a_reload_and_no_frame_is_missed(board: Board) -> None:
    begin_ns = time.time_ns()
    path = board.machine.root / "etc/gloaming/site/site.toml"
    closes = f"{datetime.now(ZONE) + timedelta(hours=2):%H:%M}"
    board.machine.inside("sed", "-i", f's/^to = .*/to = "{closes}"/', "/etc/gloaming/site/site.toml")
    assert f'to = "{closes}"' in path.read_text()
    board.machine.inside("systemctl", "reload", PLANNER)
    wait_for(lambda: f"closes {closes}" in str(board.now()["reasons"]), "the new closing is not taken over")
    board.wait_until_lit(begin_ns)
    assert_none_missed(board.street.since(begin_ns))


def test_a_command_of_the_site_runs_without_access_to_the_state_and_the_socket(board: Board) -> None:
    writes = "! touch /etc/gloaming/site/new && ! sh -c 'echo >> /etc/gloaming/site/site.toml'"
    look = f"! ls /var/lib/gloaming && ! ls /run/gloaming && {writes} && test $(id -un) = gloaming"
    path = board.machine.root / "etc/gloaming/site/site.toml"
    before = path.read_text()
    path.write_text(f'{before}\n[[hook]]\nat = "opening"\ncommand = ["/bin/sh", "-c", "{look}"]\n')
    board.machine.inside("systemctl", "reload", PLANNER)

    def told() -> list[str]:
        return [str(row["text"]) for row in json.loads(board.machine.inside("gloaming", "journal", "--json"))]

    wait_for(lambda: "hook /bin/sh at opening" in told(), "the command was not carried out")
    assert f"the command /bin/sh -c {look} runs as gloaming, without access to Gloaming's state" in told()
    path.write_text(before)
    board.machine.inside("systemctl", "reload", PLANNER)


SAVE = """
import json, pathlib, urllib.request
token = pathlib.Path("/var/lib/gloaming/token").read_text().strip()
headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
def ask(method, body=None):
    asked = urllib.request.Request("http://127.0.0.1:8080/api/setup/site", body, headers, method=method)
    return json.load(urllib.request.urlopen(asked, timeout=60))
read = ask("GET")
read["files"]["site.toml"] += "\\n# saved over HTTP\\n"
print(json.dumps(ask("PUT", json.dumps({"files": read["files"], "version": read["version"]}).encode())))
"""


def test_the_site_is_saved_over_http_and_no_frame_is_missed(board: Board) -> None:
    begin_ns, path = time.time_ns(), board.machine.root / "etc/gloaming/site/site.toml"
    before = path.read_text()
    saved = json.loads(board.machine.inside("python3", "-c", SAVE))
    assert (saved["taken_over"], saved["errors"]) == (True, [])
    assert path.read_text() == f"{before}\n# saved over HTTP\n"
    board.wait_until_lit(begin_ns)
    assert_none_missed(board.street.since(begin_ns))
    text = "the site was read again and is used now: saved by this machine"
    assert text in [row["text"] for row in json.loads(board.machine.inside("gloaming", "journal", "--json"))]


def test_a_stopped_planner_is_brought_back_by_the_watchdog_and_no_frame_is_missed(board: Board) -> None:
    begin_ns, before = time.time_ns(), board.pid(PLANNER)
    board.machine.inside("systemctl", "kill", "--kill-whom=main", "-s", "STOP", PLANNER)
    wait_for(lambda: board.pid(PLANNER) not in (0, before) and board.answers(), "the planner is not brought back")
    print(f"stopped to answering: {(time.time_ns() - begin_ns) / 1e9:.1f} s, of which the watchdog waits 5 s")
    board.wait_until_lit(time.time_ns())
    packets = board.street.since(begin_ns)
    assert_none_missed(packets)
    assert_right(packets[::FPS], board.site(), board.overrides("watchdog"))


def test_the_installer_leaves_a_board_with_the_package_alone(board: Board) -> None:
    copy = board.machine.root / "root/source/systemd"
    copy.mkdir(parents=True)
    for each in ("board", "install"):
        shutil.copy(TOP / "systemd" / each, copy)
    for way in ("", "--remove"):
        said = board.machine.inside("sh", "-c", f"! /root/source/systemd/install {way} 2>&1")
        assert said.count("\n") == 1
        assert "the Debian package is installed here" in said


def test_an_upgrade_during_a_performance_misses_no_frame(board: Board) -> None:
    begin_ns = time.time_ns()
    planner, transmitter = board.pid(PLANNER), board.pid(TRANSMITTER)
    shutil.copy(next(board.folder.glob("*+2_*.deb")), board.machine.root / "root/later.deb")
    board.machine.inside("apt-get", "install", "-y", "/root/later.deb")
    wait_for(board.answers, "the new planner does not answer")
    board.wait_until_lit(time.time_ns())
    assert board.pid(PLANNER) != planner
    assert board.pid(TRANSMITTER) == transmitter, "a transmitter with light on the wire is left alone"
    packets = board.street.since(begin_ns)
    assert_none_missed(packets)
    assert_right(packets[::FPS], board.site(), board.overrides("upgrade"))


def test_the_transmitter_is_upgraded_too_as_soon_as_nothing_is_lit(board: Board) -> None:
    before = board.pid(TRANSMITTER)
    board.machine.inside("gloaming", "dark", "5")
    wait_for(lambda: board.pid(TRANSMITTER) not in (0, before), "the old transmitter goes on in the dark")
    wait_for(lambda: board.now()["health"]["ok"], "the new transmitter does not answer")
    begin_ns = time.time_ns()
    board.machine.inside("gloaming", "resume")
    assert_right(board.wait_until_lit(begin_ns)[:: FPS // 4], board.site(), board.overrides("renewed"))


def test_after_a_power_cut_in_mid_piece_the_right_frame_of_the_right_piece_comes_back(board: Board) -> None:
    board.wait_until_lit(time.time_ns())
    board.machine.power_cut()
    begin_ns = time.time_ns()
    board.machine.power_on()
    lit = board.wait_until_lit(begin_ns)
    print(f"power to the first frame: {(lit[0].at_ns - begin_ns) / 1e9:.2f} s")
    assert_right(lit, board.site(), board.overrides("power"))
    assert_none_missed(lit)


def test_a_pause_survives_a_power_cut_and_ends_where_it_was(board: Board) -> None:
    board.machine.inside("gloaming", "pause", "30")
    wait_for(lambda: board.street.packets[-1].black, "the pause does not reach the wire")
    board.machine.power_cut()
    begin_ns = time.time_ns()
    board.machine.power_on()
    wait_for(board.answers, "the planner does not answer")
    wait_for(lambda: len(board.street.since(begin_ns)) > 3, "nothing is sent")
    assert board.now()["state"] == "paused"
    assert not board.street.lit(begin_ns)
    board.machine.inside("gloaming", "resume")
    lit = board.wait_until_lit(begin_ns)
    assert_right(lit[:: FPS // 4], board.site(), board.overrides("resumed"))


def test_a_power_cut_with_a_mistake_in_the_site_brings_back_the_show_as_it_was(board: Board) -> None:
    """An edit with a typing mistake on a Friday, the power away on a Saturday, and nobody there."""
    site, path = board.site(), board.machine.root / "etc/gloaming/site/site.toml"
    whole = path.read_text()
    board.wait_until_lit(time.time_ns())
    board.machine.inside("sed", "-i", "s/^to = /too = /", "/etc/gloaming/site/site.toml")
    wait_for(lambda: not board.now()["health"]["ok"], "the mistake is not said")
    board.machine.power_cut()
    begin_ns = time.time_ns()
    board.machine.power_on()
    assert_right(board.wait_until_lit(begin_ns)[:: FPS // 4], site, board.overrides("mistaken"))
    troubles = board.now()["health"]["troubles"]
    assert any(one["kind"] == "site" and "too" in one["text"] for one in troubles), troubles
    path.write_text(whole)
    wait_for(lambda: "site" not in {one["kind"] for one in board.now()["health"]["troubles"]}, "it is not put right")


def test_a_site_on_a_stick_that_is_mounted_after_the_boot_plays(board: Board) -> None:
    """At first nothing is known of it, then what is known is from the time before."""
    site, root = board.site(), board.machine.root
    folder, stick = root / "etc/gloaming/site", root / "srv/stick"
    board.machine.power_cut()
    folder.rename(stick)
    folder.mkdir()
    shutil.rmtree(root / "var/lib/gloaming/last-good")
    for kept in (False, True):
        begin_ns = time.time_ns()
        board.machine.power_on()
        if kept:
            wait_for(board.answers, "the planner does not answer")
        else:
            wait_for(
                lambda: "waits" in board.machine.inside("systemctl", "show", "-P", "StatusText", PLANNER), "no wait"
            )
        assert not board.street.lit(begin_ns)
        board.machine.inside("mount", "--bind", "/srv/stick", "/etc/gloaming/site")
        mounted_ns = time.time_ns()
        lit = board.wait_until_lit(mounted_ns)
        print(f"mounted to the first frame: {(lit[0].at_ns - mounted_ns) / 1e9:.2f} s")
        assert_right(lit[:: FPS // 4], site, board.overrides(f"stick-{kept}"))
        board.machine.power_cut()
    shutil.rmtree(folder)  # the folders that systemd-tmpfiles makes
    stick.rename(folder)
    board.machine.power_on()
    wait_for(board.answers, "the planner does not answer")


def test_a_backup_restores_an_emptied_board_and_the_service_may_use_it(board: Board) -> None:
    board.machine.inside("gloaming", "backup", "/root/board.tar.zst")
    said = board.machine.inside("sh", "-c", "! gloaming restore /root/board.tar.zst --replace 2>&1")
    assert "end it first: systemctl stop gloaming-planner" in said
    site, overrides = board.site(), board.overrides("backup")
    board.machine.inside("sh", "-c", "systemctl stop gloaming-planner && rm -rf /etc/gloaming/site /var/lib/gloaming/*")
    assert "start it: systemctl start gloaming-planner" in board.machine.inside(
        "gloaming", "restore", "/root/board.tar.zst"
    )
    owners = board.machine.inside("find", "/etc/gloaming/site", "/var/lib/gloaming", "-printf", "%u:%g %M %p\n")
    assert [line for line in owners.splitlines() if not re.match("gloaming:gloaming .......--- ", line)] == []
    board.machine.inside("systemctl", "start", PLANNER)
    wait_for(board.answers, "the planner does not answer")
    lit = board.wait_until_lit(time.time_ns())
    assert_right(lit[:: FPS // 4], site, overrides)


def test_a_purge_leaves_the_site_and_the_journal_and_nothing_else(board: Board) -> None:
    said = board.machine.inside("apt-get", "purge", "-y", "gloaming")
    (kept,) = re.findall(r"the season's journal is kept in (/etc/gloaming/journal-\S+\.jsonl)", said)
    lines = board.machine.inside("cat", kept).splitlines()
    assert any("the planner has started" in json.loads(line)["text"] for line in lines)
    left = board.machine.inside(
        "find", "/etc", "/usr", "/var/lib", "/run", "/home", "-iname", "*gloaming*", "-not", "-path", "/var/lib/dpkg/*"
    )
    assert left.split() == ["/etc/gloaming"]
    assert board.site().name == "Pier Road boathouse"
    assert "gloaming" not in board.machine.inside("cat", "/etc/passwd", "/etc/group", "/etc/shadow")
    assert board.street.since(0)[-1].terminated or board.street.since(0)[-1].black
