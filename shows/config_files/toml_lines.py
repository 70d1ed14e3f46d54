"""TOML with line numbers: the data, and the line of each key. It does not know what the data means."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.toml_syntax import explain

Key = tuple[str | int, ...]


def read_toml(path: Path) -> tuple[dict[str, Any], dict[Key, int]]:
    """The data of a TOML file, and the line (from 1) of each key path.

    Raises InputError if the file is missing, unreadable or not TOML.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            ConfigError(path, None, None, "there is no such file", "see the README's first evening")
        ) from None
    except OSError as error:
        raise InputError(ConfigError(path, None, None, f"it cannot be read ({error.strerror})")) from None
    text = _decoded(path, raw)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line, key, problem, hint = explain(text, error)
        raise InputError(ConfigError(path, line, key, problem, hint)) from None
    return data, _lines(text)


def _decoded(path: Path, raw: bytes) -> str:
    """The text of a file, without a byte order mark."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        column = error.start - raw.rfind(b"\n", 0, error.start)
        problem = f"column {column} has the byte 0x{raw[error.start]:02X}, which is not text in UTF-8"
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            problem = "the file is text in UTF-16, not in UTF-8"
        raise InputError(ConfigError(path, line, None, problem, "save the file as UTF-8")) from None


def place_of(lines: dict[Key, int], key: Key) -> int | None:
    """The line of a key. For a key that is missing, the line of the nearest table around it."""
    while key and key not in lines:
        key = key[:-1]
    return lines.get(key)


def _lines(text: str) -> dict[Key, int]:
    """Cuts valid TOML into statements. A statement is one line, or several if a bracket or string spans them."""
    lines: dict[Key, int] = {}
    prefix: Key = ()
    counts: dict[Key, int] = {}
    statement: list[str] = []
    depth, quotes = 0, ""
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        statement.append(line)
        depth, quotes = _left_open(line, depth, quotes)
        if depth or quotes:
            continue
        data = tomllib.loads("\n".join(statement))
        begin = number - len(statement) + 1
        if line.strip().startswith("[") and len(statement) == 1:
            prefix = _header(data, line.strip().startswith("[["), counts)
            lines.setdefault(prefix, begin)
            if isinstance(prefix[-1], int):
                lines.setdefault(prefix[:-1], begin)
        else:
            _keys(data, prefix, begin, lines)
            if len(statement) > 1:
                _elements(statement, data, prefix, begin, lines)
        statement = []
    return lines


_TOKEN = re.compile(r"""\"{3}|'{3}|"(?:\\.|[^"\\])*"|'[^']*'|\#.*|[\[\]{}]""")
_STRING_ENDS = {'"""': re.compile(r'(?:\\.?|[^"\\]|"(?!""))*"{3,5}'), "'''": re.compile(r"(?:[^']|'(?!''))*'{3,5}")}
"""The rest of a multi-line string. Two quotes may stand before the three that end it (TOML 1.0, String)."""


def _left_open(line: str, depth: int, quotes: str) -> tuple[int, str]:
    """The number of open brackets and the quotes of an open string after a line, from those before it."""
    at = 0
    while True:
        found = _STRING_ENDS[quotes].match(line, at) if quotes else _TOKEN.search(line, at)
        if found is None:
            return depth, quotes
        at, token = found.end(), found[0]
        quotes = token if not quotes and token in _STRING_ENDS else ""
        depth += (token in ("[", "{")) - (token in ("]", "}"))


def _parsed(statement: list[str]) -> dict[str, Any] | None:
    try:
        return tomllib.loads("\n".join(statement))
    except tomllib.TOMLDecodeError:
        return None


def _header(data: dict[str, Any], array: bool, counts: dict[Key, int]) -> Key:
    """The key path that a table header opens. Tables of an array are numbered."""
    names: list[str] = []
    inner: Any = data
    while isinstance(inner, dict) and inner:
        ((name, inner),) = inner.items()
        names.append(name)
    path: Key = ()
    for depth, name in enumerate(names):
        path = (*path, name)
        if array and depth == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _keys(data: Any, prefix: Key, line: int, lines: dict[Key, int]) -> None:
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for name, inner in items:
        lines.setdefault((*prefix, name), line)
        _keys(inner, (*prefix, name), line, lines)


def _elements(statement: list[str], data: dict[str, Any], prefix: Key, begin: int, lines: dict[Key, int]) -> None:
    """The line of each element of a multi-line array: the line where the element ends."""
    ((name, value),) = data.items()
    if not isinstance(value, list):
        return
    seen = 0
    cut = [statement[0].partition("=")[2].strip().removeprefix("[")]
    for line, following in enumerate([*statement[1:], "]"], begin):
        elements = "\n".join(cut).lstrip().removeprefix(",")
        found = _parsed(["x = [", elements, "]"]) or _parsed(["x = [", elements])
        if found:
            for index in range(seen, seen + len(found["x"])):
                inner: dict[Key, int] = {(*prefix, name, index): line}
                _keys(value[index], (*prefix, name, index), line, inner)
                lines.update(inner)
            seen += len(found["x"])
            cut = []
        cut.append(following)
