"""Overrides of every kind with any values that a board can share, drawn by hypothesis."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import strategies as st

from gloaming.daemon.direction.overrides import CHECKS, TERMS, Check, Kind, Override
from gloaming.daemon.direction.shared_fact import MARK_BITS
from gloaming.daemon.planner.read_fact import END_NS
from gloaming.shows.rig.patterns import Pattern

S = 10**9
AT = 1_797_000_000 * S
BOARDS = st.sampled_from(("quay", "east", "west"))
NAMES = st.sampled_from(("roof", "railing", "a zone, with Ümläut"))
TEXTS = st.sampled_from(("", "it flickers", "15.2 is above 14 since 18:05", "“long”"))
PATTERNS = st.builds(
    Pattern,
    st.sampled_from(("pixel", "walk", "colours")),
    only=st.lists(NAMES, unique=True, max_size=2).map(tuple),
    number=st.none() | st.integers(1, 300),
    zone=st.none() | NAMES,
)
CHECKS_SHOWN = st.builds(lambda pattern: Check(pattern.text, "", 1, Fraction(1), pattern), PATTERNS)


@st.composite
def overrides(draw: st.DrawFn, ids: int = 1000, near_s: int = 40 * 365 * 86_400) -> Override:
    """An override of one of four boards that have given `ids` each. It begins within `near_s` of AT."""
    kind = draw(st.sampled_from(Kind))
    terms = TERMS[kind]
    at_ns = AT + draw(st.integers(-near_s, near_s)) * S + draw(st.sampled_from((0, 1, 900_000_000)))
    shows = draw(st.booleans()) if kind == Kind.CALL else None
    ended_ns = draw(st.none() | st.integers(at_ns - 5 * S, at_ns + near_s * S))
    lit = kind in (Kind.DIM, Kind.HOLD_DIM, *CHECKS)
    return Override(
        id=draw(st.integers(1, ids)) << MARK_BITS | draw(st.integers(0, 3)),
        kind=kind,
        at_ns=at_ns,
        until_ns=min(END_NS - 1, at_ns + draw(st.integers(0, 2 * near_s)) * S),
        who=draw(TEXTS | st.just("trigger gate")),
        ended_ns=ended_ns,
        show="evening" if shows else None,
        level=draw(st.floats(0, 1)) if lit else None,
        show_continues=kind == Kind.PAUSE and draw(st.booleans()),
        check=draw(CHECKS_SHOWN) if kind in CHECKS else None,
        zone=draw(NAMES) if terms.zone_needed or (terms.in_zones and draw(st.booleans())) else None,
        why=draw(TEXTS),
        hold="wind" if terms.of_a_hold else "",
        piece=draw(NAMES) if shows is False else None,
        after=shows is False and draw(st.booleans()),
        author=draw(BOARDS),
        version=draw(st.integers(1, 3)),
        changed_by=draw(BOARDS),
        ended_by=draw(TEXTS) if ended_ns is not None else "",
    )
