"""The HTTP side: what may be asked, in which words, and how errors look (RFC 9457). Speaks to the director alone."""

import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import date, datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from gloaming.api.metrics_http import add_care
from gloaming.api.sign_in import Device, Doorkeeper, TooManyGuessesError
from gloaming.daemon.direction.asking import Refusal
from gloaming.daemon.direction.decide import instant
from gloaming.daemon.director import Director, NotStandingError
from gloaming.shows.mistake import MistakeError

BODY_BYTES_MAX = 65_536
COOKIE = "gloaming"
COOKIE_S = 90 * 86_400


class Asked(BaseModel):
    """An override as it is asked for."""

    model_config = ConfigDict(extra="allow", json_schema_extra={"examples": [{"kind": "pause", "minutes": 15}]})

    kind: Annotated[str, Field(description="pause, dark, call, dim, mute or skip")]


class SignIn(BaseModel):
    """A passcode, and what the device is to be called."""

    model_config = ConfigDict(extra="forbid")

    passcode: Annotated[str, Field(max_length=200)]
    device: Annotated[str, Field(max_length=60)] = "a phone"


class Problem(JSONResponse):
    """Problem details, RFC 9457."""

    media_type = "application/problem+json"

    def __init__(self, status: int, detail: str, **more: object) -> None:
        headers = more.pop("headers", None)
        content = {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": status,
            "detail": detail,
            **more,
        }
        super().__init__(content, status, headers=headers)  # type: ignore[arg-type]  # headers come as a dict


def make_app(director: Director, doorkeeper: Doorkeeper) -> FastAPI:
    """The application; it starts and stops the director."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await director.start()
        yield
        await director.stop()

    app = FastAPI(title="Gloaming", lifespan=lifespan, openapi_url="/api/openapi.json", docs_url=None, redoc_url=None)
    _add_errors(app)
    _add_limits(app)

    async def signed_in(request: Request) -> Device:
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        token = token if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")
        device = doorkeeper.device(token) if token else None
        if device is None:
            raise HTTPException(401, "sign in at /api/sign-in, or send a token")
        return device

    async def operator(device: Annotated[Device, Depends(signed_in)]) -> Device:
        if device.kind != "operator":
            raise HTTPException(403, "this device may look, and nothing more")
        return device

    Seen = Annotated[Device, Depends(signed_in)]
    Operator = Annotated[Device, Depends(operator)]

    @app.get("/healthz")
    async def healthz() -> dict[str, str]:
        return {"status": "ok"}

    @app.get("/api/now")
    async def now(_: Seen) -> dict[str, Any]:
        return director.now()

    @app.get("/api/nights")
    async def nights(
        _: Seen, first: Annotated[date | None, Query(alias="from")] = None, days: int = 7
    ) -> list[dict[str, object]]:
        return director.nights(first, days)

    @app.get("/api/why")
    async def why(_: Seen, at: datetime | None = None) -> dict[str, object]:
        zone = director.site.timezone
        if at is not None and at.tzinfo is None:
            at = at.replace(tzinfo=zone)
        if at is not None and not 1900 <= at.year <= 2100:
            raise HTTPException(422, "the years 1900 to 2100 can be asked for")
        return director.decision(director.clock.now_ns() if at is None else instant(at)).as_json(zone)

    @app.post("/api/overrides", status_code=201)
    async def ask(asked: Asked, device: Operator) -> dict[str, object]:
        return await director.ask(asked.model_dump(), device.name)

    @app.delete("/api/overrides/{id}")
    async def undo(id: int, device: Operator) -> dict[str, object]:
        return await director.undo(id, device.name)

    @app.get("/api/journal")
    async def journal(
        _: Seen, limit: Annotated[int, Query(ge=1, le=1000)] = 100, before: int | None = None
    ) -> list[dict[str, object]]:
        return director.store.journal(limit, before)

    @app.post("/api/sign-in")
    async def sign_in(asked: SignIn, request: Request, response: Response) -> dict[str, str]:
        address = request.client.host if request.client else ""
        token = doorkeeper.sign_in(asked.passcode, asked.device, address, time.monotonic(), director.clock.now_ns())
        if token is None:
            raise HTTPException(401, "that is not the passcode")
        response.set_cookie(COOKIE, token, max_age=COOKIE_S, httponly=True, samesite="strict")
        return {"token": token, "device": asked.device}

    add_care(app, director, signed_in, operator)
    return app


def _add_errors(app: FastAPI) -> None:
    @app.exception_handler(HTTPException)
    async def refused(_: Request, error: HTTPException) -> Problem:
        headers = {"WWW-Authenticate": "Bearer"} if error.status_code == 401 else error.headers
        return Problem(error.status_code, str(error.detail), headers=headers)

    @app.exception_handler(RequestValidationError)
    async def malformed(_: Request, error: RequestValidationError) -> Problem:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        return Problem(422, f"{place}: {first['msg']}")

    @app.exception_handler(MistakeError)
    async def mistaken(_: Request, error: MistakeError) -> Problem:
        return Problem(422, str(error))

    @app.exception_handler(Refusal)
    async def forbidden(_: Request, error: Refusal) -> Problem:
        reasons = [{"rule": reason.rule, "text": reason.text} for reason in error.reasons]
        return Problem(409, str(error), reasons=reasons)

    @app.exception_handler(NotStandingError)
    async def gone(_: Request, error: NotStandingError) -> Problem:
        return Problem(404, str(error))

    @app.exception_handler(TooManyGuessesError)
    async def slow(_: Request, error: TooManyGuessesError) -> Problem:
        return Problem(429, "too many wrong passcodes", headers={"Retry-After": f"{error.args[0]:.0f}"})

    @app.exception_handler(OSError)
    async def unwritten(_: Request, error: OSError) -> Problem:
        return Problem(507, str(error))


def _add_limits(app: FastAPI) -> None:
    @app.middleware("http")
    async def limit(request: Request, answer: Callable[[Request], Awaitable[Response]]) -> Response:
        length = request.headers.get("content-length", "0")
        chunked = "transfer-encoding" in request.headers
        if chunked or not length.isdigit() or int(length) > BODY_BYTES_MAX:
            return Problem(413, f"a request has {BODY_BYTES_MAX} bytes at most, and says how many")
        response = await answer(request)
        response.headers["Cache-Control"] = "no-store"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response
