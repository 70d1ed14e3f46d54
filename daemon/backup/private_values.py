"""What a bundle for a helper must not hold: the private values of a site's files and of its state.

Which values are private, the models say (`Private` in shows/config_files/checking.py). A key that no model knows is
private, too. Each private value has a label that stands in its place everywhere: a helper sees which are the same.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from ipaddress import ip_address
from typing import Any
from urllib.parse import unquote, urlsplit

from gloaming.shows.config_files.checking import Private, Table, dotted, models_in, privacy
from gloaming.shows.config_files.table_schema import file_schema
from gloaming.shows.config_files.toml_lines import Key, without_values

LABEL = "left-out"
STATE_LABEL = "a secret of the state"
ADDRESS_LABEL = "an address"
SHORTEST = 4
"""A part of a value that is shorter than this, as "on", stands in any text."""
_BETWEEN = re.compile(r"[/:@?&=#,;\s]+")
_NO_WORD = re.compile(r"[\w+-]*\d[\w+-]*|[\w+-]{20,}")
"""A piece of a text that may be a token."""
_ADDRESS = re.compile(r"(?<![\w.:])[0-9A-Fa-f:]+(?:\.\d+){3}(?!\w)|(?<![\w.:])[0-9A-Fa-f]*:[0-9A-Fa-f:]+(?![\w.])")
"""What may be an address of IPv4 or IPv6."""
_PORT = re.compile(r"\d{1,5}")


@dataclass(frozen=True, slots=True)
class Leaf:
    """A value of a file that is no table and no list, and its mark; None if it is public."""

    key: Key
    value: Any
    private: Private | None


def leaves(model: type[Table] | None, data: Mapping[str, Any], key: Key = ()) -> Iterator[Leaf]:
    """The values of a file, as its model marks them."""
    fields = {one.alias or name: one for name, one in model.model_fields.items()} if model else {}
    for name, value in data.items():
        known = fields.get(name)
        if known is None:
            yield from _all_of(value, (*key, name), Private())
        elif mark := privacy(known.annotation, known.metadata):
            yield from _all_of(value, (*key, name), mark)
        else:
            inner = next((one for one in models_in(known.annotation) if issubclass(one, Table)), None)
            yield from _inside(inner, value, (*key, name))


def _inside(model: type[Table] | None, value: Any, key: Key) -> Iterator[Leaf]:
    if isinstance(value, dict):
        yield from leaves(model, value, key)
    elif isinstance(value, list):
        for at, one in enumerate(value):
            yield from _inside(model, one, (*key, at))
    else:
        yield Leaf(key, value, None)


def _all_of(value: Any, key: Key, mark: Private) -> Iterator[Leaf]:
    """All values inside a private one."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if inner is None:
        yield Leaf(key, value, mark)
    else:
        for name, one in inner:
            yield from _all_of(one, (*key, name), mark)


