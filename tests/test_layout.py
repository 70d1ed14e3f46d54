"""The layout of the house: rooms and their arrows, one place for each fact, the vocabulary, and a test for each module.

shows/ knows nothing of the others, daemon/ knows shows/, api/ knows both.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterator
from functools import cache
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
    "score": ("gloaming.shows.protocols", "gloaming.shows.rig.zones", "gloaming.shows.time_units"),
}
"""Which modules of shows a room of the daemon may import, where not all of them."""
FILES = [path for room in MAY_IMPORT for path in sorted((TOP / room).rglob("*.py"))]
TWO_ENDS = "api/http/schemas/"
"""The models of HTTP may have the name of what they describe: the two ends of a protocol."""
OLD_WORDS = {
    "director": "planner",
    "directors": "planners",
    "attendant": "monitor",
    "doorkeeper": "authenticator",
    "giving": "occurrence",
    "givings": "occurrences",
    "billing": "occurrences",
    "programme": "rundown",
    "programmes": "rundowns",
    "parcel": "batch",
    "parcels": "batches",
    "tally": "counters",
    "reel": "sound reader",
    "cue": "hook, or sound pass",
    "cues": "hooks, or sound passes",
    "hurt": "damaged",
    "unseen": "show_continues",
    "at_rest": "between_performances",
    "MistakeError": "InputError",
    "sun-thu": "mon-wed",
    "fri-sat": "thu,sun",
}
"""Words that the vocabulary has replaced, and by what."""
TRANSMITTER_NEVER = ("pydantic", "fastapi", "starlette", "uvicorn", "astral", "apscheduler", "asyncio")


@cache
def imported(path: Path) -> tuple[str, ...]:
    """Every module named by an import anywhere in a file, relative imports resolved."""
    package, found = ("gloaming", *path.relative_to(TOP).with_suffix("").parts), []
    for node in nodes_of(path):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            found += [module, *(f"{module}.{alias.name}" for alias in node.names)]
    return tuple(found)


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


def module_name(path: Path) -> str:
    return ".".join(("gloaming", *path.relative_to(TOP).with_suffix("").parts)).removesuffix(".__init__")


def modules() -> dict[str, set[str]]:
    """Each module of ours, and those that it imports anywhere: at the top, in a function, under TYPE_CHECKING."""
    names = {module_name(path): path for path in FILES}
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
        values = [node.value for node in nodes_of(path) if isinstance(node, ast.Constant)]
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


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Everything in a file: many tests look through it."""
    return tuple(ast.walk(tree_of(path)))


def constants_of(path: Path) -> Iterator[tuple[str, object]]:
    """The public constants of a module that are whole at sight: `NAME = 5`, `NAME = 1 << 20`, `A, B = 1, 2`."""
    for node in tree_of(path).body:
        if not isinstance(node, ast.Assign) or any(
            isinstance(one, ast.Call | ast.Name) for one in ast.walk(node.value)
        ):
            continue
        names = [one.id for one in ast.walk(node.targets[0]) if isinstance(one, ast.Name)]
        value = eval(compile(ast.Expression(node.value), str(path), "eval"))  # no names and no calls: arithmetic alone
        values = value if len(names) > 1 else (value,)
        yield from ((name, one) for name, one in zip(names, values, strict=True) if name.isupper() and name[0] != "_")


def defined_twice() -> dict[str, list[str]]:
    """Constants that two modules define alike: one fact in two places."""
    places = defaultdict(list)
    for path in FILES:
        for name, value in constants_of(path):
            places[f"{name} = {value!r}"].append(str(path.relative_to(TOP)))
    return {constant: paths for constant, paths in places.items() if len(paths) > 1}


def test_a_constant_is_defined_in_one_place() -> None:
    assert defined_twice() == {}


def named_twice() -> dict[str, list[str]]:
    """Classes of one name."""
    places = defaultdict(list)
    for path in FILES:
        if not str(path.relative_to(TOP)).startswith(TWO_ENDS):
            for node in nodes_of(path):
                if isinstance(node, ast.ClassDef):
                    places[node.name].append(str(path.relative_to(TOP)))
    return {name: paths for name, paths in places.items() if len(paths) > 1}


def test_a_class_has_a_name_of_its_own() -> None:
    assert named_twice() == {}


def old_words(paths: list[Path]) -> list[str]:
    """Where a word stands that the vocabulary has replaced; parts of names in code count as words."""
    found = []
    pattern = re.compile(rf"(?<![A-Za-z-])({'|'.join(OLD_WORDS)})(?![A-Za-z-])")
    for path in paths:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", line.replace("OpenerDirector", ""))  # of urllib
            words = {one.lower() for one in re.findall(r"[A-Za-z]+", spaced)} | set(pattern.findall(line))
            found += [
                f"{path.relative_to(TOP)}:{number}: {word}, now {OLD_WORDS[word]}" for word in words & OLD_WORDS.keys()
            ]
    return found


