"""Requests and answers of the set-up (/api/setup/...): the site's files, and documents."""

from datetime import date
from typing import Annotated, Any

from pydantic import Field, create_model

from gloaming.api.http.schemas.answers import Answer, Instant, RefusedGiven, SiteError
from gloaming.api.http.schemas.base import Expected, RequestModel
from gloaming.api.http.schemas.forms import AnyChange, FormValues
from gloaming.api.http.setup.making import Making
from gloaming.daemon.site.last_good import FILES

# the site's files

TEXT = Expected("this is not a text", "send each file as one text in UTF-8")
Version = Annotated[
    str,
    Field(max_length=64),
    Expected("{value!r} is not a version", "GET /api/setup/site has the version of its files"),
]


class _SiteTexts(RequestModel):
    """The texts of both files, by name."""

    called = "files"


_TEXTS: dict[str, Any] = dict.fromkeys(FILES, (Annotated[str, TEXT], ...))
SiteTexts: Any = create_model("SiteTexts", __base__=_SiteTexts, __doc__=_SiteTexts.__doc__, **_TEXTS)


class SiteFilesRequest(RequestModel):
    """Texts of both files."""

    files: SiteTexts


class SaveSiteRequest(SiteFilesRequest):
    """Texts of both files, to be saved in place of a version."""

    version: Version
    force: Annotated[
        bool,
        Field(strict=True, description="save files with mistakes: the running site stays until they are corrected"),
    ] = False


class ChangeSiteRequest(SiteFilesRequest):
    """Texts of both files, and what a form changes in them."""

    changes: Annotated[list[AnyChange], Field(max_length=1000)]


class SiteFilesGiven(Answer):
    """The files as they are on the disk, their version, and the mistakes for which they are not used."""

    files: dict[str, str]
    version: str
    errors: list[SiteError]


class SiteChangeGiven(Answer):
    """What would change, and on which nights."""

    text: Annotated[str, Field(examples=["12 nights open 20 minutes earlier"])]
    nights: list[date]


class SiteCheckedGiven(Answer):
    """What texts would make. With mistakes there are no changes and no pictures."""

    errors: list[SiteError]
    warnings: list[SiteError]
    refused: list[RefusedGiven]
    changes: list[SiteChangeGiven]
    values: Annotated[FormValues | None, Field(description="what forms show; null if the text cannot be read")]
    before_svg: str | None
    after_svg: str | None


class SiteSavedGiven(Answer):
    """The files are saved. They are used if they are taken over."""

    version: str
    taken_over: bool
    errors: list[SiteError]


class SiteTextsGiven(Answer):
    """The texts of both files, by name."""

    files: dict[str, str]


class SiteVersionListed(Answer):
    """Files that were saved, or found on the board before a save."""

    id: int
    at: Instant
    who: str
    text: Annotated[str, Field(description="what it changed")]
    version: str
    board: Annotated[bool, Field(description="whether it was written on the board itself")]


class SiteVersionGiven(SiteVersionListed):
    """A version with its files."""

    files: dict[str, str]


# documents


class DocumentState(Answer):
    """How far a document is that takes long."""

    making: Making
    made: Annotated[Instant | None, Field(description="when it was made from the site's files of now")]
    problem: Annotated[str, Field(description="why there is none; empty if all is well")]
    doing: Annotated[str, Field(description="what is under way, as the piece that is read; empty if nothing is")]
    share: Annotated[float, Field(ge=0, le=1, description="how much of that is done")]
