"""The rig over HTTP: what hangs outside and whether it answers, and the rig check."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException
from fastapi.responses import JSONResponse

from gloaming.api.http.auth.authenticator import Device
from gloaming.api.http.auth.routes import DeviceOf
from gloaming.api.http.schemas import NoNulls, OverrideTaken
from gloaming.daemon.planner.planner import Planner
from gloaming.shows.config_files.errors import MistakeError


class RigCheckAsked(NoNulls):
    """A rig check as it is asked for; it ends by itself after ten minutes at the most. words.py has its schema."""


def rig_router(director: Planner, seen: DeviceOf, operator: DeviceOf) -> APIRouter:
    """The routes; `seen` and `operator` say who may look, and who may ask."""
    router = APIRouter(tags=["rig"])

    @router.get("/api/rig")
    async def rig(_: Annotated[Device, Depends(seen)]) -> dict[str, Any]:
        """Controllers and whether they answer, supplies, strings with their places, and the rig check under way."""
        return director.rig.as_json()

    @router.post("/api/rig-check", status_code=201, responses={201: {"model": OverrideTaken}})
    async def check(asked: RigCheckAsked, device: Annotated[Device, Depends(operator)]) -> JSONResponse:
        """Show a test pattern. DELETE /api/overrides/{id} ends it."""
        request = asked.model_dump()
        number = request.get("number")
        if isinstance(number, float) and number.is_integer():
            request["number"] = int(number)  # a whole number, as JSON Schema has it
        try:
            return JSONResponse(await director.requests.check_rig(request, device.name), 201)
        except MistakeError as error:
            if isinstance(request.get("number"), int) and {mistake.key for mistake in error.mistakes} == {"number"}:
                raise HTTPException(409, str(error)) from None  # well asked, but this rig has no such pixel or universe
            raise

    return router
