"""What the director and the transmitter say to each other, by the score protocol (transmitter/PROTOCOL.md): messages
written, and messages read. No sockets."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from gloaming.daemon.direction.billing import held_windows, neighbours_windows, rule_ids
from gloaming.daemon.direction.held import Held
from gloaming.daemon.direction.scene import Window
from gloaming.daemon.direction.score import Mix, Segment
from gloaming.daemon.site.load import Site


def setup_message(site: Site, cid: str, limits: dict[str, Any] | None) -> dict[str, Any]:
    """A `setup`: where the universes of the rig go, how packets look, and what the limiter keeps."""
    rig, output = site.rig, site.output
    universes = [
        {
            "number": number,
            "slots": slots,
            "hosts": [controller.host] if controller.host else [],
            "multicast": output.multicast if controller.multicast or controller.host is None else False,
            "lead_ns": controller.lead,
            "spread_ns": controller.spread,
        }
        for number, slots in rig.slots.items()
        for controller in (rig.controller_of[number],)
    ]
    return {
        "op": "setup",
        "cid": cid,
        "source_name": site.source_name,
        "priority": output.priority,
        "interface": output.interface,
        "synchronization": output.synchronization,
        "at_rest": output.at_rest,
        "sequence_from": 0,
        "preview": output.preview,
        "ttl": output.ttl,
        "dscp": output.dscp,
        "loop": output.loop,
        "universes": universes,
        "limits": limits,
    }


def dark_message(
    site: Site,
    from_ns: int,
    until_ns: int,
    low: list[list[float]],
    held: Iterable[Held] = (),
    apart_ns: int = 0,
    guessed: bool = False,
) -> dict[str, Any]:
    """A `dark`: the neighbours' windows, those that are held, and where a rig check may be lit all the same. `apart_ns`
    is how far the clock is ahead of the monotonic one. By a `guessed` clock no window holds beyond its own end."""

    def limits(window: Window) -> list[Any]:
        light = 1.0 if window.ceiling is None else window.ceiling
        return [light, 0.0 if light == 0 else window.volume if window.quiet else 1.0, window.rule]

    return {
        "op": "dark",
        "from_ns": from_ns,
        "until_ns": until_ns,
        "windows": [
            [window.from_ns, window.until_ns, *limits(window)]
            for window in (neighbours_windows(site, from_ns, until_ns) if from_ns < until_ns else ())
        ],
        "held": [[window.until_ns - apart_ns, *limits(window)] for window in held_windows(site, held)],
        "rules": [] if guessed else rule_ids(site),
        "low": low,
    }


def segment_message(segment: Segment, sound: str | None, gain: float) -> dict[str, Any]:
    """A segment of a `score`, with the sound file that belongs to it and its gain."""
    picture = segment.picture
    return {
        "from_ns": segment.from_ns,
        "until_ns": segment.until_ns,
        "path": picture.path if picture and not picture.ended else None,
        "piece": picture.piece if picture else None,
        "frames": picture.frames if picture else 1,
        "fps": [picture.fps.numerator, picture.fps.denominator] if picture else [40, 1],
        "zero_ns": picture.zero_ns if picture else 0,
        "still": picture.still if picture else None,
        "look": segment.look,
        "level": [segment.level_from, segment.level_until],
        "sound": sound,
        "gain": gain,
        "sound_level": [segment.sound_from, segment.sound_until],
        "mix": _mix_message(segment.mix, segment) if segment.mix else None,
        "rest": segment.show is None,
    }


def _mix_message(mix: Mix, segment: Segment) -> dict[str, Any]:
    picture = mix.picture
    return {
        "path": picture.path,
        "frames": picture.frames,
        "fps": [picture.fps.numerator, picture.fps.denominator],
        "zero_ns": picture.zero_ns,
        "still": picture.still,
        "look": 0,
        "share": [mix.share_at(segment.from_ns), mix.share_at(segment.until_ns)],
    }


class _Message(BaseModel):
    """What a director needs of a message; there may be more in it."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)


class _Grants(_Message):
    real_time: bool


class _Hello(_Message):
    op: Literal["hello"]
    build: str
    grants: _Grants


class _Playing(_Message):
    op: Literal["playing"]
    id: int
    piece: str | None
    frame: int | None
    level: float
    black: str | None
    volume: float


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


class _Telemetry(_Message):
    op: Literal["telemetry"]
    sequence: Annotated[int, Field(ge=0, le=255)]
    universes: int
    level: float
    black: str | None = None  # what is new has a default: after an upgrade the old transmitter plays on for a while
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
    held: list[tuple[str, int]] = []  # of such an old one: it held nothing


class _Trouble(_Message):
    op: Literal["trouble"]
    kind: str
    subject: str
    text: str
    over: bool
    piece: str | None = None
    frame: int | None = None


_HEARD: TypeAdapter[object] = TypeAdapter(
    Annotated[_Hello | _Playing | _View | _Telemetry | _Trouble, Field(discriminator="op")]
)


def read_heard(line: bytes) -> dict[str, Any]:
    """A message of the transmitter, with all that is in it. ValueError where it is not one of the protocol's."""
    _HEARD.validate_json(line)
    message: dict[str, Any] = json.loads(line)
    return message
