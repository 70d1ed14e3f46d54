"""On which line each key of a TOML file stands, whatever its strings and comments hold; and how much work that is."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.shows.config_files import toml_lines
from gloaming.shows.config_files.toml_lines import Key, place_of, read_toml, without_values


def lines_parsed(path: Path, points: int, patch: pytest.MonkeyPatch) -> int:
    """How many lines the parser gets to read, in all, for a string with so many points, each with a comment."""
    rows = "".join(f"  [{number / 10}, 0.0],  # pixel {number} [of the quay\n" for number in range(points))
    path.write_text(f'[[string]]\nname = "quay"\npoints = [\n{rows}]\nuniverse = 1\n', encoding="utf-8")
    read: list[int] = []

    def loads(text: str) -> object:
        read.append(text.count("\n") + 1)
        return tomllib.loads(text)

    patch.setattr(toml_lines, "tomllib", SimpleNamespace(loads=loads, TOMLDecodeError=tomllib.TOMLDecodeError))
    found = read_toml(path)[1]
    assert found["string", 0, "points", points - 1] == points + 3
    assert found["string", 0, "universe"] == points + 5
    return sum(read)


def test_points_with_comments_are_read_once_not_once_for_each_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few, many = (lines_parsed(tmp_path / "rig.toml", points, monkeypatch) for points in (100, 200))
    assert many <= 2 * few


TEXT = r"""
[site] # not [[this]]
name = "a [ in # a string, \" too"
other = 'C:\['
long = '''
[not.a.table]
x = 1'''
more = '''it ends with two''''' # and a comment [
text = QQQ
  she said "[" and ""two"" \
  \"[ goes on
""QQQ
at = { x = [1, # one
  2], y = "}" }
"quoted # key" = 1

[[show]]
order = [
  "a", # ]
  "b",
]
[[show]]
name = "last"
""".replace("QQQ", '"' * 3)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_brackets_quotes_and_hashes_within_strings_and_comments_do_not_count(tmp_path: Path, ending: str) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(TEXT.replace("\n", ending).encode())
    data, lines = read_toml(path)
    assert data["show"][1] == {"name": "last"}
    found = {".".join(map(str, key)): line for key, line in lines.items()}
    numbers = {name: number for number, line in enumerate(TEXT.split("\n"), 1) for name in [line.split(" ")[0]] if name}
    for name in ("name", "other", "long", "more", "text", "at"):
        if name != "name":
            assert found[f"site.{name}"] == numbers[name], name
    assert found["site.name"] == 3
    assert found["site.quoted # key"] == numbers['"quoted']
    assert found["show.0.order.1"] == found["show.0.order.0"] + 1 == numbers["order"] + 2
    assert found["show.1.name"] == numbers["name"] == len(TEXT.split("\n")) - 1


QUOTES = '"' * 3
SCALARS = (
    "1",
    "-0.5",
    "true",
    "1979-05-27 07:32:00",
    "1979-05-27",
    r'"a [ # \" { \\"',
    "'C:\\ [ # '",
    QUOTES * 2,
    QUOTES + 'a # "" [\n\\' + QUOTES + " }\n  = ]" + '""' + QUOTES,
    "'''\n[not.a.table] '' # {\nx = 1'''''",
)
NAMES = ("{}", "name-{}", "1979-05-2{}", '"# a.{} = ["', r'"\u0041\"{}"', "'\"[{}]'")
SPACES = ("", " ", "  # a comment, [with { all = \" ' sorts\n", "\n\n")


class Written:
    """A TOML text that is drawn, and the line on which the writer put each key."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw, self.text, self.lines, self.count = draw, "", dict[Key, int](), 0

    def line(self) -> int:
        return self.text.count("\n") + 1

    def one_of(self, *choices: str) -> str:
        return self.draw(st.sampled_from(choices))

    def name(self, around: Key) -> Key:
        """Writes a name that is not used yet, or two with a point between them."""
        self.count += 1
        written = self.one_of(*NAMES).format(self.count)
        names = tuple(tomllib.loads(f"{written} = 0"))
        self.lines[(*around, *names)] = self.line()
        self.text += written
        if not self.draw(st.booleans()):
            return (*around, *names)
        self.text += self.one_of(".", " . ", ". ", " .")
        return self.name((*around, *names))

    def value(self, key: Key, depth: int, spaces: tuple[str, ...]) -> None:
        """Writes a value: a scalar, an array on any number of lines, or an inline table."""
        kind = self.one_of("scalar", "array", "table") if depth else "scalar"
        if kind == "scalar":
            self.text += self.one_of(*SCALARS)
            return
        self.text += "[" if kind == "array" else "{"
        for index in range(self.draw(st.integers(0, 3))):
            self.text += "," if index else ""
            self.text += self.one_of(*(SPACES if kind == "array" else spaces))
            inner: Key = (*key, index)
            if kind == "array":
                self.lines[inner] = self.line()
            else:
                inner = self.name(key)
                self.text += self.one_of("=", " = ")
            self.value(inner, depth - 1, spaces)
            self.text += self.one_of(*(SPACES if kind == "array" else spaces))
        self.text += "]" if kind == "array" else "}"

    def key(self, table: Key) -> None:
        self.text += self.one_of("", "  ", "\n", "# [a] = {\n")
        key = self.name(table)
        self.text += self.one_of("=", " = ")
        self.value(key, 3, ("", " "))
        self.text += self.one_of("\n", ' # "a" = [\n')


