"""Documents to look at and to print: whole HTML pages, made by the code of the commands."""

import asyncio
from collections.abc import Callable
from datetime import datetime
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.exceptions import HTTPException

from gloaming.api.http.html_document import HTMLDocument
from gloaming.api.http.monitoring import Reports
from gloaming.api.http.schemas.base import Expected
from gloaming.api.http.schemas.setup import DocumentState
from gloaming.api.http.setup.making import DocumentMaker
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.reports import journal_html, nights_html, sheet_html
from gloaming.daemon.reports.nights import coming_seasons
from gloaming.shows.rig.sheet import sheet_of
from gloaming.shows.time_units import SECOND_NS

REPORT_DAYS = 60


class LongDocument(StrEnum):
    """The documents that take long: a process of its own makes each."""

    SURVEY = "survey"
    REHEARSAL = "rehearsal"


Name = Annotated[LongDocument, Expected("{value!r} is not a document that takes long", "use survey or rehearsal")]


def documents_router(planner: Planner, reports: Reports) -> APIRouter:
    """The routes."""
    router = APIRouter(prefix="/documents")
    one_at_a_time, maker = asyncio.Lock(), DocumentMaker(planner, tuple(LongDocument))

    def at() -> datetime:
        return datetime.fromtimestamp(planner.now_ns() / SECOND_NS, planner.site.timezone)

    def season() -> str:
        site, first = planner.site, at().date()
        rows = coming_seasons(site, first, 1)
        first, last = (rows[0].night.date, rows[-1].night.date) if rows else (first, first)
        return nights_html.page(site, rows, first, last, at())

    async def made(make: Callable[[], str]) -> HTMLDocument:
        """A thread makes one document after the other."""
        async with one_at_a_time:
            return HTMLDocument(await asyncio.to_thread(make))

    def state(name: LongDocument) -> DocumentState:
        return DocumentState.model_validate(maker.state(name))

    @router.get("/season", response_class=HTMLDocument)
    async def season_document() -> HTMLDocument:
        """The season's picture, and its nights as a table."""
        return await made(season)

    @router.get("/sheet", response_class=HTMLDocument)
    async def sheet_document() -> HTMLDocument:
        """The sheet to wire by."""
        return await made(
            lambda: sheet_html.page(sheet_of(planner.site.rig, planner.repairs.open), planner.site.name, at())
        )

    @router.get("/journal", response_class=HTMLDocument)
    async def journal_document(
        lines: Annotated[
            int, Query(ge=1, le=1000), Expected("{value!r} is not a number of lines from 1 to 1000", "as lines=200")
        ] = 200,
    ) -> HTMLDocument:
        """The newest lines of the journal, day by day."""
        rows, site = planner.journal(lines)[::-1], planner.site
        return await made(lambda: journal_html.lines_page(rows, site.name, site.timezone, at()))

    @router.get("/report", response_class=HTMLDocument)
    async def report_document() -> HTMLDocument:
        """What the season was in fact, night by night."""
        found = await reports.of(None, REPORT_DAYS)
        return await made(lambda: journal_html.report_page(found, at()))

    @router.get("/{name}", response_class=HTMLDocument)
    async def long_document(name: Name) -> HTMLDocument:
        """The survey or the rehearsal, as it was made from the site's files of now."""
        text = await asyncio.to_thread(maker.page, name)
        if text is None:
            raise HTTPException(404, f"the {name} is not made: POST /api/setup/documents/{name}/making makes it")
        return HTMLDocument(text)

    @router.get("/{name}/making")
    async def making(name: Name) -> DocumentState:
        """Whether the survey or the rehearsal is made, or how far it is."""
        return state(name)

    @router.post("/{name}/making", status_code=202)
    async def make(name: Name) -> DocumentState:
        """Make the survey or the rehearsal, in a process of its own with the lowest priority."""
        maker.begin(name)
        return state(name)

    @router.delete("/{name}/making")
    async def stop(name: Name) -> DocumentState:
        """Stop making it. What was made before stays."""
        await maker.stop(name)
        return state(name)

    return router
