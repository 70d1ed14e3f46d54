"""What another site would change, in sentences: nights, shows, neighbours' hours, brightness, running orders, the rig.

Nights are compared by what they are, not by the text of the files: a night opens 20 minutes earlier whatever the cause.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

from gloaming.daemon.reports.nights import APART, SeasonNight, coming_seasons, season
from gloaming.daemon.reports.season_svg import season_svg
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import MINUTE_NS

SEASONS = 2
PICTURE_DAYS = 180
SHIFTS_MAX = 3
"""More shifts of openings than this are one sentence, from the smallest to the greatest."""
LISTED_MAX = 6
TABLES = ("output", "phone", "clock", "sound", "survey")


@dataclass(frozen=True, slots=True)
class SiteChange:
    """A sentence, and the dates of the nights that it is about."""

    text: str
    nights: tuple[date, ...] = ()


@dataclass(frozen=True, slots=True)
class Differences:
    """What changes, and the pictures of the coming season before and after (SVG)."""

    changes: tuple[SiteChange, ...]
    before_svg: str
    after_svg: str


def differences(before: Site, after: Site, today: date) -> Differences:
    """What changes from one site to another, in this season and the next."""
    one, other = (coming_seasons(site, today, SEASONS) for site in (before, after))
    last = max((night.night.date for night in (*one, *other)), default=today)
    one, other = (_up_to(site, rows, today, last) for site, rows in ((before, one), (after, other)))
    changes = (*_nights(one, other), *site_changes(before, after))
    end = max(_first_season_ends(rows, today) for rows in (one, other))
    end = min(end, today + timedelta(days=PICTURE_DAYS))
    pictures = (
        season_svg(site, tuple(row for row in rows if row.night.date <= end), today, end)
        for site, rows in ((before, one), (after, other))
    )
    return Differences(changes, *pictures)


def site_changes(before: Site, after: Site) -> tuple[SiteChange, ...]:
    """What changes beside the nights."""
    found = (*_hours(before, after), *_levels(before, after), *_orders(before, after), *_tables(before, after))
    return tuple(SiteChange(text) for text in (*found, *_rig(before, after)))


def _up_to(site: Site, rows: tuple[SeasonNight, ...], first: date, last: date) -> tuple[SeasonNight, ...]:
    """The nights up to a date; the seasons of the other site may end later."""
    return rows if rows and rows[-1].night.date == last else season(site, first, last)


def _first_season_ends(rows: Sequence[SeasonNight], today: date) -> date:
    dates = [row.night.date for row in rows]
    return next((one for one, next_ in pairwise(dates) if next_ - one > APART), dates[-1] if dates else today)


def _nights(before: Iterable[SeasonNight], after: Iterable[SeasonNight]) -> Iterator[SiteChange]:
    olds, news = _by_place(before), _by_place(after)
    added: list[SeasonNight] = []
    removed: list[SeasonNight] = []
    shows: dict[tuple[str, str], list[date]] = {}
    opens: dict[int, list[date]] = {}
    closes: dict[int, list[date]] = {}
    for place in sorted({*olds, *news}, key=str):
        pairs, gone, new = _paired(olds.get(place, []), news.get(place, []))
        added += new
        removed += gone
        for old, one in pairs:
            if old.night.show != one.night.show:
                shows.setdefault((one.night.show, old.night.show), []).append(one.night.date)
            for shifts, was_ns, is_ns in (
                (opens, old.night.opens_ns, one.night.opens_ns),
                (closes, old.closes_ns, one.closes_ns),
            ):
                if minutes := round((is_ns - was_ns) / MINUTE_NS):
                    shifts.setdefault(minutes, []).append(one.night.date)
    for rows, one_is, many_are in (
        (added, "is added", "are added"),
        (removed, "is not given any more", "are not given any more"),
    ):
        if rows:
            dates = tuple(row.night.date for row in rows)
            verb = one_is if len(rows) == 1 else many_are
            yield SiteChange(f"{_count(len(rows))} {verb}: {dates_text(dates)}", dates)
    for (show, was), found in shows.items():
        yield SiteChange(f"the show of {_count(len(found))} is {show}, not {was}", tuple(found))
    yield from _shifts(opens, "opens", "open")
    yield from _shifts(closes, "closes", "close")


def _by_place(rows: Iterable[SeasonNight]) -> dict[tuple[date, str | None], list[SeasonNight]]:
    found: dict[tuple[date, str | None], list[SeasonNight]] = {}
    for row in rows:
        found.setdefault((row.night.date, row.night.performance.zone), []).append(row)
    return found


def _paired(
    olds: list[SeasonNight], news: list[SeasonNight]
) -> tuple[list[tuple[SeasonNight, SeasonNight]], list[SeasonNight], list[SeasonNight]]:
    """The nights of a date that follow each other: those of one show first, then in their order. And what is left."""
    pairs: list[tuple[SeasonNight, SeasonNight]] = []
    left = list(news)
    gone: list[SeasonNight] = []
    for old in olds:
        same = next((one for one in left if one.night.show == old.night.show), None)
        if same is None:
            gone.append(old)
        else:
            left.remove(same)
            pairs.append((old, same))
    more = list(zip(gone, left, strict=False))
    return [*pairs, *more], gone[len(more) :], left[len(more) :]


def _shifts(shifts: dict[int, list[date]], one: str, many: str) -> Iterator[SiteChange]:
    """Sentences about nights that open or close at other times."""
    for earlier in (True, False):
        own = {abs(minutes): dates for minutes, dates in sorted(shifts.items()) if (minutes < 0) == earlier}
        word = "earlier" if earlier else "later"
        if len(own) > SHIFTS_MAX:
            dates = tuple(sorted(day for found in own.values() for day in found))
            yield SiteChange(
                f"{_count(len(dates))} {many} {word}, by {_minutes(min(own))} to {_minutes(max(own))}", dates
            )
            continue
        for minutes, found in sorted(own.items()):
            verb = one if len(found) == 1 else many
            yield SiteChange(f"{_count(len(found))} {verb} {_minutes(minutes)} {word}", tuple(found))


def _count(nights: int) -> str:
    return "1 night" if nights == 1 else f"{nights} nights"


def _minutes(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    parts = [f"{hours} h"] if hours and rest else ["1 hour" if hours == 1 else f"{hours} hours"] if hours else []
    if rest:
        parts.append(f"{rest} min" if hours else "1 minute" if rest == 1 else f"{rest} minutes")
    return " ".join(parts)


def dates_text(dates: Iterable[date]) -> str:
    """Dates as a person reads them: "24 to 26 December 2026, 31 December 2026"."""
    runs: list[list[date]] = []
    for day in sorted(set(dates)):
        if runs and day - runs[-1][-1] == timedelta(days=1):
            runs[-1].append(day)
        else:
            runs.append([day])
    texts = [_run(run[0], run[-1]) for run in runs[:LISTED_MAX]]
    return ", ".join(texts) + (f" and {sum(map(len, runs[LISTED_MAX:]))} more" if len(runs) > LISTED_MAX else "")


def _run(first: date, last: date) -> str:
    end = f"{last.day} {last:%B %Y}"
    if first == last:
        return end
    begin = f"{first.day}" if (first.month, first.year) == (last.month, last.year) else f"{first.day} {first:%B}"
    begin += f" {first.year}" if first.year != last.year else ""
    return f"{begin} to {end}"


def _hours(before: Site, after: Site) -> Iterator[str]:
    """Rules of the neighbours' hours that are new, and those that are no longer there."""
    for kind in ("dark", "dim", "quiet"):
        olds, news = (
            {repr(rule.contents): rule for rule in getattr(site.neighbours, kind)} for site in (before, after)
        )
        for found, verb in (
            ([rule for key, rule in news.items() if key not in olds], "are added"),
            ([rule for key, rule in olds.items() if key not in news], "are no longer there"),
        ):
            for rule in found:
                yield f"{kind} hours {rule.from_.text} to {rule.to.text}{_where(rule)} {verb}"
    was, is_ = before.neighbours.rig_check, after.neighbours.rig_check
    if was != is_:
        yield f"a rig check in dark hours is {'refused' if not is_ else f'as bright as {is_:.0%}'}, not {_share(was)}"


