"""The tables of site.toml that say when: days and dates, neighbours' hours, performances. Values only."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from gloaming.daemon.timetable.dates import Dates, read_dates, read_rule, read_season, rule_dates
from gloaming.daemon.timetable.grammar import TimeExpression, read_days, read_length, read_time
from gloaming.shows.checking import Table

Time = Annotated[TimeExpression, BeforeValidator(read_time), Field(examples=['"22:30"'])]
Length = Annotated[int, BeforeValidator(read_length), Field(examples=['"20 min"'])]
Days = Annotated[frozenset[int], BeforeValidator(read_days), Field(examples=['"daily"'])]
DateSet = Annotated[Dates, BeforeValidator(read_dates), Field(examples=['"2026-12-24"'])]
Season = Annotated[Dates, BeforeValidator(read_season), Field(examples=['"11-27..01-06"'])]
Rule = Annotated[str, BeforeValidator(read_rule), Field(examples=['"FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"'])]
Brightness = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.5"])]


class Dated(Table):
    """A table that selects calendar dates: weekdays within a season, dates, or a rule; `except` leaves some out.

    Two tables are the same only if they are one: they are keys of caches, and their fields are many.
    """

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        return id(self)

    season: Season | None = None
    days: Days | None = None
    dates: Annotated[tuple[DateSet, ...], Field(min_length=1, examples=['["2026-12-24"]'])] | None = None
    rrule: Rule | None = None
    except_: Annotated[tuple[DateSet, ...], Field(alias="except", examples=['["12-31"]'])] = ()

    @model_validator(mode="after")
    def _one_way(self) -> Dated:
        given = [key for key in ("days", "dates", "rrule") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} stand together; give one of them")
        return self

    def on(self, day: date) -> bool:
        """Whether a calendar date is selected."""
        if (self.season and not self.season.contains(day)) or any(dates.contains(day) for dates in self.except_):
            return False
        if self.dates is not None:
            return any(dates.contains(day) for dates in self.dates)
        if self.rrule is not None:
            return day in rule_dates(self.rrule, day.year)
        return self.days is None or day.weekday() in self.days


class Hours(Dated):
    """Neighbours' hours: a stretch of the clock that begins on the selected dates."""

    from_: Time = Field(alias="from")
    to: Time


class DimHours(Hours):
    """Hours with a lower ceiling."""

    brightness: Brightness


class QuietHours(Hours):
    """Hours without sound, or with no more than a `volume`."""

    volume: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.3"])] = 0.0


class Performance(Dated):
    """A show given from an opening to a closing time, on some dates."""

    show: Annotated[str, Field(examples=['"evening"'])]
    from_: Time = Field(alias="from")
    to: Time
    not_before: Time | None = None
    not_after: Time | None = None
    at_close: Annotated[Literal["finish", "cut"], Field(examples=['"finish"'])] = "cut"
    grace: Length = 0
    rank: Annotated[int, Field(ge=0, le=1000, examples=["0"])] = 0
    alone: bool = False
