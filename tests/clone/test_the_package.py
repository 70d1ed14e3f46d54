"""The package as it is built: two builds of a commit are equal, a file that is not the pinned one is refused, and what
is inside is listed."""

from __future__ import annotations

import gzip
import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.cli.test_completion import PLACES
from tests.clone.fresh_root import TOP, clone
from tests.namespaces import outdoors
from tests.test_docs import DOCS
from tests.tools import needs

pytestmark = needs("git")


def build(source: Path, *words: str, **environment: str) -> subprocess.Popen[str]:
    command = [source / "systemd/build-deb", *words, "--out", source / "dist"]
    settings = {**os.environ, "GLOAMING_PACK": "1", **environment}
    return subprocess.Popen(command, env=settings, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Path]]:
    """Two of one kind, built in two folders, under other circumstances; and one of the other kind, for both Pythons."""
    folder = tmp_path_factory.mktemp("packages")
    sources = [clone(folder / name) for name in ("here", "somewhere-else", "arm64")]
    with outdoors():
        running = [
            build(sources[0], "--python", "3.11"),
            build(sources[1], "--python", "3.11", TZ="Asia/Tokyo", LC_ALL="C.UTF-8"),
            build(sources[2], "--arch", "arm64"),
        ]
    ends = [each.communicate(timeout=900) for each in running]
    assert [each.returncode for each in running] == [0, 0, 0], ends
    yield [Path(printed.strip()) for printed, _ in ends]
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def trees(packages: list[Path]) -> list[Path]:
    """What one of each kind lays into /usr/share."""
    trees = [package.with_suffix(".tree") for package in (packages[0], packages[2])]
    for package, tree in zip((packages[0], packages[2]), trees, strict=True):
        tree.mkdir()
        extract = 'dpkg-deb --fsys-tarfile "$0" | tar -x -C "$1" ./usr/share'
        subprocess.run(["sh", "-c", extract, package, tree], check=True)
    return trees


def test_two_builds_of_a_commit_are_equal_byte_for_byte(packages: list[Path]) -> None:
    here, there, _ = packages
    assert here.name == there.name
    assert here.read_bytes() == there.read_bytes()


def test_what_is_inside_is_listed_and_is_what_is_pinned(packages: list[Path], trees: list[Path]) -> None:
    """CycloneDX 1.6 (ECMA-424): each library by its package URL."""
    pinned = re.findall(r"^(\S+)==(\S+)", (packages[0].parents[1] / "systemd/board.lock").read_text(), re.MULTILINE)
    for tree in trees:
        listed = json.loads((tree / "usr/share/doc/gloaming/gloaming.cdx.json").read_text())
        assert (listed["bomFormat"], listed["specVersion"]) == ("CycloneDX", "1.6")
        assert listed["metadata"]["component"]["name"] == "gloaming"
        assert {one["purl"] for one in listed["components"]} == {f"pkg:pypi/{name}@{of}" for name, of in pinned}
        pages = {str(page.relative_to(TOP)) for page in DOCS} - {"DEVELOPERS.md", "tests/bench/RESULTS.md"}
        assert [page for page in pages if not (tree / "usr/share/doc/gloaming" / page).is_file()] == []


def test_completion_and_the_man_page_are_inside_the_same_for_every_board(trees: list[Path]) -> None:
    places = ["man/man1/gloaming.1.gz", *PLACES.values()]
    inside = [[(tree / "usr/share" / place).read_bytes() for place in places] for tree in trees]
    assert inside[0] == inside[1]
    assert b".SH NAME" in gzip.decompress(inside[0][0])
    assert [b"rig-check" in text for text in inside[0][1:]] == [True] * 3


def test_a_library_whose_hash_is_not_the_pinned_one_is_not_built_in(tmp_path: Path) -> None:
    source = clone(tmp_path / "source")
    lock = source / "systemd/board.lock"
    lock.write_text(re.sub(r"(?<=--hash=sha256:)[0-9a-f]{64}", "0" * 64, lock.read_text()))
    with outdoors():
        running = build(source, "--python", "3.11")
    printed, said = running.communicate(timeout=600)
    assert running.returncode and not printed
    assert "DO NOT MATCH THE HASHES" in said
