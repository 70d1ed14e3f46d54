"""Properties that hold for every rig, zone, rule and override, on random cases.

The reference knows no areas: for each slot it takes the rules and overrides that concern that slot. It makes a site
without zones of them and asks `decide`, for which the other properties hold. It reads a second time which slots a zone
has.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from random import Random
from typing import Any, TypeVar

from gloaming.daemon.direction.areas import decide_areas, score_areas
from gloaming.daemon.direction.decide import Decision, decide, score
from gloaming.daemon.direction.overrides import TERMS, Kind, Override
from gloaming.daemon.direction.score import ReasonCode, State
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.site.schema import Neighbours, OutputZone
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.nights import nights_between
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.zones import Area
from gloaming.shows.time_units import DAY_NS
from tests.daemon.direction.test_properties import Drawn, S, asked, drawn, in_force, many

Slot = tuple[int, int]
T = TypeVar("T")


@dataclass(frozen=True)
class Zoned:
    """A drawn case whose rules and overrides are for parts of a drawn rig."""

    case: Drawn
    members: dict[str, frozenset[Slot]]

    @property
    def site(self) -> Site:
        return self.case.site

    @cached_property
    def classes(self) -> dict[frozenset[str], Slot]:
        """A slot for each set of names that some slot has, and one that nothing has."""
        slots = {(0, 0)}.union(*self.members.values())
        return {frozenset(name for name, mine in self.members.items() if slot in mine): slot for slot in slots}

    def alone(self, names: frozenset[str]) -> tuple[Site, tuple[Override, ...]]:
        """The site and the overrides as a rig of one such slot would have them, without any zone."""

        def mine(rules: Iterable[Any]) -> tuple[Any, ...]:
            return tuple(
                rule.model_copy(update={"zone": None}) for rule in rules if rule.zone is None or rule.zone in names
            )

        site = self.site
        levels = [one.brightness for one in site.output.zone if one.name in names]
        plain = replace(
            site,
            neighbours=site.neighbours.model_copy(
                update={"dark": mine(site.neighbours.dark), "dim": mine(site.neighbours.dim)}
            ),
            performances=mine(site.performances),
            output=site.output.model_copy(
                update={"zone": (), "brightness": min(levels, default=site.output.brightness)}
            ),
        )
        theirs = [one for one in self.case.overrides if one.zone is None or one.zone in names]
        return plain, tuple(replace(one, zone=None) for one in theirs)


def rig_of(chance: Random) -> tuple[Rig, dict[str, frozenset[Slot]]]:
    """A rig of a few strings and fixtures with overlapping zones, and the slots of everything that has a name."""
    strings: list[dict[str, Any]] = []
    fixtures: list[dict[str, Any]] = []
    members: dict[str, set[Slot]] = {"left": {(number, slot) for number in (1, 2) for slot in range(1, 513)}}
    for universe in (1, 2):
        slot = 1 + chance.randrange(3)
        for _ in range(chance.randint(1, 3)):
            name, pixels = f"string {len(strings)}", chance.randint(1, 2)
            group = chance.choice(("roof", "path", None))
            found = {(universe, slot + shift) for shift in range(3 * pixels)}
            members[name] = found
            if group:
                members.setdefault(group, set()).update(found)
            more = {"group": group} if group else {}
            strings.append(
                {"name": name, "controller": "left", "universe": universe, "slot": slot, "pixels": pixels, **more}
            )
            slot += 3 * pixels + chance.choice((0, 0, 5))
        if chance.random() < 0.5:
            name = f"lamp {universe}"
            members[name] = {(universe, slot)}
            fixtures.append(
                {"name": name, "controller": "left", "universe": universe, "slot": slot, "channels": ["dimmer"]}
            )
    zones: list[dict[str, Any]] = []
    for name in ("quay", "house", "roof")[: chance.randint(0, 3)]:
        lists: dict[str, list[str]] = {
            "strings": [one["name"] for one in strings if chance.random() < 0.3],
            "fixtures": [one["name"] for one in fixtures if chance.random() < 0.5],
            "zones": [one["name"] for one in zones if chance.random() < 0.3],
            "controllers": ["left"] if chance.random() < 0.1 else [],
        }
        parts = [part for names in lists.values() for part in names]
        if parts:
            members.setdefault(name, set()).update(*(members[part] for part in parts))
            zones.append({"name": name, **lists})
    rig = {
        "controller": [{"name": "left", "universes": "1-2"}],
        "string": strings,
        "fixture": fixtures,
        "zone": zones,
    }
    return Rig.model_validate(rig), {name: frozenset(found) for name, found in members.items()}


def zoned(seed: int, most: int = 6, pieces: bool = False) -> Zoned:
    """A drawn case in which most rules and overrides are for a part of a rig. Called `pieces` are looked up once for
    all of it, not by the rules that concern a slot."""
    case = drawn(seed, most=0)
    chance = Random(seed)
    rig, members = rig_of(chance)
    names = sorted(members)

    def part() -> str | None:
        return chance.choice(names) if chance.random() < 0.7 else None

    def placed(rules: Iterable[Any]) -> tuple[Any, ...]:
        return tuple(rule.model_copy(update={"zone": part()}) for rule in rules)

    hours, output = case.site.neighbours, chance.sample(names, chance.randint(0, 2))
    levels = [OutputZone(name=name, brightness=chance.choice((0.2, 0.6, 0.9))) for name in output]
    site = replace(
        case.site,
        rig=rig,
        neighbours=Neighbours(dark=placed(hours.dark), quiet=hours.quiet, dim=placed(hours.dim)),
        performances=placed(case.site.performances),
        output=case.site.output.model_copy(update={"zone": tuple(levels)}),
    )
    overrides: list[Override] = []
    for id in range(1, chance.randint(0, most) + 1):
        one = asked(chance, id, case.day_ns)
        if one.piece and not pieces:
            one = replace(one, show="evening", piece=None, after=False)
        if TERMS[one.kind].in_zones:
            one = replace(one, zone=part())
        if one.kind == Kind.DARK and one.zone and chance.random() < 0.5:
            one = replace(one, kind=Kind.OUT_OF_SERVICE, until_ns=one.at_ns + 400 * 86_400 * S, why="it flickers")
        overrides.append(one)
    return Zoned(replace(case, site=site, overrides=tuple(overrides)), members)


def at_slot(areas: Iterable[tuple[Area, T]], universe: int, slot: int) -> list[T]:
    """What the areas have that hold a slot: one at most."""
    found = [one for area, one in areas if any(u == universe and a <= slot <= b for u, a, b in area.spans)]
    assert len(found) <= 1
    return found


def light(decision: Decision) -> tuple[object, ...]:
    """What is shown, why, and what comes next; reasons by their rules, because a zone's name is in their texts."""
    return (
        decision.state,
        decision.show,
        decision.piece,
        decision.frame,
        round(decision.brightness, 9),
        [(reason.code, reason.rule.replace("output.zone.", "output.")) for reason in decision.reasons],
        (decision.next_ns, decision.next_state),
    )


