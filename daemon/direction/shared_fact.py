"""An override as boards share it: JSON, without what is each board's own (the frame file of a check). Pure."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from hashlib import sha256
from typing import Any

from gloaming.daemon.direction.overrides import Override

FORMAT = 1
MARK_BITS = 28
"""The lowest bits of an id that several boards know: the mark of the board that gave it."""


def is_shared(id: int) -> bool:
    """Whether an override's id is one that several boards know."""
    return id >> MARK_BITS > 0


def number_of(id: int) -> int:
    """The number of an id, without the mark of a board: overrides that come later have higher ones."""
    return id >> MARK_BITS if is_shared(id) else id


def mark_of(text: str) -> int:
    """A mark: some bits of the hash of a text."""
    return int.from_bytes(sha256(text.encode()).digest()[:4], "big") >> 32 - MARK_BITS


def for_boards(override: Override, board: str) -> Override:
    """An override from before the site had boards, as a board shares it. A copied state gives it the same id."""
    mark = mark_of(f"{override.kind} {override.at_ns}")
    return replace(override, id=override.id << MARK_BITS | mark, author=board, changed_by=board)


def fact_of(override: Override) -> dict[str, Any]:
    """An override as a fact. What is None, False or empty is left out."""
    found = {field.name: getattr(override, field.name) for field in fields(override)}
    if (check := override.check) and check.pattern:
        pattern = {field.name: getattr(check.pattern, field.name) for field in fields(check.pattern)}
        del pattern["spans"]  # those of the zone, which each board's rig has
        found["check"] = {"text": check.text, "pattern": _given(pattern)}
    return {"format": FORMAT, **_given(found)}


def payload_of(override: Override) -> bytes:
    """A fact as boards send it."""
    return json.dumps(fact_of(override), separators=(",", ":"), ensure_ascii=False).encode()


def canonical(override: Override) -> str:
    """The text of a version without its end: the same on all boards."""
    found = fact_of(override)
    return json.dumps({name: found[name] for name in sorted(found) if name not in ("ended_ns", "ended_by")})


def _given(found: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in found.items() if value or (value == 0 and value is not False)}