def _where(rule: Any) -> str:
    zone = getattr(rule, "zone", None)
    level = getattr(rule, "brightness", getattr(rule, "volume", 0.0))
    return (f" of {zone}" if zone else "") + (f" ({level:.0%})" if level else "")


def _share(level: float | None) -> str:
    return "refused" if not level else f"{level:.0%}"


def _levels(before: Site, after: Site) -> Iterator[str]:
    """Other brightnesses, of everything and of zones."""
    olds, news = (
        {None: site.output.brightness} | {zone.name: zone.brightness for zone in site.output.zone}
        for site in (before, after)
    )
    for name in dict.fromkeys((*olds, *news)):
        was, is_ = olds.get(name), news.get(name)
        what = "the brightness" if name is None else f"the brightness of {name}"
        if was is not None and is_ is not None and was != is_:
            yield f"{what} is {is_:.0%}, not {was:.0%}"
        elif was is None and is_ is not None:
            yield f"{what} is {is_:.0%}; it had none of its own"
        elif is_ is None and was is not None:
            yield f"{what} is that of everything, not {was:.0%}"


def _orders(before: Site, after: Site) -> Iterator[str]:
    """Shows and pieces that are new, gone or other ones."""
    yield from _names("piece", before.pieces, after.pieces)
    yield from _names("show", before.shows, after.shows)
    for name, show in after.shows.items():
        old = before.shows.get(name)
        if old is None:
            continue
        if old.order != show.order:
            yield f"the running order of {name} is {', '.join(show.order)}"
        keys = [key for key in ("play", "gap", "cross_fade", "start_every", "between") if _value(old, show, key)]
        if keys:
            yield f"{name} has another {', '.join(keys)}"
    for name, piece in after.pieces.items():
        was = before.pieces.get(name)
        if was is not None and (was.frames, was.sound) != (piece.frames, piece.sound):
            yield f"{name} has other files"


