"""Routes for the care of a board: /metrics, health, the clock, a reload, and the season's report."""

import asyncio
import time
from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Annotated

from fastapi import Depends, FastAPI, HTTPException, Query, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.html_document import HTMLDocument
from gloaming.api.http.schemas import answers, states
from gloaming.api.http.schemas.base import Day, Expected
from gloaming.api.http.schemas.boards import BoardsListed
from gloaming.api.http.schemas.outside import HoldsListed, TriggersListed
from gloaming.api.http.schemas.requests import TimeRequest
from gloaming.daemon.direction.decide import instant, isoformat
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.reports.journal_html import report_page
from gloaming.daemon.reports.journal_report import JournalReport, as_json
from gloaming.daemon.reports.journal_svg import draw
from gloaming.daemon.reports.metrics import Figures
from gloaming.shows.time_units import SECOND_NS

CACHE_S, CACHE_MAX = 60.0, 8


class Reports:
    """The season's reports. A thread computes one at a time; the last few are cached for a minute."""

    def __init__(self, planner: Planner) -> None:
        self.planner = planner
        self._one_at_a_time = asyncio.Lock()
        self._cache: dict[tuple[date | None, int], tuple[float, JournalReport]] = {}

    async def of(self, first: date | None, days: int) -> JournalReport:
        """The report of `days` dates from `first`. InputError."""
        planner, key = self.planner, (first, days)
        async with self._one_at_a_time:
            made_s, found = self._cache.pop(key, (-CACHE_S, None))
            if found is None or found.site is not planner.site or time.monotonic() - made_s >= CACHE_S:
                made_s = time.monotonic()
                found = await asyncio.to_thread(planner.report, first, days)
            self._cache[key] = made_s, found
            if len(self._cache) > CACHE_MAX:
                del self._cache[next(iter(self._cache))]
            return found


def add_monitoring(
    app: FastAPI, planner: Planner, reports: Reports, signed_in: DeviceDependency, operator: DeviceDependency
) -> None:
    """Add the routes. Only an operator may give the time and reload the site."""
    AnyDevice = Annotated[AuthenticatedDevice, Depends(signed_in)]
    Operator = Annotated[AuthenticatedDevice, Depends(operator)]

    @app.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
    async def metrics(_: AnyDevice) -> Response:
        """Figures for Prometheus."""
        return Response(generate_latest(Figures(planner.status)), media_type=CONTENT_TYPE_LATEST)

    @app.get("/api/health", response_model_exclude_unset=True)
    async def health(_: AnyDevice) -> states.Health:
        """Whether all is well: troubles with what to do, the board's own figures, the clock, the transmitter."""
        status = planner.status()
        found = {
            "ok": not status.troubles,
            "troubles": status.troubles,
            "board": asdict(status.board),
            "clock": asdict(status.verdict),
            "transmitter": status.telemetry,
            "transmitter_lost": status.transmitter_lost,
            "since": isoformat(status.started_ns, planner.site.timezone),
        }
        return states.Health.model_validate(found)

    @app.get("/api/triggers")
    async def triggers(_: AnyDevice) -> TriggersListed:
        """The triggers: what each calls, its last call, and what since noon was called and refused."""
        return TriggersListed.model_validate({"triggers": planner.outside.triggers.as_json()})

    @app.get("/api/holds")
    async def holds(_: AnyDevice) -> HoldsListed:
        """The holds: the last reading of each, whether it keeps the light off or low, and why."""
        return HoldsListed.model_validate({"holds": planner.outside.holds.as_json()})

    @app.get("/api/boards")
    async def boards(_: AnyDevice) -> BoardsListed:
        """The boards of the site: who is in contact, what each feeds, its clock, and what it has confirmed."""
        return BoardsListed.model_validate(planner.board_list())

    @app.post("/api/clock")
    async def give_time(given: TimeRequest, device: Operator) -> states.ClockSet:
        """Give the board the time, if it does not know it."""
        if not 2026 <= given.utc.year <= 2085:
            raise HTTPException(409, f"the year is not {given.utc.year}")
        planner.give_time(instant(given.utc), device.name)
        at = isoformat(planner.now_ns(), planner.site.timezone)
        return states.ClockSet(at=at, **asdict(planner.status().verdict))

    @app.post("/api/reload")
    async def reload(device: Operator) -> states.Reloaded:
        """Read the site's files again. If they have a mistake, the running site stays."""
        refused = await planner.reload(f"asked by {device.name}")
        errors = [str(config_error) for config_error in refused.errors] if refused else []
        return states.Reloaded(taken_over=refused is None, errors=errors)

    @app.get(
        "/api/report",
        responses={
            200: {
                "model": answers.SeasonReport,
                "content": {kind: {"schema": {"type": "string"}} for kind in ("image/svg+xml", "text/html")},
            }
        },
    )
    async def report(
        request: Request,
        _: AnyDevice,
        first: Annotated[Day | None, Query(alias="from")] = None,
        days: Annotated[
            int, Query(ge=1, le=400), Expected("{value!r} is not a number of days from 1 to 400", "as days=60")
        ] = 60,
    ) -> Response:
        """A report of the season, night by night. A picture or a page, if the request accepts image/svg+xml or
        text/html."""
        found, accepted = await reports.of(first, days), request.headers.get("accept", "")
        at = datetime.fromtimestamp(planner.now_ns() / SECOND_NS, UTC)
        if "image/svg+xml" in accepted:
            return Response(await asyncio.to_thread(draw, found), media_type="image/svg+xml")
        if "text/html" in accepted:
            return HTMLDocument(await asyncio.to_thread(report_page, found, at))
        return Response(as_json(found), media_type="application/json")
