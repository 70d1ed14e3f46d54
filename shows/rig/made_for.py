"""The rig that a frame file was made for: where strings and fixtures had their slots. FORMAT.md describes its JSON."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gloaming.shows.framefile.layout import FrameFileInfo
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.rig.model import Fixture, PixelString, Rig

STRING_KEYS = ("name", "universe", "slot", "pixels", "order", "slots_per_universe")
FIXTURE_KEYS = ("name", "universe", "slot", "channels")


@dataclass(frozen=True, slots=True)
class MadeFor:
    """The strings and fixtures of a rig. Only the keys of `STRING_KEYS` and `FIXTURE_KEYS` are known."""

    strings: tuple[PixelString, ...] = ()
    fixtures: tuple[Fixture, ...] = ()

    @property
    def hung(self) -> tuple[PixelString | Fixture, ...]:
        """The strings and the fixtures."""
        return (*self.strings, *self.fixtures)

    @classmethod
    def of(cls, rig: Rig) -> MadeFor:
        """What a frame file remembers of a rig."""
        return cls(rig.string, rig.fixture)

    @classmethod
    def from_json(cls, text: str) -> MadeFor | None:
        """What `to_json` wrote. None for any other text."""
        try:
            data = json.loads(text)
            strings = tuple(PixelString.model_validate(_read(row, STRING_KEYS)) for row in data["strings"])
            fixtures = tuple(Fixture.model_validate(_read(row, FIXTURE_KEYS)) for row in data["fixtures"])
        except (ValueError, KeyError, TypeError, RecursionError):
            return None
        slots = sum(last - first + 1 for one in fixtures for _, first, last in one.spans())
        slots += sum(one.slots for one in strings)
        if slots > UNIVERSE_MAX * SLOTS_MAX or _twice(strings) or _twice(fixtures):
            return None
        return cls(strings, fixtures)

    def to_json(self) -> str:
        """One line of JSON, in ASCII."""
        rows = {"strings": _rows(self.strings, STRING_KEYS), "fixtures": _rows(self.fixtures, FIXTURE_KEYS)}
        return json.dumps(rows, sort_keys=True, separators=(",", ":"))

    def within(self, universes: Iterable[int]) -> MadeFor | None:
        """Those that have slots in some universes. None without any."""
        numbers = set(universes)
        strings = tuple(one for one in self.strings if not numbers.isdisjoint(_universes(one)))
        fixtures = tuple(one for one in self.fixtures if one.universe in numbers)
        return MadeFor(strings, fixtures) if strings or fixtures else None

    def renumbered(self, names: Mapping[int, int]) -> MadeFor | None:
        """The same slots after the universes of a file got other numbers. None if a string would be torn apart.

        `names` has each universe of the file, old to new. Each string and fixture has slots in the file.
        """
        strings = []
        for string in self.strings:
            shifts = {names[number] - number for number in _universes(string) if number in names}
            if len(shifts) != 1:
                return None
            strings.append(string.model_copy(update={"universe": string.universe + shifts.pop()}))
        fixtures = (one.model_copy(update={"universe": names[one.universe]}) for one in self.fixtures)
        return MadeFor(tuple(strings), tuple(fixtures))


def made_for(info: FrameFileInfo) -> MadeFor | None:
    """The rig that a file was made for, as far as the file has its slots. None if the file does not say."""
    remembered = MadeFor.from_json(info.rig)
    return remembered.within(one.number for one in info.universes) if remembered else None


def _universes(string: PixelString) -> list[int]:
    return [universe for universe, _, _ in string.spans()]


def _twice(tables: Collection[PixelString | Fixture]) -> bool:
    """Whether a name is there twice."""
    return len({one.name for one in tables}) < len(tables)


def _rows(tables: Iterable[PixelString | Fixture], keys: Sequence[str]) -> list[dict[str, Any]]:
    return [{key: getattr(one, key) for key in keys} for one in tables]


def _read(row: Mapping[str, Any], keys: Sequence[str]) -> dict[str, Any]:
    return {"controller": "-", **{key: row[key] for key in keys}}
