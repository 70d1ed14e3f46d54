"""Placeholders in what a hook sends, as `{title}`. Pure.

A name in braces is replaced; other braces stay, because a JSON document has braces, and a shell has `${HOME}`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from urllib.parse import quote

NAMES = ("piece", "title", "artist", "show", "length", "next", "next_title")
_WORD = re.compile(r"(?<!\$)\{([a-z_]+)\}")
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
"""Control characters (Unicode, category Cc) and separators of lines: no value may end a line or a header."""


def unknown(text: str) -> Iterator[str]:
    """The words in braces that are no names of placeholders."""
    return (word for word in _WORD.findall(text) if word not in NAMES)


def stands_in(text: str) -> bool:
    """Whether a text has a placeholder."""
    return any(word in NAMES for word in _WORD.findall(text))


def is_json(text: str) -> bool:
    """Whether a text is a JSON document (RFC 8259) that can hold a text."""
    try:
        return isinstance(json.loads(text), dict | list | str)
    except (ValueError, RecursionError):
        return False


def filled(body: str, values: Mapping[str, str]) -> str:
    """A body with the values in place of the names. In a JSON document they are escaped."""
    if is_json(body):
        values = {name: json.dumps(value, ensure_ascii=False)[1:-1] for name, value in values.items()}
    return filled_text(body, values)


def filled_url(url: str, values: Mapping[str, str]) -> str:
    """An address with the values in place of the names, percent-encoded (RFC 3986, 2.1)."""
    return filled_text(url, {name: quote(value, safe="") for name, value in values.items()})


def filled_text(text: str, values: Mapping[str, str]) -> str:
    """A text with the values in place of the names."""
    return _WORD.sub(lambda found: values.get(found[1], found[0]), text)


def one_line(value: str) -> str:
    """A value without control characters."""
    return _CONTROL.sub(" ", value)
