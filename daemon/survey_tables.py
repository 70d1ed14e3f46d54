"""The table of site.toml that belongs to the survey alone."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from gloaming.shows.checking import Table


class SurveyTable(Table):
    """From how far the rig is seen, in metres, and what a kilowatt-hour costs."""

    seen_from_m: Annotated[float, Field(gt=0, le=1000, examples=["10"])] = 10.0
    price_per_kwh: Annotated[float, Field(ge=0, le=1000, examples=["0.28"])] | None = None
    currency: Annotated[str, Field(max_length=8, examples=['"GBP"'])] = ""
