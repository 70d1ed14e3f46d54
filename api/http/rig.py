"""The rig over HTTP: what hangs outside, what feeds it, and the rig check."""

from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.schemas import answers, states
from gloaming.api.http.schemas.requests import AnyRigCheckRequest
from gloaming.daemon.planner.planner import Planner
from gloaming.shows.config_files.errors import InputError


def rig_router(planner: Planner, signed_in: DeviceDependency, operator: DeviceDependency) -> APIRouter:
    """The routes; `signed_in` may look, `operator` may ask."""
    router = APIRouter(tags=["rig"])

    @router.get("/api/rig")
    async def rig(_: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> states.RigListed:
        """Controllers and whether they answer, what feeds the strings and fixtures, and the current rig check."""
        return states.RigListed.model_validate(planner.rig())

    @router.post("/api/rig-check", status_code=201, response_model_exclude_unset=True)
    async def check(
        asked: AnyRigCheckRequest, device: Annotated[AuthenticatedDevice, Depends(operator)]
    ) -> answers.OverrideTaken:
        """Show a test pattern. DELETE /api/overrides/{id} ends it."""
        try:
            taken = await planner.check_rig(asked.model_dump(exclude_unset=True), device.name)
        except InputError as error:
            if {config_error.key for config_error in error.errors} == {"number"}:
                raise HTTPException(409, str(error)) from None  # no mistake, but this rig has no such pixel or universe
            raise
        return answers.OverrideTaken.model_validate(taken)

    return router
