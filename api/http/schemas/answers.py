"""The models of the answers. A route answers through its model, so it sends no other keys."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.planner.site_files import ConflictCode
from gloaming.daemon.site.promised_hours import RefusedCode
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
    """A rule and its text. `code` does not change when the text is worded differently."""

    code: ReasonCode
    rule: str
    text: str


class SiteError(Answer):
    """A mistake in a file of the site, or a warning: the file, the line (from 1), the key, and what to do."""

    file: str
    line: int | None = None
    key: str | None = None
    text: str
    code: ConfigErrorCode


class RefusedGiven(Answer):
    """Why files are not taken over HTTP."""

    code: RefusedCode
    text: str


class ProblemDetails(Answer):
    """Problem details, RFC 9457 3.1; with `reasons` if a rule forbids it. For files of the site that are not saved: the
    files as they are and their version, the mistakes in the new ones, and why these are refused."""

    type: Annotated[str, Field(description="a URI reference; about:blank if the status says enough")]
    title: str
    status: int
    detail: Annotated[str, Field(description="one sentence for a person")]
    code: Annotated[ConfigErrorCode | ConflictCode | None, Field(description="what is wrong in the request")] = None
    reasons: list[ReasonGiven] | None = None
    files: dict[str, str] | None = None
    version: str | None = None
    errors: list[SiteError] | None = None
    refused: list[RefusedGiven] | None = None


# overrides


class OverrideName(Answer):
    """The id and kind of an override."""

    id: int
    kind: Kind


class PatternShown(Answer):
    """The pattern of a rig check. A walk passes `a_second` pixels in a second, and begins again after `frames`."""

    kind: str
    colour: str
    number: Annotated[int | None, Field(description="which pixel, or which universe")]
    a_second: int
    frames: int
    controller: str | None
    port: str | None
    zone: str | None


class DarkStretch(Answer):
    """Dark hours in which a burn-in is dark."""

    at: Instant
    until: Instant
    text: str


class OverrideStanding(OverrideName):
    """An override that is in force, or will be."""

    kind_name: Annotated[str, Field(description="what a person calls it")]
    at: Instant
    until: Instant
    remaining_s: int
    who: str
    show: str | None = None
    piece: Annotated[str | None, Field(description="the piece that was called; `at` and `until` are looked up")] = None
    after: Annotated[bool | None, Field(description="whether it begins after what played when it was called")] = None
    level: float | None = None
    show_continues: bool | None = None
    zone: Annotated[str | None, Field(description="the part of the rig that it is for; absent: the whole rig")] = None
    why: Annotated[str | None, Field(description="what is wrong with what is out of service; why a hold holds")] = None
    hold: Annotated[str | None, Field(description="the hold that it is of")] = None
    may_end: Annotated[bool | None, Field(description="whether a person may end the hold for an hour")] = None
    check: Annotated[str | None, Field(description="the pattern of a rig check, in words")] = None
    strings: list[str] | None = None
    fixture: str | None = None
    pattern: PatternShown | None = None
    dark: Annotated[list[DarkStretch] | None, Field(description="when a burn-in is dark, by dark hours")] = None


class BoardConfirmed(Answer):
    """A board of the site: whether it sends what was asked for, and what it sends, or why it sends something else."""

    name: str
    contact: Annotated[bool, Field(description="false: it plays on, and gets this when it is back")]
    on_the_wire: bool
    text: str


class Confirmed(Answer):
    """`on_the_wire`: whether the transmitter sends what was asked for. `wire`: what it sends, or why it sends something
    else. Both are those of the board that answers."""

    on_the_wire: bool
    wire: str
    boards: Annotated[
        list[BoardConfirmed] | None, Field(description="every board of the site, this one first; absent: it has none")
    ] = None


class OverrideTaken(OverrideStanding, Confirmed):
    """An override that was stored, and whether it is on the wire. `ended`: the overrides that the new one replaces."""

    ended: list[OverrideName]
    caution: Annotated[str | None, Field(description="what whoever asks for it must mind")] = None


class OverrideEnded(OverrideName, Confirmed):
    """An override that was ended, and whether its end is on the wire."""

    ended: Instant


# dates, journal, site


class NightAhead(Answer):
    """A night of a performance."""

    date: str
    show: str
    zone: Annotated[str | None, Field(description="the zone of its performance; null: the whole rig")] = None
    opens: Instant
    closes: Instant
    opens_code: OpensBy
    opens_by: str
    closes_by: str
    cut_by: str | None


class NightPast(Answer):
    """A past night."""

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


class RepairCounts(Answer):
    """How many marks of the repairs list were made and mended on these dates, and how many are open now."""

    marked: int
    mended: int
    open: int


class SeasonSums(Answer):
    """The sums of a report."""

    nights: int
    outcomes: dict[str, int]
    hours_lit: float
    pieces: dict[str, int]
    interruptions: int
    energy_kwh: float | None
    repairs: RepairCounts


class SeasonReport(Answer):
    """A report of the season, night by night."""

    site: str
    sums: SeasonSums
    nights: list[NightPast]


class JournalLine(Answer):
    """A line of the journal; `data` has the values of its kind."""

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


class PieceCallable(Answer):
    """A piece that may be called."""

    name: str
    title: Annotated[str, Field(description="its name where site.toml has no title")]
    artist: str


class SiteListed(Answer):
    """The site, and the shows and pieces that may be called."""

    site: str
    timezone: str
    shows: list[ShowListed]
    pieces: list[PieceCallable]
