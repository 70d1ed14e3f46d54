"""Documents to look at and to print: whole HTML pages, made by the code of the commands."""

import asyncio
from collections.abc import Callable
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.reports import nights_html, sheet_html
from gloaming.daemon.reports.nights import coming_seasons
from gloaming.shows.rig.sheet import sheet_of
from gloaming.shows.time_units import SECOND_NS

POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
"""A document runs no script and fetches nothing. Only the board's own page shows it in a frame."""


def documents_router(planner: Planner) -> APIRouter:
    """The routes."""
    router = APIRouter(prefix="/documents", default_response_class=HTMLResponse)
    one_at_a_time = asyncio.Lock()

    def at() -> datetime:
        return datetime.fromtimestamp(planner.now_ns() / SECOND_NS, planner.site.timezone)

    def season() -> str:
        site, first = planner.site, at().date()
        rows = coming_seasons(site, first, 1)
        first, last = (rows[0].night.date, rows[-1].night.date) if rows else (first, first)
        return nights_html.page(site, rows, first, last, at())

    def sheet() -> str:
        return sheet_html.page(sheet_of(planner.site.rig, planner.repairs.open), planner.site.name, at())

    async def made(make: Callable[[], str]) -> HTMLResponse:
        """A thread makes one document after the other."""
        async with one_at_a_time:
            return HTMLResponse(await asyncio.to_thread(make), headers={"Content-Security-Policy": POLICY})

    @router.get("/season")
    async def season_document() -> HTMLResponse:
        """The season's picture, and its nights as a table."""
        return await made(season)

    @router.get("/sheet")
    async def sheet_document() -> HTMLResponse:
        """The sheet to wire by."""
        return await made(sheet)

    return router
