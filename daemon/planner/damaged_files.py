"""Which frame files are known to be damaged, from when until when: facts in the state, kept over a restart.

`decide` sees them on the pieces of a site. A file is damaged until it changes, and no earlier instant is rewritten.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TypedDict

from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import Site
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.time_units import DAY_NS

FACT = "damaged files"
KEEP_NS = 3 * DAY_NS
"""How long damage that has been mended still shifts what is played."""


class Damage(TypedDict):
    """One file, as it was when it was found damaged; `until_ns` is when it was another."""

    stamp: list[object]
    since_ns: int
    until_ns: int | None


class DamagedFiles:
    """Holds the damage of all files, past and present."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._damage: list[Damage] = self._stored()

    def found(self, path: Path, now_ns: int) -> bool:
        """Note that a file is damaged; whether that was not known."""
        stamp: list[object] = list(file_stamp(path))
        if any(one["stamp"] == stamp and one["since_ns"] <= now_ns for one in self._damage if one["until_ns"] is None):
            return False
        self._damage.append({"stamp": stamp, "since_ns": now_ns, "until_ns": None})
        self._keep()
        return True

    def on(self, site: Site, now_ns: int) -> Site:
        """A site whose pieces know of the damage; that of a file which is another by now has ended."""
        for one in self._damage:
            if one["until_ns"] is None and one["stamp"] != list(file_stamp(Path(str(one["stamp"][0])))):
                one["until_ns"] = max(now_ns, one["since_ns"])
        self._damage = [one for one in self._damage if (one["until_ns"] or now_ns) > now_ns - KEEP_NS]
        self._keep()
        spans: dict[str, list[tuple[int, int | None]]] = {}
        for one in self._damage:
            spans.setdefault(str(one["stamp"][0]), []).append((one["since_ns"], one["until_ns"]))
        pieces = {
            name: replace(piece, damaged=tuple(spans.get(str(piece.frames), ()))) for name, piece in site.pieces.items()
        }
        return replace(site, pieces=pieces)

    def _stored(self) -> list[Damage]:
        try:
            return [
                {"stamp": list(one["stamp"]), "since_ns": int(one["since_ns"]), "until_ns": one["until_ns"]}
                for one in json.loads(self._store.fact(FACT) or "[]")
            ]
        except (ValueError, LookupError, TypeError):
            return []  # a bit has turned on the card: who reads the frames finds the damage again

    def _keep(self) -> None:
        text = json.dumps(self._damage)
        if text != (self._store.fact(FACT) or "[]"):
            self._store.set_fact(FACT, text)
