"""Requests for a rig check, for devices and for the board."""

from collections.abc import Collection, Iterable
from itertools import combinations
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, TypeAdapter, create_model

from gloaming.api.http.auth.authenticator import DeviceKind
from gloaming.api.http.schemas.base import At, Expected, RequestModel, checked, with_offset
from gloaming.daemon.direction.rig_check import (
    DEFAULT_LEVEL,
    DEFAULT_PATTERN,
    LEAST_MINUTES,
    LONGEST_HOURS,
    LONGEST_MINUTES,
)
from gloaming.shows.config_files.checking import OneLine
from gloaming.shows.rig.pattern_names import COLOURS, KINDS
from gloaming.shows.rig.patterns import NUMBERED
from gloaming.shows.rig.repairs import NOTE_MAX, Fault


class RigCheckRequest(RequestModel):
    """A test pattern on the rig, on one zone, one controller, one port, some strings or one fixture. It ends by itself
    after ten minutes, or as a burn-in after some hours."""

    called = "a rig check"
    exclusive = (
        ("string", "controller"),
        ("strings", "controller"),
        *((one, other) for one in ("port", "fixture", "zone") for other in ("controller", "string", "strings")),
        *combinations(("port", "fixture", "zone"), 2),
        ("minutes", "hours"),
    )

    controller: Annotated[str, Expected("there is no controller {value!r}", "use a controller of rig.toml")] = Field(
        default_factory=str
    )
    string: Annotated[str, Expected("there is no string {value!r}", "use a string of rig.toml")] = Field(
        default_factory=str
    )
    strings: Annotated[list[str], Expected("this is not a list of strings", 'as ["ridge", "eaves"]')] = Field(
        default_factory=list
    )
    port: Annotated[str, Expected("there is no port {value!r}", 'use a port of rig.toml, as "3 of left"')] = Field(
        default_factory=str
    )
    fixture: Annotated[str, Expected("there is no fixture {value!r}", "use a fixture of rig.toml")] = Field(
        default_factory=str
    )
    zone: Annotated[str, Expected("there is no zone {value!r}", "use a zone of rig.toml")] = Field(default_factory=str)
    level: Annotated[
        float,
        Field(strict=True, ge=0.01, le=1),
        Expected("{value!r} is not a number from 0.01 to 1", "as 0.3"),
    ] = DEFAULT_LEVEL
    minutes: Annotated[
        float,
        Field(strict=True, ge=LEAST_MINUTES, le=LONGEST_MINUTES),
        Expected(f"{{value!r}} is not a number from {LEAST_MINUTES:.2g} to {LONGEST_MINUTES}", "as 5"),
    ] = LONGEST_MINUTES
    hours: Annotated[
        float,
        Field(strict=True, gt=0, le=LONGEST_HOURS, description="instead of minutes: a burn-in, dark in dark hours"),
        Expected(f"{{value!r}} is not a number of hours above 0 and up to {LONGEST_HOURS}", "as 12"),
    ] = Field(default_factory=float)


def _whole(number: object) -> object:
    """A whole number may be written 5.0 (JSON Schema Validation 2020-12, 6.1.1)."""
    return int(number) if isinstance(number, float) and number.is_integer() else number


Number = Annotated[
    int,
    Field(strict=True, ge=1, le=100_000, description="which pixel, or which universe"),
    BeforeValidator(_whole),
    Expected("{value!r} is not a number from 1 on", "as 37"),
]


def _one_of(names: Iterable[str], what: str, known: Iterable[str]) -> Any:
    expected = Expected(f"there is no {what} {{value!r}}", f"use {', '.join(known)}")
    return Annotated[Literal[tuple(names)], expected]


def _rig_check(name: str, kinds: Collection[str], pattern: Any, number: Any) -> type[RigCheckRequest]:
    about = Field(description="; ".join(f"{kind}: {KINDS[kind]}" for kind in kinds))
    fields: dict[str, Any] = {"pattern": (Annotated[_one_of(kinds, "pattern", KINDS), about], pattern)}
    fields["colour"] = (_one_of(COLOURS, "colour", COLOURS), "white")
    return create_model(name, __base__=RigCheckRequest, __doc__=RigCheckRequest.__doc__, **fields, **number)


