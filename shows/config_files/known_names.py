"""Hints for unknown names: the nearest known name, or some of the known ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

LISTED_MAX = 40
"""The most names that a hint lists."""
COMPARED_MAX = 20_000


class Known:
    """Names that exist, for hints about names that do not.

    To compare names takes long. A file in which thousands of names are wrong gets the nearest one for the first of
    them, until `COMPARED_MAX` comparisons are made.
    """

    def __init__(self, names: Iterable[str], otherwise: str = "use") -> None:
        self._names, self._otherwise = list(names), otherwise
        self._by_lower = {name.lower(): name for name in self._names}
        self._near: dict[str, list[str]] = {}

    def instead(self, name: str, own: str = "") -> str:
        """A hint for an unknown name: the nearest known name, else the known names, without the `own` one."""
        if name not in self._near:
            affordable = (len(self._near) + 1) * len(self._names) <= COMPARED_MAX
            self._near[name] = get_close_matches(name.lower(), self._by_lower, 2) if affordable else []
        for near in self._near[name]:
            if self._by_lower[near] != own:
                return f"did you mean {self._by_lower[near]}?"
        others = [one for one in self._names[: LISTED_MAX + 1] if one != own][:LISTED_MAX]
        more = len(self._names) - bool(own) - len(others)
        return f"{self._otherwise} {', '.join(others)}" + (f" and {more} more" if more else "")


def instead(name: str, known: Iterable[str], otherwise: str = "use") -> str:
    """A hint for an unknown name: the nearest known name, else the known names."""
    return Known(known, otherwise).instead(name)


def nearest(name: str, known: Mapping[str, str], cutoff: float = 0.6) -> str | None:
    """A question with the value whose key is nearest to a name, or None if none is near."""
    by_lower = {one.lower(): meant for one, meant in known.items()}
    near = get_close_matches(name.lower(), by_lower, 1, cutoff)
    return f"did you mean {by_lower[near[0]]}?" if near else None
