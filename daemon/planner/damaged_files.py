"""The frame files that are damaged, from when until when. They are facts in the state, so a restart keeps them.

`decide` sees them on the pieces of a site, and leaves these pieces out. On a site with several boards it does not: this
board is black at the damaged frames, and goes on in step with the others. So it remembers how long each piece is, for a
file that cannot be read at all. A file is damaged until it changes. The past does not change.
"""

from __future__ import annotations

import json
from dataclasses import astuple, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TypedDict

from pydantic import TypeAdapter, ValidationError

from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.site import Piece, Site
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.framefile.layout import FrameFileInfo, Universe
from gloaming.shows.time_units import DAY_NS

FACT = "damaged files"
LAST_READ = "frame files"
KEEP_NS = 3 * DAY_NS
"""For this long, repaired damage still shifts what is played."""


class Damage(TypedDict):
    """A damaged file with its stamp; `until_ns` is when it was replaced."""

    stamp: list[object]
    since_ns: int
    until_ns: int | None


@dataclass(frozen=True, slots=True)
class _LastRead:
    """What was read last of a piece's files."""

    id: str
    fps: tuple[int, int]
    frames: int
    universes: tuple[tuple[int, int, int], ...]
    sound_ns: int | None

    def on(self, piece: Piece) -> Piece:
        """A piece whose frame file cannot be read, as if it could be."""
        universes = tuple(Universe(*one) for one in self.universes)
        slots = sum(one.slots for one in universes)
        info = FrameFileInfo(piece.frames, Fraction(*self.fps), self.frames, slots, universes, id=self.id)
        return replace(piece, info=info, sound_ns=self.sound_ns)


_LAST_READ = TypeAdapter(dict[str, _LastRead])


def _known_of(piece: Piece, info: FrameFileInfo) -> _LastRead:
    fps, universes = info.fps.as_integer_ratio(), tuple(astuple(one) for one in info.universes)
    return _LastRead(info.id, fps, info.frames, universes, piece.sound_ns)


class DamagedFiles:
    """Keeps the damage of all files, past and present."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._damage: list[Damage] = self._stored()

    def found(self, path: Path, now_ns: int) -> bool:
        """Store that a file is damaged. True if that was not known."""
        stamp: list[object] = list(file_stamp(path))
        if any(one["stamp"] == stamp and one["since_ns"] <= now_ns for one in self._damage if one["until_ns"] is None):
            return False
        self._damage.append({"stamp": stamp, "since_ns": now_ns, "until_ns": None})
        self._store_damage()
        return True

    @property
    def paths(self) -> frozenset[str]:
        """The files that are damaged now."""
        return frozenset(str(one["stamp"][0]) for one in self._damage if one["until_ns"] is None)

    def on(self, site: Site, now_ns: int) -> Site:
        """The site with the damage on its pieces. The damage of a replaced file ends."""
        for one in self._damage:
            if one["until_ns"] is None and one["stamp"] != list(file_stamp(Path(str(one["stamp"][0])))):
                one["until_ns"] = max(now_ns, one["since_ns"])
        self._damage = [one for one in self._damage if (one["until_ns"] or now_ns) > now_ns - KEEP_NS]
        self._store_damage()
        if site.boards:
            return self._with_all_lengths(site)
        spans: dict[str, list[tuple[int, int | None]]] = {}
        for one in self._damage:
            spans.setdefault(str(one["stamp"][0]), []).append((one["since_ns"], one["until_ns"]))
        pieces = {
            name: replace(piece, damaged=tuple(spans.get(str(piece.frames), ()))) for name, piece in site.pieces.items()
        }
        return replace(site, pieces=pieces)

    def _with_all_lengths(self, site: Site) -> Site:
        """The site with what was known last of the frame files that cannot be read now."""
        try:
            stored = _LAST_READ.validate_json(self._store.fact(LAST_READ) or "{}")
        except ValidationError:  # the card has damaged the fact
            stored = {}
        known: dict[str, _LastRead] = {}
        for piece in site.pieces.values():
            if one := _known_of(piece, piece.info) if piece.info else stored.get(str(piece.frames)):
                known[str(piece.frames)] = one
        if known != stored:
            self._store.set_fact(LAST_READ, _LAST_READ.dump_json(known).decode())
        lost = {
            name: known[str(piece.frames)].on(piece)
            for name, piece in site.pieces.items()
            if piece.info is None and str(piece.frames) in known
        }
        return replace(site, pieces={**site.pieces, **lost}) if lost else site

    def _stored(self) -> list[Damage]:
        try:
            return [
                {"stamp": list(one["stamp"]), "since_ns": int(one["since_ns"]), "until_ns": one["until_ns"]}
                for one in json.loads(self._store.fact(FACT) or "[]")
            ]
        except (ValueError, LookupError, TypeError):
            return []  # the card has damaged the fact; the transmitter finds the damage again

    def _store_damage(self) -> None:
        text = json.dumps(self._damage)
        if text != (self._store.fact(FACT) or "[]"):
            self._store.set_fact(FACT, text)
