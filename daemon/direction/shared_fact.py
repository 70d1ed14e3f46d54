"""An override as boards share it: JSON, without what is each board's own (the frame file of a check). Pure."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from gloaming.daemon.direction.overrides import Override

FORMAT = 1
MARK_BITS = 28
"""The lowest bits of an id that several boards know: the mark of the board that gave it."""


def is_shared(id: int) -> bool:
    """Whether an override's id is one that several boards know."""
    return id >> MARK_BITS > 0


def first_with_number_of(id: int) -> int:
    """The first id with the number of an id that several boards know, whatever its mark. Another id as it is."""
    return id >> MARK_BITS << MARK_BITS if is_shared(id) else id


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
