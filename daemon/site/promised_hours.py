"""Whether a site keeps what another one promises the neighbours: by its effect on each slot, not by its text. Pure.

The hours of both sites are compared for two years from an instant on, and for 400 days around each year that a date of
a rule names. A rule with DTSTART or UNTIL (RFC 5545) is not compared by its dates: it has to stay as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

from pydantic import ConfigDict

from gloaming.daemon.site.schema import ClockTable, Neighbours, PlaceTable
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.daemon.site.schema_rules import AnyHours, DimHours, Hours
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.rules import rule_id, windows
from gloaming.daemon.timetable.sun import Spot
from gloaming.shows.config_files.checking import Table, read_tables
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.wire import unscaled
from gloaming.shows.rig.zones import Span, Spans, areas, named_spans, part_spans, parts_in
from gloaming.shows.time_units import DAY_NS, SECOND_NS

AHEAD_NS = 2 * 366 * DAY_NS
YEAR_NS = 400 * DAY_NS
NEVER_SCALED = "\n"
"""Among the zones of a slot: brightness does not scale it. No zone has this name, because no name has a line break."""
NAMED_MAX = 3
WHY = (
    "Neighbours' hours can only become longer or darker here. That takes the file on the board itself: whoever holds "
    "the board keeps what the neighbours were promised"
)
Zones = frozenset[str]


class RefusedCode(StrEnum):
    """Why files are not taken over HTTP, for programs."""

    NEIGHBOURS_HOURS = "neighbours-hours"
    HOOK_COMMAND = "hook-command"
    CLOCK_TRUST = "clock-trust"


@dataclass(frozen=True, slots=True)
class Refused:
    """Why files are not taken over HTTP."""

    code: RefusedCode
    text: str


class _PromiseTables(Table):
    """What of a site.toml is read, although the rest may have mistakes."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    site: PlaceTable
    neighbours: Neighbours = Neighbours()
    clock: ClockTable = ClockTable()
    hook: tuple[Hook, ...] = ()


@dataclass(frozen=True, eq=False)
class Promise:
    """What the neighbours were promised, on which slots; and the programs that hooks run."""

    spot: Spot
    neighbours: Neighbours
    rig: Rig
    trust: str
    commands: frozenset[tuple[str, ...]]
    where: str = ""
    """Whose promise it is, for messages; empty: of the site that runs."""

    @classmethod
    def of(cls, site: Site, where: str = "") -> Promise:
        commands = frozenset(hook.command for hook in site.hooks if hook.command)
        return cls(site.spot, site.neighbours, site.rig, site.clock.trust, commands, where)

    @classmethod
    def read(cls, folder: Path, where: str = "") -> Promise:
        """The promise of files that may have mistakes elsewhere. InputError."""
        file, rig = read_tables(folder / "site.toml", _PromiseTables), load_rig(folder / "rig.toml")
        place = file.site
        spot = Spot(place.latitude, place.longitude, float(place.elevation_m), place.timezone)
        commands = frozenset(hook.command for hook in file.hook if hook.command)
        return cls(spot, file.neighbours, rig, file.clock.trust, commands, where)

    @property
    def rules(self) -> tuple[AnyHours, ...]:
        return (*self.neighbours.dark, *self.neighbours.dim, *self.neighbours.quiet)

    @cached_property
    def zones(self) -> dict[str, Spans]:
        return named_spans(self.rig)

    @cached_property
    def parts(self) -> dict[str, Spans]:
        """The slots that rules for zones, or no brightness, tell apart."""
        named = {rule.zone for rule in (*self.neighbours.dark, *self.neighbours.dim)} - {None}
        found = {name: self.zones.get(name, ()) for name in sorted(filter(None, named))}
        return found | {NEVER_SCALED: tuple(unscaled(self.rig))}

    @cached_property
    def zones_of(self) -> dict[tuple[str, str], Zones]:
        """The zones of each string and fixture that rules are for, by its kind and name. All its slots are in them."""
        found: dict[tuple[str, str], set[str]] = {}
        own = part_spans(self.rig)
        for kind in ("string", "fixture"):
            found |= {(kind, name): set() for name in own[kind]}
            for zone, spans in self.parts.items():
                for name in parts_in(spans, own[kind]) if zone != NEVER_SCALED else ():
                    found[kind, name].add(zone)
        return {part: Zones(zones) for part, zones in found.items()}


