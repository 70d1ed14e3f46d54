"""TOML with line numbers: the data, and the line of each key. It does not know what the data means."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.toml_syntax import explain

Key = tuple[str | int, ...]
Tokens = Iterator[tuple[str, int]]
"""Tokens of TOML, each with the line on which it begins."""


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
    text = decoded(path, raw)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line, key, problem, hint = explain(text, error)
        raise InputError(ConfigError(path, line, key, problem, hint)) from None
    return data, _lines(text)


def decoded(path: Path, raw: bytes) -> str:
    """The text of a file in UTF-8, without a byte order mark. InputError if it is not UTF-8."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        column = error.start - raw.rfind(b"\n", 0, error.start)
        problem = f"column {column} has the byte 0x{raw[error.start]:02X}, which is not text in UTF-8"
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            problem = "the file is text in UTF-16, not in UTF-8"
        raise InputError(ConfigError(path, line, None, problem, "save the file as UTF-8")) from None


def place_of(lines: Mapping[Key, int], key: Key) -> int | None:
    """The line of a key. For a key that is missing, the line of the nearest table around it."""
    while key and key not in lines:
        key = key[:-1]
    return lines.get(key)


QUOTES = ("'", '"')
_TOKEN = re.compile(
    r"""
    "{3} (?: \\. | [^\\] )*? "{3,5} | '{3} .*? '{3,5}   # two quotes may stand before the three (TOML 1.0, String)
    | " (?: \\. | [^"\\] )* " | ' [^']* '
    | \#[^\n]* | \n | [\[\]{},=]
    | \d{4}-\d\d-\d\d\ \d\d:[^\s,\]}\#]+                # a space stands between the date and the time
    | [^\s\[\]{},=\#"']+
    """,
    re.DOTALL | re.VERBOSE,
)


def _tokens(text: str) -> Tokens:
    """The tokens of valid TOML, without spaces and comments."""
    line = 1
    for found in _TOKEN.finditer(text):
        token = found[0]
        if token == "\n":
            line += 1
        elif token[0] in QUOTES:
            yield token, line
            line += token.count("\n")
        elif token[0] != "#":
            yield token, line


def _lines(text: str) -> dict[Key, int]:
    """The line of each key and of each element of an array, in valid TOML. It is read once, from front to back."""
    lines: dict[Key, int] = {}
    table: Key = ()
    counts: dict[Key, int] = {}
    tokens = _tokens(text)
    for token, line in tokens:
        if token == "[":
            table = _header(tokens, counts)
            lines[table] = line
            _around(table[:-1], line, lines)
        else:
            key = (*table, *_names(token, tokens, "="))
            _around(key, line, lines)
            _value(next(tokens)[0], tokens, key, lines)
    return lines


def _around(key: Key, line: int, lines: dict[Key, int]) -> None:
    """Gives a line to a key, and to each key around it that has none."""
    while key and key not in lines:
        lines[key] = line
        key = key[:-1]


def _names(token: str, tokens: Tokens, end: str) -> list[str]:
    """The names of a dotted key, from its first token to the one that ends it."""
    names: list[str] = []
    while token != end:
        names += tomllib.loads(f"{token} = 0") if token[0] in QUOTES else filter(None, token.split("."))
        token, _ = next(tokens)
    return names


def _header(tokens: Tokens, counts: dict[Key, int]) -> Key:
    """The key path that a table header opens. Tables of an array are numbered."""
    token, _ = next(tokens)
    array = token == "["
    names = _names(next(tokens)[0] if array else token, tokens, "]")
    path: Key = ()
    for depth, name in enumerate(names, 1):
        path = (*path, name)
        if array and depth == len(names):
            next(tokens)  # the second bracket
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _value(token: str, tokens: Tokens, key: Key, lines: dict[Key, int]) -> None:
    """Reads a value from its first token on. What is within an array or inline table gets its line."""
    if token == "[":
        index = 0
        for token, line in tokens:
            if token == "]":
                return
            if token == ",":
                index += 1
                continue
            inner: Key = (*key, index)
            lines[inner] = line
            _value(token, tokens, inner, lines)
    elif token == "{":
        for token, line in tokens:
            if token == "}":
                return
            if token != ",":
                inner = (*key, *_names(token, tokens, "="))
                _around(inner, line, lines)
                _value(next(tokens)[0], tokens, inner, lines)
