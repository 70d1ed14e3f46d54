"""When each piece of a site begins next, by the nights to come and their rundowns. Overrides are left out."""

from __future__ import annotations

from datetime import timedelta

from gloaming.daemon.direction.decide import day_plan
from gloaming.daemon.direction.rundown import RundownBlock
from gloaming.daemon.reports.nights import season
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.zones import local_date

DAYS = 60


def next_turns(site: Site, now_ns: int) -> dict[str, int]:
    """The next instant at which each piece begins; a piece that does not within `DAYS` is left out."""
    today = local_date(now_ns, site.timezone)
    found: dict[str, int] = {}
    for row in season(site, today - timedelta(days=1), today + timedelta(days=DAYS)):
        missing = {piece.name for piece in row.occurrence.order} - found.keys()
        if row.closes_ns <= now_ns or not missing:
            continue
        plan = day_plan(row.night.opens_ns, site, (), zones=row.zones)
        for block in plan.rundown(row.occurrence).blocks:
            for name, at_ns in _begins(block, now_ns).items():
                if name in missing and at_ns < row.closes_ns:
                    found[name] = min(at_ns, found.get(name, at_ns))
    return found


def _begins(block: RundownBlock, now_ns: int) -> dict[str, int]:
    """When the pieces of a block begin first from now on."""
    found: dict[str, int] = {}
    for part in block.parts:
        rounds = max(0, -((part.begins_ns - now_ns) // block.period_ns))
        at_ns = part.begins_ns + rounds * block.period_ns
        if part.piece and not part.filler and block.from_ns <= at_ns < block.until_ns:
            found[part.piece.name] = min(at_ns, found.get(part.piece.name, at_ns))
    return found
