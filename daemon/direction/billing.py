"""From a site to what bears on a day: which shows are given, the neighbours' hours, the pieces that can play."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.programme import Giving, Piece
from gloaming.daemon.direction.scene import Facts, Window
from gloaming.daemon.direction.score import DAY_NS, SECOND_NS, Reason
from gloaming.daemon.direction.stage import MARGIN_NS
from gloaming.daemon.site import Site, goes_round
from gloaming.daemon.site_tables import Show
from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.hours import windows
from gloaming.daemon.timetable.nights import Night, nights, nights_between
from gloaming.daemon.timetable.rules import QuietHours

CALLED_RANK = 1 << 30
FAR_DAYS = 400
FIRST_NS, LAST_NS = (
    int(datetime(year, 1, 10, tzinfo=UTC).timestamp()) * SECOND_NS for year in (YEARS[0], YEARS[-1] + 1)
)


def facts(site: Site, day_ns: int, overrides: tuple[Override, ...]) -> Facts:
    """All that bears on the UTC day that begins at `day_ns`, and the openings of the day after.

    Nothing is given before 1900 or after 2100: where a clock stands there, it stays dark.
    """
    from_ns, until_ns = day_ns - MARGIN_NS, day_ns + 2 * DAY_NS + MARGIN_NS
    givings: list[Giving] = []
    hours: tuple[Window, ...] = ()
    if from_ns >= FIRST_NS and until_ns <= LAST_NS:
        hours = neighbours_windows(site, from_ns, until_ns)
        givings += [giving_of(night, site) for night in nights_between(site, from_ns, until_ns)]
        givings += [_called(call, site) for call in overrides if call.kind == Kind.CALL]
    return Facts(
        givings=tuple(givings),
        windows=hours,
        overrides=overrides,
        zone=site.timezone,
        brightness=site.output.brightness,
        brightness_reason=Reason(
            f"{site.output.place or 'site.toml'} output.brightness", f"brightness {site.output.brightness:g}"
        ),
        fade_ns=site.output.fade,
        volume=site.sound.volume,
        check_in_dark=site.neighbours.rig_check,
    )


def giving_of(night: Night, site: Site) -> Giving:
    """A night of a performance, with its show."""
    performance = night.performance
    return _giving(
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


def dark_window_at(at_ns: int, site: Site) -> Window | None:
    """The dark hours that an instant lies in."""
    return next(
        (w for w in neighbours_windows(site, at_ns, at_ns + 1) if w.ceiling == 0 and w.from_ns <= at_ns < w.until_ns),
        None,
    )


def next_opening(site: Site, from_ns: int) -> int | None:
    """The first opening from an instant on, within about a year."""
    if not FIRST_NS <= from_ns <= LAST_NS - (FAR_DAYS + 20) * DAY_NS:
        return None
    first = datetime.fromtimestamp(from_ns // SECOND_NS, UTC).date() - timedelta(days=1)
    for begin in range(0, FAR_DAYS, 8):  # two dates more: an opening may come after midnight, behind the next date's
        some = nights(site, first + timedelta(days=begin), first + timedelta(days=begin + 9))
        later = [night.opens_ns for night in some if night.opens_ns >= from_ns]
        if later:
            return min(later)
    return None


def _called(call: Override, site: Site) -> Giving:
    """A call, as a giving of its own above all others; it ends where dark hours begin."""
    hours = neighbours_windows(site, call.at_ns, call.until_ns)
    dark = [window.from_ns for window in hours if window.ceiling == 0 and call.at_ns < window.from_ns < call.until_ns]
    to_ns = min([call.until_ns, *dark])
    return _giving(
        site.shows[call.show or ""],
        site,
        date=datetime.fromtimestamp(call.at_ns // SECOND_NS, site.timezone).date(),
        opens_ns=call.at_ns,
        to_ns=to_ns,
        latest_ns=to_ns,
        finish=False,
        rank=CALLED_RANK,
        place=f"override {call.id} call",
        opens_by=f"called by {call.who}" if call.who else "called",
        closes_by="dark hours begin" if dark else "the call ends",
        called=call.id,
    )


def _giving(
    show: Show,
    site: Site,
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
) -> Giving:
    pieces = {name: _piece(name, site) for name in {*show.order, show.between} if name in site.pieces}
    there = [site.pieces[name] for name in show.order if pieces[name]]
    return Giving(
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
        goes_round=goes_round(show, there),
    )


def _piece(name: str, site: Site) -> Piece | None:
    piece = site.pieces[name]
    if piece.info is None:
        return None
    sound = piece.sound is not None
    return Piece(name, str(piece.frames), piece.info.frames, piece.info.fps, sound, piece.sound_ns)


def neighbours_windows(site: Site, from_ns: int, until_ns: int) -> tuple[Window, ...]:
    """The neighbours' hours that meet an interval, as windows with their reasons."""

    def clock(at_ns: int) -> str:
        return f"{datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone):%H:%M}"

    def window(
        kind: str, what: str, begin_ns: int, end_ns: int, place: str, ceiling: float | None, volume: float = 0.0
    ) -> Window:
        text = f"{kind} hours {clock(begin_ns)} to {clock(end_ns)}: {what}"
        return Window(begin_ns, end_ns, Reason(f"{place} neighbours.{kind}", text), ceiling, ceiling is None, volume)

    hours = site.neighbours
    dark = windows(hours.dark, site.spot, from_ns, until_ns)
    quiet = windows(hours.quiet, site.spot, from_ns, until_ns)
    dim = windows(hours.dim, site.spot, from_ns, until_ns)
    return (
        *(window("dark", "no light", begin, end, rule.place, 0.0) for begin, end, rule in dark),
        *(
            window("quiet", _quiet(rule), begin, end, rule.place, None, volume=rule.volume)
            for begin, end, rule in quiet
        ),
        *(
            window("dim", f"brightness {rule.brightness:g} at most", begin, end, rule.place, rule.brightness)
            for begin, end, rule in dim
        ),
    )


def _quiet(rule: QuietHours) -> str:
    return f"volume {rule.volume:g} at most" if rule.volume else "no sound"
