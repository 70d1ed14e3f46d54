"""Answers on devices, and how they sign in."""

from typing import Annotated

from pydantic import Field

from gloaming.api.http.auth.authenticator import DeviceKind
from gloaming.api.http.schemas.answers import Answer, Instant


class SignedIn(Answer):
    """A token, to send as `Authorization: Bearer TOKEN`. A browser also gets it as a cookie."""

    token: str
    device: str
    kind: DeviceKind


class LinkMade(Answer):
    """A link that signs one device in, once, within ten minutes."""

    code: str
    link: str
    other_links: list[str]
    kind: DeviceKind
    until: Instant
    squares: Annotated[list[str], Field(description="the link as a QR code without its margin, row by row; 1 is dark")]


class DeviceKnown(Answer):
    """A device that is signed in."""

    id: int
    name: str
    kind: DeviceKind
    since: Instant
    seen: Annotated[Instant, Field(description="when it was last used, to the hour")]
    this: Annotated[bool, Field(description="whether this device sent the request")]


class DeviceKindInForce(Answer):
    """The device whose kind was changed."""

    id: int
    kind: DeviceKind


class DeviceSignedOut(Answer):
    """The device that was signed out."""

    id: int


class PasscodeInForce(Answer):
    """The passcode that is valid now."""

    passcode: str
