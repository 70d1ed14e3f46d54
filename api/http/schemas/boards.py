"""Answers on the boards of a site: who is in contact, and what each has confirmed."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant

Sharing = Annotated[
    Literal["connected", "away", "none"],
    Field(description="whether this board has contact with the site's broker; none: the site has no boards or broker"),
]


class BoardsNow(Answer):
    """The boards of the site in brief. A board counts as in contact with itself."""

    this: Annotated[str, Field(description="the name of this board")]
    sharing: Sharing
    in_contact: int
    of: Annotated[int, Field(description="how many boards site.toml names")]
    away: Annotated[list[str], Field(description="the first twelve without contact")]
    text: Annotated[str, Field(description="the same in words")]


class BoardClock(Answer):
    """The clock of a board; `offset_ms` is how far it is from this board's, null where that was not measured."""

    by: str
    text: Annotated[str, Field(description="the same in words")]
    error_ms: float | None
    offset_ms: float | None
    trusted: bool


class BoardAsked(Answer):
    """An override, by its id, and whether a board has it on the wire."""

    id: int
    on_the_wire: bool
    text: str


class BoardListed(Answer):
    """A board, as this one knows it."""

    name: str
    this: Annotated[bool, Field(description="whether it is the board that answers")]
    in_site: Annotated[bool, Field(description="false: a board in contact that site.toml does not name")]
    contact: bool
    since: Annotated[Instant | None, Field(description="since when it is in contact, or is not; null: never")]
    text: Annotated[str, Field(description="the contact in words")]
    controllers: Annotated[list[str], Field(description="what it sends to, by site.toml")]
    spare_for: str | None
    carries: Annotated[bool, Field(description="of a spare: whether it carries the light, as the other is silent")]
    address: Annotated[str | None, Field(description="the address of its page")]
    program: Annotated[str | None, Field(description="the version of Gloaming")]
    same_site: Annotated[bool | None, Field(description="whether its files are those of this board; null: not known")]
    troubles: Annotated[int, Field(description="how many troubles it has of its own")]
    clock: BoardClock | None
    asked: Annotated[list[BoardAsked], Field(description="what is in force or to come, and was asked for by hand")]


class BoardsListed(Answer):
    """The boards of the site, in its order, then those in contact that it does not name."""

    this: str
    sharing: Sharing
    boards: list[BoardListed]
