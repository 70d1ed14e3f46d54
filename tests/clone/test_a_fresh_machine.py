"""README's two commands on a Debian that has python3, python3-venv and git alone."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest

from tests.boot.board import needs_a_machine
from tests.clone.fresh_root import TOP, FreshRoot, fresh_root
from tests.namespaces import outdoors
from tests.tools import RIGHTS, needs

pytestmark = [needs_a_machine, needs("git")]
INSTALLED_MIB = 200
IGNORED = (
    "tests/api/http/test_server.py",
    "tests/clone/test_the_package.py",
    "tests/daemon/planner/test_bad_boards.py",
    "tests/daemon/planner/test_faults.py",
    "tests/test_plain_checkout.py",
)
"""Some tests in these lack nothing here and take minutes: they run planners, fetch libraries or read all modules."""
COMMANDS = [line.strip() for line in (TOP / "README.md").read_text().splitlines() if "python3 -m venv" in line]


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FreshRoot]:
    with fresh_root(tmp_path_factory.mktemp("fresh")) as root:
        yield root


def mib(fresh: FreshRoot) -> int:
    """What the virtual environment takes on the disk."""
    return int(fresh.run("du -sm .venv").stdout.split()[0])


def test_the_first_command_plays_the_demonstration_and_takes_no_more_than_200_mb(fresh: FreshRoot) -> None:
    assert [line.rpartition(".venv/bin/")[2] for line in COMMANDS] == ["gloaming demo", "python -m tests.run"]
    begin = time.monotonic()
    with outdoors():
        done = fresh.run(f"{COMMANDS[0]} --for 5")
    print(f"first command: {time.monotonic() - begin:.0f} s with 5 s of the demonstration")
    assert done.returncode == 0, done.stdout
    assert re.search(r"packets sent [1-9]\d*, packets received [1-9]\d*, packets lost 0", done.stdout), done.stdout
    (unheard,) = [line for line in done.stdout.splitlines() if "PortAudio" in line]
    assert "apt-get install libportaudio2" in unheard
    print(f"installed: {mib(fresh)} MB")
    assert mib(fresh) <= INSTALLED_MIB


def test_the_second_command_skips_what_this_machine_lacks_and_names_each_package(fresh: FreshRoot) -> None:
    """Those tests alone that need a tool; that no other test does, tests/conftest.py sees to on every machine."""
    install, _, tests = COMMANDS[1].rpartition(" && ")
    begin = time.monotonic()
    with outdoors():
        done = fresh.run(f"export PIP_NO_COMPILE=1 && {install}")  # what the tests do not import is not compiled
    assert done.returncode == 0, done.stdout
    print(f"second command: {time.monotonic() - begin:.0f} s to install {mib(fresh)} MB")
    ignored = " ".join(f"--ignore={each}" for each in IGNORED)
    done = fresh.run(f"{tests} -m needs --assert=plain {ignored}")  # collecting takes half the time
    last = done.stdout.splitlines()[-1]
    print(last)
    assert re.fullmatch(r"\d+ passed, \d+ skipped, \d+ deselected in .*", last), done.stdout
    skipped = [line for line in done.stdout.splitlines() if line.startswith("SKIPPED")]
    for_a_tool = [line for line in skipped if re.search(r"no [\w, -]+ here: apt-get install [\w -]+$", line)]
    assert len(for_a_tool) > 10
    rest = [line for line in skipped if line not in for_a_tool]
    assert all(line.endswith(RIGHTS["user namespaces"]) for line in rest), rest
