"""TOML with line numbers: the data, and the line of each key. It does not know what the data means."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.toml_syntax import explain

Key = tuple[str | int, ...]


class Token(NamedTuple):
    """A token of TOML, the line on which it begins, and where."""

    text: str
    line: int
    start: int


Tokens = Iterator[Token]


class _Places(NamedTuple):
    """The line of each key, and where the value of each key stands that is no array and no table."""

    lines: dict[Key, int]
    values: dict[Key, slice]


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
    return data, _places(text).lines


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


def without_values(text: str, values: Mapping[Key, str]) -> str:
    """Valid TOML with other values for some keys, each as TOML has it, and without a comment. Every line stays in its
    place."""
    places = _places(text).values
    changes = [(places[key], value) for key, value in values.items()]
    changes += [(slice(*found.span()), "#") for found in _TOKEN.finditer(text) if found[0].startswith("#")]
    for place, value in sorted(changes, key=lambda change: change[0].start, reverse=True):
        text = text[: place.start] + value + text[place.stop :]
    return text


def _tokens(text: str) -> Tokens:
    """The tokens of valid TOML, without spaces and comments."""
    line = 1
    for found in _TOKEN.finditer(text):
        token = found[0]
        if token == "\n":
            line += 1
        elif token[0] in QUOTES:
            yield Token(token, line, found.start())
            line += token.count("\n")
        elif token[0] != "#":
            yield Token(token, line, found.start())


def _places(text: str) -> _Places:
    """The places of each key and of each element of an array, in valid TOML. It is read once, from front to back."""
    found = _Places({}, {})
    table: Key = ()
    counts: dict[Key, int] = {}
    tokens = _tokens(text)
    for token in tokens:
        if token.text == "[":
            table = _header(tokens, counts)
            found.lines[table] = token.line
            _around(table[:-1], token.line, found.lines)
        else:
            key = (*table, *_names(token.text, tokens, "="))
            _around(key, token.line, found.lines)
            _value(next(tokens), tokens, key, found)
    return found


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
        token = next(tokens).text
    return names


def _header(tokens: Tokens, counts: dict[Key, int]) -> Key:
    """The key path that a table header opens. Tables of an array are numbered."""
    token = next(tokens).text
    array = token == "["
    names = _names(next(tokens).text if array else token, tokens, "]")
    path: Key = ()
    for depth, name in enumerate(names, 1):
        path = (*path, name)
        if array and depth == len(names):
            next(tokens)  # the second bracket
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _value(first: Token, tokens: Tokens, key: Key, found: _Places) -> None:
    """Reads a value from its first token on. What is within an array or inline table gets its places."""
    if first.text == "[":
        index = 0
        for token in tokens:
            if token.text == "]":
                return
            if token.text == ",":
                index += 1
                continue
            inner: Key = (*key, index)
            found.lines[inner] = token.line
            _value(token, tokens, inner, found)
    elif first.text == "{":
        for token in tokens:
            if token.text == "}":
                return
            if token.text != ",":
                inner = (*key, *_names(token.text, tokens, "="))
                _around(inner, token.line, found.lines)
                _value(next(tokens), tokens, inner, found)
    else:
        found.values[key] = slice(first.start, first.start + len(first.text))
