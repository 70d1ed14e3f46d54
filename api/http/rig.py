"""The rig over HTTP: what hangs outside, what feeds it, the rig check, and the repairs list."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.schemas import answers
from gloaming.api.http.schemas.base import Expected
from gloaming.api.http.schemas.network import NetworkFound
from gloaming.api.http.schemas.requests import AnyRigCheckRequest, MarkRequest
from gloaming.api.http.schemas.rig import RepairListed, RepairsListed, RigListed
from gloaming.daemon.planner.planner import Planner
from gloaming.shows.config_files.errors import InputError

RepairId = Annotated[int, Expected("{value!r} is not the id of a mark", "GET /api/repairs has the ids")]


def rig_router(planner: Planner, signed_in: DeviceDependency, operator: DeviceDependency) -> APIRouter:
    """The routes; `signed_in` may look, `operator` may ask."""
    router = APIRouter(tags=["rig"])

    @router.get("/api/rig")
    async def rig(_: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> RigListed:
        """Controllers and whether they answer, what feeds the strings and fixtures, and the current rig check."""
        return RigListed.model_validate(planner.rig())

    @router.get("/api/network")
    async def network(_: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> NetworkFound:
        """What answered on the network at the last look, and where rig.toml differs. A board with Art-Net controllers
        looks once a minute."""
        return NetworkFound.model_validate(planner.network.as_json())

    @router.post("/api/network", status_code=202)
    async def look_at_network(_: Annotated[AuthenticatedDevice, Depends(operator)]) -> NetworkFound:
        """Begin a look, unless one is under way. It takes 11 s, since E1.31 sources name themselves every 10 s.
        GET /api/network has its answer once `looking` is false."""
        return NetworkFound.model_validate(planner.network.look_now())

    @router.post("/api/rig-check", status_code=201, response_model_exclude_unset=True)
    async def check(
        asked: AnyRigCheckRequest, device: Annotated[AuthenticatedDevice, Depends(operator)]
    ) -> answers.OverrideTaken:
        """Show a test pattern. DELETE /api/overrides/{id} ends it."""
        with _not_in_this_rig("number"):
            taken = await planner.check_rig(asked.model_dump(exclude_unset=True), device.name)
        return answers.OverrideTaken.model_validate(taken)

    @router.get("/api/repairs")
    async def repairs(_: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> RepairsListed:
        """What is to be mended, and what was mended last."""
        return RepairsListed.model_validate(planner.repairs.as_json())

    @router.post("/api/repairs", status_code=201)
    async def mark(asked: MarkRequest, device: Annotated[AuthenticatedDevice, Depends(operator)]) -> RepairListed:
        """Mark a pixel, a string or a fixture. The same mark twice is one mark."""
        with _not_in_this_rig("pixel"):
            return RepairListed.model_validate(planner.repairs.mark(asked.model_dump(exclude_unset=True), device.name))

    @router.post("/api/repairs/{id}/done")
    async def done(id: RepairId, device: Annotated[AuthenticatedDevice, Depends(operator)]) -> RepairListed:
        """It is mended."""
        return RepairListed.model_validate(planner.repairs.mend(id, device.name))

    @router.delete("/api/repairs/{id}")
    async def take_back(id: RepairId, device: Annotated[AuthenticatedDevice, Depends(operator)]) -> RepairListed:
        """Take a wrong mark back."""
        return RepairListed.model_validate(planner.repairs.take_back(id, device.name))

    return router


@contextmanager
def _not_in_this_rig(key: str) -> Iterator[None]:
    """409: the request has no mistake, but this rig has no such pixel or universe."""
    try:
        yield
    except InputError as error:
        if {config_error.key for config_error in error.errors} == {key}:
            raise HTTPException(409, str(error)) from None
        raise