@st.composite
def documents(draw: st.DrawFn) -> Written:
    written = Written(draw)
    for _ in range(draw(st.integers(0, 3))):
        written.key(())
    for number in range(draw(st.integers(0, 4))):
        table: Key = (f"table-{number}",)
        kind = written.one_of("[{}]\n", "[ {} . inner ] # [[\n", "[[{}]]\n", "[[{}.inner]]# [\n")
        for again in range(draw(st.integers(1, 3)) if "[[" in kind[:2] else 1):
            path: Key = (*table, "inner") if "inner" in kind else table
            for key in (table, path):
                written.lines.setdefault(key, written.line())
            if kind.startswith("[["):
                path = (*path, again)
                written.lines[path] = written.line()
            written.text += kind.format(*table)
            for _ in range(draw(st.integers(0, 3))):
                written.key(path)
    return written


def key_paths(data: Any, key: Key = ()) -> Iterator[Key]:
    for name, inner in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        yield (*key, name)
        yield from key_paths(inner, (*key, name))


@given(documents())
def test_each_key_and_element_has_the_line_on_which_it_was_written(written: Written) -> None:
    lines = toml_lines._places(written.text).lines
    assert {key: place_of(lines, key) for key in key_paths(tomllib.loads(written.text))} == written.lines, written.text


def replaced(data: Any) -> Any:
    """The data with another value in each place."""
    if isinstance(data, dict):
        return {name: replaced(inner) for name, inner in data.items()}
    return [replaced(inner) for inner in data] if isinstance(data, list) else "new"


@given(documents())
def test_values_are_replaced_in_their_places_and_no_comment_is_left(written: Written) -> None:
    data = tomllib.loads(written.text)
    keys = set(key_paths(data))
    plain = [key for key in keys if not isinstance(at(data, key), dict | list)]
    text = without_values(written.text, dict.fromkeys(plain, '"new"'))
    assert tomllib.loads(text) == replaced(data), written.text
    assert without_values(text, {}) == text  # no comment is left


def at(data: Any, key: Key) -> Any:
    for name in key:
        data = data[name]
    return data


def test_lines_stay_in_their_places_without_comments_and_values() -> None:
    text = '# mine\n[a] # my\nb = ["one", # two\n  "three"]\nc = { d = 1 } # end'
    changed = without_values(text, {("a", "b", 1): '"x"', ("a", "c", "d"): "2"})
    assert changed == '#\n[a] #\nb = ["one", #\n  "x"]\nc = { d = 2 } #'


def test_a_table_has_its_own_line_and_else_that_of_the_first_table_within_it(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("[site.place]\nlatitude = 1\n\n[site]\n[[neighbours.dark]]\n", encoding="utf-8")
    _, lines = read_toml(path)
    keys: tuple[Key, ...] = (("site",), ("site", "place"), ("neighbours",), ("neighbours", "dark", 0))
    assert [place_of(lines, key) for key in keys] == [4, 1, 5, 5]
