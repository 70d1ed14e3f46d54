"""Reads the facts that other boards share. Whatever is in them, the answer is an override or an error."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import from_json

from gloaming.daemon.direction.overrides import CHECKS, TERMS, Check, Kind, Override
from gloaming.daemon.direction.shared_fact import FORMAT, MARK_BITS
from gloaming.shows.rig.pattern_names import COLOURS
from gloaming.shows.rig.pattern_names import KINDS as PATTERNS
from gloaming.shows.rig.patterns import Pattern

IDS_END = 1 << 53
"""JavaScript has no larger whole numbers (ECMA-262 21.1.2.6)."""
END_NS = 7_258_118_400 * 10**9
"""The year 2200."""


class NotAFactError(ValueError):
    """This is no fact. The text says why."""


class NewerFactError(Exception):
    """A newer version of the program has written this fact: it has what this version does not know."""

    def __init__(self, text: str, board: str) -> None:
        super().__init__(text)
        self.board = board


def read_fact(payload: bytes, id: int | None = None) -> Override:
    """The override of a fact. Its check has no frame file. NotAFactError: also if it has another `id` than its topic.
    NewerFactError."""
    try:
        found = from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        raise NotAFactError(f"it is no JSON: {error}") from None
    if not isinstance(found, dict):
        raise NotAFactError("it is no object")
    board = str(found.get("changed_by") or found.get("author") or "another board")[:100]
    written, kind = found.get("format"), found.get("kind")
    if isinstance(written, int) and written > FORMAT:
        raise NewerFactError(f"it has format {written}; this version knows {FORMAT}", board)
    if isinstance(kind, str) and kind not in TERMS:
        raise NewerFactError(f"this version does not know the kind {kind[:40]!r}", board)
    try:
        override = _SharedFact.model_validate_json(payload).override()
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))[:100]
        if first["type"] == "extra_forbidden":
            raise NewerFactError(f"this version does not know {where}", board) from None
        raise NotAFactError(f"{where}: {first['msg']}" if where else str(first["msg"])) from None
    if id is not None and id != override.id:
        raise NotAFactError(f"it has the id {override.id}")
    return override


Text = Annotated[str, Field(max_length=2000, pattern=r"^[^\x00-\x1f\x7f]*$")]
Name = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
Instant = Annotated[int, Field(ge=0, lt=END_NS)]
Count = Annotated[int, Field(ge=1, lt=1 << 31)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _Pattern(_Model):
    kind: str
    controller: Name | None = None
    only: tuple[Name, ...] = ()
    colour: str = "white"
    number: Count | None = None
    a_second: Count
    port: Name | None = None
    fixture: Name | None = None
    zone: Name | None = None

    @model_validator(mode="after")
    def _known(self) -> _Pattern:
        if self.kind not in PATTERNS or self.colour not in COLOURS:
            raise ValueError("there is no such pattern or colour")
        return self


class _Check(_Model):
    text: Text
    pattern: _Pattern


class _SharedFact(_Model):
    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)]
    id: Annotated[int, Field(ge=1 << MARK_BITS, lt=IDS_END)]
    kind: Kind
    at_ns: Instant
    until_ns: Instant
    ended_ns: Instant | None = None
    who: Text = ""
    show: Name | None = None
    level: Annotated[float, Field(ge=0, le=1)] | None = None
    show_continues: bool = False
    check: _Check | None = None
    zone: Name | None = None
    why: Text = ""
    hold: Text = ""
    piece: Name | None = None
    after: bool = False
    author: Name
    version: Count
    changed_by: Name
    ended_by: Text = ""

    @model_validator(mode="after")
    def _agrees(self) -> _SharedFact:
        terms = TERMS[self.kind]
        if self.at_ns > self.until_ns:
            raise ValueError("it ends before it begins")
        if self.zone is None if terms.zone_needed else self.zone is not None and not terms.in_zones:
            raise ValueError("it has no zone" if terms.zone_needed else "it has a zone")
        called = (self.show is not None) + (self.piece is not None)
        dims = self.kind in (Kind.DIM, Kind.HOLD_DIM, *CHECKS)
        for has, must, what in (
            (called, self.kind == Kind.CALL, "a show or a piece"),
            (self.level is not None, dims, "a level"),
            (self.check is not None, self.kind in CHECKS, "a check"),
            (bool(self.hold), terms.of_a_hold, "a hold"),
        ):
            if has != must:
                raise ValueError(f"a {self.kind} {'needs' if must else 'cannot have'} {what}")
        if self.after and self.piece is None:
            raise ValueError("only a piece can be after another")
        return self

    def override(self) -> Override:
        check = None
        if self.check:
            check = Check(self.check.text, "", 1, Fraction(1), Pattern(**dict(self.check.pattern)))
        given = {name: getattr(self, name) for name in type(self).model_fields if name not in ("format", "check")}
        return Override(**given, check=check)
