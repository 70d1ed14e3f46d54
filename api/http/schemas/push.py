"""Requests and answers about a site that another board pushes (/api/setup/push)."""

from typing import Annotated

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant
from gloaming.api.http.schemas.base import Expected, RequestModel
from gloaming.api.http.schemas.pieces import UploadListed
from gloaming.api.http.schemas.setup import SiteFilesRequest
from gloaming.daemon.planner.push_state import PushState

BYTES = Expected("{value!r} is not a number of bytes", "a whole number from 1 on")


class PushedFileRequest(RequestModel):
    """A file of a piece."""

    called = "a file"

    path: Annotated[str, Field(min_length=1, max_length=500, description="in the site's folder, as pieces/tide.frames")]
    length: Annotated[int, Field(strict=True, ge=1, description="bytes"), BYTES]
    sha256: Annotated[
        str, Field(pattern=r"^[0-9a-f]{64}$"), Expected("{value!r} is not a SHA-256", "64 hexadecimal digits")
    ]


class PushRequest(SiteFilesRequest):
    """A site: the texts of both files, and the files of its pieces."""

    board: Annotated[str, Field(max_length=200, description="the board that is meant, as site.toml names it")]
    pieces: list[PushedFileRequest]


class TakeOverRequest(RequestModel):
    """When a pushed site is taken over."""

    at_ns: Annotated[
        int,
        Field(strict=True, description="nanoseconds since the Unix epoch, by the clock of the board"),
        Expected("{value!r} is not an instant", "nanoseconds since the Unix epoch"),
    ]


class PushGiven(Answer):
    """How far a push is."""

    id: str
    state: PushState
    who: Annotated[str, Field(description="the device that pushes")]
    since: Instant
    now_ns: Annotated[int, Field(description="the clock of the board")]
    trusted: Annotated[bool, Field(description="whether that clock is trusted")]
    wanted: Annotated[list[str], Field(description="the SHA-256 of the files that do not lie on the board")]
    uploads: Annotated[
        list[UploadListed], Field(description="what has arrived of them; the name of each is its SHA-256")
    ]
    done: Annotated[int, Field(description="bytes that were read, to compare or to check them")]
    of: int
    errors: Annotated[list[str], Field(description="why it is refused, line by line")]
    at_ns: Annotated[int | None, Field(description="when the site is taken over")]
    taken_ns: Annotated[int | None, Field(description="when it was, by the clock of the board")]
