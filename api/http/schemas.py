"""The words of the HTTP side: what is asked and answered, as the OpenAPI document has them.

What is asked is checked against these. Answers are described by them, and a test holds the one to the other; an answer
that says more than is written here stays an answer.
"""

import re
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from gloaming.api.http.problems import ProblemDetails, ReasonGiven
from gloaming.daemon.direction.overrides import ASKED, TERMS
from gloaming.daemon.direction.score import State
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.patterns import COLOURS, KINDS, NUMBERED

Instant = Annotated[str, Field(description="ISO 8601 with the site's offset", examples=["2026-12-24T17:05:00+00:00"])]


class Answer(BaseModel):
    """An answer may say more than is written here."""

    model_config = ConfigDict(extra="allow")


def _day(text: object) -> object:
    if not isinstance(text, str) or not re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        raise ValueError("this is not a date, as 2026-12-24")
    return text


def _instant(text: object) -> object:
    if not isinstance(text, str) or not re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:", text):
        raise ValueError("this is not an instant, as 2026-12-24T17:05:00+00:00")
    return text


Day = Annotated[date, BeforeValidator(_day)]
"""A date, and nothing that could be taken for one."""
At = Annotated[datetime, BeforeValidator(_instant)]
"""An instant, and nothing that could be taken for one."""


class NoNulls(BaseModel):
    """A request that takes any key, and is checked where it is decided; what is not said is left out."""

    model_config = ConfigDict(extra="allow")

    @model_validator(mode="after")
    def _nothing_is_null(self) -> Self:
        for key, value in (self.model_extra or {}).items():
            if value is None:
                raise ValueError(f"{key} is null; leave it out")
        return self


class Asked(NoNulls):
    """An override as it is asked for; which keys go with which kind is checked where it is decided."""

    kind: Annotated[str, Field(max_length=20)]


OVERRIDE_KEYS: dict[str, dict[str, Any]] = {
    "unseen": {"type": "boolean", "description": "the show goes on behind the dark"},
    "show": {"type": "string", "description": "one of the site's shows"},
    "level": {
        "type": "number",
        "minimum": 0,
        "maximum": 1,
        "description": "a share of the brightness that is set; the ceiling of dim hours holds beside it",
    },
}
"""What a kind may have besides its kind and its end."""

UNTIL = {
    "type": "string",
    "pattern": "^(tonight|([01][0-9]|2[0-3]):[0-5][0-9])$",
    "description": 'the next "22:15" at the site, or "tonight": till the coming noon. '
    "An ISO 8601 instant with its offset, within the coming week, is taken too.",
}


def override_schema(shows: list[str]) -> dict[str, Any]:
    """The JSON Schema of an override that may be asked for, with the shows that a call may name."""
    keys = {**OVERRIDE_KEYS, "show": {**OVERRIDE_KEYS["show"], "enum": shows}}
    kinds: list[dict[str, Any]] = []
    for kind in ASKED:
        terms = TERMS[kind]
        more = {terms.key: keys[terms.key]} if terms.key else {}
        needed = [*more] if terms.needed else []
        if not terms.lasts:
            kinds.append(_kind(kind, more, needed))
            continue
        minutes = {"type": "number", "minimum": 0.001, "maximum": terms.longest_minutes}
        kinds.append(_kind(kind, {**more, "minutes": minutes}, needed))
        kinds.append(_kind(kind, {**more, "until": UNTIL}, [*needed, "until"]))
    return {"title": "Override", "anyOf": kinds}


def rig_check_schema(rig: Rig) -> dict[str, Any]:
    """The JSON Schema of a rig check that may be asked for, on the controllers and strings that there are."""
    controllers, strings = [one.name for one in rig.controller], [one.name for one in rig.string]
    common = {
        "colour": {"type": "string", "enum": list(COLOURS)},
        "level": {"type": "number", "minimum": 0.01, "maximum": 1, "description": "without it 0.3"},
        "minutes": {"type": "number", "minimum": 0.02, "maximum": 10, "description": "without it 10"},
    }
    told = "; ".join(f"{kind}: {what}" for kind, what in KINDS.items())
    plain = {
        "pattern": {"type": "string", "enum": [kind for kind in KINDS if kind not in NUMBERED], "description": told}
    }
    number = {"type": "integer", "minimum": 1, "maximum": 100_000, "description": "which pixel, or which universe"}
    numbered = {"pattern": {"type": "string", "enum": sorted(NUMBERED)}, "number": number}
    where: list[dict[str, Any]] = [{"controller": {"type": "string", "enum": controllers}}]
    if strings:
        one = {"type": "string", "enum": strings}
        where.append({"string": one, "strings": {"type": "array", "items": one, "maxItems": len(strings)}})
    forms = [
        {"type": "object", "properties": {**what, **place, **common}, "required": needed, "additionalProperties": False}
        for what, needed in ((plain, []), (numbered, ["pattern", "number"]))
        for place in where
    ]
    return {"title": "RigCheck", "anyOf": forms}


def _kind(kind: str, more: dict[str, Any], needed: list[str]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {"kind": {"type": "string", "const": kind}, **more},
        "required": ["kind", *needed],
        "additionalProperties": False,
    }


