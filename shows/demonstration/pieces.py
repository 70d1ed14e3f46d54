"""The pieces of the demonstration season, each drawn by a scene of its own: slow, soft, from black and to black."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gloaming.shows.demonstration import bells, scenes, sound
from gloaming.shows.demonstration.bells import harbour_bells
from gloaming.shows.demonstration.dressing import FPS
from gloaming.shows.demonstration.light import Bytes, Floats, Harbour
from gloaming.shows.demonstration.sound import Samples

__all__ = ["FPS", "PIECES", "PieceOfLight"]


@dataclass(frozen=True)
class PieceOfLight:
    """A piece: `make` prepares a painter, which turns instants `(frames,)` into bytes `(frames, pixels, 3)`.

    `sound` makes what is heard with it, as long as the piece.
    """

    name: str
    length_s: float
    make: Callable[[Harbour], Callable[[Floats], Bytes]]
    sound: Callable[[], Samples] | None = None


PIECES = (
    PieceOfLight("harbour-bells", bells.LENGTH_S, harbour_bells, sound.harbour_bells),
    PieceOfLight("tide", scenes.TIDE_LENGTH_S, scenes.tide),
    PieceOfLight("lanterns", scenes.LANTERNS_LENGTH_S, scenes.lanterns),
    PieceOfLight("first-frost", scenes.FROST_LENGTH_S, scenes.first_frost),
    PieceOfLight("swell", scenes.SWELL_LENGTH_S, scenes.swell),
)
