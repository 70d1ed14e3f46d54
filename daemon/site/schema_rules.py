"""The tables of site.toml with dates and times: days, neighbours' hours, performances. Values only.

The timetable computes their instants. It reads them through the protocols of `timetable/rules.py`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from gloaming.daemon.timetable.dates import Dates, read_dates, read_rule, read_season
from gloaming.daemon.timetable.times import (
    DAYS_PATTERN,
    LENGTH_PATTERN,
    TIME_PATTERN,
    TimeExpression,
    read_days,
    read_length,
    read_time,
)
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.errors import WrongValueError

Time = Annotated[
    TimeExpression,
    BeforeValidator(read_time),
    WithJsonSchema({"type": "string", "title": "time", "pattern": TIME_PATTERN}),
    Field(examples=['"22:30"']),
]
Length = Annotated[
    int,
    BeforeValidator(read_length),
    WithJsonSchema({"type": "string", "title": "length", "pattern": LENGTH_PATTERN}),
    Field(examples=['"20 min"']),
]
Days = Annotated[
    frozenset[int],
    BeforeValidator(read_days),
    WithJsonSchema({"type": "string", "title": "days", "pattern": DAYS_PATTERN}),
    Field(examples=['"daily"']),
]
DateSet = Annotated[
    Dates,
    BeforeValidator(read_dates),
    WithJsonSchema({"type": "string", "title": "dates"}),
    Field(examples=['"2026-12-24"']),
]
Season = Annotated[
    Dates,
    BeforeValidator(read_season),
    WithJsonSchema({"type": "string", "title": "dates"}),
    Field(examples=['"11-27..01-06"']),
]
Rule = Annotated[str, BeforeValidator(read_rule), Field(examples=['"FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"'])]
Brightness = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.5"])]


class Dated(Table):
    """A choice of calendar dates: days of the week, dates or a rule, within a season. By default every date.

    Compared by identity, because tables are keys of caches and have many fields.
    """

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        return id(self)

    season: Season | None = None
    """The first and the last date, of every year or of one."""
    days: Days | None = None
    """Days of the week. One of days, dates and rrule may be given."""
    dates: Annotated[tuple[DateSet, ...], Field(min_length=1, examples=['["2026-12-24"]'])] | None = None
    """Single dates, stretches of dates, Easter, public holidays."""
    rrule: Rule | None = None
    """A recurrence rule of whole days (RFC 5545)."""
    except_: Annotated[tuple[DateSet, ...], Field(alias="except", examples=['["12-31"]'])] = ()
    """Dates that are left out."""

    @model_validator(mode="after")
    def _one_way(self) -> Dated:
        given = [key for key in ("days", "dates", "rrule") if getattr(self, key) is not None]
        if len(given) > 1:
            raise WrongValueError(f"{' and '.join(given)} exclude each other", "give one of them")
        return self


class AnyHours(Dated):
    """Hours that begin on the selected dates."""

    from_: Time = Field(alias="from")
    """When the hours begin."""
    to: Annotated[Time, Field(examples=['"07:00"'])]
    """When the hours end. A time that is not after the beginning is on the next date."""

    @property
    def contents(self) -> list[tuple[str, object]]:
        """Its keys and values without its place in the file."""
        return sorted(self.model_dump(exclude={"place"}).items())


Interface = Annotated[str, Field(pattern=r"^[!-.0-~]{1,60}$", examples=['"eth0"'])]
"""A network interface, by its name or one of its addresses."""
ZoneName = Annotated[str, Field(min_length=1, examples=['"roof"'])]


class Hours(AnyHours):
    """Hours in a part of the rig or all of it."""

    zone: ZoneName | None = None
    """The part of the rig that they are for: a zone, string, fixture or controller of rig.toml. Without it, all."""

    @property
    def contents(self) -> list[tuple[str, object]]:
        return [item for item in super().contents if item != ("zone", None)]  # without a zone, the id of before zones


class DimHours(Hours):
    """Hours in which the light is no brighter than `brightness`."""

    brightness: Brightness
    """The highest brightness, as a share of full."""


class QuietHours(AnyHours):
    """Hours without sound, or with no more than `volume`."""

    volume: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.3"])] = 0.0
    """The highest volume; 0 is silent."""


class Performance(Dated):
    """A show given from an opening to a closing time, on some dates."""

    show: Annotated[str, Field(examples=['"evening"'])]
    """The show, by name."""
    from_: Time = Field(alias="from")
    """When it opens."""
    to: Annotated[Time, Field(examples=['"22:00"'])]
    """When it closes. A time that is not after the opening is on the next date."""
    not_before: Annotated[Time | None, Field(examples=['"16:30"'])] = None
    """It opens no earlier than this, whatever the sun does."""
    not_after: Annotated[Time | None, Field(examples=['"17:30"'])] = None
    """It opens no later than this, whatever the sun does."""
    at_close: Annotated[Literal["finish", "cut"], Field(examples=['"finish"'])] = "cut"
    """finish: no piece begins that would end too late. cut: the closing cuts off the piece that plays."""
    grace: Annotated[Length, Field(examples=['"3 min"'])] = 0
    """With finish: how long after the closing a piece may end, an hour at most."""
    rank: Annotated[int, Field(ge=0, le=1000, examples=["0"])] = 0
    """Where two performances overlap, the one with the higher rank is given."""
    alone: bool = False
    """On its dates, no performance of a lower rank is given."""
    zone: ZoneName | None = None
    """The part of the rig that it is for: a zone, string, fixture or controller of rig.toml. Without it, all."""
