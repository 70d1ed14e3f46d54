"""Answers on the rig: what hangs outside, what feeds it, and what is to be mended."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant
from gloaming.api.http.schemas.network import NodeFound
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.model import Channel
from gloaming.shows.rig.repairs import Fault


class ControllerError(Answer):
    """The last trouble of sending to a controller, and whether it stands."""

    at: Instant
    text: str
    stands: bool


class ControllerReached(Answer):
    """A controller, and whether it answers. What is null or 0 for one that only other boards feed, they know."""

    name: str
    boards: Annotated[list[str], Field(description="the boards that feed it; none on a site without boards")]
    host: Annotated[str | None, Field(description="its IP address or host name, as in rig.toml")]
    address: Annotated[str | None, Field(description="its IP address; null while nobody knows that of its name")]
    protocol: ProtocolName
    way: Annotated[str, Field(description="how its data go to it, in words")]
    answers: Annotated[bool | None, Field(description="null: it cannot be asked, or was not asked yet")]
    words: Annotated[str, Field(description="the same in words")]
    since: Instant | None
    strings: list[str]
    packets: Annotated[int, Field(description="data packets of its universes since the setup")]
    errors: Annotated[int, Field(description="sends that its address did not take")]
    last_error: ControllerError | None
    nodes: Annotated[list[NodeFound], Field(description="what its Art-Net nodes say of themselves")]


class ControllerListed(ControllerReached):
    """A controller of the rig."""

    multicast: bool
    broadcast: bool
    universes: list[int]
    port_addresses: Annotated[list[int], Field(description="that of each universe, in order; empty without Art-Net")]
    brightness: Annotated[float, Field(description="the brightness that is set in the controller itself, 0 to 1")]


class CircuitListed(Answer):
    """A circuit of the mains, on one breaker."""

    name: str
    amps: float
    volts: float
    breaker: Annotated[str | None, Field(description="where its breaker is")]
    rcd: bool | None


class SupplyListed(Answer):
    """A power supply of the rig."""

    name: str
    volts: float
    amps: float
    circuit: str | None
    efficiency: float


class PortListed(Answer):
    """A port of a controller; its strings share its fuse."""

    name: str
    controller: str
    number: int
    strings: list[str]
    fuse_a: float | None
    supply: str | None
    volts: float | None
    run_m: Annotated[float | None, Field(description="the length of its data run, in metres")]
    note: str | None


class StringListed(Answer):
    """A string of the rig; `points` are where its pixels hang, in metres."""

    name: str
    controller: str
    port: int | None
    group: str | None
    universe: int
    slot: int
    pixels: int
    missing: Annotated[list[int], Field(description="the pixels that were cut out")]
    order: str
    spans: Annotated[list[tuple[int, int, int]], Field(description="universe, first slot, last slot")]
    fuse_a: float | None
    supply: str | None
    points: list[list[float]] | None


class FixtureListed(Answer):
    """A lamp or another device that is no string of pixels; `channels` are what its slots do, `at` is its place."""

    name: str
    controller: str
    universe: int
    slot: int
    channels: list[Channel]
    at: Annotated[tuple[float, float] | None, Field(description="where it stands, in metres: right and up")]
    watts: float | None
    supply: str | None
    circuit: str | None


class ZoneListed(Answer):
    """A zone, or a group of strings, which is a zone too: its strings and fixtures."""

    name: str
    strings: list[str]
    fixtures: list[str]


class RigCheckShown(Answer):
    """The current rig check."""

    id: int
    text: str
    strings: list[str]
    fixture: str | None
    level: float | None
    frame: int
    frames: int


class RigListed(Answer):
    """What hangs outside and what feeds it, and the current rig check."""

    controllers: list[ControllerListed]
    circuits: list[CircuitListed]
    supplies: list[SupplyListed]
    ports: list[PortListed]
    strings: list[StringListed]
    fixtures: list[FixtureListed]
    zones: list[ZoneListed]
    check: RigCheckShown | None


# the repairs


class RepairListed(Answer):
    """A mark on a pixel, a string or a fixture; `part` is the name of the string or fixture."""

    id: int
    part: str
    kind: Literal["string", "fixture"] | None
    pixel: int | None
    fault: Fault
    note: str
    text: Annotated[str, Field(description="what is wrong, in words")]
    at: Instant
    who: str
    mended: Instant | None
    mended_by: str | None
    absence: Annotated[str | None, Field(description="why the part or the pixel is not in the rig any more")]
    hint: Annotated[str | None, Field(description="for a pixel that was cut out: what to write into rig.toml")]


class RepairsListed(Answer):
    """What is to be mended, in the order of the rig; and what was mended last."""

    open: list[RepairListed]
    mended: list[RepairListed]
