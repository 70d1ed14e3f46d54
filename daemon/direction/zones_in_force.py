"""The areas of the rig that rules and overrides tell apart, and the overrides that concern each. Pure.

Slots that belong to the same zones are an area: the same rules concern all of them. The rest is what is in none of the
zones that matter. An area is known by the names of its zones.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.shows.rig.zones import Area, areas

REST = frozenset[str]()
"""The zones of the rest: none."""


def areas_of(site: SiteProtocol, overrides: Iterable[Override] = (), zone: str | None = None) -> tuple[Area, ...]:
    """The areas that the site's rules, some overrides and a zone tell apart, without the rest.

    Names that the rig does not have (any more) are left out.
    """
    names = {*site.zones_with_rules, *(one.zone for one in overrides), zone} - {None}
    return _areas(site, frozenset(name for name in names if name in site.zones)) if names else ()


def zones_of_parts(
    zone: str | None, site: SiteProtocol, overrides: Iterable[Override] = ()
) -> tuple[frozenset[str], ...]:
    """The zones of each area of a zone; of the rest for the whole rig."""
    return (REST,) if zone is None else tuple(a.zones for a in areas_of(site, overrides, zone) if zone in a.zones)


@lru_cache(maxsize=128)
def _areas(site: SiteProtocol, names: frozenset[str]) -> tuple[Area, ...]:
    return areas({name: site.zones[name] for name in sorted(names)})


def overrides_in(overrides: Iterable[Override], zones: frozenset[str]) -> tuple[Override, ...]:
    """The overrides for the whole rig or for one of these zones."""
    return tuple(one for one in overrides if one.zone is None or one.zone in zones)
