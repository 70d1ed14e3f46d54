"""The facts of a day, from a site: occurrences, neighbours' hours, and the pieces that can be played."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from gloaming.daemon.direction.day_plan import MARGIN_NS
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.rules_in_force import CalledPiece, DayFacts, HeldRule, HoursWindow
from gloaming.daemon.direction.rundown import Occurrence, RundownPiece
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.direction.site_protocol import NeighboursProtocol, ShowProtocol, SiteProtocol
from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.nights import Night, nights, nights_between
from gloaming.daemon.timetable.rules import HoursRule, rule_id, windows
from gloaming.shows.time_units import DAY_NS, SECOND_NS

FAR_DAYS = 400
FIRST_NS, LAST_NS = (
    int(datetime(year, 1, 10, tzinfo=UTC).timestamp()) * SECOND_NS for year in (YEARS[0], YEARS[-1] + 1)
)


def facts(
    site: SiteProtocol,
    day_ns: int,
    overrides: tuple[Override, ...],
    held: tuple[HeldRule, ...] = (),
    called: tuple[CalledPiece, ...] = (),
) -> DayFacts:
    """The facts of the UTC day that begins at `day_ns`, and the openings of the day after.

    They go back to the first called piece, whose begin depends on the show of then. Nothing is given before 1900 or
    after 2100: by such a clock, the lights stay off.
    """
    from_ns = min([day_ns - MARGIN_NS, *(one.at_ns for one in overrides if one.piece)])
    until_ns = day_ns + 2 * DAY_NS + MARGIN_NS
    occurrences: list[Occurrence] = []
    hours: tuple[HoursWindow, ...] = ()
    if from_ns >= FIRST_NS and until_ns <= LAST_NS:
        hours = neighbours_windows(site, from_ns, until_ns, held)
        occurrences += [occurrence_of(night, site) for night in nights_between(site, from_ns, until_ns)]
        occurrences += [_occurrence_of_call(call, site, held) for call in overrides if call.show]
        occurrences += [_occurrence_of_piece(one, site) for one in called if one.from_ns < one.until_ns]
    zone = min(site.output.zone, key=lambda zone: zone.brightness, default=None)
    brightness, place = (zone or site.output).brightness, f"{site.output.place or 'site.toml'} output"
    if zone:
        place = f"{zone.place} output.zone"
    return DayFacts(
        occurrences=tuple(occurrences),
        windows=hours,
        overrides=overrides,
        zone=site.timezone,
        brightness=brightness,
        brightness_reason=reason(
            ReasonCode.BRIGHTNESS, f"{place}.brightness", zone=zone.name if zone else None, level=brightness
        ),
        fade_ns=site.output.fade,
        volume=site.sound.volume,
        check_in_dark=site.neighbours.rig_check,
        called=called,
    )


def occurrence_of(night: Night, site: SiteProtocol) -> Occurrence:
    """A night of a performance, with its show."""
    performance = night.performance
    return _occurrence(
        site.shows[night.show],
        site,
        date=night.date,
        opens_ns=night.opens_ns,
        to_ns=night.to_ns,
        latest_ns=night.latest_ns,
        finish=performance.at_close == "finish",
        rank=night.rank,
        place=f"{performance.place} performance",
        opens_by=night.opens_by,
        closes_by=night.cut_by or night.closes_by,
    )


def dark_window_at(at_ns: int, site: SiteProtocol, held: Iterable[HeldRule] = ()) -> HoursWindow | None:
    """The dark hours that hold an instant, None outside them."""
    return next(
        (
            w
            for w in neighbours_windows(site, at_ns, at_ns + 1, held)
            if w.ceiling == 0 and w.from_ns <= at_ns < w.until_ns
        ),
        None,
    )


def next_opening(site: SiteProtocol, from_ns: int) -> int | None:
    """The first opening at or after an instant, within about a year."""
    if not FIRST_NS <= from_ns <= LAST_NS - (FAR_DAYS + 20) * DAY_NS:
        return None
    first = datetime.fromtimestamp(from_ns // SECOND_NS, UTC).date() - timedelta(days=1)
    for begin in range(0, FAR_DAYS, 8):  # two more dates: an opening after midnight can follow the next date's
        some = nights(site, first + timedelta(days=begin), first + timedelta(days=begin + 9))
        later = [night.opens_ns for night in some if night.opens_ns >= from_ns]
        if later:
            return min(later)
    return None


def _occurrence_of_call(call: Override, site: SiteProtocol, held: tuple[HeldRule, ...]) -> Occurrence:
    """The occurrence that a call makes. It ends where dark hours begin."""
    hours = neighbours_windows(site, call.at_ns, call.until_ns, held)
    dark = [window.from_ns for window in hours if window.ceiling == 0 and call.at_ns < window.from_ns < call.until_ns]
    to_ns = min([call.until_ns, *dark])
    return _occurrence(
        site.shows[call.show or ""],
        site,
        date=datetime.fromtimestamp(call.at_ns // SECOND_NS, site.timezone).date(),
        opens_ns=call.at_ns,
        to_ns=to_ns,
        latest_ns=to_ns,
        finish=False,
        rank=0,
        place=f"override {call.id} call",
        opens_by="called" + (f" for {call.zone}" if call.zone else "") + (f" by {call.who}" if call.who else ""),
        closes_by="dark hours begin" if dark else "the call ends",
        called=call.id,
    )


def _occurrence_of_piece(called: CalledPiece, site: SiteProtocol) -> Occurrence:
    """The occurrence of a called piece: an order of one piece, given once."""
    call = called.call
    piece = rundown_piece(call.piece or "", site)
    return Occurrence(
        show="",
        date=datetime.fromtimestamp(called.from_ns // SECOND_NS, site.timezone).date(),
        opens_ns=called.from_ns,
        to_ns=called.until_ns,
        latest_ns=called.until_ns,
        finish=False,
        rank=0,
        order=(piece,) if piece else (),
        place=f"override {call.id} call",
        called=call.id,
    )


def _occurrence(
    show: ShowProtocol,
    site: SiteProtocol,
    *,
    date: date,
    opens_ns: int,
    to_ns: int,
    latest_ns: int,
    finish: bool,
    rank: int,
    place: str,
    opens_by: str,
    closes_by: str,
    called: int | None = None,
) -> Occurrence:
    pieces = {name: rundown_piece(name, site) for name in {*show.order, show.between or ""} if name in site.pieces}
    return Occurrence(
        show=show.name,
        date=date,
        opens_ns=opens_ns,
        to_ns=to_ns,
        latest_ns=latest_ns,
        finish=finish,
        rank=rank,
        order=tuple(piece for piece in (pieces[name] for name in show.order) if piece),
        shuffled=show.play == "shuffled",
        gap_ns=show.gap,
        cross_fade_ns=show.cross_fade,
        start_every_ns=show.start_every,
        between=pieces.get(show.between or ""),
        left_out=tuple(sorted(name for name, piece in pieces.items() if piece is None)),
        place=place,
        show_place=f"{show.place} show",
        opens_by=opens_by,
        closes_by=closes_by,
        called=called,
        goes_round=site.goes_round(show.name),
    )


def rundown_piece(name: str, site: SiteProtocol) -> RundownPiece | None:
    """What the rundown needs of a piece, None where its frames cannot be read."""
    piece = site.pieces[name]
    if piece.info is None:
        return None
    sound = piece.sound is not None
    return RundownPiece(
        name, str(piece.frames), piece.info.frames, piece.info.fps, sound, piece.sound_ns, piece.damaged
    )


def neighbours_windows(
    site: SiteProtocol, from_ns: int, until_ns: int, held: Iterable[HeldRule] = ()
) -> tuple[HoursWindow, ...]:
    """The windows of the neighbours' hours that overlap an interval, with the held windows."""

    def clock(at_ns: int) -> str:
        return f"{datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone):%H:%M}"

    limits = _limits(site.neighbours)
    found = [
        _window(rule, limits[rule], site, begin_ns, end_ns, f"hours {clock(begin_ns)} to {clock(end_ns)}")
        for rules in (site.neighbours.dark, site.neighbours.quiet, site.neighbours.dim)
        for begin_ns, end_ns, rule in windows(rules, site.spot, from_ns, until_ns)
    ]
    return (*found, *held_windows(site, (one for one in held if one.from_ns < until_ns and one.until_ns > from_ns)))


