"""Requests and answers of the set-up (/api/setup/...)."""

import tomllib
from datetime import date, time
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError, create_model

from gloaming.api.http.schemas.answers import Answer, Instant, RefusedGiven, SiteError
from gloaming.api.http.schemas.base import Expected, RequestModel, absent
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


Name = Annotated[str, Field(min_length=1, max_length=60), Expected("{value!r} is not a name", "1 to 60 characters")]
Time = Annotated[
    str, Field(min_length=1, max_length=60), Expected("{value!r} is not a time", 'as "17:00" or "sunset + 20 min"')
]
SignText = Annotated[
    str, Field(min_length=1, max_length=200), Expected("{value!r} is not a text for a sign", "1 to 200 characters")
]
File = Annotated[
    str, Field(min_length=1, max_length=500), Expected("{value!r} is not a file", 'as "pieces/tide.frames"')
]
Place = Annotated[
    int,
    Field(strict=True, ge=0, le=9999, description="the place of the performance in site.toml, from 0"),
    Expected("{value!r} is not the place of a performance", "as 0, for the first [[performance]] of site.toml"),
]


class SiteChange(RequestModel):
    """A change that a form makes in the files."""

    called = "this change"


class SeasonChange(SiteChange):
    """The dates of a performance."""

    change: Literal["season"]
    performance: Place
    season: Annotated[
        str | None,
        Field(max_length=60, description="null: on every date"),
        Expected("{value!r} is not a season", 'as "11-27..01-06", or null'),
    ]


class OpeningChange(SiteChange):
    """When a performance opens. A limit that is not given stays; null removes it."""

    change: Literal["opening"]
    performance: Place
    time: Time
    not_before: Time | None = Field(default_factory=absent)
    not_after: Time | None = Field(default_factory=absent)


class ClosingChange(SiteChange):
    """When a performance closes."""

    change: Literal["closing"]
    performance: Place
    time: Time


class OrderChange(SiteChange):
    """The running order of a show."""

    change: Literal["order"]
    show: Name
    order: Annotated[
        list[Name], Field(min_length=1, max_length=10_000), Expected("this is not a list of pieces", "name one")
    ]


class BrightnessChange(SiteChange):
    """The brightness of everything, or of a zone."""

    change: Literal["brightness"]
    brightness: Annotated[
        float, Field(strict=True, ge=0, le=1), Expected("{value!r} is not a number from 0 to 1", "as 0.6")
    ]
    zone: Name | None = Field(default_factory=absent)


class HoursChange(SiteChange):
    """New neighbours' hours, or other values of those with a number. A save refuses what shortens them."""

    change: Literal["hours"]
    kind: Annotated[Literal["dark", "quiet", "dim"], Expected("{value!r} are no hours", "use dark, quiet, dim")]
    number: Annotated[
        int | None,
        Field(strict=True, ge=0, le=9999, description="their place in the list, from 0; null: new ones"),
        Expected("{value!r} is not a place in the list", "as 0, or null for new hours"),
    ] = None
    begin: Time | None = Field(default_factory=absent)
    end: Time | None = Field(default_factory=absent)
    zone: Name | None = Field(default_factory=absent)
    brightness: Annotated[
        float | None, Field(strict=True, ge=0, le=1), Expected("{value!r} is not a number from 0 to 1", "as 0.5")
    ] = Field(default_factory=absent)


class PieceChange(SiteChange):
    """A new piece; with `show`, at the end of that running order."""

    change: Literal["piece"]
    name: Name
    frames: File
    sound: File | None = Field(default_factory=absent)
    show: Name | None = Field(default_factory=absent)


class PieceFileChange(SiteChange):
    """Another frame file for a piece, or another sound file. What is not given stays; null removes the sound."""

    change: Literal["piece-file"]
    name: Name
    frames: File | None = Field(default_factory=absent)
    sound: File | None = Field(default_factory=absent)


