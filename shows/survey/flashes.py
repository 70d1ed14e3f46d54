"""General flashes by W3C WCAG 2.2, 2.3.1, pixel by pixel: transitions of light, and how often in any one second.

A transition is a change of relative luminance by 10 % or more of the maximum, the darker state below 0.80; a flash is a
pair of opposing transitions. Seven transitions in less than a second are more than three flashes: the fourth flash
begins before the first is a second old. At exactly three flashes a second it begins when the second is over. Luminance
is taken in proportion to slots (pulse width), relative to full white; before its first frame a piece is dark.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil

import numpy as np
import numpy.typing as npt

Levels = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]

LUMINANCE = (0.2126, 0.7152, 0.0722)
"""WCAG 2.2, relative luminance (the primaries of ITU-R BT.709)."""
FULL = 50_000
"""Luminance 1.0 as an integer."""
CHANGE, DARKER = FULL // 10, FULL * 8 // 10
CEILING = DARKER + CHANGE - 1
"""Light above this is cut off: a change then reaches CHANGE exactly where its darker state is below DARKER."""
TRANSITIONS = 7
"""From the beginning of one flash to that of the third after it."""
_FLIP = np.uint16(0xFFFF)


class LastSecond:
    """How many transitions each pixel has had in the last second, and which have had too many."""

    def __init__(self, pixels: int, fps: Fraction) -> None:
        self._frames = ceil(fps)
        self._fired: npt.NDArray[np.bool_] = np.zeros((self._frames, pixels), np.bool_)
        self._any = [False] * self._frames
        self._count = np.zeros(pixels, np.uint16)
        self._over = np.zeros(pixels, np.bool_)
        self._busy = False

    def add(self, frame: int, fired: Mask | None) -> Mask | None:
        """The pixels that fired in a frame (None: none); those with too many in the second that ends with it, if any.

        Frames are told one after the other.
        """
        place = frame % self._frames
        if self._any[place]:
            np.subtract(self._count, self._fired[place], out=self._count)
            self._any[place] = False
        elif fired is None and not self._busy:
            return None
        if fired is not None:
            self._fired[place] = fired
            self._any[place] = True
            np.add(self._count, fired, out=self._count)
        np.greater_equal(self._count, TRANSITIONS, out=self._over)
        self._busy = bool(self._over.any())
        return self._over if self._busy else None


class GeneralFlashes:
    """Follows the luminance of every pixel from turn to turn.

    Levels are folded: while a pixel falls they stand as they are, while it rises, upside down. Then every transition is
    a fall from the highest level since the last one.
    """

    def __init__(self, pixels: int) -> None:
        self._fold: Levels = np.full(pixels, _FLIP)  # it is dark before: a rise comes first
        self._highest: Levels = np.full(pixels, _FLIP)
        self._folded: Levels = np.zeros(pixels, np.uint16)
        self._turned: Levels = np.zeros(pixels, np.uint16)
        self._fired = np.zeros(pixels, np.bool_)

    def frame(self, levels: Levels) -> Mask | None:
        """The pixels whose transition is complete with these levels (0..CEILING), None where there are none."""
        folded, highest, fired = self._folded, self._highest, self._fired
        np.bitwise_xor(levels, self._fold, out=folded)
        np.maximum(highest, folded, out=highest)
        np.subtract(highest, folded, out=folded)
        np.greater_equal(folded, CHANGE, out=fired)
        if not fired.any():
            return None
        turned = self._turned
        np.multiply(fired, _FLIP, out=turned)
        np.bitwise_xor(self._fold, turned, out=self._fold)
        np.invert(turned, out=turned)
        np.bitwise_and(highest, turned, out=highest)
        np.bitwise_xor(levels, self._fold, out=folded)
        np.maximum(highest, folded, out=highest)
        return fired