class Passcode(BaseModel):
    """A passcode, and what the device is to be called."""

    model_config = ConfigDict(extra="forbid")

    passcode: Annotated[str, Field(max_length=200, pattern=r"[^\s-]")]
    device: Annotated[str, Field(max_length=60)] = "a phone"


class LinkCode(BaseModel):
    """The code of a link that works once, and what the device is to be called."""

    model_config = ConfigDict(extra="forbid")

    code: Annotated[str, Field(max_length=200)]
    device: Annotated[str, Field(max_length=60)] = "a phone"


class NewPasscode(BaseModel):
    """Another passcode; without one, one is made."""

    model_config = ConfigDict(extra="forbid")

    passcode: Annotated[str, Field(min_length=8, max_length=200, pattern=r"^\S(.*\S)?$")] | None = None


class LinkAsked(BaseModel):
    """Whom a link is for: an operator may do everything, a viewer sees."""

    model_config = ConfigDict(extra="forbid")

    kind: Literal["operator", "viewer"] = "operator"


class SignedIn(Answer):
    """A token, to be sent as `Authorization: Bearer TOKEN`; a browser has it as a cookie as well."""

    token: str
    device: str
    kind: Literal["operator", "viewer"]


class Link(Answer):
    """A link that signs one device in, once, within ten minutes."""

    code: str
    link: str
    other_links: list[str]
    kind: str
    until: Instant
    squares: Annotated[list[str], Field(description="the link as a QR code without its margin, row by row; 1 is dark")]


class DeviceKnown(Answer):
    """A device that is signed in."""

    id: int
    name: str
    kind: str
    since: Instant
    seen: Annotated[Instant, Field(description="when it last asked anything, to the hour")]
    this: Annotated[bool, Field(description="whether this is the device that asks")]


class Ended(Answer):
    """What was ended."""

    id: int


class OverrideName(Answer):
    """Which override."""

    id: int
    kind: str


class OverrideStanding(Answer):
    """An override in force, or yet to come."""

    id: int
    kind: str
    kind_name: Annotated[str, Field(description="what a person calls it")]
    at: Instant
    until: Instant
    remaining_s: int
    who: str
    show: str | None = None
    level: float | None = None
    unseen: bool | None = None
    check: str | None = None
    strings: list[str] | None = None


class OverrideTaken(OverrideStanding):
    """An override that was stored. `on_the_wire` says whether what was asked for is what is sent, and `wire` what is
    sent, or why it is not what was asked for. `ended` has the overrides whose place it takes."""

    on_the_wire: bool
    wire: str
    ended: list[OverrideName]


class OverrideEnded(Answer):
    """An override that was ended."""

    id: int
    kind: str
    ended: Instant
    on_the_wire: bool
    wire: str


class Next(Answer):
    """What the state changes to, and when."""

    at: Instant
    state: str


class Why(Answer):
    """The decision at an instant, with its reasons."""

    at: Instant
    state: State
    show: str | None
    piece: str | None
    frame: int | None
    brightness: float
    sound: bool
    reasons: list[ReasonGiven]
    next: Next | None


class TroubleTold(Answer):
    """Something that is wrong, and what to do."""

    kind: str
    subject: str
    text: str
    since: str | None = None
    do: str | None = None


class Health(Answer):
    """Whether all is well; `transmitter` is its last telemetry, None where none answers."""

    ok: bool
    troubles: list[TroubleTold]
    transmitter: dict[str, Any] | None


class ClockTold(Answer):
    """The clock that the show runs by."""

    offset_s: float
    note: str | None


class AfterResume(Answer):
    """Whether there would be light, and the rule that says so."""

    light: bool
    text: str


class PieceNext(Answer):
    """A piece, and when it begins."""

    piece: str
    at: Instant


class Now(Why):
    """What is happening now, and why; what was asked by hand; whether all is well."""

    site: str
    timezone: Annotated[str, Field(description="the site's, as the IANA database has it")]
    state_name: Annotated[str, Field(description="what a person calls the state")]
    next_state_name: str | None
    position_s: float | None
    length_s: float | None
    overrides: list[OverrideStanding]
    next_piece: Annotated[PieceNext | None, Field(description="the piece of a running order that begins next")]
    after_resume: Annotated[
        AfterResume | None, Field(description="what there would be without the pauses and darks that stand")
    ]
    has_sound: Annotated[bool, Field(description="whether any piece has sound")]
    clock: ClockTold
    health: Health


class NightTold(Answer):
    """A night of a performance."""

    date: str
    show: str
    opens: Instant
    closes: Instant
    opens_by: str
    closes_by: str
    cut_by: str | None


class JournalLine(Answer):
    """A line of the journal."""

    id: int
    at_ns: int
    kind: str
    text: str
    who: str
    data: dict[str, Any]


class ShowTold(Answer):
    """A show, with its running order."""

    name: str
    order: list[str]


class SiteTold(Answer):
    """The site, and the shows that may be called."""

    site: str
    timezone: str
    shows: list[ShowTold]


__all__ = ["ProblemDetails", "ReasonGiven"]