class PieceTitleChange(SiteChange):
    """What signs call a piece, and its artist. What is not given stays; null removes it."""

    change: Literal["piece-title"]
    name: Name
    title: SignText | None = Field(default_factory=absent)
    artist: SignText | None = Field(default_factory=absent)


class RemovePieceChange(SiteChange):
    """A piece that goes, from the running orders too. Its files stay."""

    change: Literal["remove-piece"]
    name: Name


class NameChange(SiteChange):
    """The name of the site."""

    change: Literal["name"]
    name: Name


class RenameChange(SiteChange):
    """Another name for a piece or a show, wherever site.toml names it."""

    change: Literal["rename"]
    kind: Annotated[Literal["piece", "show"], Expected("{value!r} has no name here", "use piece, show")]
    name: Name
    to: Name


AnyChange = Annotated[
    SeasonChange
    | OpeningChange
    | ClosingChange
    | OrderChange
    | BrightnessChange
    | HoursChange
    | PieceChange
    | PieceFileChange
    | PieceTitleChange
    | RemovePieceChange
    | NameChange
    | RenameChange,
    Field(discriminator="change"),
]


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


def _read(text: object) -> object:
    """A value as it stands in the file. One that cannot be a text stays, and the forms have no values."""
    return str(text) if isinstance(text, date | time | int | float) else text


Shown = Annotated[str, BeforeValidator(_read)]


class _FormTable(Answer):
    """What the forms show of a table, as it stands in the file: right or wrong."""

    model_config = ConfigDict(extra="ignore")


class FormDated(_FormTable):
    """The dates of a performance or of hours."""

    season: Shown | None = None
    days: Shown | None = None
    dates: tuple[Shown, ...] | None = None
    rrule: Shown | None = None
    except_: Annotated[tuple[Shown, ...] | None, Field(alias="except")] = None
    zone: Shown | None = None
    from_: Annotated[Shown | None, Field(alias="from")] = None
    to: Shown | None = None


class FormPerformance(FormDated):
    """A performance."""

    show: Shown = ""
    not_before: Shown | None = None
    not_after: Shown | None = None


class FormHours(FormDated):
    """Neighbours' hours."""

    brightness: float | None = None
    volume: float | None = None


class FormNamed(_FormTable):
    """A table with a name."""

    name: Shown = ""


class FormPiece(FormNamed):
    """A piece, and what signs call it."""

    title: Shown = ""
    artist: Shown = ""


class FormShow(FormNamed):
    """A show and its running order."""

    order: tuple[Shown, ...] = ()


class FormZone(FormNamed):
    """The brightness of a zone."""

    brightness: float = 1.0


class FormOutput(_FormTable):
    """The brightness of everything, and of zones."""

    brightness: float = 1.0
    zone: tuple[FormZone, ...] = ()


class FormNeighbours(_FormTable):
    """All neighbours' hours."""

    dark: tuple[FormHours, ...] = ()
    quiet: tuple[FormHours, ...] = ()
    dim: tuple[FormHours, ...] = ()


class FormValues(_FormTable):
    """What the forms show of a site.toml."""

    piece: tuple[FormPiece, ...] = ()
    show: tuple[FormShow, ...] = ()
    performance: tuple[FormPerformance, ...] = ()
    output: FormOutput = FormOutput()
    neighbours: FormNeighbours = FormNeighbours()

    @classmethod
    def of(cls, text: str) -> "FormValues | None":
        """The values in a text. None for one that is no TOML, or whose tables have another form."""
        try:
            return cls.model_validate(tomllib.loads(text.removeprefix("\ufeff")))
        except (tomllib.TOMLDecodeError, ValidationError):
            return None


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


# pieces

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


# documents


class DocumentState(Answer):
    """How far a document is that takes long."""

    making: Making
    made: Annotated[Instant | None, Field(description="when it was made from the site's files of now")]
    problem: Annotated[str, Field(description="why there is none; empty if all is well")]
    doing: Annotated[str, Field(description="what is under way, as the piece that is read; empty if nothing is")]
    share: Annotated[float, Field(ge=0, le=1, description="how much of that is done")]