def _value(old: Any, new: Any, key: str) -> bool:
    return bool(getattr(old, key) != getattr(new, key))


def _names(kind: str, olds: Iterable[str], news: Iterable[str]) -> Iterator[str]:
    before, after = set(olds), set(news)
    for names, verb in ((sorted(after - before), "new"), (sorted(before - after), "no longer there")):
        if names:
            yield f"{kind} {_listed(names)}: {verb}"


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - LISTED_MAX} more" if len(names) > LISTED_MAX else ""
    return ", ".join(names[:LISTED_MAX]) + more


def _tables(before: Site, after: Site) -> Iterator[str]:
    """Other keys of the tables that are there once. Values are not named: some are secrets."""
    if before.name != after.name:
        yield f"the name of the site is {after.name}"
    if before.spot != after.spot:
        yield "the place of the site is another one, and so are the sun's times"
    for table in TABLES:
        old, new = getattr(before, table), getattr(after, table)
        keys = [
            key
            for key in type(new).model_fields
            if key not in ("place", "brightness", "zone") and _value(old, new, key)
        ]
        if keys:
            yield f"{table} has another {', '.join(keys)}"
    for key in ("alerts", "hooks"):
        olds, news = (
            [repr(sorted(one.model_dump(exclude={"place"}).items(), key=str)) for one in getattr(site, key)]
            for site in (before, after)
        )
        if olds != news:
            yield f"the {key} are other ones"


def _rig(before: Site, after: Site) -> Iterator[str]:
    """Parts of the rig that are new, gone or other ones."""
    for kind in ("controller", "string", "fixture", "zone", "port", "supply", "circuit"):
        olds, news = ({one.name: one for one in getattr(site.rig, kind)} for site in (before, after))
        yield from _names(kind, olds, news)
        changed = [
            name
            for name, one in news.items()
            if name in olds and one != olds[name] and _plain(one) != _plain(olds[name])
        ]
        if changed:
            yield f"{kind} {_listed(changed)}: changed"


def _plain(table: Any) -> dict[str, Any]:
    found: dict[str, Any] = table.model_dump(exclude={"place"})
    return found
