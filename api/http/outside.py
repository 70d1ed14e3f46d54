"""Triggers and holds over HTTP. Each has a token of its own, which is good for nothing else."""

import time
from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request

from gloaming.api.http.auth.authenticator import AuthenticatedDevice
from gloaming.api.http.auth.routes import DeviceDependency, token_of
from gloaming.api.http.middleware import Buckets, RequestLimits
from gloaming.api.http.schemas.answers import OverrideTaken
from gloaming.api.http.schemas.outside import ReadingHeard, TokenMade
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.planner.outside import TableKind
from gloaming.daemon.planner.planner import Planner

READING = {
    "required": True,
    "content": {
        "text/plain": {"schema": {"type": "string"}, "example": "15.2"},
        "application/json": {"schema": {"type": "object"}, "example": {"speed": 15.2}},
    },
}


def outside_router(
    planner: Planner,
    signed_in: DeviceDependency,
    operator: DeviceDependency,
    owner: DeviceDependency,
    limits: RequestLimits,
    addresses: Callable[[], list[str]],
) -> APIRouter:
    """The routes. A `signed_in` `operator` may do what a token may, and an `owner` makes the tokens."""
    router = APIRouter(tags=["outside"])
    outside = planner.outside
    buckets = Buckets(limits.device_rate, limits.device_burst)
    Owner = Annotated[AuthenticatedDevice, Depends(owner)]

    async def let_in(kind: TableKind, name: str, request: Request) -> None:
        if not outside.opens(kind, name, token_of(request)):
            await operator(await signed_in(request))
        elif not buckets.take((kind, name), time.monotonic()):
            raise HTTPException(429, f"too many requests for this {kind}", {"Retry-After": "1"})
        outside.check_listens(kind, name)

    async def trigger(name: str, request: Request) -> None:
        await let_in(TableKind.TRIGGER, name, request)

    async def hold(name: str, request: Request) -> None:
        await let_in(TableKind.HOLD, name, request)

    def new_token(kind: TableKind, name: str, device: AuthenticatedDevice) -> TokenMade:
        token = outside.new_token(kind, name)
        planner.note("device", f"a new token for the {kind} {name}", device.name)
        return TokenMade(token=token, url=f"{addresses()[0]}/api/{kind}s/{name}")

    @router.post(
        "/api/triggers/{name}", status_code=201, response_model_exclude_unset=True, dependencies=[Depends(trigger)]
    )
    async def pull(name: str) -> OverrideTaken:
        """An event of a trigger: it calls its piece or show, or is refused with the reason. It needs the token of this
        trigger, or that of an operator."""
        pulled = await outside.triggers.pulled(name, "http", planner.now_ns())
        if pulled.refused is not None:
            raise Refusal(pulled.refused)
        return OverrideTaken.model_validate(pulled.override)

    @router.post("/api/holds/{name}", dependencies=[Depends(hold)], openapi_extra={"requestBody": READING})
    async def hear(name: str, request: Request) -> ReadingHeard:
        """A reading of a hold. It needs the token of this hold, or that of an operator. Of several boards, the one that
        its table names takes it."""
        if problem := outside.taken_elsewhere(name):
            raise HTTPException(409, problem)
        problem = outside.holds.heard(name, await request.body(), planner.now_ns())
        if problem is not None:
            raise HTTPException(422, problem)
        return ReadingHeard(name=name)

    @router.post("/api/triggers/{name}/token", status_code=201)
    async def trigger_token(name: str, device: Owner) -> TokenMade:
        """Make a new token for a trigger. The one before ends."""
        return new_token(TableKind.TRIGGER, name, device)

    @router.post("/api/holds/{name}/token", status_code=201)
    async def hold_token(name: str, device: Owner) -> TokenMade:
        """Make a new token for a hold. The one before ends."""
        return new_token(TableKind.HOLD, name, device)

    return router