def by_place(decision: Decision) -> tuple[object, ...]:
    """`light`, without the place of the brightness, which a site without zones has elsewhere."""
    *shown, reasons, coming = light(decision)
    assert isinstance(reasons, list)
    return (*shown, [one for one in reasons if one[0] != ReasonCode.BRIGHTNESS], coming)


@many(60)
def test_each_slot_is_decided_by_the_rules_that_concern_it(seed: int) -> None:
    zoned_ = zoned(seed)
    case = zoned_.case
    for at_ns in case.instants(3):
        found = decide_areas(at_ns, case.site, case.overrides)
        parts = score_areas(at_ns - case.chance.randrange(1, 60 * S), at_ns + S, case.site, case.overrides)
        for names, (universe, slot) in zoned_.classes.items():
            plain, overrides = zoned_.alone(names)
            expected = decide(at_ns, plain, overrides)
            here = at_slot(found.areas, universe, slot)
            decision = here[0] if here else found.rest
            if here or found.rest.show or not found.rest.piece or found.rest.state == State.RIG_CHECK:
                assert by_place(decision) == by_place(expected)
                assert decision.sound == expected.sound
            else:  # the rest is black, and the picture of what is heard is there
                assert (decision.state, decision.show, decision.brightness) == (expected.state, None, 0)

            there = at_slot(parts.areas, universe, slot)
            segments = there[0] if there else parts.rest
            (segment,) = [one for one in segments if one.from_ns <= at_ns < one.until_ns]
            assert abs(segment.level_at(at_ns) - expected.brightness) < 1e-9
            if expected.brightness:
                assert segment.picture
                assert (segment.picture.piece, segment.picture.frame_at(at_ns)) == (expected.piece, expected.frame)

            dark, dim = (
                tuple(rule for rule in rules if rule.zone is None or rule.zone in names)
                for rules in (case.site.neighbours.dark, case.site.neighbours.dim)
            )
            if in_force(case, dark, at_ns):
                assert (decision.state, decision.brightness, segment.level_at(at_ns)) == (State.DARK, 0, 0)
            for rule in in_force(case, dim, at_ns):
                assert segment.level_at(at_ns) <= rule.brightness + 1e-9  # type: ignore[attr-defined]  # dim hours have one


