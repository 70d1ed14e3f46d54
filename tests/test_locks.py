"""What is pinned agrees with what pyproject.toml asks for; systemd/lock pins it anew."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement

from tests.places import TOP

PYPROJECT = tomllib.loads((TOP / "pyproject.toml").read_text())
EXTRAS = PYPROJECT["project"]["optional-dependencies"]
BOARD = [*PYPROJECT["project"]["dependencies"], *EXTRAS["board"]]
BUILD = [*PYPROJECT["dependency-groups"]["build"], *PYPROJECT["build-system"]["requires"]]
TEST = [*PYPROJECT["project"]["dependencies"], *EXTRAS["test"], *BUILD]
PYTHONS = ("3.11", "3.13")


def pinned(name: str, python: str) -> Iterator[tuple[str, str, int]]:
    """Each package of a lock that a Python on a board needs: name, version, number of hashes."""
    for entry in re.split(
        r"^(?=\S)", re.sub(r"^ *#.*\n", "", (TOP / name).read_text(), flags=re.MULTILINE), flags=re.M
    ):
        if not entry:
            continue
        found = re.match(r"([a-z0-9-]+)==(\S+)(?: ; (.*?))? \\\n", entry)
        assert found, f"{name}: {entry}"
        if not found[3] or Marker(found[3]).evaluate({"python_full_version": f"{python}.0", "python_version": python}):
            yield found[1], found[2], entry.count("--hash=sha256:")


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize(
    ("lock", "asked"), [("systemd/board.lock", BOARD), ("systemd/build.lock", BUILD), ("tests/test.lock", TEST)]
)
def test_all_that_is_asked_for_is_pinned_with_hashes(lock: str, asked: list[str], python: str) -> None:
    versions = {name: version for name, version, hashes in pinned(lock, python) if hashes}
    assert len(versions) == len(list(pinned(lock, python)))
    for requirement in map(Requirement, asked):
        version = versions.get(re.sub(r"[-_.]+", "-", requirement.name).lower(), "none")
        assert version != "none" and requirement.specifier.contains(version), (
            f"{requirement}: {version}; run systemd/lock"
        )


@pytest.mark.parametrize("python", PYTHONS)
def test_the_tests_run_with_the_board_s_versions(python: str) -> None:
    assert set(pinned("systemd/board.lock", python)) <= set(pinned("tests/test.lock", python))


def test_one_list_serves_every_python_on_a_board() -> None:
    """A package may be built by another Python than the board has, and pip judges conditions by the one that builds."""
    assert not re.search(r"^\S+==.*python_(full_)?version", (TOP / "systemd/board.lock").read_text(), re.MULTILINE)


def test_no_address_of_a_registry_is_written_down() -> None:
    for lock in ("systemd/board.lock", "systemd/build.lock", "tests/test.lock"):
        assert "://" not in (TOP / lock).read_text()
