"""Messages to and from the transmitter (daemon/transmitter/PROTOCOL.md). No sockets."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from gloaming.daemon.direction.occurrences import held_windows, neighbours_windows, rule_ids
from gloaming.daemon.direction.rules_in_force import HeldRule, HoursWindow
from gloaming.daemon.integrations.host_names import Addresses, address_of
from gloaming.daemon.score.limits import Limits
from gloaming.daemon.score.setup import CutString, Heading, Setup, Target
from gloaming.daemon.score.windows import HeldWindow, NeighboursWindow, Windows
from gloaming.daemon.site.site import Site
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import BROADCAST
from gloaming.shows.protocols.e131 import IPV4, IPV6
from gloaming.shows.rig.model import Controller, Rig
from gloaming.shows.rig.wire import slots_per_pixel, stream_gaps, unscaled
from gloaming.shows.rig.zones import Spans

GROUPS = {False: (), True: (IPV4,), "ipv4": (IPV4,), "ipv6": (IPV6,), "both": (IPV4, IPV6)}
"""The groups that a value of `output.multicast` means."""


def setup_of(
    site: Site,
    cid: UUID,
    limits: Limits | None,
    addresses: Addresses,
    boards: Iterable[str] = (),
    knows_time: bool = True,
) -> Setup:
    """The setup: where this board's universes go, how packets look, and the limits. `boards` has the CIDs of the site's
    other boards. A board that does not know the time sends black, with the lowest priority where a twin may send light.

    The universes of a controller whose name has no address go nowhere but to multicast, if it has that.
    """
    rig, output = site.part, site.output
    priority = site.priority if knows_time or not site.has_twin else 0
    pixels = {one.name: slots_per_pixel(rig, one) for one in rig.controller if one.protocol is ProtocolName.DDP}
    targets = []
    for number, slots in site.slots.items():
        if (controller := rig.controller_of.get(number)) is None:
            continue
        hosts = destinations(controller, output.multicast, addresses)
        lead, spread, protocol = controller.lead, controller.spread, controller.protocol
        port_address = controller.port_address_of[number] if protocol is ProtocolName.ARTNET else None
        pixel_slots = pixels.get(controller.name)
        targets.append(Target(number, slots, hosts, spread, lead, protocol, port_address, pixel_slots))
    return Setup(
        heading=Heading(cid, site.source_name, priority, output.synchronization, output.preview),
        targets=tuple(targets),
        interface=site.interface,
        between_performances=output.between_performances,
        ttl=output.ttl,
        dscp=output.dscp,
        loop=output.loop,
        limits=limits,
        unscaled=tuple(unscaled(rig)),
        cuts=tuple(_cuts(rig)),
        boards=tuple(sorted(boards)),
        yields=site.has_twin,
        art_sync=output.art_sync,
    )


def _cuts(rig: Rig) -> Iterator[CutString]:
    """The strings with missing pixels. A gap in the stream of a DDP controller is a pixel that is missing."""
    for string in rig.string:
        if string.missing:
            yield CutString(tuple(string.spans()), len(string.order), string.missing)
    for controller in rig.controller:
        for gap in stream_gaps(rig, controller):
            yield CutString((gap,), gap[2] - gap[1] + 1, (1,))


def destinations(controller: Controller, multicast: str, addresses: Addresses) -> tuple[str, ...]:
    """Where the packets of a controller go: its address if it is known, the groups of its universes, the broadcast."""
    address = address_of(controller, addresses)
    if controller.protocol is not ProtocolName.E131:
        return (BROADCAST,) if controller.broadcast else (address,) if address else ()
    groups = GROUPS[multicast] if controller.by_multicast else ()
    return (*((address,) if address else ()), *groups)


def windows_of(
    site: Site,
    from_ns: int,
    until_ns: int,
    rig_checks: Iterable[tuple[int, int, float]] = (),
    held: Iterable[HeldRule] = (),
    apart_ns: int = 0,
    guessed: bool = False,
) -> Windows:
    """The neighbours' windows, those that are held, and when a rig check may have dim light in them.

    `apart_ns` is how far the clock is ahead of the monotonic clock. With a `guessed` clock no window holds beyond its
    own end.
    """

    def limits(window: HoursWindow) -> tuple[float, float, str, Spans | None]:
        light = 1.0 if window.ceiling is None else window.ceiling
        if window.zone is not None:  # the rest of the rig may have a show with sound
            return light, 1.0, window.rule, site.zones[window.zone]
        return light, 0.0 if light == 0 else window.volume if window.quiet else 1.0, window.rule, None

    hours = neighbours_windows(site, from_ns, until_ns) if from_ns < until_ns else ()
    return Windows(
        from_ns,
        until_ns,
        windows=tuple(NeighboursWindow(one.from_ns, one.until_ns, *limits(one)) for one in hours),
        rules=frozenset(() if guessed else rule_ids(site)),
        held=tuple(HeldWindow(one.until_ns - apart_ns, *limits(one)) for one in held_windows(site, held)),
        rig_checks=tuple(rig_checks),
    )


class _Message(BaseModel):
    """The fields of a message that the planner needs. A message may have more."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)


class _Grants(_Message):
    real_time: bool


class _Hello(_Message):
    op: Literal["hello"]
    build: str
    grants: _Grants


class _AreaPlaying(_Message):
    piece: str | None
    level: float
    black: str | None


class _Playing(_Message):
    op: Literal["playing"]
    id: int
    piece: str | None
    frame: int | None
    level: float
    black: str | None
    volume: float
    areas: list[_AreaPlaying] = []  # an old transmitter plays no areas


class _View(_Message):
    op: Literal["view"]
    levels: str | None


class _Limited(_Message):
    kind: str
    name: str
    frames: int
    lowest: float
    ma: float
    limit_ma: float


class _BoardHeard(_Message):
    cid: str
    priority: int | None


class _Telemetry(_Message):
    op: Literal["telemetry"]
    sequence: Annotated[int, Field(ge=0, le=255)]
    universes: int
    level: float
    black: str | None = None  # a new field has a default: after an upgrade the old transmitter plays on for a while
    areas: list[_AreaPlaying] = []
    frames_due: int
    frames_sent: int
    frames_late: int
    frames_dropped: int
    packets_sent: int
    packets_left_out: int = 0
    bytes_sent: int
    send_errors: int
    lateness_us: dict[str, int]
    limited: list[_Limited]
    held: list[tuple[str, int]] = []  # an old transmitter holds nothing
    boards_heard: list[_BoardHeard] = []  # an old transmitter knows no boards


class _Trouble(_Message):
    op: Literal["trouble"]
    kind: str
    subject: str
    text: str
    over: bool
    piece: str | None = None
    frame: int | None = None


_RECEIVED: TypeAdapter[object] = TypeAdapter(
    Annotated[_Hello | _Playing | _View | _Telemetry | _Trouble, Field(discriminator="op")]
)


def read_message(line: bytes) -> dict[str, Any]:
    """A message of the transmitter, with all its fields. ValueError if the protocol has no such message."""
    _RECEIVED.validate_json(line)
    message: dict[str, Any] = json.loads(line)
    return message
