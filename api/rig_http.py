"""The rig over HTTP: what hangs outside and whether it answers, and the rig check."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from gloaming.api.sign_in import Device
from gloaming.api.words import OverrideTaken
from gloaming.daemon.director import Director
from gloaming.shows.patterns import COLOURS, KINDS


class RigCheckAsked(BaseModel):
    """A rig check as it is asked for; it ends by itself after ten minutes at the most."""

    model_config = ConfigDict(
        extra="allow", json_schema_extra={"examples": [{"pattern": "pixel", "string": "ridge", "number": 37}]}
    )

    pattern: Annotated[str | None, Field(description="; ".join(f"{kind}: {what}" for kind, what in KINDS.items()))] = (
        None
    )
    controller: Annotated[str | None, Field(description="on the strings of this one alone")] = None
    strings: Annotated[Any, Field(description="on these alone")] = None
    string: Annotated[str | None, Field(description="on this one alone")] = None
    colour: Annotated[str | None, Field(description=", ".join(COLOURS))] = None
    number: Annotated[Any, Field(description="which pixel, or which universe")] = None
    level: Annotated[Any, Field(description="how bright, 0.01 to 1; without it 0.3")] = None
    minutes: Annotated[Any, Field(description="how long, 10 at the most")] = None


def rig_router(director: Director, seen: Any, operator: Any) -> APIRouter:
    """The routes; `seen` and `operator` say who may look, and who may ask."""
    router = APIRouter(tags=["rig"])

    @router.get("/api/rig")
    async def rig(_: Annotated[Device, Depends(seen)]) -> dict[str, Any]:
        """Controllers and whether they answer, supplies, strings with their places, and the rig check under way."""
        return director.rig.as_json()

    @router.post("/api/rig-check", status_code=201, responses={201: {"model": OverrideTaken}})
    async def check(asked: RigCheckAsked, device: Annotated[Device, Depends(operator)]) -> JSONResponse:
        """Show a test pattern. DELETE /api/overrides/{id} ends it."""
        request = {key: value for key, value in asked.model_dump().items() if value is not None}
        return JSONResponse(await director.check_rig(request, device.name), 201)

    return router
