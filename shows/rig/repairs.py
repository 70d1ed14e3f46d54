"""Repairs: marks on what hangs outside, from the ladder to the workshop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from gloaming.shows.rig.model import PixelString, Rig

NOTE_MAX = 200


class Fault(StrEnum):
    """What is wrong with a part of the rig."""

    DEAD = "dead"
    LOOSE = "loose"
    CUT_OUT = "cut-out"
    LOOK = "look"

    @property
    def words(self) -> str:
        """The fault in a sentence."""
        return "to be looked at" if self is Fault.LOOK else self.replace("-", " ")


@dataclass(frozen=True, slots=True)
class Repair:
    """A mark on a pixel, a string or a fixture, until it is mended. `part` is the name of the string or fixture."""

    id: int
    part: str
    pixel: int | None
    fault: Fault
    note: str
    at_ns: int
    who: str
    mended_ns: int | None = None
    mended_by: str = ""

    @property
    def open(self) -> bool:
        """Whether it is still to be mended."""
        return self.mended_ns is None

    @property
    def place(self) -> str:
        """Where it is: "ridge, pixel 37"."""
        return self.part if self.pixel is None else f"{self.part}, pixel {self.pixel}"

    @property
    def what(self) -> str:
        """What is wrong: "dead, behind the gutter". A note of its own says enough."""
        if self.fault == Fault.LOOK and self.note:
            return self.note
        return f"{self.fault.words}, {self.note}" if self.note else self.fault.words

    def string(self, rig: Rig) -> PixelString | None:
        """The string that it is on."""
        return next((one for one in rig.string if one.name == self.part), None)

    def kind(self, rig: Rig) -> Literal["string", "fixture"] | None:
        """What its part is; None if the rig does not have it."""
        if self.string(rig):
            return "string"
        return "fixture" if self.part in {one.name for one in rig.fixture} else None

    def absence(self, rig: Rig) -> str | None:
        """Why its part or its pixel is not in a rig, as of a string that was renamed; None if it is."""
        string = self.string(rig)
        if self.kind(rig) is None:
            return f"{self.part} is not in the rig any more"
        if self.pixel is not None and (string is None or self.pixel > string.pixels):
            return f"{self.part} has no pixel {self.pixel} any more"
        return None

    def hint(self, rig: Rig) -> str | None:
        """For a pixel that was cut out: the line of rig.toml by which the wire skips it. None if it is there."""
        string = self.string(rig)
        if self.fault != Fault.CUT_OUT or string is None or self.pixel is None or self.absence(rig):
            return None
        if self.pixel in string.missing:
            return None
        numbers = ", ".join(str(one) for one in sorted({*string.missing, self.pixel}))
        return f"if the next pixel has moved up: write missing = [{numbers}] into string {self.part} of rig.toml"


def in_order(repairs: Iterable[Repair], rig: Rig) -> list[Repair]:
    """The open ones in the order of the rig; first what is not in the rig any more."""
    order = {one.name: place for place, one in enumerate((*rig.string, *rig.fixture))}
    return sorted(
        (one for one in repairs if one.open), key=lambda one: (order.get(one.part, -1), one.pixel or 0, one.id)
    )
