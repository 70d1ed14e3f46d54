"""On which line each key of a TOML file stands, whatever its strings and comments hold; and how much work that is."""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

from gloaming.shows.config_files import toml_lines
from gloaming.shows.config_files.toml_lines import read_toml


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
