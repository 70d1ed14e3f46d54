"""The application and its routes. It uses only the planner; every error is a problem (RFC 9457)."""

import asyncio
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Annotated

from fastapi import Depends, FastAPI, Query, Response
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from gloaming.api.http.addresses import site_names
from gloaming.api.http.auth.authenticator import AuthenticatedDevice, Authenticator
from gloaming.api.http.auth.routes import add_auth, device_of_request, operator_of, owner_of
from gloaming.api.http.live_view import add_view
from gloaming.api.http.middleware import Durability, RequestChecks, RequestLimits
from gloaming.api.http.monitoring import Reports, add_monitoring
from gloaming.api.http.openapi import document
from gloaming.api.http.outside import outside_router
from gloaming.api.http.problems import add_errors
from gloaming.api.http.public import add_public
from gloaming.api.http.rig import rig_router
from gloaming.api.http.schemas import answers, states
from gloaming.api.http.schemas.base import At, Day, Expected
from gloaming.api.http.schemas.overrides import AnyOverrideRequest
from gloaming.api.http.setup.router import setup_router
from gloaming.api.http.static_page import add_pages
from gloaming.api.http.streams import STREAMS_MAX, NowWatcher, OpenStreams, add_events
from gloaming.daemon.direction.decide import instant
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.reports.nights import season
from gloaming.daemon.reports.season_svg import season_svg
from gloaming.shows.time_units import SECOND_NS

DAYS_MAX = 180
"""The nights of half a year take seconds to compute: a thread does it, one request after the other."""
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
ROWID_MAX = (1 << 63) - 1
FirstDay = Annotated[Day | None, Query(alias="from", description="a date, as 2026-12-24; without it, today")]
Days = Annotated[
    int, Query(ge=1, le=DAYS_MAX), Expected(f"{{value!r}} is not a number of days from 1 to {DAYS_MAX}", "as days=7")
]
ZoneName = Annotated[str | None, Query(description="a zone, string, fixture or controller of the rig")]
YEARS = range(1900, 2101)
Id = Annotated[int, Expected("{value!r} is not the id of an override", "GET /api/now has the ids")]
OUTSIDE = "the years 1900 to 2100 can be asked for"


