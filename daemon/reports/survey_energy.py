"""The energy that a season's light takes from the mains: the hours of each piece in the score, times its watts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from gloaming.daemon.direction.decide import lit
from gloaming.daemon.direction.zones_in_force import REST, areas_of
from gloaming.daemon.reports.nights import SeasonNight
from gloaming.daemon.site.site import Site
from gloaming.shows.rig.draw import MainsWatts, total
from gloaming.shows.rig.zones import part_spans, parts_in
from gloaming.shows.time_units import SECOND_NS

JOULES_PER_KWH = 3_600_000


@dataclass(frozen=True, slots=True)
class Energy:
    """The first and the last night, their number, and the energy of all, of the mean night and of the heaviest."""

    first: date
    last: date
    nights: int
    lit_hours: float
    season_kwh: float
    night_kwh: float
    heaviest_kwh: float
    heaviest: date
    price: float | None
    currency: str


def energy(
    site: Site,
    watts: Mapping[str, Mapping[str, MainsWatts]],
    rows: Sequence[SeasonNight],
    progress: Callable[[int, int], None] | None = None,
) -> Energy | None:
    """The energy of a season's nights; None if it is 0. `watts` has the mean power of each string in each piece."""
    nights: dict[date, float] = defaultdict(float)
    parts = _parts(site, watts)
    lit_s = 0.0
    reached_ns = 0
    for number, row in enumerate(sorted(rows, key=lambda row: row.night.opens_ns)):
        from_ns = max(reached_ns, row.night.opens_ns)
        nights[row.night.date] += 0
        if row.closes_ns > from_ns:
            lengths_s = [0.0]
            for zones, of_part in parts.items():
                found = list(lit(from_ns, row.closes_ns, site, zones))
                lengths_s.append(sum(lit_ns for _, _, lit_ns in found) / SECOND_NS)
                nights[row.night.date] += sum(
                    of_part[piece].at(level) * lit_ns / SECOND_NS for piece, level, lit_ns in found if piece in of_part
                )
            lit_s += max(lengths_s)
            reached_ns = row.closes_ns
        if progress:
            progress(number + 1, len(rows))
    if not nights or not any(nights.values()):
        return None
    heaviest, joules = max(nights.items(), key=lambda pair: pair[1])
    all_kwh = sum(nights.values()) / JOULES_PER_KWH
    price = site.survey.price_per_kwh
    return Energy(
        first=min(nights),
        last=max(nights),
        nights=len(nights),
        lit_hours=lit_s / 3600,
        season_kwh=all_kwh,
        night_kwh=all_kwh / len(nights),
        heaviest_kwh=joules / JOULES_PER_KWH,
        heaviest=heaviest,
        price=None if price is None else price * all_kwh,
        currency=site.survey.currency,
    )


def _parts(site: Site, watts: Mapping[str, Mapping[str, MainsWatts]]) -> dict[frozenset[str], dict[str, MainsWatts]]:
    """The mean power of each piece in the rest of the rig, and in each area that rules tell apart."""
    strings = part_spans(site.rig)["string"]
    area_of = {name: area.zones for area in areas_of(site) for name in parts_in(area.spans, strings)}
    return {
        zones: {
            piece: total(one for name, one in by_string.items() if area_of.get(name, REST) == zones)
            for piece, by_string in watts.items()
        }
        for zones in dict.fromkeys((REST, *area_of.values()))
    }
