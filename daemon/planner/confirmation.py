"""Whether the transmitter sends what a person asked for: the score, compared with its message `playing`."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.score import DecidedSegment, State
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.planner.troubles import BLACK
from gloaming.shows.time_units import SECOND_NS

if TYPE_CHECKING:  # `gloaming now` imports this module, and needs no planner
    from gloaming.daemon.planner.transmitter_client import TransmitterClient

CONFIRM_S = 1.8
"""How long an answer waits: long enough for the usual fade of a second and a sound device's buffer."""
LEVEL_STEP = 0.001
NOT_CONFIRMED = "the transmitter has not confirmed it"


class Sent(NamedTuple):
    """`on_the_wire`: the transmitter sends what was asked for. `wire`: what it sends, or why that is something else."""

    on_the_wire: bool
    wire: str


class SentNow(NamedTuple):
    """An instant, and its segment of the score that was sent last: of the rest, or of the area at a `place` in the
    score with this `id`."""

    at_ns: int
    segment: DecidedSegment
    id: int
    place: int | None = None


async def confirm(
    client: TransmitterClient,
    sent_now: Callable[[str | None], SentNow],
    zone: ZoneInfo,
    score_id: int,
    asked: Override,
    ends: bool = False,
    within_s: float = CONFIRM_S,
) -> Sent:
    """Wait until light and sound are as asked for: `within_s` at most, and not where that is not possible.

    `sent_now` returns what was sent for a zone. `score_id` is the id of the first score with the override. `ends` says
    that the override was ended.
    """
    deadline_s = time.monotonic() + within_s
    while True:
        now_ns, segment, sent_id, place = sent_now(asked.zone)
        changed, playing = client.playing, _in_area(client.now_playing, sent_id, place)
        settles_ns = max(segment.until_ns if fades(segment) else now_ns, now_ns if ends else asked.at_ns)
        if settles_ns == now_ns and not (ends or is_given(asked, segment)):
            return Sent(False, segment.reasons[0].text)
        left_s, settles_s = deadline_s - time.monotonic(), (settles_ns - now_ns) / SECOND_NS
        confirmed = playing is not None and playing["id"] >= score_id
        if playing is None or not confirmed:
            why = NOT_CONFIRMED
        elif settles_s:
            whole_s = -(-settles_ns // SECOND_NS)
            why = f"it will be at {datetime.fromtimestamp(whole_s, zone):%H:%M:%S}"
        elif not (why := differs(segment, playing)):
            return Sent(True, words(asked, segment, playing))
        if not client.connected or left_s <= 0 or (confirmed and settles_s > left_s):
            return Sent(False, why)
        with suppress(TimeoutError):  # a fade ends by itself
            await asyncio.wait_for(changed.wait(), min(left_s, settles_s or left_s))


def _in_area(playing: Mapping[str, Any] | None, sent_id: int, place: int | None) -> Mapping[str, Any] | None:
    """What the area at a place plays, which has no sound of its own. None while another score plays, which may have
    other areas, and of an old transmitter, which plays none."""
    if playing is None or place is None:
        return playing
    areas = playing.get("areas", ()) if playing["id"] == sent_id else ()
    return {**playing, **areas[place], "volume": 0.0} if place < len(areas) else None


def is_given(asked: Override, segment: DecidedSegment) -> bool:
    """Whether the score has what was asked for. Another override or a rule may prevail."""
    match asked.kind:
        case Kind.PAUSE | Kind.DARK | Kind.OUT_OF_SERVICE | Kind.HOLD_DARK | Kind.HOLD_PAUSE:
            return not segment.level_until
        case Kind.MUTE:
            return not segment.sound_until
        case Kind.CALL:
            given = segment.piece == asked.piece if asked.piece else segment.show == asked.show
            return given and segment.state in GIVEN
        case Kind.RIG_CHECK | Kind.BURN_IN:
            return segment.state == State.RIG_CHECK
        case _:
            return True


def fades(segment: DecidedSegment) -> bool:
    return segment.level_from != segment.level_until or segment.sound_from != segment.sound_until


def differs(segment: DecidedSegment, playing: Mapping[str, Any]) -> str:
    """How light and sound differ from a segment without a fade; empty if they do not."""
    level = segment.level_until
    if abs(playing["level"] - level) > LEVEL_STEP or (level and playing["piece"] != segment.piece):
        return f"the transmitter still sends {light(playing)}"
    return "the sound still plays" if playing["volume"] and not segment.sound_until else ""


def light(playing: Mapping[str, Any]) -> str:
    """What is sent, by `playing` or telemetry: "black", or "light, tide, at 35%"."""
    if not playing["level"] or playing["black"]:
        return "black"
    piece = f", {playing['piece']}" if playing["piece"] else ""
    return f"light{piece}, at {playing['level']:.0%}"


def words(asked: Override, segment: DecidedSegment, playing: Mapping[str, Any]) -> str:
    """What is sent. Black that was not asked for has its reason; a mute has the volume."""
    text, reason = light(playing), segment.reasons[0]
    if segment.level_until and playing["black"]:
        text = f"black: {BLACK.get(playing['black'], playing['black'])}"
    elif not playing["level"] and reason.override != asked.id:
        text = f"black: {reason.text}"
    if asked.kind != Kind.MUTE:
        return text
    return f"{text}; " + (f"sound, at {playing['volume']:.0%}" if playing["volume"] else "no sound")
