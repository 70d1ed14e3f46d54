"""Requests and answers on pieces and uploads (/api/setup/pieces)."""

from typing import Annotated

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant
from gloaming.api.http.schemas.base import Expected, RequestModel
from gloaming.api.http.schemas.forms import Name

Fps = Annotated[str, Field(max_length=20), Expected("{value!r} is not a frame rate", 'as "40" or "29.97"')]
Matrix = Annotated[str, Field(max_length=20), Expected("{value!r} is not a size", 'as "64x32"')]
Universes = Annotated[str, Field(max_length=200), Expected("{value!r} is not a list of universes", 'as "1" or "1-4"')]


class PieceRequest(RequestModel):
    """A whole upload, to be taken as the frames or the sound of a piece. The last four are for arrays, pictures and
    videos: what they leave open is chosen by the rig."""

    upload: Annotated[str, Field(max_length=32), Expected("this is not the id of an upload", "tus has given it")]
    name: Name
    replace: Annotated[bool, Field(strict=True, description="take the place of what the piece has")] = False
    fps: Fps | None = None
    universes: Universes | None = None
    matrix: Matrix | None = None
    order: Annotated[str, Field(max_length=4), Expected("{value!r} is not an order of colours", 'as "GRB"')] = "RGB"


class PieceFindingGiven(Answer):
    """What is wrong with a piece, and what to do."""

    code: str
    severity: str
    text: str
    hint: str | None


class PieceListed(Answer):
    """A piece of the site."""

    name: str
    frames: Annotated[str, Field(description="the name of its frame file")]
    sound: str | None
    length_s: float | None
    fps: float | None
    universes: Annotated[str | None, Field(examples=["1-12"])]
    size_bytes: int
    lufs: Annotated[float | None, Field(description="integrated loudness (EBU R 128); null until it is measured")]
    shows: Annotated[list[str], Field(description="the shows that play it")]
    next_at: Annotated[Instant | None, Field(description="when it begins next; null: not in 60 days")]
    findings: list[PieceFindingGiven]


class DeletedPieceListed(Answer):
    """A deleted piece, which can be restored for a day."""

    name: str
    until: Instant


class UploadListed(Answer):
    """A file on its way to the board."""

    id: str
    file: str
    length: int
    offset: int


class PieceImportGiven(Answer):
    """An upload on its way to a piece. `done` of `of` frames."""

    upload: str
    name: str
    file: str
    state: Annotated[str, Field(examples=["waiting", "running", "made", "refused"])]
    done: int
    of: int | None
    problem: Annotated[str, Field(description="why it was refused")]
    notes: list[str]


class PiecesGiven(Answer):
    """The pieces in the order of site.toml, and what is on its way."""

    pieces: list[PieceListed]
    deleted: list[DeletedPieceListed]
    uploads: list[UploadListed]
    imports: list[PieceImportGiven]
    free_bytes: Annotated[int, Field(description="what uploads may use of the disk")]
    kinds: Annotated[list[str], Field(description="the endings of the names of files that are taken")]
