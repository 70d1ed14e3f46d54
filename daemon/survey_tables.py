"""The table of site.toml that belongs to the survey alone."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from gloaming.shows.checking import Table


class SurveyTable(Table):
    """What the survey needs to know."""

    seen_from_m: Annotated[float, Field(gt=0, le=1000, examples=["10"])] = 10.0
    """From how many metres people see the rig. Flashes are judged within ten degrees of their view."""
    price_per_kwh: Annotated[float, Field(ge=0, le=1000, examples=["0.28"])] | None = None
    """What a kilowatt-hour costs. With it the survey prices the season's energy."""
    currency: Annotated[str, Field(max_length=8, examples=['"GBP"'])] = ""
    """The currency of the price."""
