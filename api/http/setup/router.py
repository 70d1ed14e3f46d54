"""The routes of the set-up. Every one of them is for an owner alone."""

from fastapi import APIRouter, Depends

from gloaming.api.http.auth.routes import DeviceDependency
from gloaming.api.http.middleware import PUSHED_FILES, UPLOADS
from gloaming.api.http.monitoring import Reports
from gloaming.api.http.setup.documents import documents_router
from gloaming.api.http.setup.pieces import pieces_router
from gloaming.api.http.setup.push import push_router
from gloaming.api.http.setup.site_files import site_files_router
from gloaming.api.http.setup.uploads import uploads_router
from gloaming.daemon.planner.planner import Planner


def setup_router(planner: Planner, reports: Reports, owner: DeviceDependency) -> APIRouter:
    """The routes below /api/setup. A part that must know who asks depends on `owner`, too: it runs once a request."""
    router = APIRouter(dependencies=[Depends(owner)], tags=["set-up"])
    pieces, push = planner.piece_files, planner.site_push
    router.include_router(documents_router(planner, reports), prefix="/api/setup")
    router.include_router(site_files_router(planner, owner), prefix="/api/setup")
    router.include_router(pieces_router(planner, owner), prefix="/api/setup")
    router.include_router(push_router(planner, owner), prefix="/api/setup")
    router.include_router(uploads_router(UPLOADS, pieces.uploads, pieces.begin, planner.now_ns))
    router.include_router(uploads_router(PUSHED_FILES, push.uploads, push.begin_file, planner.now_ns))
    return router
