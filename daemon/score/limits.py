"""The limits of current of a setup, as frozen values and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

from gloaming.daemon.score.checks import amount, read_spans, text, whole
from gloaming.shows.rig.zones import Spans


@dataclass(frozen=True, slots=True)
class StringDraw:
    """A string: what one slot draws at 255, in mA, and its slots.

    `spans` are `(universe, first slot, last slot)`, slots from 1.
    """

    ma: float
    spans: Spans

    def to_json(self) -> dict[str, Any]:
        return {"ma": self.ma, "spans": self.spans}

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        return cls(
            ma=amount(json["ma"]),
            spans=read_spans(json["spans"]),
        )


@dataclass(frozen=True, slots=True)
class CurrentLimit:
    """A limit of current that strings share: `kind` and name, what they may draw in all, and what they always draw.

    `strings` are indices in `Limits.strings`.
    """

    kind: str
    name: str
    ma: float
    always_ma: float
    strings: tuple[int, ...]

    @property
    def light_ma(self) -> float:
        """What is left for light."""
        return max(0.0, self.ma - self.always_ma)

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "name": self.name,
            "ma": self.ma,
            "always_ma": self.always_ma,
            "strings": self.strings,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any], strings: int) -> Self:
        return cls(
            kind=text(json["kind"]),
            name=text(json["name"]),
            ma=amount(json["ma"]),
            always_ma=amount(json["always_ma"]),
            strings=tuple(whole(index, 0, strings - 1) for index in json["strings"]),
        )


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of current, in levels. The limits of a level share no string.

    Each level counts what the levels before it have left.
    """

    strings: tuple[StringDraw, ...]
    levels: tuple[tuple[CurrentLimit, ...], ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "strings": [one.to_json() for one in self.strings],
            "levels": [[one.to_json() for one in level] for level in self.levels],
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        strings = tuple(StringDraw.from_json(one) for one in json["strings"])
        levels = tuple(tuple(CurrentLimit.from_json(one, len(strings)) for one in level) for level in json["levels"])
        for level in levels:
            limited = [string for one in level for string in one.strings]
            if len(set(limited)) != len(limited):
                raise ValueError("a string has two limits of one level")
        return cls(strings, levels)