@dataclass
class PrivateValues:
    """The private values that were found, each with its label; and what is public.

    A password is looked for wherever it stands. Of another value, as a topic `lights`, a public word is not.
    """

    _labels: dict[str, str] = field(default_factory=dict)
    _parts: dict[str, str] = field(default_factory=dict)
    _secrets: dict[str, str] = field(default_factory=dict)
    _words: set[str] = field(default_factory=set)
    _public: str = ""
    _names: dict[str, str] = field(default_factory=dict)
    _keys: dict[str, str] = field(default_factory=dict)
    _pattern: tuple[re.Pattern[str], dict[str, str]] | None = None

    def take_in(self, model: type[Table], text: str, current: bool = True) -> None:
        """Learn the values of a file. An earlier version of it makes nothing public."""
        self._words |= _words(model)
        for leaf in leaves(model, tomllib.loads(text)):
            value = str(leaf.value)
            if leaf.private and isinstance(leaf.value, str) and value:
                self.add(value, leaf.key)
            elif leaf.private and leaf.private.decimals is not None and value != (rounded := _rounded(leaf)):
                self._parts |= {value: rounded, value.lstrip("-"): rounded.lstrip("-")}
        if current:
            self._public += self.redacted(model, text).lower()
        self._pattern = None

    def add(self, value: str, key: Key = ()) -> str:
        """Learn a private text that a key has; its label."""
        self._pattern = None
        label = self._labels.setdefault(value, f"{LABEL}-{len(self._labels) + 1}")
        self._keys.setdefault(label, dotted(key))
        for secret in _passwords_of(value):
            self._secrets.setdefault(secret, label)
        for part in _parts_of(value):
            self._parts.setdefault(part, label)
        return label

    def add_secret(self, value: str) -> None:
        """Learn a secret of the state: it is taken out wherever it stands, whatever else it means."""
        self._pattern = None
        if value:
            self._secrets.setdefault(value, STATE_LABEL)

    def add_name(self, name: str, label: str) -> None:
        """Learn the name of something that is a person's."""
        self._pattern = None
        self._names[name] = label
        self._parts.setdefault(name, label)

    def is_public(self, name: str) -> bool:
        """Whether a name has no other words than everybody has, as "a phone" or "trigger gate"."""
        return all(self._is_a_word(word) for word in re.findall(r"\w+", name))

    def label_of(self, name: str) -> str:
        """The label in place of a name that is a person's; any other name as it is."""
        return self._names.get(name, name)

    def redacted(self, model: type[Table], text: str) -> str:
        """A file without its private values and comments. It is valid if it was; each line stays in its place."""
        changes = {leaf.key: self._in_place(leaf) for leaf in leaves(model, tomllib.loads(text)) if leaf.private}
        return without_values(text, changes)

    def _in_place(self, leaf: Leaf) -> str:
        if isinstance(leaf.value, int | float) and leaf.private and leaf.private.decimals is not None:
            return _rounded(leaf)
        value = str(leaf.value)
        label = self.add(value, leaf.key) if value else ""
        scheme, colon, _ = value.partition("://")
        if colon and scheme.isalpha():
            label = f"{scheme}://{label}.invalid/{label}"
        elif value[:1] == "/":
            label = f"/{label}"
        rest = "\n" * value.count("\n")
        return f'"""{label}{rest}"""' if rest else json.dumps(label)

    def cleaned(self, text: str) -> str:
        """A text with labels in place of what is private."""
        pattern, labels = self._sought()
        return _ADDRESS.sub(self._in_place_of_address, pattern.sub(lambda found: labels[found[0]], text))

    def _in_place_of_address(self, found: re.Match[str]) -> str:
        """A label in place of an address in the whole internet, as of a phone that signs in from outside."""
        with suppress(ValueError):
            if ip_address(found[0]).is_global and not self._is_a_word(found[0]):
                return ADDRESS_LABEL
        return found[0]

    def found_in(self, text: str) -> str | None:
        """What is private in a text: the key that has it, or what else it is. None where nothing is."""
        pattern, labels = self._sought()
        found = pattern.search(text)
        return self._keys.get(labels[found[0]], labels[found[0]]) if found else None

    def _sought(self) -> tuple[re.Pattern[str], dict[str, str]]:
        """What is looked for, the longest first, and the label of each."""
        if self._pattern is None:
            sought = {one: label for one, label in self._parts.items() if self._is_sought(one)} | self._secrets
            forms = {form: label for text, label in sought.items() for form in _forms(text)}
            whole = {form for text in self._secrets for form in _forms(text)}
            patterns = [
                re.escape(form) if form in whole else rf"(?<!\w){re.escape(form)}(?!\w)"
                for form in sorted(forms, key=len, reverse=True)
            ]
            self._pattern = re.compile("|".join(patterns or ["(?!)"])), forms
        return self._pattern

    def _is_sought(self, part: str) -> bool:
        """Whether a part of a private value is one elsewhere, too: neither short, nor a port, nor a public word."""
        return len(part) >= SHORTEST and not _PORT.fullmatch(part) and not self._is_a_word(part)

    def _is_a_word(self, text: str) -> bool:
        """Whether the program itself says this, or what is public in the site's files."""
        whole = rf"(?<!\w){re.escape(text.lower())}(?!\w)"
        return text.lower() in self._words or re.search(whole, self._public) is not None


@cache
def _words(model: type[Table]) -> frozenset[str]:
    """The words of the program itself: keys, and the texts about them."""
    return frozenset(word.lower() for word in re.findall(r"\w+", json.dumps(file_schema(model))))


def _rounded(leaf: Leaf) -> str:
    return f"{leaf.value:.{leaf.private.decimals if leaf.private else 0}f}"  # of 54, 54.0: it has nothing to hide


def _forms(text: str) -> set[str]:
    """A text, and how it stands in JSON."""
    return {text, json.dumps(text)[1:-1], json.dumps(text, ensure_ascii=False)[1:-1]}


def _passwords_of(value: str) -> Iterator[str]:
    """The password in an address, as it is written and without %-escapes."""
    with suppress(ValueError):
        if password := urlsplit(value).password:
            yield from (password, unquote(password))


def _parts_of(value: str) -> Iterator[str]:
    """A value, and what it is made of, also without %-escapes: the pieces of an address, or of another text what looks
    like no word."""
    found = [value]
    _, colon, rest = value.partition("://")
    if colon:
        with suppress(ValueError):
            parts = urlsplit(value)
            found += [parts.netloc, parts.hostname or "", parts.path, parts.path.strip("/"), parts.query]
        pieces = _BETWEEN.split(re.sub(r"\[.*?\]", "", rest))
        found += [*pieces, *(label for piece in pieces for label in piece.split("."))]
    else:
        found += _NO_WORD.findall(value)
    yield from dict.fromkeys(form for one in found for form in (one, unquote(one)) if form)
