"""What all pieces share: the parts of the harbour by name, the light of the night, and the fades."""

from __future__ import annotations

import numpy as np

from gloaming.shows.demonstration.boathouse import LANTERN
from gloaming.shows.demonstration.light import Bytes, Floats, Harbour, LightBlock, Wave, Waves, bump, colour, smooth

FPS = 40
GOLDEN = 0.6180339887
SWEEP_S = 9.0

LAMPLIGHT = colour("#ffb050")
EMBER = colour("#ff7a28")
NIGHT = (colour("#02040c"), colour("#04103a"), colour("#0a2a6e"), colour("#1a5a9a"))


class AmbientLight:
    """The parts of the harbour as shares `(pixels,)`, and the night's light for a piece of `length_s`."""

    def __init__(self, harbour: Harbour, length_s: float, rise_s: float = 4.0, fall_s: float = 5.0) -> None:
        self.harbour, self.length_s, self.rise_s, self.fall_s = harbour, length_s, rise_s, fall_s
        self.outline = harbour.of(
            "gable-left", "gable-right", "tie-", "corner-", "wing-ridge", "wing-eaves", "wing-hip"
        )
        self.outline += harbour.of("wing-corner", "quay-edge", "jetty-deck")
        self.curtain, self.star = harbour.of("gable-curtain"), harbour.of("star")
        self.roof, self.icicles = harbour.of("wing-roof"), harbour.of("icicles")
        self.water, self.posts = harbour.of("quay-wall"), harbour.of("mooring", "jetty-legs")
        self.planks = harbour.of("door-left-planks", "door-right-planks")
        self.tower, self.lantern = harbour.of("light-"), harbour.of("light-lantern", "light-gallery")
        self.hull, self.sails = harbour.of("boat-"), harbour.of("mainsail", "jib")
        self.rigging, self.festoons = harbour.of("mast", "forestay", "backstay", "boom"), harbour.of("festoon")
        self.rails = harbour.of("jetty-rail")
        number = np.arange(harbour.pixels)
        self.dice: Floats = (number * GOLDEN % 1).astype(np.float32)
        self._threshold = np.stack([(number * GOLDEN + k / 3) % 1 for k in range(3)]).astype(np.float32)
        self._threshold = np.minimum(self._threshold, np.float32(0.999))
        self._air = Waves(Wave(9, 4, 22, 0.9), harbour.x, harbour.y, seed=11)
        self._ripple = Waves(Wave(12, 0.7, 5, 0.55, 0, 40), harbour.x, harbour.y * 2.5, seed=12)
        self._lit = 0.75 * harbour.of("window") + 0.16 * self.planks
        self._to_lantern = harbour.distance(*LANTERN)

    def block(self, at_s: Floats) -> LightBlock:
        """A dark block for some instants."""
        return LightBlock(len(at_s), self.harbour.pixels)

    def ripple(self, at_s: Floats) -> Floats:
        """The glitter of the water, 0..1."""
        return smooth(self._ripple.at(at_s), -0.7, 1.0)

    def night(self, block: LightBlock, at_s: Floats, level: float = 1.0) -> None:
        """Add blue air that drifts over everything, darker high up."""
        air = self._air.at(at_s)
        air += np.float32(1)
        air *= (0.42 - 0.018 * self.harbour.y).astype(np.float32)
        parts = 0.25 + 0.5 * self.outline + 0.35 * self.water + 0.2 * self.roof + 0.3 * self.rigging
        block.ramp(air, NIGHT, (parts * level).astype(np.float32))

    def windows(self, block: LightBlock, level: Floats | float = 1.0) -> None:
        """Add lamplight behind the panes, a little through the doors, and the bulbs of the festoons."""
        block.add(self._lit * np.float32(0.5) * level, LAMPLIGHT)
        block.add(self.festoons * np.float32(0.8) * level, LAMPLIGHT)

    def lighthouse(self, block: LightBlock, at_s: Floats, level: float = 1.0) -> None:
        """Add the lamp and its beam, which moves over the quay from right to left."""
        turn = (at_s[:, None] / np.float32(SWEEP_S)) % np.float32(1)
        beam = bump(self.harbour.x - (np.float32(46) - np.float32(105) * turn), 4.0)
        beam += bump(self._to_lantern, 1.3) * (0.5 + bump(turn - np.float32(0.08), 0.1)) * np.float32(1.4)
        block.add(beam * (0.16 * level * (1 - 0.6 * self.water)).astype(np.float32), colour("#ffe2b0"))

    def bytes(self, block: LightBlock, at_s: Floats) -> Bytes:
        """The bytes of the block, with the fades from and to black."""
        end = self.length_s - 2 / FPS
        level = smooth(at_s, 0, self.rise_s) * smooth(at_s, end, end - self.fall_s)
        return block.finish(level * level, self._threshold)
