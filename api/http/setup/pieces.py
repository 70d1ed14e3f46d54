"""The site's pieces: listed, taken from uploads, deleted and restored."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Response
from starlette.exceptions import HTTPException

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.schemas.pieces import PieceImportGiven, PieceRequest, PiecesGiven
from gloaming.daemon.planner.piece_imports import ImportOrder
from gloaming.daemon.planner.planner import Planner

PNG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/png": {"schema": {"type": "string", "format": "binary"}}}}
}


def pieces_router(planner: Planner, owner: DeviceDependency) -> APIRouter:
    """The routes."""
    router, files = APIRouter(prefix="/pieces"), planner.piece_files
    Owner = Annotated[AuthenticatedDevice, Depends(owner)]

    @router.get("")
    async def pieces() -> PiecesGiven:
        """The pieces, those that can be restored, the uploads, and how far the imports are."""
        return PiecesGiven.model_validate(await files.listed())

    @router.post("", status_code=202, responses={404: {"description": "no such upload or piece"}})
    async def take(asked: PieceRequest, device: Owner) -> PieceImportGiven:
        """Take a whole upload as the frames or the sound of a piece. It is checked and imported in the background; the
        list says how far it is. An older file keeps its place until the new one is whole."""
        job = files.imports.take(ImportOrder(**asked.model_dump()), device.name)
        return PieceImportGiven.model_validate(job.as_json())

    @router.get("/{name:path}/picture", response_class=Response, responses=PNG)
    async def picture(name: str) -> Response:
        """A picture of a lit frame. 404 until it is drawn, and if it cannot be."""
        data = files.picture(name)
        if data is None:
            raise HTTPException(404, f"there is no picture of {name} yet")
        return Response(data, media_type="image/png")

    @router.delete("/{name:path}")
    async def delete(name: str, device: Owner) -> PiecesGiven:
        """Take a piece out of the site. It can be restored for a day. Refused while a running order has it."""
        await files.delete(name, device.name)
        return PiecesGiven.model_validate(await files.listed())

    @router.post("/{name:path}/restore")
    async def restore(name: str, device: Owner) -> PiecesGiven:
        """Restore a deleted piece: its files, and its table in site.toml."""
        await files.restore(name, device.name)
        return PiecesGiven.model_validate(await files.listed())

    return router