def make_app(
    planner: Planner,
    authenticator: Authenticator,
    limits: RequestLimits | None = None,
    addresses: Callable[[], list[str]] = lambda: ["http://127.0.0.1:8080"],
) -> FastAPI:
    """The application. `addresses` gives the addresses of the page."""
    limits = limits or RequestLimits()
    watch = NowWatcher(planner)
    streams, strangers = OpenStreams(watch.wake), OpenStreams(planner.public.wake, of_one=STREAMS_MAX)
    one_at_a_time, reports = asyncio.Lock(), Reports(planner)

    app = FastAPI(title="Gloaming", openapi_url=None, docs_url=None, redoc_url=None)
    app.router.redirect_slashes = False
    app.state.streams, app.state.strangers = streams, strangers
    add_errors(app)
    app.add_middleware(GZipMiddleware)
    app.add_middleware(Durability, written=planner.written)
    app.add_middleware(
        RequestChecks,
        names=lambda: site_names(planner.site),
        limits=limits,
        public=lambda: planner.site.public.stream,
    )
    signed_in = device_of_request(planner, authenticator, limits)
    operator, owner = operator_of(signed_in), owner_of(signed_in)

    AnyDevice = Annotated[AuthenticatedDevice, Depends(signed_in)]
    Operator = Annotated[AuthenticatedDevice, Depends(operator)]

    @app.get("/healthz", tags=["now"])
    async def healthz() -> answers.Running:
        """Whether the planner answers. It needs no token."""
        return answers.Running()

    @app.get("/api/openapi.json", include_in_schema=False)
    async def openapi(_: AnyDevice) -> JSONResponse:
        return JSONResponse(document(app, planner.site))

    @app.get("/api/now", response_model_exclude_unset=True, tags=["now"])
    async def now(_: AnyDevice) -> states.Now:
        """What happens now, and why; the overrides; whether all is well, and if not, what to do."""
        return states.Now.model_validate(planner.now())

    @app.get("/api/nights", tags=["when"])
    async def nights(_: AnyDevice, first: FirstDay = None, days: Days = 7) -> list[answers.NightAhead]:
        """The nights from a date on, each with its opening and closing, and the rules that set them."""
        async with one_at_a_time:
            found = await asyncio.to_thread(planner.nights, first, days)
        return [answers.NightAhead.model_validate(night) for night in found]

    @app.get("/api/nights.svg", response_class=Response, tags=["when"], responses={200: {"content": {
        "image/svg+xml": {"schema": {"type": "string"}}}}})  # fmt: skip
    async def picture(_: AnyDevice, first: FirstDay = None, days: Days = 42) -> Response:
        """The season as a picture: a column for each date, from noon to noon."""
        async with one_at_a_time:
            svg = await asyncio.to_thread(_draw, planner, first, days)
        return Response(svg, media_type="image/svg+xml", headers={"Content-Security-Policy": PICTURE_POLICY})

    @app.get("/api/why", tags=["now"])
    async def why(_: AnyDevice, at: At | None = None, zone: ZoneName = None) -> states.Explanation:
        """The decision at an instant, with its reasons: for a zone, or for what is in no zone that differs. An instant
        without an offset is in the site's time."""
        timezone = planner.site.timezone
        if at is not None and at.tzinfo is None:
            at = at.replace(tzinfo=timezone)
        if at is not None and at.year not in YEARS:
            raise HTTPException(404, OUTSIDE)
        decision = planner.decision(None if at is None else instant(at), zone)
        return states.Explanation.model_validate(decision.as_json(timezone))

    @app.post("/api/overrides", status_code=201, response_model_exclude_unset=True, tags=["by hand"])
    async def ask(asked: AnyOverrideRequest, device: Operator) -> answers.OverrideTaken:
        """Ask for an override. It is stored; `on_the_wire` says whether it is on the wire. It replaces another pause,
        dark, dim or mute for the same part of the rig; a pause or a dark ends a rig check. Without an end, a pause
        lasts 15 minutes, a call 30 minutes, out of service 400 days, and the others last until the end of the night."""
        answer = await planner.ask(asked.model_dump(exclude_unset=True), device.name)
        watch.look()
        return answers.OverrideTaken.model_validate(answer)

    @app.delete("/api/overrides/{id}", response_model_exclude_unset=True, tags=["by hand"])
    async def undo(id: Id, device: Operator) -> answers.OverrideEnded:
        """End an override: resume after a pause, or undo."""
        answer = await planner.undo(id, device.name)
        watch.look()
        return answers.OverrideEnded.model_validate(answer)

    app.include_router(rig_router(planner, signed_in, operator))
    app.include_router(outside_router(planner, signed_in, operator, owner, limits, addresses))

    @app.get("/api/journal", tags=["when"])
    async def journal(
        _: AnyDevice,
        limit: Annotated[
            int, Query(ge=1, le=1000), Expected("{value!r} is not a number of lines from 1 to 1000", "as 100")
        ] = 100,
        before: Annotated[
            int | None,
            Query(ge=1, le=ROWID_MAX, description="the id of a line: gives the lines before it"),
            Expected("{value!r} is not the id of a line", "as 812"),
        ] = None,
        kind: Annotated[list[str] | None, Query(max_length=20, description="only lines of these kinds")] = None,
    ) -> list[answers.JournalLine]:
        """What happened, and why, the newest first."""
        lines = planner.journal(limit, before, tuple(kind or ()))
        return [answers.JournalLine.model_validate(line) for line in lines]

    @app.get("/api/site", tags=["when"])
    async def site_listed(_: AnyDevice) -> answers.SiteListed:
        """The site's name, its time zone, and the shows and pieces that may be called."""
        site = planner.site
        shows = [answers.ShowListed(name=show.name, order=list(show.order)) for show in site.shows.values()]
        pieces = [
            answers.PieceCallable(name=piece.name, title=piece.title, artist=piece.artist)
            for piece in site.pieces.values()
            if piece.info
        ]
        return answers.SiteListed(site=site.name, timezone=site.timezone.key, shows=shows, pieces=pieces)

    add_events(app, planner, authenticator, signed_in, watch, streams)
    add_view(app, planner, authenticator, signed_in, streams)
    add_auth(app, planner, authenticator, signed_in, operator, owner, addresses, watch.wake)
    add_monitoring(app, planner, reports, signed_in, operator)
    app.include_router(setup_router(planner, reports, owner))
    add_public(app, planner, strangers)
    add_pages(app)
    return app


def _draw(planner: Planner, first: date | None, days: int) -> str:
    site = planner.site
    begin = first or datetime.fromtimestamp(planner.now_ns() // SECOND_NS, site.timezone).date()
    if not (begin.year in YEARS and (begin + timedelta(days=days)).year in YEARS):
        raise HTTPException(404, OUTSIDE)
    last = begin + timedelta(days=days - 1)
    return season_svg(site, season(site, begin, last), begin, last)
