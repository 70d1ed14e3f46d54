"""What several boards were asked for, as one board sees it. Pure.

Two versions of an override are joined. The join is commutative, associative and idempotent, so that the order in which
boards hear of changes does not matter.

A trigger's message reaches all boards. Two that are apart, or that lose each other just then, may both call for it.
Such calls are one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace

from gloaming.daemon.direction.overrides import TERMS, Kind, Override
from gloaming.daemon.direction.shared_fact import canonical
from gloaming.daemon.direction.trigger_rule import ONE_EVENT_NS, is_trigger


def join(one: Override, other: Override) -> Override:
    """The newest version of an override, with the earliest end of both."""
    newest = max(one, other, key=lambda each: (each.version, canonical(each)))
    return _ended(newest, one, other)


def merged(overrides: Iterable[Override]) -> tuple[Override, ...]:
    """The overrides in their order, each ended where a later one replaces it, with one call for an event of a trigger.

    Where one board was asked for all of them, they are ended so already. Boards that were apart did not know of each
    other's.
    """
    found: list[Override] = []
    like: defaultdict[tuple[str | None, Kind, bool | None], list[int]] = defaultdict(list)
    """The places of those that a later one may replace, by their zone and by what it replaces."""
    for one in _of_one_event(sorted(overrides, key=lambda each: (each.at_ns, each.id))):
        for of_kind in _replaced_by(one) if one.end_ns > one.at_ns else ():
            for place in like.pop((one.zone, *of_kind), ()):
                if found[place].end_ns > one.at_ns:
                    found[place] = replace(found[place], ended_ns=one.at_ns)
        like[one.zone, one.kind, _is_played(one)].append(len(found))
        found.append(one)
    return tuple(found)


def _is_played(override: Override) -> bool | None:
    """Of called pieces: whether one begins at once. None for the others."""
    return None if override.piece is None else not override.after


def _replaced_by(one: Override) -> Iterator[tuple[Kind, bool | None]]:
    """What an override replaces, as `Override.replaces` says.

    A piece that waits has no begin here: where it plays, `called_pieces.py` ends it when another begins.
    """
    for kind in sorted(TERMS[one.kind].ends):
        yield kind, None
    if one.show or (one.piece and not one.after):
        yield Kind.CALL, True
    if one.show:
        yield Kind.CALL, False


def _ended(override: Override, *others: Override) -> Override:
    """An override with the earliest end of several."""
    ends = [(one.ended_ns, one.ended_by) for one in others if one.ended_ns is not None]
    ended_ns, ended_by = min(ends, default=(None, ""))
    return replace(override, ended_ns=ended_ns, ended_by=ended_by)


def _of_one_event(ordered: Iterable[Override]) -> list[Override]:
    """Overrides in their order, without the calls that another board has made for the same event of a trigger.

    The first call stays, with the earliest end of them: a person on either board has ended what both show.
    """
    found: list[Override] = []
    last: dict[str, int] = {}  # the place of the last call of each trigger
    for one in ordered:
        if one.kind == Kind.CALL and is_trigger(one.who):
            place = last.get(one.who)
            if place is not None and _is_again(one, found[place]):
                found[place] = _ended(found[place], found[place], one)
                continue
            last[one.who] = len(found)
        found.append(one)
    return found


def _is_again(one: Override, first: Override) -> bool:
    return one.author != first.author and one.at_ns - first.at_ns < ONE_EVENT_NS
