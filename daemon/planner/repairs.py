"""The repairs list: what people mark, mend and take back. Each is stored, with a line in the journal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.planner.situation import Situation
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.rig.repairs import Fault, Repair, in_order

OPEN_MAX = 1000
MENDED_KEPT = 1000
MENDED_LISTED = 50


class UnknownRepairError(Exception):
    """There is no such mark."""


class Repairs:
    """The marks, open and mended."""

    def __init__(self, situation: Situation) -> None:
        self._situation = situation

    @property
    def open(self) -> list[Repair]:
        """What is to be mended, in the order of the rig; first what is not in the rig any more."""
        return in_order(self._situation.store.repairs(), self._situation.site.rig)

    def as_json(self) -> dict[str, Any]:
        """The answer of GET /api/repairs: what is open, and what was mended last."""
        mended = [one for one in self._situation.store.repairs() if not one.open]
        mended.sort(key=lambda one: (one.mended_ns or 0, one.id), reverse=True)
        return {
            "open": [self._json(one) for one in self.open],
            "mended": [self._json(one) for one in mended[:MENDED_LISTED]],
        }

    def mark(self, request: Mapping[str, Any], who: str) -> dict[str, Any]:
        """Mark a part of the rig: `{"part": "ridge", "pixel": 37, "fault": "dead", "note": "..."}`. The same mark twice
        is one mark. InputError for what the rig does not have. Refusal where too many are open."""
        now = self._situation
        part, pixel = request["part"], request.get("pixel")
        self._check(part, pixel)
        marked = Repair(0, part, pixel, Fault(request["fault"]), request.get("note", "").strip(), now.now_ns(), who)
        same = (marked.part, marked.pixel, marked.fault, marked.note)
        standing = self.open
        if found := next((one for one in standing if (one.part, one.pixel, one.fault, one.note) == same), None):
            return self._json(found)
        if len(standing) >= OPEN_MAX:
            raise Refusal(reason(ReasonCode.TOO_MANY_REPAIRS, "repairs", count=OPEN_MAX))
        marked = now.store.add_repair(marked)
        self._note(marked, "marked", who)
        return self._json(marked)

    def mend(self, id: int, who: str) -> dict[str, Any]:
        """A mark is mended. Twice is once. UnknownRepairError."""
        found = self._found(id)
        if found.open:
            found = replace(found, mended_ns=self._situation.now_ns(), mended_by=who)
            self._situation.store.change_repair(found, MENDED_KEPT)
            self._note(found, "mended", who)
        return self._json(found)

    def take_back(self, id: int, who: str) -> dict[str, Any]:
        """Take a wrong mark back: it is in no list any more. UnknownRepairError, also where it was mended."""
        found = self._found(id)
        if not found.open:
            raise UnknownRepairError(f"mark {id} was mended already")
        self._situation.store.drop_repair(id)
        self._note(found, "was marked by mistake", who)
        return self._json(found)

    def _found(self, id: int) -> Repair:
        found = next((one for one in self._situation.store.repairs() if one.id == id), None)
        if found is None:
            raise UnknownRepairError(f"there is no mark {id}; `gloaming repairs` lists them")
        return found

    def _check(self, part: str, pixel: int | None) -> None:
        rig = self._situation.site.rig
        pixels = {one.name: 0 for one in rig.fixture} | {one.name: one.pixels for one in rig.string}
        if part not in pixels:
            raise _invalid("part", f"there is no string and no fixture {part!r}", instead(part, [*pixels]))
        if pixel is not None and pixel > pixels[part]:
            has = f"string {part} has {pixels[part]}" if pixels[part] else f"fixture {part} has no pixels"
            raise _invalid("pixel", f"there is no pixel {pixel}", has)

    def _note(self, repair: Repair, how: str, who: str) -> None:
        data: dict[str, object] = {"id": repair.id, "part": repair.part, "pixel": repair.pixel, "fault": repair.fault}
        text = f"{repair.place} {how}: {repair.what}"
        self._situation.store.note(self._situation.now_ns(), "repair", text, who, data)

    def _json(self, repair: Repair) -> dict[str, Any]:
        zone, rig = self._situation.timezone, self._situation.site.rig
        return {
            "id": repair.id,
            "part": repair.part,
            "kind": repair.kind(rig),
            "pixel": repair.pixel,
            "fault": str(repair.fault),
            "note": repair.note,
            "text": repair.what,
            "at": isoformat(repair.at_ns, zone),
            "who": repair.who,
            "mended": None if repair.mended_ns is None else isoformat(repair.mended_ns, zone),
            "mended_by": repair.mended_by or None,
            "absence": repair.absence(rig),
            "hint": repair.hint(rig),
        }


def _invalid(key: str, problem: str, hint: str) -> InputError:
    return InputError(ConfigError("request", None, key, problem, hint))
