"""`decide` and `score`: what must be on the wire at an instant, or over a stretch of time, and why.

Both read the same day plans. No I/O and no clock: the time and all facts are arguments.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.day_plan import MARGIN_NS, DayPlan
from gloaming.daemon.direction.occurrences import facts, next_opening
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import DecidedSegment, Reason, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.shows.time_units import DAY_NS, SECOND_NS


@dataclass(frozen=True, slots=True)
class Decision:
    """What must be on the wire at an instant, and why. `next_ns` is the next change of state, None: not in a year."""

    at_ns: int
    state: State
    show: str | None
    piece: str | None
    frame: int | None
    position_ns: int | None
    brightness: float
    sound: bool
    reasons: tuple[Reason, ...]
    next_ns: int | None
    next_state: State | None

    def as_json(self, zone: ZoneInfo) -> dict[str, object]:
        """The decision as `gloaming why --json` prints it."""
        return {
            "at": isoformat(self.at_ns, zone),
            "state": str(self.state),
            "show": self.show,
            "piece": self.piece,
            "frame": self.frame,
            "brightness": round(self.brightness, 4),
            "sound": self.sound,
            "reasons": [reason.as_json() for reason in self.reasons],
            "next": None
            if self.next_ns is None
            else {"at": isoformat(self.next_ns, zone), "state": str(self.next_state)},
        }


def isoformat(at_ns: int, zone: ZoneInfo) -> str:
    """An instant as ISO 8601 with the zone's offset, to the microsecond where it is not a whole second."""
    whole, rest_ns = divmod(at_ns, SECOND_NS)
    return datetime.fromtimestamp(whole, zone).replace(microsecond=rest_ns // 1000).isoformat()


def instant(at: datetime) -> int:
    """An aware datetime as nanoseconds since the Unix epoch, exact to the microsecond."""
    passed = at - datetime(1970, 1, 1, tzinfo=UTC)
    return (passed.days * 86_400 + passed.seconds) * SECOND_NS + passed.microseconds * 1000


def decide(
    at_ns: int, site: SiteProtocol, overrides: Iterable[Override] = (), held: tuple[HeldRule, ...] = ()
) -> Decision:
    """What must be on the wire at the instant `at_ns`, and why. Pure: the same arguments give the same answer."""
    overrides = tuple(overrides)
    segment = segment_at(at_ns, site, overrides, held)
    next_ns, next_state = _next_change(at_ns, segment, site, overrides, held)
    picture = segment.picture
    frame = picture.frame_at(at_ns) if picture else None
    return Decision(
        at_ns=at_ns,
        state=segment.state,
        show=segment.show,
        piece=segment.piece,
        frame=None if picture and picture.ended else frame,
        position_ns=frame * SECOND_NS * picture.fps.denominator // picture.fps.numerator
        if picture and frame is not None
        else None,
        brightness=segment.level_at(at_ns),
        sound=segment.sound,
        reasons=segment.reasons,
        next_ns=next_ns,
        next_state=next_state,
    )


def segment_at(
    at_ns: int, site: SiteProtocol, overrides: tuple[Override, ...] = (), held: tuple[HeldRule, ...] = ()
) -> DecidedSegment:
    """The segment that holds an instant, whole within its UTC day."""
    return day_plan(at_ns, site, overrides, held).segment_at(at_ns)


def score(
    from_ns: int, until_ns: int, site: SiteProtocol, overrides: Iterable[Override] = (), held: tuple[HeldRule, ...] = ()
) -> tuple[DecidedSegment, ...]:
    """What must be on the wire over `[from_ns, until_ns)`, as segments that follow each other without a gap."""
    if until_ns <= from_ns:
        raise ValueError("a score must end after it begins")
    overrides = tuple(overrides)
    segments = [
        _cut(segment, from_ns, until_ns)
        for day_ns in range(from_ns // DAY_NS * DAY_NS, until_ns, DAY_NS)
        for segment in day_plan(day_ns, site, overrides, held).segments_between(from_ns, until_ns)
    ]
    return _joined(segments)


def lit(from_ns: int, until_ns: int, site: SiteProtocol) -> Iterator[tuple[str, float, int]]:
    """What is lit without overrides: `(piece, mean level, nanoseconds)`, to add up."""
    for day_ns in range(from_ns // DAY_NS * DAY_NS, until_ns, DAY_NS):
        yield from day_plan(day_ns, site, ()).lit_between(from_ns, until_ns)


def join(first: tuple[DecidedSegment, ...], second: tuple[DecidedSegment, ...]) -> tuple[DecidedSegment, ...]:
    """Two scores that meet, as one. ValueError where they do not meet."""
    if first[-1].until_ns != second[0].from_ns:
        raise ValueError("the second score must begin where the first ends")
    return _joined([*first, *second])


def day_plan(
    at_ns: int, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[HeldRule, ...] = ()
) -> DayPlan:
    """The plan of the UTC day of an instant. The last few plans are cached."""
    day_ns = at_ns // DAY_NS * DAY_NS
    near = tuple(
        override
        for override in overrides
        if override.at_ns < day_ns + DAY_NS + MARGIN_NS and override.end_ns > day_ns - DAY_NS - MARGIN_NS
    )
    return _cached_day_plan(site, day_ns, near, held)


@lru_cache(maxsize=6)
def _cached_day_plan(
    site: SiteProtocol, day_ns: int, overrides: tuple[Override, ...], held: tuple[HeldRule, ...]
) -> DayPlan:
    return DayPlan(day_ns, facts(site, day_ns, overrides, held))


def _cut(segment: DecidedSegment, from_ns: int, until_ns: int) -> DecidedSegment:
    """The part of a segment that lies in an interval."""
    from_ns, until_ns = max(segment.from_ns, from_ns), min(segment.until_ns, until_ns)
    if (from_ns, until_ns) == (segment.from_ns, segment.until_ns):
        return segment
    return replace(
        segment,
        from_ns=from_ns,
        until_ns=until_ns,
        level_from=segment.level_at(from_ns),
        level_until=segment.level_at(until_ns),
        sound_from=segment.sound_at(from_ns),
        sound_until=segment.sound_at(until_ns),
    )


def _joined(segments: list[DecidedSegment]) -> tuple[DecidedSegment, ...]:
    """Joins segments that show the same and whose levels continue in the same straight line."""
    joined: list[DecidedSegment] = []
    for segment in segments:
        if joined and _continues(joined[-1], segment):
            until_ns, level, sound = segment.until_ns, segment.level_until, segment.sound_until
            joined[-1] = replace(joined[-1], until_ns=until_ns, level_until=level, sound_until=sound)
        else:
            joined.append(segment)
    return tuple(joined)


def _continues(first: DecidedSegment, second: DecidedSegment) -> bool:
    def shown(segment: DecidedSegment) -> tuple[object, ...]:
        return (segment.state, segment.reasons, segment.show, segment.picture, segment.look, segment.sound, segment.mix)

    def slopes(segment: DecidedSegment) -> tuple[float, float]:
        lasts_ns = segment.until_ns - segment.from_ns
        rises, sound_rises = segment.level_until - segment.level_from, segment.sound_until - segment.sound_from
        return rises / lasts_ns, sound_rises / lasts_ns

    return (
        abs(first.level_until - second.level_from) < 1e-9
        and abs(first.sound_until - second.sound_from) < 1e-9
        and all(abs(one - two) * SECOND_NS < 1e-9 for one, two in zip(slopes(first), slopes(second), strict=True))
        and shown(first) == shown(second)
    )


def _next_change(
    at_ns: int, segment: DecidedSegment, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[HeldRule, ...]
) -> tuple[int | None, State | None]:
    """When the state next changes, and to what, within a year."""
    for day_ns in _days_to_look_at(at_ns, site):
        if change := day_plan(day_ns, site, overrides, held).change_after(at_ns, segment.state):
            return change
    return None, None


def next_piece(at_ns: int, site: SiteProtocol, overrides: tuple[Override, ...]) -> tuple[int, str] | None:
    """When the next piece of a running order begins, and which, on this day or the next."""
    now = segment_at(at_ns, site, overrides).picture
    today_ns = at_ns // DAY_NS * DAY_NS
    for day_ns in (today_ns, today_ns + DAY_NS):
        for later in day_plan(day_ns, site, overrides).segments_between(at_ns, day_ns + DAY_NS):
            picture = later.picture
            if later.state != State.PLAYING or picture is None or (now and picture.zero_ns <= now.zero_ns):
                continue
            # a paused piece continues; it does not begin
            if now is None or now.still is None or picture.piece != now.piece:
                return later.from_ns, picture.piece
    return None


def _days_to_look_at(at_ns: int, site: SiteProtocol) -> Iterator[int]:
    """This day and the next; then the day of the next opening, however far, and the day before it."""
    today_ns = at_ns // DAY_NS * DAY_NS
    yield from (today_ns, today_ns + DAY_NS)
    opens_ns = next_opening(site, today_ns + 2 * DAY_NS)
    if opens_ns is not None:
        yield from (opens_ns // DAY_NS * DAY_NS - DAY_NS, opens_ns // DAY_NS * DAY_NS)