PlainRigCheckRequest = _rig_check(
    "PlainRigCheckRequest", [kind for kind in KINDS if kind not in NUMBERED], DEFAULT_PATTERN, {}
)
NumberedRigCheckRequest = _rig_check("NumberedRigCheckRequest", sorted(NUMBERED), ..., {"number": (Number, ...)})


RIG_CHECK_REQUESTS = (PlainRigCheckRequest, NumberedRigCheckRequest)


def _rig_check_of(request: Any) -> str:
    pattern = request.get("pattern") if isinstance(request, dict) else None
    return "numbered" if isinstance(pattern, str) and pattern in NUMBERED else "plain"


if TYPE_CHECKING:
    AnyRigCheckRequest = RigCheckRequest
else:
    AnyRigCheckRequest = Annotated[
        Annotated[PlainRigCheckRequest, Tag("plain")] | Annotated[NumberedRigCheckRequest, Tag("numbered")],
        Discriminator(_rig_check_of),
    ]
_ANY_RIG_CHECK: TypeAdapter[RigCheckRequest] = TypeAdapter(AnyRigCheckRequest)


def rig_check_request(request: object) -> dict[str, Any]:
    """Check a request for a rig check; only the keys that were given. InputError."""
    return checked(_ANY_RIG_CHECK, request)


class MarkRequest(RequestModel):
    """A mark for the repairs list: what is wrong with a pixel, a string or a fixture."""

    called = "a mark"

    part: Annotated[
        str, Field(max_length=60), Expected("there is no string and no fixture {value!r}", "use a name of rig.toml")
    ]
    pixel: Annotated[Number, Field(description="which pixel of the string")] = Field(default_factory=int)
    fault: Annotated[Fault, Expected("there is no fault {value!r}", f"use {', '.join(Fault)}")]
    note: Annotated[
        OneLine,
        Field(max_length=NOTE_MAX, description="in a person's own words"),
        Expected(f"this is not a line of at most {NOTE_MAX} characters", 'as "behind the gutter"'),
    ] = ""


# devices, and the board

DeviceName = Annotated[
    str, Field(max_length=60), Expected("this is not a name of at most 60 characters", "as Ada's phone")
]


class PasscodeRequest(RequestModel):
    """A passcode, and a name for the device."""

    passcode: Annotated[
        str, Field(max_length=200, pattern=r"[^\s-]"), Expected("this is not a passcode", "give the board's passcode")
    ]
    device: DeviceName = "a phone"


class LinkCodeRequest(RequestModel):
    """The code of a link that works once, and a name for the device."""

    code: Annotated[str, Field(max_length=200), Expected("this is not the code of a link", "open the link again")]
    device: DeviceName = "a phone"


class NewPasscodeRequest(RequestModel):
    """Another passcode; without it, the board makes one."""

    passcode: (
        Annotated[
            str,
            Field(min_length=8, max_length=200, pattern=r"^\S(.*\S)?$"),
            Expected("a passcode has 8 to 200 characters, and no blank at its ends", "as 2718-2818"),
        ]
        | None
    ) = None


KindOfDevice = Annotated[DeviceKind, Expected("there is no kind {value!r}", f"use {', '.join(DeviceKind)}")]


class LinkRequest(RequestModel):
    """The kind of device that a link is for."""

    kind: KindOfDevice = DeviceKind.OPERATOR


class DeviceKindRequest(RequestModel):
    """Another kind for a device that is signed in."""

    kind: KindOfDevice


class TimeRequest(RequestModel):
    """The time of a person's phone."""

    utc: Annotated[
        At,
        AfterValidator(with_offset),
        Field(description="with its offset", examples=["2026-12-12T17:30:00Z"]),
        Expected("{value!r} is not an instant with its offset", 'as "2026-12-12T17:30:00Z"'),
    ]