def refusals(
    promise: Promise,
    new: Promise,
    now_ns: int,
    held: Iterable[tuple[str, int, int]] = (),
    since_ns: int | None = None,
) -> Iterator[Refused]:
    """Why `new` does not keep a promise, from an instant on. `held` are windows that hold across a step of the clock:
    the id of the rule, its beginning and its end. Hours of a single year are over before `since_ns`; without it, before
    `now_ns`. A clock that a person has set may be wrong by years."""
    if promise.trust != new.trust == "plausible":
        text = "clock.trust would be plausible: a wrong guess of the time puts light into dark hours"
        yield Refused(RefusedCode.CLOCK_TRUST, f"{text}. {WHY}")
    for text in (*_unlike(promise, new, held, now_ns), *_Comparison(promise, new, now_ns, since_ns).lighter()):
        yield Refused(RefusedCode.NEIGHBOURS_HOURS, f"{text}. {WHY}")


def new_commands(promises: Iterable[Promise], new: Promise) -> Iterator[Refused]:
    """Why `new` does not run the same programs: commands of hooks that none of the others has."""
    for command in sorted(new.commands - {one for promise in promises for one in promise.commands}):
        text = f"the command {' '.join(command)} of a hook is new; a program that the board runs"
        yield Refused(RefusedCode.HOOK_COMMAND, f"{text} takes the file on the board itself")


def _unlike(promise: Promise, new: Promise, held: Iterable[tuple[str, int, int]], now_ns: int) -> Iterator[str]:
    """Rules that have to stay as they are, and do not."""
    kept = {(type(rule), repr(rule.contents)) for rule in new.rules}
    for rule in promise.rules:
        if _counts_from_a_date(rule) and (type(rule), repr(rule.contents)) not in kept:
            yield f"{_named(promise, rule)} have an rrule with DTSTART or UNTIL, which has to stay as it is"
    ids = {rule_id(rule, new.spot): rule for rule in new.rules}
    own = {rule_id(rule, promise.spot): rule for rule in promise.rules}
    for name, _, until_ns in held:
        if until_ns <= now_ns or name not in own:
            continue
        zone = getattr(own[name], "zone", None) or ""
        slots = promise.zones.get(zone, ())
        whole = not slots or bool(parts_in(new.zones.get(zone, ()), {zone: slots}))
        if name not in ids or not whole:
            until = _clock(until_ns, promise.spot)
            yield f"{_named(promise, own[name])} began before the clock was set, and stay as they are until {until}"


def _counts_from_a_date(rule: AnyHours) -> bool:
    return rule.rrule is not None and ("DTSTART" in rule.rrule or "UNTIL" in rule.rrule)


class _Window(NamedTuple):
    from_ns: int
    until_ns: int
    limit: float
    rule: AnyHours


