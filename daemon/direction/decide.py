"""`decide` and `score`: what must be on the wire at an instant, or over a stretch of time, and why.

Both read the same day plans. No I/O and no clock: the time and all facts are arguments.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.called_pieces import called_pieces
from gloaming.daemon.direction.day_plan import MARGIN_NS, DayPlan
from gloaming.daemon.direction.occurrences import facts, next_opening
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.rules_in_force import CalledPiece, HeldRule
from gloaming.daemon.direction.score import DecidedSegment, Reason, State
from gloaming.daemon.direction.segments import Segments, cut, joined
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.zones_in_force import REST, areas_of, overrides_in, zones_of_parts
from gloaming.shows.time_units import DAY_NS, SECOND_NS


@dataclass(frozen=True, slots=True)
class Decision:
    """What must be on the wire at an instant, and why. `next_ns` is the next change of state, None: not in a year.

    `differing` has the zones within the zone that was asked for whose slots show something else.
    """

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
    differing: tuple[str, ...] = ()

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
            **({"differing": list(self.differing)} if self.differing else {}),
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
    at_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    held: tuple[HeldRule, ...] = (),
    zone: str | None = None,
) -> Decision:
    """What must be on the wire at the instant `at_ns`, and why. Pure: the same arguments give the same answer.

    Without a `zone`, the answer is for the rest of the rig, and for what is heard. A zone with several areas gets the
    answer for the area that is in the fewest other zones. KeyError for a zone that the rig does not have.
    """
    overrides = tuple(overrides)
    if zone is None:
        return decide_area(at_ns, site, overrides, held, REST)
    if zone not in site.zones:
        raise KeyError(zone)
    parts = sorted(zones_of_parts(zone, site, near(overrides, at_ns)), key=len)
    found, *others = (decide_area(at_ns, site, overrides, held, zones) for zones in parts)
    shown = (found.state, found.show, found.piece, found.frame, found.brightness)
    differ = {
        name
        for zones, other in zip(parts[1:], others, strict=True)
        if (other.state, other.show, other.piece, other.frame, other.brightness) != shown
        for name in zones - parts[0]
    }
    return replace(found, differing=tuple(sorted(differ)))


def decide_area(
    at_ns: int, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[HeldRule, ...], zones: frozenset[str]
) -> Decision:
    """`decide` for the area that is in these zones."""
    segment = segment_at(at_ns, site, overrides, held, zones)
    next_ns, next_state = _next_change(at_ns, segment, site, overrides, held, zones)
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
    at_ns: int,
    site: SiteProtocol,
    overrides: tuple[Override, ...] = (),
    held: tuple[HeldRule, ...] = (),
    zones: frozenset[str] = REST,
) -> DecidedSegment:
    """The segment that holds an instant, whole within its UTC day."""
    segment = day_plan(at_ns, site, overrides, held, zones).segment_at(at_ns)
    return segment if zones else next(_with_sound(segment, at_ns, at_ns + 1, site, overrides, held))


def score(
    from_ns: int,
    until_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    held: tuple[HeldRule, ...] = (),
    zones: frozenset[str] = REST,
) -> Segments:
    """What must be on the wire over `[from_ns, until_ns)`, as segments that follow each other without a gap.

    Without `zones` they are the rest of the rig, with what is heard; else the area that is in these zones.
    """
    if until_ns <= from_ns:
        raise ValueError("a score must end after it begins")
    overrides = tuple(overrides)
    segments = (
        cut(part, from_ns, until_ns)
        for day_ns in range(from_ns // DAY_NS * DAY_NS, until_ns, DAY_NS)
        for segment in day_plan(day_ns, site, overrides, held, zones).segments_between(from_ns, until_ns)
        for part in ((segment,) if zones else _with_sound(segment, from_ns, until_ns, site, overrides, held))
    )
    return joined(segments)


def _with_sound(
    rest: DecidedSegment,
    from_ns: int,
    until_ns: int,
    site: SiteProtocol,
    overrides: tuple[Override, ...],
    held: tuple[HeldRule, ...],
) -> Iterator[DecidedSegment]:
    """A segment of the rest over an interval, with what is heard: where it has no show, the strongest of an area.

    That show's picture is there without light, because it gives the place in the sound.
    """
    parts = () if rest.given or rest.show else areas_of(site, near(overrides, rest.from_ns))
    if not parts:
        yield rest
        return
    plans = list(dict.fromkeys(day_plan(rest.from_ns, site, overrides, held, area.zones) for area in parts))
    at_ns = max(from_ns, rest.from_ns)
    while at_ns < min(until_ns, rest.until_ns):
        part = rest
        for plan in plans:
            one = plan.segment_at(at_ns)
            part = cut(part, one.from_ns, one.until_ns)
        claims = {plan: plan.claim_on_sound(at_ns) for plan in plans}
        strongest = max(plans, key=lambda plan: claims[plan])
        if claims[strongest] and claims[strongest][-1]:
            heard = cut(strongest.segment_at(at_ns), part.from_ns, part.until_ns)
            part = replace(
                part,
                picture=heard.picture,
                sound=heard.sound,
                sound_from=heard.sound_from,
                sound_until=heard.sound_until,
            )
        yield part
        at_ns = part.until_ns


def lit(
    from_ns: int, until_ns: int, site: SiteProtocol, zones: frozenset[str] = REST
) -> Iterator[tuple[str, float, int]]:
    """What is lit in an area without overrides: `(piece, mean level, nanoseconds)`, to add up."""
    for day_ns in range(from_ns // DAY_NS * DAY_NS, until_ns, DAY_NS):
        yield from day_plan(day_ns, site, (), zones=zones).lit_between(from_ns, until_ns)


def near(overrides: Iterable[Override], at_ns: int) -> tuple[Override, ...]:
    """The overrides that can matter on the UTC day of an instant."""
    day_ns = at_ns // DAY_NS * DAY_NS
    return tuple(
        override
        for override in overrides
        if override.at_ns < day_ns + DAY_NS + MARGIN_NS and override.end_ns > day_ns - DAY_NS - MARGIN_NS
    )


def day_plan(
    at_ns: int,
    site: SiteProtocol,
    overrides: tuple[Override, ...],
    held: tuple[HeldRule, ...] = (),
    zones: frozenset[str] = REST,
) -> DayPlan:
    """The plan of the UTC day of an instant for the area in these zones. The plans of the last few days are cached."""
    day_ns, overrides = at_ns // DAY_NS * DAY_NS, near(overrides, at_ns)
    plans = _cached_plans(site, day_ns, overrides, held)
    concern = site.in_zones(zones), overrides_in(overrides, zones)
    if concern not in plans:
        view, theirs = concern
        of_theirs = {*theirs}
        called = tuple(one for one in called_pieces(site, day_ns, overrides, held) if one.call in of_theirs)
        plans[concern] = DayPlan(day_ns, facts(view, day_ns, theirs, held, called))
    return plans[concern]


def called_at(
    at_ns: int, site: SiteProtocol, overrides: Iterable[Override] = (), held: tuple[HeldRule, ...] = ()
) -> tuple[CalledPiece, ...]:
    """The called pieces as looked up on the UTC day of an instant."""
    return called_pieces(site, at_ns // DAY_NS * DAY_NS, near(overrides, at_ns), held)


@lru_cache(maxsize=6)
def _cached_plans(
    site: SiteProtocol, day_ns: int, overrides: tuple[Override, ...], held: tuple[HeldRule, ...]
) -> dict[tuple[SiteProtocol, tuple[Override, ...]], DayPlan]:
    """The plans of a day, by the rules and overrides that concern an area. Most areas share one."""
    return {}


def _next_change(
    at_ns: int,
    segment: DecidedSegment,
    site: SiteProtocol,
    overrides: tuple[Override, ...],
    held: tuple[HeldRule, ...],
    zones: frozenset[str],
) -> tuple[int | None, State | None]:
    """When the state next changes, and to what, within a year."""
    for day_ns in _days_to_look_at(at_ns, site.in_zones(zones)):
        if change := day_plan(day_ns, site, overrides, held, zones).change_after(at_ns, segment.state):
            return change
    return None, None


def next_piece(at_ns: int, site: SiteProtocol, overrides: tuple[Override, ...]) -> tuple[int, str] | None:
    """When the next piece of a running order begins, and which, on this day or the next."""
    now = segment_at(at_ns, site, overrides).picture
    today_ns = at_ns // DAY_NS * DAY_NS
    for day_ns in (today_ns, today_ns + DAY_NS):
        for later in day_plan(day_ns, site, overrides).segments_between(at_ns, day_ns + DAY_NS):
            picture = later.picture
            if later.state != State.PLAYING or picture is None:
                continue
            if now and picture.piece == now.piece and picture.zero_ns <= now.zero_ns:
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
