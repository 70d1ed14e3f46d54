"""Answers on what comes from outside: triggers and holds."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant, ReasonGiven
from gloaming.daemon.direction.score import ReasonCode


class TriggerListed(Answer):
    """A trigger: what it calls, and what its events since the last noon have become."""

    name: str
    piece: str | None
    show: str | None
    zone: str | None
    by: Annotated[list[Literal["mqtt", "http", "device"]], Field(description="what it listens to")]
    board: Annotated[str | None, Field(description="of several boards, the one that acts on its messages by MQTT now")]
    last_call: Instant | None
    calls: int
    refusals: Annotated[dict[ReasonCode, int], Field(description="how many events each reason has refused")]
    last_refusal: Instant | None
    refused_now: Annotated[ReasonGiven | None, Field(description="why an event would be refused now")]


class TriggersListed(Answer):
    """The triggers, in the order of the site."""

    triggers: list[TriggerListed]


class HoldListed(Answer):
    """A hold: its last reading, whether it holds, and why."""

    name: str
    makes: Literal["dark", "paused", "dim"]
    zone: str | None
    level: Annotated[float | None, Field(description="of a dim: the share of the set brightness")]
    reading: Annotated[float | str | None, Field(description="the last one; null: none has come")]
    heard: Annotated[Instant | None, Field(description="when it came")]
    silent: Annotated[bool, Field(description="whether no reading has come for `silent_after`")]
    holds: Annotated[bool, Field(description="whether it keeps the light off or low now")]
    since: Annotated[Instant | None, Field(description="since when its rule says so, also where a person has ended it")]
    text: Annotated[str, Field(description="why, and what comes next")]
    may_end: Annotated[bool, Field(description="whether a person may end it for an hour")]
    ended_until: Annotated[Instant | None, Field(description="until when a person has ended it")]
    override: Annotated[int | None, Field(description="the id of its override, to end it")]
    board: Annotated[str | None, Field(description="of several boards, the one that acts on its readings now")]
    problem: Annotated[str | None, Field(description="what is wrong with the newest payload, if it is no reading")]


class HoldsListed(Answer):
    """The holds, in the order of the site."""

    holds: list[HoldListed]


class ReadingHeard(Answer):
    """A hold has taken a reading."""

    name: str


class TokenMade(Answer):
    """A token that is good for `url` alone. It is not stored, and not shown again."""

    token: str
    url: str