def loudness(decision: Decision, plain: Site, overrides: tuple[Override, ...]) -> tuple[int, int, int] | None:
    """How strong the claim of a decision's show on the sound is; None without one. Each show has a piece with sound.

    Calls come first, then the rank (drawn rules of a rank have one line), then the later opening: one performance may
    have begun at two times in two areas.
    """
    (opened, *_) = [one.rule for one in decision.reasons if one.code == ReasonCode.OPENED] or [""]
    if not opened or decision.state not in {*GIVEN, State.FAULT}:
        return None
    calls = [one for one in overrides if opened == f"override {one.id} call"]
    if calls:
        return (1, calls[0].at_ns, 0)
    place, at_ns = opened.split()[0], decision.at_ns
    opens = [
        night.opens_ns
        for night in nights_between(plain, at_ns - DAY_NS, at_ns + 1)
        if night.performance.place == place and night.opens_ns <= at_ns
    ]
    return (0, int(place.rpartition(":")[2]), max(opens))


@many(30)
def test_the_rest_is_heard_and_where_it_has_no_show_the_strongest_show(seed: int) -> None:
    zoned_ = zoned(seed)
    case = zoned_.case
    for at_ns in case.instants(3):
        whole = decide(at_ns, case.site, case.overrides)
        (rest, _), *others = (
            (decide(at_ns, *alone), alone)
            for alone in (zoned_.alone(names) for names in sorted(zoned_.classes, key=lambda names: len(names)))
        )
        if rest.show is not None or rest.state == State.RIG_CHECK:
            assert whole.sound == rest.sound
            continue
        found = [(loudness(one, *alone), one) for one, alone in others]
        if any(one.show and claim is None for claim, one in found):
            continue  # a show that has just ended fades out for half a second, before another one is heard
        claims = [(claim, one) for claim, one in found if claim]
        strongest = max((claim for claim, _ in claims), default=None)
        heard = [one for claim, one in claims if claim == strongest and one.sound]
        assert whole.sound == bool(heard)
        assert whole.brightness == 0
        if heard:
            assert whole.piece in {one.piece for one in heard}


@many(40)
def test_a_later_override_changes_nothing_that_was_seen(seed: int) -> None:
    zoned_ = zoned(seed, pieces=True)
    case = zoned_.case
    if not case.overrides:
        return
    last = max(case.overrides, key=lambda one: one.at_ns)
    before = tuple(one for one in case.overrides if one is not last)
    for at_ns in (last.at_ns - 1, last.at_ns - case.chance.randrange(1, 7200 * S)):
        one, two = (decide_areas(at_ns, case.site, overrides) for overrides in (before, case.overrides))
        assert one.rest.sound == two.rest.sound
        for universe, slot in zoned_.classes.values():
            seen = []
            for found in (one, two):
                here = [
                    each
                    for area, each in found.areas
                    if any(u == universe and a <= slot <= b for u, a, b in area.spans)
                ]
                decision = here[0] if here else found.rest
                lit = decision.brightness > 0  # the rest has the picture of what is heard, without light
                seen.append((decision.state, decision.show, lit and light(decision)[:-1]))
            assert seen[0] == seen[1]


@many(50)
def test_a_score_for_areas_cut_anywhere_has_the_same_light(seed: int) -> None:
    zoned_ = zoned(seed, pieces=True)
    case = zoned_.case
    from_ns = case.day_ns + case.chance.randrange(80_000) * S
    cut_ns = from_ns + case.chance.randrange(1, 1800 * S)
    whole = score_areas(from_ns, from_ns + 1800 * S, case.site, case.overrides)
    part = score_areas(cut_ns, from_ns + 1800 * S, case.site, case.overrides)
    for names, (universe, slot) in zoned_.classes.items():
        levels = []
        for found in (whole, part):
            here = at_slot(found.areas, universe, slot)
            segments = here[0] if here else found.rest
            at_ns = cut_ns + (from_ns + 1800 * S - cut_ns) // 2
            (segment,) = [one for one in segments if one.from_ns <= at_ns < one.until_ns]
            levels.append(round(segment.level_at(at_ns), 9))
        assert levels[0] == levels[1], names


def test_without_zones_the_whole_rig_is_the_rest() -> None:
    for seed in range(20):
        case = drawn(seed)
        found = score_areas(case.day_ns, case.day_ns + 3600 * S, case.site, case.overrides)
        assert (found.rest, found.areas) == (
            score(case.day_ns, case.day_ns + 3600 * S, case.site, case.overrides),
            (),
        )
