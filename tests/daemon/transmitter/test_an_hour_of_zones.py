"""The path's loop and the house's evening on the wire together, for an hour of drawn overrides, as `decide` has them.

A site with zones, the planner's scores and windows, and the transmitter's player with a clock that only the test moves.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random
from typing import NamedTuple

import numpy as np
import pytest

from gloaming.daemon.direction.areas import AreaDecisions, decide_areas, score_areas
from gloaming.daemon.direction.decide import Decision
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.planner.messages import windows_of
from gloaming.daemon.score.score import Score, ScoreArea
from gloaming.daemon.site.site import Site
from tests.cases import cases
from tests.daemon.direction.test_areas import EVENING, PATH, RIG, ROOF_SLEEPS, at
from tests.daemon.quay_site import FPS, PIECES, TABLES, site_of
from tests.daemon.transmitter.player_harness import FakeSender, PlayerHarness

S, MS = 1_000_000_000, 1_000_000
BEGIN, HOUR = at("20:30"), 3600 * S
FIRST_NS, EVERY_NS = 1400 * MS, 7 * S
"""Frames change at whole and half seconds."""
SETTLED_NS = 150 * MS
"""After a change the wire may be that late: a fade is sent in steps, and E1.11 bounds the packets a second."""
SLOTS = {"ridge": 1, "gutter": 2, "gate": 3}
PARTS = {1: {"ridge", "roof"}, 2: {"gutter", "roof"}, 3: {"gate", "path"}}
ASKED = ((Kind.DARK, None), (Kind.DARK, "roof"), (Kind.DIM, "path"), (Kind.DIM, None), (Kind.PAUSE, None))
FOR_ZONES = ((Kind.CALL, "roof"), (Kind.CALL, "path"), (Kind.OUT_OF_SERVICE, "ridge"), (Kind.DARK, "gate"))


class Seen(NamedTuple):
    """What the slots 1 to 3 should have, from a decision; None where the light is just changing."""

    at_ns: int
    slots: tuple[int, ...] | None


def drawn(random: Random, number: int, at_ns: int) -> Override:
    kind, zone = random.choice((*ASKED, *FOR_ZONES))
    show = random.choice(("evening", "turn of the year")) if kind == Kind.CALL else None
    level = random.choice((0.25, 0.5, 0.8)) if kind == Kind.DIM else None
    until_ns = at_ns + random.randrange(20, 600) * S
    return Override(number, kind, at_ns, until_ns, zone=zone, show=show, level=level)


def expected(at_ns: int, site: Site, overrides: tuple[Override, ...], pictures: dict[str, np.ndarray]) -> Seen:
    """By the decisions of a moment, so that a sample shortly after a change does not count."""
    near = [decide_areas(one, site, overrides) for one in range(at_ns - SETTLED_NS, at_ns + 1, 10 * MS)]
    found = [tuple(_slot(slot, decisions, site, pictures) for slot in PARTS) for decisions in near]
    return Seen(at_ns, found[0] if len(set(found)) == 1 else None)


def _slot(slot: int, decisions: AreaDecisions, site: Site, pictures: dict[str, np.ndarray]) -> int:
    mine: Decision = next(
        (one for area, one in decisions.areas if any(first <= slot <= last for _, first, last in area.spans)),
        decisions.rest,
    )
    if mine.piece is None or mine.frame is None or not mine.brightness:
        return 0
    frame = pictures[str(site.pieces[mine.piece].frames)][mine.frame]
    return (int(frame[slot - 1]) * int(mine.brightness * 256) + 127) >> 8


@pytest.mark.parametrize("seed", range(cases(1)))
def test_an_hour_of_drawn_overrides_is_on_the_wire_as_decide_has_it(
    tmp_path: Path, sender: FakeSender, seed: int
) -> None:
    random = Random(seed)
    site = site_of(tmp_path, TABLES, ROOF_SLEEPS, EVENING, PATH, rig=RIG)
    numbers = np.random.default_rng(seed)
    pictures = {
        str(site.pieces[name].frames): numbers.integers(20, 256, (seconds * FPS, 20), np.uint8)
        for name, seconds in PIECES.items()
    }
    harness = PlayerHarness(sender)
    harness.read_ahead.pictures, harness.wall_ns = pictures, BEGIN
    harness.player.windows = windows_of(site, BEGIN - 86_400 * S, BEGIN + 86_400 * S)
    overrides: tuple[Override, ...] = ()
    changes = sorted({0, 30 * 60 * S, *(random.randrange(1, 3600) * S for _ in range(30))})
    compared = lit = zoned = 0
    for number, (change_ns, until_ns) in enumerate(zip(changes, [*changes[1:], HOUR], strict=True), 1):
        now_ns = BEGIN + change_ns
        standing = [one for one in overrides if one.in_force_at(now_ns)]
        if standing and random.random() < 0.4:
            gone = random.choice(standing)
            overrides = tuple(replace(one, ended_ns=now_ns) if one is gone else one for one in overrides)
        elif change_ns:
            overrides = (*overrides, drawn(random, number, now_ns))
        planned = score_areas(now_ns - S, now_ns + 1800 * S, site, overrides)
        harness.player.score = Score(
            id=number,
            offset_ns=BEGIN,
            wall_offset_ns=0,
            segments=planned.rest,
            areas=tuple(ScoreArea(area.spans, segments) for area, segments in planned.areas),
        )
        for sample_ns in range(change_ns + FIRST_NS, until_ns, EVERY_NS):
            harness.play(sample_ns)
            wanted = expected(BEGIN + sample_ns, site, overrides, pictures).slots
            if wanted is not None:
                wire = tuple(harness.sender.left[-1][2][126:129])
                assert wire == wanted, f"{sample_ns / S} s, {overrides}"
                compared, lit, zoned = compared + 1, lit + any(wanted), zoned + (0 in wanted and any(wanted))
        harness.play(until_ns)
    assert compared > 200 and lit > 50 and zoned > 20
