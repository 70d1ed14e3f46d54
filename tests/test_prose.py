"""No decision hangs on the words that a person reads: code compares codes."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

from tests.places import TOP

WORDS = {
    "text",
    "wrong",
    "right",
    "problem",
    "hint",
    "why",
    "todo",
    "opens_by",
    "closes_by",
    "cut_by",
    "rule",
    "note",
    "brief",
}
"""Attributes and keys that hold a text for a person."""
NAMES = {"why", "wrong", "problem", "by", "opens_by"}
"""Variables that hold one; a `text` may be what a person wrote."""
MATCHES = {
    "startswith",
    "endswith",
    "partition",
    "rpartition",
    "removeprefix",
    "removesuffix",
    "split",
    "find",
    "index",
}
OTHERS_WORDS = {
    "shows/config_files/toml_syntax.py",
    "shows/media/arrays.py",
    "daemon/planner/transmitter_client.py",
}
"""Modules that read the messages of a library, which has no codes, or show their first line."""


def is_text(node: ast.expr) -> bool:
    """Whether it is such an attribute, or an item of that name."""
    match node:
        case ast.Attribute(attr=name):
            return name in WORDS
        case ast.Name(id=name):
            return name in NAMES
        case ast.Call(func=ast.Name(id="str"), args=[ast.Name(id="error")]):
            return True
        case ast.Subscript(slice=ast.Constant(value=name)):
            return name in WORDS
    return False


def matched(tree: ast.AST) -> Iterator[int]:
    """The lines on which a text is searched or taken apart."""
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Attribute(value=value, attr=name)) if name in MATCHES and is_text(value):
                yield node.lineno
            case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[right], left=ast.Constant(value=str())):
                if is_text(right):
                    yield node.lineno
            case ast.Compare(ops=[ast.Eq() | ast.NotEq()], left=left, comparators=[ast.Constant(value=str(text))]):
                if is_text(left) and " " in text:
                    yield node.lineno


def places() -> list[str]:
    return [
        f"{path.relative_to(TOP)}:{line}"
        for folder in ("api", "daemon", "shows")
        for path in sorted((TOP / folder).rglob("*.py"))
        if str(path.relative_to(TOP)) not in OTHERS_WORDS
        for line in matched(ast.parse(path.read_text()))
    ]


def test_no_text_is_matched() -> None:
    assert places() == []


@pytest.mark.parametrize(
    "line",
    [
        'if "higher rank" in night.why: ...',
        'if row["text"].startswith("over: "): ...',
        'dark.text.removesuffix("no light")',
        'if reason.text == "no light": ...',
        'wrong, _, right = str(error).partition("; ")',
    ],
)
def test_a_text_that_is_matched_is_found(line: str) -> None:
    assert list(matched(ast.parse(line))) == [1]
