"""A site that another board pushes, by `gloaming site push`: compared, received, checked, and taken over at an instant.

The files of its pieces come by the uploads at /api/setup/pushed-files. The name of each is its SHA-256.
"""

from typing import Annotated

from fastapi import APIRouter, Depends

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.schemas.push import PushGiven, PushRequest, TakeOverRequest
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.push_state import Push
from gloaming.daemon.site.staging import PushedFile


def push_router(planner: Planner, owner: DeviceDependency) -> APIRouter:
    """The routes."""
    router, pushes = APIRouter(prefix="/push"), planner.site_push
    Owner = Annotated[AuthenticatedDevice, Depends(owner)]

    def given(push: Push) -> PushGiven:
        return PushGiven.model_validate(pushes.as_json(push))

    @router.post("", status_code=202, responses={423: {"description": "another push goes on"}})
    async def begin(asked: PushRequest, device: Owner) -> PushGiven:
        """Begin a push. The board compares the files in the background; then it is `receiving`, and says which it
        wants. It ends if nobody asks about it for three seconds and another one begins."""
        files = tuple(PushedFile(**one.model_dump()) for one in asked.pieces)
        return given(pushes.begin(asked.board, asked.files.model_dump(), files, device.name))

    @router.get("/{id}")
    async def read(id: str) -> PushGiven:
        """How far a push is."""
        return given(pushes.find(id))

    @router.post("/{id}/check", status_code=202)
    async def check(id: str) -> PushGiven:
        """Check the site in the background, as a whole and as any save is checked. Then it is `ready` or `refused`."""
        return given(pushes.check(id))

    @router.post("/{id}/take-over")
    async def take_over(id: str, asked: TakeOverRequest) -> PushGiven:
        """Agree to take the site over at an instant, up to a minute ahead. It happens then, also after a restart,
        unless the push is deleted a second before."""
        return given(await pushes.agree(id, asked.at_ns))

    @router.delete("/{id}")
    async def drop(id: str) -> PushGiven:
        """Give a push up. What has arrived stays for a week, so that the next push need not send it again."""
        return given(await pushes.drop(id))

    return router