class _Comparison:
    """Compares the hours of two promises, once for each pair of zones that a slot has had and would have."""

    def __init__(self, old: Promise, new: Promise, now_ns: int, since_ns: int | None) -> None:
        self._old, self._new = old, new
        self._periods = _periods((*old.rules, *new.rules), now_ns, now_ns if since_ns is None else since_ns)
        same = {repr(rule.contents) for rule in old.rules if _counts_from_a_date(rule)}
        self._fixed = {id(rule) for rule in new.rules if _counts_from_a_date(rule) and repr(rule.contents) not in same}
        """New rules whose dates are not compared. They do not take the place of others."""
        self._found: dict[int, tuple[tuple[int, int], ...]] = {}

    def lighter(self) -> Iterator[str]:
        """A sentence for each rule that would not hold as it did."""
        if self._same():
            return
        first: dict[int, tuple[AnyHours, str, int, int]] = {}
        who: dict[int, list[str]] = {}
        for (old, new), names in self._pairs().items():
            for rule, what, from_ns, until_ns in self._compared(old, new):
                known = first.setdefault(id(rule), (rule, what, from_ns, until_ns))
                if known[1] == what:
                    who.setdefault(id(rule), []).extend(names)
        for key, (rule, what, from_ns, until_ns) in first.items():
            names = list(dict.fromkeys(who[key]))
            more = f" and {len(names) - NAMED_MAX} more" if len(names) > NAMED_MAX else ""
            subject = f"{', '.join(names[:NAMED_MAX])}{more}: " if names and what != _SOUND else ""
            spot = self._new.spot
            yield (
                f"{_named(self._old, rule)} would be cut: {subject}{what} from {_clock(from_ns, spot)} to "
                f"{_clock(until_ns, spot, from_ns)}"
            )

    def _same(self) -> bool:
        """Whether the same rules hold for the same slots, so that nothing needs to be compared."""
        old, new = self._old, self._new
        rules = _alike(old.rules) == _alike(new.rules) and old.neighbours.rig_check == new.neighbours.rig_check
        return rules and old.spot == new.spot and old.rig == new.rig

    def _pairs(self) -> dict[tuple[Zones, Zones], list[str]]:
        """The zones that slots have and would have, and the names of strings and fixtures there."""
        old, new = self._old, self._new
        found: dict[tuple[Zones, Zones], list[str]] = {(Zones(), Zones()): []}
        if not any(old.parts.values()) and not any(new.parts.values()):
            return found
        for part, zones in new.zones_of.items():
            if part in old.zones_of:
                found.setdefault((old.zones_of[part], zones), []).append(part[1])
        both = {f"-{name}": spans for name, spans in old.parts.items()}
        for area in areas(both | {f"+{name}": spans for name, spans in new.parts.items()}):
            sent = [span for span in area.spans if span[0] in new.rig.controller_of]
            before, after = (Zones(one[1:] for one in area.zones if one[0] == sign) for sign in "-+")
            if sent and (before, after) not in found:
                found[before, after] = [_name_of(sent[0], part_spans(old.rig))]
        return found

    def _compared(self, old: Zones, new: Zones) -> Iterator[tuple[AnyHours, str, int, int]]:
        """What would be lighter or louder: the rule, what would be so, from when to when."""
        before, after = self._rules(self._old, old), self._rules(self._new, new)
        same = self._old.spot == self._new.spot and _alike(before) == _alike(after)
        if same and (NEVER_SCALED in new) <= (NEVER_SCALED in old):
            rig_check = self._old.neighbours.rig_check or 0.0, self._new.neighbours.rig_check or 0.0
            if rig_check[1] <= rig_check[0]:
                return
        for what, limit in ((_LIGHT, _light), (_CHECK, _check), *(((_SOUND, _sound),) if not old | new else ())):
            was = self._windows(self._old, [(rule, limit(rule, self._old, old)) for rule in before])
            would = self._windows(self._new, [(rule, limit(rule, self._new, new)) for rule in after])
            if broken := _first_above(was, would):
                yield broken[0], what, *broken[1:]

    def _rules(self, promise: Promise, zones: Zones) -> list[AnyHours]:
        """The rules of slots in some zones."""
        return [
            rule
            for rule in promise.rules
            if (getattr(rule, "zone", None) is None or getattr(rule, "zone", None) in zones)
            and id(rule) not in self._fixed
        ]

    def _windows(self, promise: Promise, limits: list[tuple[AnyHours, float]]) -> list[_Window]:
        return [
            _Window(from_ns, until_ns, limit, rule)
            for rule, limit in limits
            if limit < 1
            for from_ns, until_ns in self._of_rule(rule, promise.spot)
        ]

    def _of_rule(self, rule: AnyHours, spot: Spot) -> tuple[tuple[int, int], ...]:
        """The windows of a rule in the periods that are compared."""
        if id(rule) not in self._found:
            self._found[id(rule)] = tuple(
                (max(begin_ns, from_ns), min(end_ns, until_ns))
                for from_ns, until_ns in self._periods
                for begin_ns, end_ns, _ in windows([rule], spot, from_ns, until_ns)
            )
        return self._found[id(rule)]


_LIGHT, _CHECK, _SOUND = "there would be more light", "a rig check would be brighter", "there would be more sound"


def _light(rule: AnyHours, promise: Promise, zones: Zones) -> float:
    """How bright a rule lets the light be, 0 to 1."""
    if not isinstance(rule, Hours):
        return 1.0
    brightness = rule.brightness if isinstance(rule, DimHours) else 0.0
    return 1.0 if brightness and NEVER_SCALED in zones else brightness


