"""What several boards were asked for, as one board sees it. Pure.

Two versions of an override are joined. The join is commutative, associative and idempotent, so that the order in which
boards hear of changes does not matter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.shared_fact import canonical


def join(one: Override, other: Override) -> Override:
    """The newest version of an override, with the earliest end of both."""
    newest = max(one, other, key=lambda each: (each.version, canonical(each)))
    ends = [(each.ended_ns, each.ended_by) for each in (one, other) if each.ended_ns is not None]
    ended_ns, ended_by = min(ends, default=(None, ""))
    return replace(newest, ended_ns=ended_ns, ended_by=ended_by)


def merged(overrides: Iterable[Override]) -> tuple[Override, ...]:
    """The overrides in their order, each ended where a later one replaces it.

    Where one board was asked for all of them, they are ended so already. Boards that were apart did not know of each
    other's.
    """
    found: list[Override] = []
    open_: list[int] = []  # the places of those that a later one may replace
    for one in sorted(overrides, key=lambda each: (each.at_ns, each.id)):
        open_ = [place for place in open_ if found[place].end_ns > one.at_ns]
        replaced = [place for place in open_ if one.end_ns > one.at_ns and _replaces(one, found[place])]
        for place in replaced:
            found[place] = replace(found[place], ended_ns=one.at_ns)
        open_.append(len(found))
        found.append(one)
    return tuple(found)


def _replaces(one: Override, other: Override) -> bool:
    """A piece that waits for others has no begin here: `called_pieces.py` ends it if it plays when `one` begins."""
    return one.replaces(other) and not (one.piece and other.after)