@needs("git")
def test_code_docs_and_messages_use_the_words_of_the_vocabulary() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True).stdout.split()
    texts = (".py", ".md", ".toml", ".html", ".js", ".css", ".svg", ".service", ".socket", ".sh", ".cjs")
    paths = [TOP / line for line in listed if line.endswith(texts) or line.startswith("systemd/")]
    paths = [path for path in paths if path.is_file() and path.suffix != ".lock" and path.name != "test_layout.py"]
    assert old_words(paths) == []


def untested() -> list[str]:
    """The modules that the tests in the mirror of their room neither are named after, nor reach by the room's imports.

    `tests/api/http/test_auth.py` is for all of `api/http/auth/`. A program counts as reached where its room has
    tests. A module with constants alone needs no test.
    """
    needed, found = modules(), []
    for path in FILES:
        room, stem, name = path.parent, path.stem, module_name(path)
        mirror = TOP / "tests" / room.relative_to(TOP)
        if not any(isinstance(node, ast.FunctionDef | ast.ClassDef) for node in tree_of(path).body):
            continue
        if (mirror.parent / f"test_{room.name}.py").exists():
            continue
        tests = [*mirror.glob("test_*.py")]
        subjects = [test.stem.removeprefix("test_") for test in tests]
        if any(stem.startswith(subject) or subject.startswith(stem) for subject in subjects):
            continue
        package = name.rpartition(".")[0]
        ahead = [one for test in tests for one in imported(test) if one in needed]
        ahead += [f"{package}.__main__"] if tests and f"{package}.__main__" in needed else []
        reached: set[str] = set()
        while ahead:
            one = ahead.pop()
            if one not in reached:
                reached.add(one)
                ahead += [other for other in needed[one] if other.rpartition(".")[0] == package]
        if name not in reached:
            found.append(str(path.relative_to(TOP)))
    return found


def test_every_module_has_a_test_in_the_room_that_mirrors_its_own() -> None:
    assert untested() == []


def test_each_folder_of_tests_mirrors_a_room() -> None:
    rooms = {path.parent.relative_to(TOP) for path in FILES}
    folders = {
        path.parent.relative_to(TOP / "tests") for room in MAY_IMPORT for path in (TOP / "tests" / room).rglob("*.py")
    }
    assert folders <= rooms


def small_tree(top: Path, monkeypatch: pytest.MonkeyPatch, texts: dict[str, str]) -> None:
    """Another tree in place of ours."""
    for name, text in texts.items():
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        (top / name).write_text(text)
    monkeypatch.setattr(sys.modules[__name__], "TOP", top)
    files = [top / name for name in texts if name.split("/")[0] in MAY_IMPORT]
    monkeypatch.setattr(sys.modules[__name__], "FILES", files)


@pytest.mark.parametrize(
    ("texts", "find", "wanted"),
    [
        (
            {"shows/a.py": "SECOND_NS = 1_000_000_000", "daemon/b.py": "SECOND_NS, TWO = 10**9, 2"},
            defined_twice,
            {"SECOND_NS = 1000000000": ["shows/a.py", "daemon/b.py"]},
        ),
        (
            {
                "shows/a.py": "class Score: ...",
                "daemon/b.py": "class Score: ...",
                "api/http/schemas/c.py": "class Score: ...",
            },
            named_twice,
            {"Score": ["shows/a.py", "daemon/b.py"]},
        ),
        (
            {
                "shows/a.py": "def f(): ...",
                "shows/b.py": "def f(): ...",
                "shows/c.py": "def f(): ...",
                "shows/d.py": "ONE = 1",
                "tests/shows/test_a.py": "from gloaming.shows import b\n",
                "tests/daemon/test_c.py": "from gloaming.shows import c\n",
            },
            untested,
            ["shows/c.py"],
        ),
    ],
    ids=["a second definition", "a second class", "a module without a test"],
)
def test_what_stands_in_the_wrong_place_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, texts: dict[str, str], find: Callable[[], object], wanted: object
) -> None:
    small_tree(tmp_path, monkeypatch, texts)
    assert find() == wanted


@pytest.mark.parametrize(
    "line", ["The director decides.", "class DirectorMain: ...", "self._cue_at = 3", 'days = "sun-thu"']
)
def test_an_old_word_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str) -> None:
    small_tree(tmp_path, monkeypatch, {"daemon/a.py": f"# all is well\n{line}\n"})
    (found,) = old_words([tmp_path / "daemon/a.py"])
    assert found.startswith("daemon/a.py:2: ")


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
    path.write_text("if TYPE_CHECKING:\n    from gloaming.daemon.site.site import Site\n")
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
