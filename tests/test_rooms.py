"""The rooms and their arrows: shows knows nothing of ours, daemon knows shows, api knows both."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.places import TOP
from tests.tools import needs

MAY_IMPORT = {"shows": {"shows"}, "daemon": {"shows", "daemon"}, "api": {"shows", "daemon", "api"}}
INSIDE = {
    "timetable": {"timetable"},
    "score": {"score"},
    "service": {"service"},
    "site": {"timetable", "site", "service"},
    "direction": {"timetable", "score", "direction"},
    "transmitter": {"score", "service", "transmitter"},
}
"""Which rooms of the daemon a room of it may import."""
STANDS_ALONE = {
    "timetable": ("gloaming.shows.config_files.errors", "gloaming.shows.time_units"),
    "score": ("gloaming.shows.protocols.e131", "gloaming.shows.time_units"),
}
"""Which modules of shows a room of the daemon may import, where not all of them."""
FILES = [path for room in MAY_IMPORT for path in sorted((TOP / room).rglob("*.py"))]
TRANSMITTER_NEVER = ("pydantic", "fastapi", "starlette", "uvicorn", "astral", "apscheduler", "asyncio")


def imported(path: Path) -> Iterator[str]:
    """Every module named by an import anywhere in a file, relative imports resolved."""
    package = ("gloaming", *path.relative_to(TOP).with_suffix("").parts)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


def rooms_of(path: Path) -> set[str]:
    names = [name.split(".") for name in imported(path)]
    return {parts[1] for parts in names if parts[0] == "gloaming" and len(parts) > 1}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(TOP)))
def test_imports_point_one_way(path: Path) -> None:
    room = path.relative_to(TOP).parts[0]
    assert rooms_of(path) <= MAY_IMPORT[room]


def rooms_inside() -> list[Path]:
    """The files of those rooms of the daemon that have arrows of their own."""
    paths = [path.relative_to(TOP) for path in FILES if path.relative_to(TOP).parts[0] == "daemon"]
    return [path for path in paths if path.parts[1] in INSIDE]


@pytest.mark.parametrize("path", rooms_inside(), ids=str)
def test_imports_inside_the_daemon_point_one_way(path: Path) -> None:
    room, names = path.parts[1], set(imported(TOP / path))
    rooms = {name.split(".")[2] for name in names if name.startswith("gloaming.daemon.")}
    assert rooms <= INSIDE[room]
    shows = {name for name in names if name.startswith("gloaming.shows.")}
    assert {name for name in shows if not name.startswith(STANDS_ALONE.get(room, "gloaming."))} == set()


def modules() -> dict[str, set[str]]:
    """Each module of ours, and those that it imports anywhere: at the top, in a function, under TYPE_CHECKING."""
    names = {}
    for path in FILES:
        parts = path.relative_to(TOP).with_suffix("").parts
        names[".".join(("gloaming", *parts)).removesuffix(".__init__")] = path
    return {name: {one for one in imported(path) if one in names and one != name} for name, path in names.items()}


def circles(imports: dict[str, set[str]]) -> list[set[str]]:
    """The largest sets of modules in which each needs, by whatever way, each of the others."""

    def reached(name: str) -> set[str]:
        found: set[str] = set()
        ahead = [name]
        while ahead:
            new = imports[ahead.pop()] - found
            found |= new
            ahead += new
        return found

    after = {name: reached(name) for name in imports}
    sets = {frozenset(one for one in after[name] if name in after[one]) for name in imports}
    return sorted((set(one) for one in sets if one), key=sorted)


def test_modules_import_each_other_in_no_circle() -> None:
    """A type that is imported under TYPE_CHECKING is a need too."""
    assert circles(modules()) == []


def test_a_circle_of_imports_is_found_wherever_they_stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    texts = {
        "one": "from gloaming.shows.two import f\n",
        "two": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from gloaming.shows import three\n",
        "three": "def f():\n    import gloaming.shows.one\n",
        "four": "from gloaming.shows import one\n",
    }
    (tmp_path / "shows").mkdir()
    files = [tmp_path / "shows" / f"{name}.py" for name in texts]
    for path in files:
        path.write_text(texts[path.stem])
    monkeypatch.setattr(sys.modules[__name__], "TOP", tmp_path)
    monkeypatch.setattr(sys.modules[__name__], "FILES", files)
    assert circles(modules()) == [{f"gloaming.shows.{name}" for name in ("one", "two", "three")}]


def written_in(number: int) -> list[str]:
    """The modules in which a whole number is written."""

    def has(path: Path) -> bool:
        nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        values = [node.value for node in nodes if isinstance(node, ast.Constant)]
        return any(isinstance(value, int) and value == number for value in values)

    return [str(path.relative_to(TOP)) for path in FILES if has(path)]


@pytest.mark.parametrize(
    ("number", "place"),
    [
        (1_000_000_000, "shows/time_units.py"),
        *((one, "shows/protocols/e131/__init__.py") for one in (5568, 63_999, 64_214)),
    ],
)
def test_a_number_is_written_in_one_place(number: int, place: str) -> None:
    """Nanoseconds of a second; the port of E1.31, its last universe and that of discovery."""
    assert written_in(number) == [place]


def test_one_package_knows_what_the_packets_of_e131_begin_with() -> None:
    """Whoever reads a packet asks it: nobody else writes the identifier of E1.31 5.3 down."""
    known = [str(path.relative_to(TOP)) for path in FILES if "ASC-E1.17" in path.read_text(encoding="utf-8")]
    assert known == ["shows/protocols/e131/__init__.py"]


def test_an_arrow_that_points_the_wrong_way_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "TOP", tmp_path)
    path = tmp_path / "shows" / "bad.py"
    path.parent.mkdir()
    path.write_text("def f():\n    from gloaming.daemon.site import load\n")
    assert "daemon" in rooms_of(path)


def test_an_arrow_that_points_the_wrong_way_inside_the_daemon_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules[__name__], "TOP", tmp_path)
    path = tmp_path / "daemon" / "direction" / "bad.py"
    path.parent.mkdir(parents=True)
    path.write_text("if TYPE_CHECKING:\n    from gloaming.daemon.site.load import Site\n")
    with pytest.raises(AssertionError):
        test_imports_inside_the_daemon_point_one_way(path.relative_to(tmp_path))


def test_the_transmitter_starts_without_what_only_the_planner_needs() -> None:
    code = "import sys, gloaming.daemon.transmitter.__main__; print('\\n'.join(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not [name for name in loaded if name.split(".")[0] in TRANSMITTER_NEVER]


@needs("git")
def test_nothing_else_stands_at_the_top() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False)
    tops = {line.split("/")[0] for line in listed.stdout.splitlines() if not line.startswith(".")}
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "daemon", "api", "shows", "tests", "systemd"}
    assert tops <= allowed


def test_every_package_of_the_rooms_is_installed() -> None:
    listed = tomllib.loads((TOP / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    found = {
        ".".join(("gloaming", *path.parent.relative_to(TOP).parts)) for path in FILES if path.name == "__init__.py"
    }
    assert set(listed) == found


@needs("git")
def test_every_file_that_is_no_module_is_installed_too() -> None:
    """Pages, templates, icons. The photographs (.jpg) are for readers of the source alone."""
    data = tomllib.loads((TOP / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    listed = subprocess.run(["git", "ls-files", *MAY_IMPORT], cwd=TOP, capture_output=True, text=True, check=True)
    installed = set()
    for package in (path.parent for path in FILES if path.name == "__init__.py"):
        name = ".".join(("gloaming", *package.relative_to(TOP).parts))
        installed |= {path for pattern in (*data["*"], *data.get(name, ())) for path in package.glob(pattern)}
    files = {TOP / line for line in listed.stdout.splitlines() if not line.endswith((".py", ".jpg"))}
    assert sorted(files - installed) == []
