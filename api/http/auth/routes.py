"""The device of a request (by a token, as header or cookie), and the routes that sign devices in and out."""

import time
from collections.abc import Callable, Coroutine
from typing import Annotated, Any

import segno
from fastapi import Depends, FastAPI, Request, Response
from starlette.exceptions import HTTPException

from gloaming.api.http.auth.authenticator import LINK_S, AuthenticatedDevice, Authenticator, DeviceKind, network_of
from gloaming.api.http.middleware import Buckets, RequestLimits
from gloaming.api.http.schemas.base import Expected
from gloaming.api.http.schemas.devices import (
    DeviceKindInForce,
    DeviceKnown,
    DeviceSignedOut,
    LinkMade,
    PasscodeInForce,
    SignedIn,
)
from gloaming.api.http.schemas.requests import (
    DeviceKindRequest,
    LinkCodeRequest,
    LinkRequest,
    NewPasscodeRequest,
    PasscodeRequest,
)
from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.planner import Planner

COOKIE = "gloaming"
COOKIE_S = 400 * 86_400
Id = Annotated[int, Expected("{value!r} is not the id of a device", "GET /api/devices has the ids")]
DeviceDependency = Callable[..., Coroutine[Any, Any, AuthenticatedDevice]]
"""A dependency that returns the device of a request, or refuses the request."""
VIEWERS_LOOK = "this device may only look"
WITH_ARTICLE = {DeviceKind.OWNER: "an owner", DeviceKind.OPERATOR: "an operator", DeviceKind.VIEWER: "a viewer"}
OWNERS_ONLY = "sign in with the passcode, or ask an owner to make this device one"


