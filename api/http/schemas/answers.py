"""What HTTP answers: a model for each answer. A route answers through its model: no other keys are sent."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.timetable.nights import OpensBy
from gloaming.shows.config_files.errors import ConfigErrorCode

Instant = Annotated[str, Field(description="ISO 8601 with the site's offset", examples=["2026-12-24T17:05:00+00:00"])]


class Answer(BaseModel):
    """An answer, or a part of one."""

    model_config = ConfigDict(json_schema_extra={"additionalProperties": False})


class Running(Answer):
    """Whether the planner answers."""

    status: Literal["ok"] = "ok"


class ReasonGiven(Answer):
    """A rule and what it says; `code` stays the same when the text is worded anew."""

    code: ReasonCode
    rule: str
    text: str


class ProblemDetails(Answer):
    """Problem details, RFC 9457 3.1; `reasons` where a rule forbids what was asked."""

    type: Annotated[str, Field(description="a URI reference; about:blank where the status says it all")]
    title: str
    status: int
    detail: Annotated[str, Field(description="one sentence for a person")]
    code: Annotated[ConfigErrorCode | None, Field(description="what is wrong with what was asked")] = None
    reasons: list[ReasonGiven] | None = None


# devices


class SignedIn(Answer):
    """A token, to be sent as `Authorization: Bearer TOKEN`; a browser has it as a cookie as well."""

    token: str
    device: str
    kind: Literal["operator", "viewer"]


class LinkMade(Answer):
    """A link that signs one device in, once, within ten minutes."""

    code: str
    link: str
    other_links: list[str]
    kind: Literal["operator", "viewer"]
    until: Instant
    squares: Annotated[list[str], Field(description="the link as a QR code without its margin, row by row; 1 is dark")]


class DeviceKnown(Answer):
    """A device that is signed in."""

    id: int
    name: str
    kind: Literal["operator", "viewer"]
    since: Instant
    seen: Annotated[Instant, Field(description="when it last asked anything, to the hour")]
    this: Annotated[bool, Field(description="whether this is the device that asks")]


class DeviceSignedOut(Answer):
    """The device that was signed out."""

    id: int


class PasscodeInForce(Answer):
    """The passcode from now on."""

    passcode: str


# overrides


class OverrideName(Answer):
    """Which override."""

    id: int
    kind: Kind


class OverrideStanding(OverrideName):
    """An override in force, or yet to come."""

    kind_name: Annotated[str, Field(description="what a person calls it")]
    at: Instant
    until: Instant
    remaining_s: int
    who: str
    show: str | None = None
    level: float | None = None
    show_continues: bool | None = None
    check: Annotated[str | None, Field(description="the pattern of a rig check, in words")] = None
    strings: list[str] | None = None


class OverrideTaken(OverrideStanding):
    """An override that was stored. `on_the_wire` says whether what was asked for is what is sent, and `wire` what is
    sent, or why it is not what was asked for. `ended` has the overrides whose place it takes."""

    on_the_wire: bool
    wire: str
    ended: list[OverrideName]


class OverrideEnded(OverrideName):
    """An override that was ended."""

    ended: Instant
    on_the_wire: bool
    wire: str


# dates, journal, site


class NightAhead(Answer):
    """A night of a performance."""

    date: str
    show: str
    opens: Instant
    closes: Instant
    opens_code: OpensBy
    opens_by: str
    closes_by: str
    cut_by: str | None


class NightPast(Answer):
    """A night as it was."""

    date: str
    show: str
    opens: Instant | None
    closes: Instant | None
    outcome: str
    code: str | None
    why: str
    lit_s: int
    pieces: dict[str, int]
    interruptions: list[str]
    energy_wh: float | None


class SeasonSums(Answer):
    """The sums of a report."""

    nights: int
    outcomes: dict[str, int]
    hours_lit: float
    pieces: dict[str, int]
    interruptions: int
    energy_kwh: float | None


class SeasonReport(Answer):
    """The season as it was, night by night."""

    site: str
    sums: SeasonSums
    nights: list[NightPast]


class JournalLine(Answer):
    """A line of the journal; `data` are the values of its kind."""

    id: int
    at_ns: int
    kind: str
    text: str
    who: str
    data: dict[str, JsonValue]


class ShowListed(Answer):
    """A show, with its running order."""

    name: str
    order: list[str]


class SiteListed(Answer):
    """The site, and the shows that may be called."""

    site: str
    timezone: str
    shows: list[ShowListed]
