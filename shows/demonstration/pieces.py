"""The pieces of the demonstration season. They are slow and soft, and begin and end with black."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gloaming.shows.demonstration import bells, quiet_pieces, sound
from gloaming.shows.demonstration.ambient import FPS
from gloaming.shows.demonstration.bells import harbour_bells
from gloaming.shows.demonstration.light import Bytes, Floats, Harbour
from gloaming.shows.demonstration.sound import Samples

__all__ = ["FPS", "PIECES", "PieceOfLight"]


@dataclass(frozen=True)
class PieceOfLight:
    """A piece. `make` returns a function from instants `(frames,)` to bytes `(frames, pixels, 3)`.

    `sound` makes its sound, which is as long as the piece.
    """

    name: str
    length_s: float
    make: Callable[[Harbour], Callable[[Floats], Bytes]]
    sound: Callable[[], Samples] | None = None


PIECES = (
    PieceOfLight("harbour-bells", bells.LENGTH_S, harbour_bells, sound.harbour_bells),
    PieceOfLight("tide", quiet_pieces.TIDE_LENGTH_S, quiet_pieces.tide),
    PieceOfLight("lanterns", quiet_pieces.LANTERNS_LENGTH_S, quiet_pieces.lanterns),
    PieceOfLight("first-frost", quiet_pieces.FROST_LENGTH_S, quiet_pieces.first_frost),
    PieceOfLight("swell", quiet_pieces.SWELL_LENGTH_S, quiet_pieces.swell),
)