def token_of(request: Request) -> str:
    """The token of a request: from the Authorization header, otherwise from the cookie."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")


def device_of_request(planner: Planner, authenticator: Authenticator, limits: RequestLimits) -> DeviceDependency:
    """The dependency that accepts a request with a known token."""
    buckets = Buckets(limits.device_rate, limits.device_burst)

    async def signed_in(request: Request) -> AuthenticatedDevice:
        trusted = planner.trusted
        device = authenticator.device(token_of(request), planner.now_ns() if trusted else None)
        if device is None:
            raise HTTPException(401, "sign in at /api/sign-in, or send a token")
        if not buckets.take(device.id, time.monotonic()):
            raise HTTPException(429, "too many requests from this device", {"Retry-After": "1"})
        by_cookie = "authorization" not in request.headers
        if by_cookie and request.method not in ("GET", "HEAD") and "origin" not in request.headers:
            raise HTTPException(403, "the browser did not say which page sends this request")
        return device

    return signed_in


def operator_of(signed_in: DeviceDependency) -> DeviceDependency:
    """The dependency that accepts a request of an operator or an owner."""

    async def operator(device: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> AuthenticatedDevice:
        if device.kind == DeviceKind.VIEWER:
            raise HTTPException(403, VIEWERS_LOOK)
        return device

    return operator


def owner_of(signed_in: DeviceDependency) -> DeviceDependency:
    """The dependency that accepts a request of an owner."""

    async def owner(device: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> AuthenticatedDevice:
        if device.kind != DeviceKind.OWNER:
            raise HTTPException(403, f"only an owner may change the set-up: {OWNERS_ONLY}")
        return device

    return owner


def add_auth(
    app: FastAPI,
    planner: Planner,
    authenticator: Authenticator,
    signed_in: DeviceDependency,
    operator: DeviceDependency,
    owner: DeviceDependency,
    addresses: Callable[[], list[str]],
    changed: Callable[[], None],
) -> None:
    """Add the routes. `addresses` gives the addresses of the page, the best first. `changed` follows a sign-out and a
    change of a device's kind."""
    AnyDevice = Annotated[AuthenticatedDevice, Depends(signed_in)]
    Operator = Annotated[AuthenticatedDevice, Depends(operator)]
    Owner = Annotated[AuthenticatedDevice, Depends(owner)]

    def other(id: int, refusal: str) -> str:
        """The name of a device that is not the board itself; `refusal` says what the board is spared."""
        found = next((each for each in planner.device_store.devices() if each[0] == id), None)
        if found is None:
            raise HTTPException(404, f"no device {id} is signed in")
        if authenticator.is_local(id):
            raise HTTPException(409, f"this is the board itself, {refusal}")
        return found[1]

    def welcome(request: Request, response: Response, token: str, device: AuthenticatedDevice, by: str) -> SignedIn:
        name, kind = device.name, device.kind
        planner.note("device", f"{name} has signed in by {by}, as {kind}", name)
        authenticator.guesses.know(network_of(request.client.host if request.client else ""))
        secure = request.url.scheme == "https"
        response.set_cookie(COOKIE, token, max_age=COOKIE_S, httponly=True, samesite="strict", secure=secure)
        return SignedIn.model_validate({"token": token, "device": name, "kind": kind})

    @app.post("/api/sign-in", tags=["devices"])
    async def sign_in(asked: PasscodeRequest, request: Request, response: Response) -> SignedIn:
        """Sign in by the passcode, as an owner."""
        address = request.client.host if request.client else ""
        now_ns = planner.now_ns()
        token = await authenticator.sign_in(asked.passcode, asked.device, address, time.monotonic(), now_ns)
        device = authenticator.device(token or "")
        if token is None or device is None:
            planner.note("device", f"a wrong passcode from {address}")
            raise HTTPException(401, "that is not the passcode")
        return welcome(request, response, token, device, "passcode")

    @app.post("/api/sign-in/link", tags=["devices"])
    async def sign_in_by_link(asked: LinkCodeRequest, request: Request, response: Response) -> SignedIn:
        """Sign in by a link of `gloaming pair`. It works once."""
        token = authenticator.use_link(asked.code, asked.device, time.monotonic(), planner.now_ns())
        device = authenticator.device(token or "")
        if token is None or device is None:
            raise HTTPException(401, "this link has been used, or is older than ten minutes; ask for a new one")
        return welcome(request, response, token, device, "link")

    @app.post("/api/links", status_code=201, tags=["devices"])
    async def make_link(asked: LinkRequest, device: Operator) -> LinkMade:
        """Make a link that signs one device in, once, within ten minutes. Only an owner makes one for an owner."""
        if asked.kind == DeviceKind.OWNER and device.kind != DeviceKind.OWNER:
            raise HTTPException(403, f"only an owner may add an owner: {OWNERS_ONLY}")
        code = authenticator.make_link(asked.kind, time.monotonic())
        now_ns = planner.now_ns()
        planner.note("device", f"a link for {asked.kind}s was made", device.name)
        first, *others = [f"{address}/#{code}" for address in addresses()]
        until = isoformat(now_ns + int(LINK_S * 1e9), planner.site.timezone)
        squares = ["".join(map(str, row)) for row in segno.make(first, error="m").matrix]
        return LinkMade(code=code, link=first, other_links=others, kind=asked.kind, until=until, squares=squares)

    @app.get("/api/devices", tags=["devices"])
    async def devices(device: AnyDevice) -> list[DeviceKnown]:
        """The devices that are signed in."""
        zone = planner.site.timezone
        found = []
        for id, name, kind, made_ns, seen_ns in planner.device_store.devices():
            since, last = isoformat(made_ns, zone), isoformat(seen_ns, zone)
            known = {"id": id, "name": name, "kind": kind, "since": since, "seen": last, "this": id == device.id}
            found.append(DeviceKnown.model_validate(known))
        return found

    @app.delete("/api/devices", tags=["devices"])
    async def revoke_others(device: Operator) -> list[DeviceSignedOut]:
        """Sign out every other device except the board itself; their streams of events end."""
        now_ns = planner.now_ns()
        others = authenticator.sign_out_others(device, now_ns)
        changed()
        planner.note("device", f"all other devices were signed out: {len(others)}", device.name)
        return [DeviceSignedOut(id=id) for id in others]

    @app.delete("/api/devices/{id}", tags=["devices"])
    async def revoke(id: Id, device: AnyDevice, response: Response) -> DeviceSignedOut:
        """Sign a device out; its streams of events end. A viewer may sign out only itself."""
        if device.kind == DeviceKind.VIEWER and id != device.id:
            raise HTTPException(403, f"{VIEWERS_LOOK}, and sign itself out")
        name = other(id, "which cannot be signed out")
        now_ns = planner.now_ns()
        planner.device_store.revoke_device(id, now_ns)
        changed()
        planner.note("device", f"{name} was signed out", device.name)
        if id == device.id:
            response.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return DeviceSignedOut(id=id)

    @app.put("/api/devices/{id}", tags=["devices"])
    async def change_kind(id: Id, asked: DeviceKindRequest, device: Owner) -> DeviceKindInForce:
        """Make a device an owner, an operator or a viewer. The board itself is always an owner."""
        name = other(id, "which is always an owner")
        planner.device_store.set_device_kind(id, asked.kind)
        changed()
        planner.note("device", f"{name} is now {WITH_ARTICLE[asked.kind]}", device.name)
        return DeviceKindInForce(id=id, kind=asked.kind)

    @app.put("/api/passcode", tags=["devices"])
    async def change_passcode(asked: NewPasscodeRequest, device: Operator) -> PasscodeInForce:
        """Change the passcode, only on the board itself. Phones that are signed in stay signed in."""
        if not device.local:
            raise HTTPException(403, "the passcode is changed on the board itself: gloaming passcode")
        if asked.passcode is None:
            passcode = authenticator.new_passcode()
        else:
            passcode = asked.passcode
            try:
                authenticator.set_passcode(passcode, planner.site.name)
            except ValueError as error:
                raise HTTPException(409, str(error)) from None
        authenticator.forget_first_passcode()
        planner.note("device", "the passcode was changed", device.name)
        return PasscodeInForce(passcode=passcode)
