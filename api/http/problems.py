"""Every error over HTTP as problem details (RFC 9457)."""

from dataclasses import asdict
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from gloaming.api.http.auth.authenticator import TooManyGuessesError
from gloaming.api.http.schemas.answers import ProblemDetails, ReasonGiven
from gloaming.api.http.schemas.base import config_error
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.planner.commands import NotStandingError
from gloaming.daemon.planner.outside import NoSuchTableError
from gloaming.daemon.planner.push_state import PushError, PushProblem
from gloaming.daemon.planner.repairs import UnknownRepairError
from gloaming.daemon.planner.site_files import ConflictCode, SiteConflictError
from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem
from gloaming.shows.config_files.errors import ConfigErrorCode, InputError


class Problem(JSONResponse):
    """Problem details, RFC 9457."""

    media_type = "application/problem+json"

    def __init__(
        self,
        status: int,
        detail: str,
        headers: dict[str, str] | None = None,
        reasons: list[ReasonGiven] | None = None,
        code: ConfigErrorCode | ConflictCode | None = None,
        **more: Any,
    ) -> None:
        title = HTTPStatus(status).phrase
        content = ProblemDetails(
            type="about:blank", title=title, status=status, detail=detail, code=code, reasons=reasons, **more
        )
        super().__init__(content.model_dump(exclude_none=True), status, headers=headers)


REFUSED_FILES = {
    PieceFileProblem.NAME: 400,
    PieceFileProblem.KIND: 415,
    PieceFileProblem.LENGTH: 413,
    PieceFileProblem.NO_SPACE: 507,
    PieceFileProblem.TOO_MANY: 409,
    PieceFileProblem.UNKNOWN: 404,
    PieceFileProblem.OFFSET: 409,
    PieceFileProblem.BUSY: 423,
    PieceFileProblem.TAKEN: 409,
    PieceFileProblem.IN_ORDER: 409,
    PieceFileProblem.CONTENT: 422,
}
REFUSED_PUSHES = {
    PushProblem.BOARD: 409,
    PushProblem.BUSY: 423,
    PushProblem.CLOCK: 409,
    PushProblem.FILE: 422,
    PushProblem.STATE: 409,
    PushProblem.UNKNOWN: 404,
}


def add_errors(app: FastAPI) -> None:
    """Turn every error into a problem."""

    @app.exception_handler(HTTPException)
    async def refused(_: Request, error: HTTPException) -> Problem:
        headers = {"WWW-Authenticate": "Bearer"} if error.status_code == 401 else dict(error.headers or {})
        return Problem(error.status_code, str(error.detail), headers)

    @app.exception_handler(RequestValidationError)
    async def malformed(_: Request, error: RequestValidationError) -> Problem:
        found = config_error(error.errors()[0])
        return Problem(422, str(found), code=found.code)

    @app.exception_handler(InputError)
    async def mistaken(_: Request, error: InputError) -> Problem:
        code = error.errors[0].code
        status = 404 if code == ConfigErrorCode.DATES_NOT_SERVED else 422  # a date has no mistake
        return Problem(status, str(error), code=code)

    @app.exception_handler(Refusal)
    async def forbidden(_: Request, error: Refusal) -> Problem:
        reasons = [ReasonGiven(code=one.code, rule=one.rule, text=one.text) for one in error.reasons]
        return Problem(409, str(error), reasons=reasons)

    @app.exception_handler(SiteConflictError)
    async def not_saved(_: Request, error: SiteConflictError) -> Problem:
        lists = {"errors": list(map(asdict, error.errors)), "refused": list(map(asdict, error.refused))}
        more: dict[str, Any] = {"files": error.files, "version": error.version}
        more |= {key: found for key, found in lists.items() if found}
        return Problem(409, str(error), code=error.code, **more)

    @app.exception_handler(NoSuchTableError)
    @app.exception_handler(NotStandingError)
    @app.exception_handler(UnknownRepairError)
    async def gone(_: Request, error: Exception) -> Problem:
        return Problem(404, str(error))

    @app.exception_handler(TooManyGuessesError)
    async def slow(_: Request, error: TooManyGuessesError) -> Problem:
        return Problem(429, str(error), {"Retry-After": f"{error.wait_s:.0f}"})

    @app.exception_handler(PieceFileError)
    async def file_refused(_: Request, error: PieceFileError) -> Problem:
        return Problem(REFUSED_FILES[error.code], str(error), {"Tus-Resumable": "1.0.0"})

    @app.exception_handler(PushError)
    async def push_refused(_: Request, error: PushError) -> Problem:
        return Problem(REFUSED_PUSHES[error.code], str(error))

    @app.exception_handler(OSError)
    async def unwritten(_: Request, error: OSError) -> Problem:
        return Problem(507, error.strerror or type(error).__name__)

    @app.exception_handler(Exception)
    async def broken(_: Request, error: Exception) -> Problem:
        return Problem(500, f"this is an error in Gloaming ({type(error).__name__}); its log says where")
