"""What the forms of the set-up show of a site.toml, and the changes that they make in it."""

import tomllib
from datetime import date, time
from typing import Annotated, Literal

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError

from gloaming.api.http.schemas.answers import Answer
from gloaming.api.http.schemas.base import Expected, RequestModel, absent

# what they change

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


# what they show


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