def held_windows(site: SiteProtocol, held: Iterable[HeldRule]) -> tuple[HoursWindow, ...]:
    """The held windows whose rules the site still has."""
    found: list[HoursWindow] = []
    limits = _limits(site.neighbours)
    rules = {rule_id(rule, site.spot): rule for rule in limits}
    for name, begin_ns, end_ns in held:
        if name in rules:
            rule = rules[name]
            ends = f"{datetime.fromtimestamp(end_ns // SECOND_NS, site.timezone):%H:%M}"
            hours = f"hours {rule.from_.text} to {rule.to.text}"
            text = f"{hours} began before the clock was set, and last until {ends}"
            found.append(_window(rule, limits[rule], site, begin_ns, end_ns, text))
    return tuple(found)


def rule_ids(site: SiteProtocol) -> list[str]:
    """The ids of all rules of a site's neighbours' hours."""
    return [rule_id(rule, site.spot) for rule in _limits(site.neighbours)]


class _Limit(NamedTuple):
    """What a rule of the neighbours' hours allows: light up to `ceiling` (None: any), sound up to `volume`."""

    kind: str
    ceiling: float | None
    volume: float
    zone: str | None = None


_Limits = dict[HoursRule, _Limit]


def _limits(hours: NeighboursProtocol) -> _Limits:
    """The limit of each rule of the neighbours' hours."""
    dark: _Limits = {rule: _Limit("dark", 0.0, 0.0, rule.zone) for rule in hours.dark}
    quiet: _Limits = {rule: _Limit("quiet", None, rule.volume) for rule in hours.quiet}
    dim: _Limits = {rule: _Limit("dim", rule.brightness, 0.0, rule.zone) for rule in hours.dim}
    return {**dark, **quiet, **dim}


def _window(rule: HoursRule, limit: _Limit, site: SiteProtocol, begin_ns: int, end_ns: int, text: str) -> HoursWindow:
    quiet, hours = limit.ceiling is None, f"{limit.kind} {text}"
    if limit.zone:
        hours = f"{limit.zone}: {hours}"
    allowed = f"volume {limit.volume:g} at most" if limit.volume else "no sound"
    code, place = ReasonCode(f"{limit.kind}-hours"), f"{rule.place} neighbours.{limit.kind}"
    why = reason(code, place, hours=hours, level=limit.ceiling, allowed=allowed)
    return HoursWindow(
        begin_ns, end_ns, why, limit.ceiling, quiet, limit.volume, rule_id(rule, site.spot), hours, limit.zone
    )