def _check(rule: AnyHours, promise: Promise, zones: Zones) -> float:
    """How bright a rule lets a rig check be."""
    return _light(rule, promise, zones) or promise.neighbours.rig_check or 0.0


def _sound(rule: AnyHours, promise: Promise, zones: Zones) -> float:
    """How loud a rule lets the sound be. Dark hours of the whole rig are silent."""
    if isinstance(rule, Hours):
        return 1.0 if _light(rule, promise, zones) else 0.0
    return float(getattr(rule, "volume", 0.0))


def _alike(rules: Iterable[AnyHours]) -> list[str]:
    return sorted({repr((type(rule).__name__, rule.contents)) for rule in rules})


def _name_of(span: Span, parts: Mapping[str, Mapping[str, Spans]]) -> str:
    """What the first slot of a span was, by name."""
    universe, slot, _ = span
    for kind in ("string", "fixture"):
        for name, spans in parts[kind].items():
            if any(number == universe and first <= slot <= last for number, first, last in spans):
                return f"what was {name}, in a universe that is still sent"
    return f"universe {universe} from slot {slot} on"


def _first_above(old: list[_Window], new: list[_Window]) -> tuple[AnyHours, int, int] | None:
    """The first stretch in which `new` allows more than `old`: the rule of `old` that is cut, from when, until when."""
    events = sorted(
        (at_ns, ends, own, number)
        for own, windows_ in enumerate((old, new))
        for number, window in enumerate(windows_)
        for at_ns, ends in ((window.from_ns, False), (window.until_ns, True))
    )
    active: tuple[dict[int, _Window], dict[int, _Window]] = ({}, {})
    sides = (old, new)
    for place, (at_ns, ends, own, number) in enumerate(events):
        if ends:
            active[own].pop(number, None)
        else:
            active[own][number] = sides[own][number]
        after_ns = events[place + 1][0] if place + 1 < len(events) else at_ns
        if after_ns == at_ns or not active[0]:
            continue
        strictest = min(active[0].values(), key=lambda one: one.limit)
        if min((one.limit for one in active[1].values()), default=1.0) > strictest.limit:
            return strictest.rule, at_ns, after_ns
    return None


def _periods(rules: Iterable[AnyHours], now_ns: int, since_ns: int) -> list[tuple[int, int]]:
    """The periods that are compared: two years, and a year after each date with a year that comes later."""
    last_ns = _ns(date(YEARS[-1], 12, 30))
    periods = [(now_ns, now_ns + AHEAD_NS)]
    for rule in rules:
        named = (*((rule.season,) if rule.season else ()), *(rule.dates or ()), *rule.except_)
        for day in {each for dates in named for each in _years(dates.first, dates.last)}:
            periods.append((_ns(day) - 3 * DAY_NS, min(_ns(day) + YEAR_NS, last_ns)))
    found: list[tuple[int, int]] = []
    for from_ns, until_ns in sorted(periods):
        from_ns = max(from_ns, since_ns)
        if found and from_ns <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], until_ns)
        elif from_ns < until_ns:
            found.append((from_ns, until_ns))
    return found


def _years(*days: tuple[int | None, int, int] | None) -> Iterator[date]:
    for day in days:
        if day and day[0] is not None:
            yield date(day[0], day[1], day[2])


def _ns(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * SECOND_NS


def _named(promise: Promise, rule: AnyHours) -> str:
    kind = "dim" if isinstance(rule, DimHours) else "dark" if isinstance(rule, Hours) else "quiet"
    of = f" of {promise.where}" if promise.where else ""
    return f"the {kind} hours {rule.from_.text} to {rule.to.text} ({rule.place}{of})"


def _clock(at_ns: int, spot: Spot, after_ns: int | None = None) -> str:
    """An instant by the site's clock; without its date, if that is the date of another instant."""
    at, after = (datetime.fromtimestamp(each // SECOND_NS, spot.zone) for each in (at_ns, after_ns or 0))
    return f"{at:%H:%M}" if at.date() == after.date() else f"{at:%H:%M} on {at.day} {at:%B %Y}"
