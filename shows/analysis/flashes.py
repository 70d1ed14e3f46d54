"""General flashes by W3C WCAG 2.2, 2.3.1, pixel by pixel: transitions of light, and how often in any one second.

A transition is a change of relative luminance by 10 % or more of the maximum, with the darker state below 0.80. A flash
is a pair of opposing transitions. Seven transitions in less than a second are more than three flashes: the fourth flash
begins before the first is a second old. At exactly three flashes a second it begins after the second. Luminance is
proportional to slots (pulse width), relative to full white. A piece is dark before its first frame.

Red flashes by W3C WCAG, pixel by pixel, by the definitions of 2.2 and of 2.1.

2.2: a pair of opposing transitions, each to or from a saturated red (R/(R+G+B) at least 0.8), the states more than 0.2
apart in the CIE 1976 UCS diagram. 2.1: the same pair, with a change of (R-G-B)x320 above 20. Negative values are 0.
Black has no place in the diagram. Black and light below 1 % count as apart from every red. Colours are proportional to
slots.
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
"""Light is limited to this, so that a change reaches CHANGE only if its darker state is below DARKER."""
TRANSITIONS = 7
"""Transitions from the beginning of one flash to that of the third after it."""
_FLIP = np.uint16(0xFFFF)


class LastSecond:
    """Counts the transitions of each pixel in the last second, and finds those with too many."""

    def __init__(self, pixels: int, fps: Fraction) -> None:
        self._frames = ceil(fps)
        self._fired: npt.NDArray[np.bool_] = np.zeros((self._frames, pixels), np.bool_)
        self._any = [False] * self._frames
        self._count = np.zeros(pixels, np.uint16)
        self._over = np.zeros(pixels, np.bool_)
        self._busy = False

    def add(self, frame: int, fired: Mask | None) -> Mask | None:
        """Add the pixels with a transition in a frame. Returns those with too many in the second that ends with it.

        None means no pixels. Frames are added in order.
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
    """Follows the luminance of every pixel from transition to transition.

    Levels are folded: unchanged while a pixel falls, inverted while it rises. So every transition is a fall from the
    highest level since the last transition.
    """

    def __init__(self, pixels: int) -> None:
        self._fold: Levels = np.full(pixels, _FLIP)  # dark before the piece: a rise comes first
        self._highest: Levels = np.full(pixels, _FLIP)
        self._folded: Levels = np.zeros(pixels, np.uint16)
        self._turned: Levels = np.zeros(pixels, np.uint16)
        self._fired = np.zeros(pixels, np.bool_)

    def frame(self, levels: Levels) -> Mask | None:
        """The pixels whose transition is complete with these levels (0..CEILING). None: no pixels."""
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


Floats = npt.NDArray[np.float32]

SATURATION = 4.0
"""R/(R+G+B) >= 0.8, as R >= 4 (G+B)."""
NEGLIGIBLE = 0.01 * 255
APART = 0.2
RED_CHANGE = 16
"""(R-G-B) x 320 above 20, of 255: 15.9375, so 16 whole levels."""
XYZ = ((0.4124564, 0.3575761, 0.1804375), (0.2126729, 0.7151522, 0.0721750), (0.0193339, 0.1191920, 0.9503041))
"""From linear RGB of the primaries of ITU-R BT.709 and white D65 (IEC 61966-2-1)."""
BLACK_UV = -1.0
"""A place that is apart from all colours."""
RED_UV = (0.45070, 0.52288)
"""The red primary of ITU-R BT.709."""
_UV = np.array([4, 9, 1], np.float32)[:, None] * np.array(
    [XYZ[0], XYZ[1], [x + 15 * y + 3 * z for x, y, z in zip(*XYZ, strict=True)]], np.float32
)
"""u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z)."""


def chromaticity(colours: Floats) -> tuple[Floats, Floats]:
    """u' and v' of the CIE 1976 UCS diagram for colours `(3, [frames,] pixels)`. BLACK_UV for negligible light."""
    x, y, whole = np.moveaxis(np.matmul(_UV, np.moveaxis(colours, 0, -2)), -2, 0)
    dark = colours.max(axis=0) < NEGLIGIBLE
    np.maximum(whole, 1e-6, out=whole)
    np.divide(x, whole, out=x)
    np.divide(y, whole, out=y)
    np.copyto(x, BLACK_UV, where=dark)
    np.copyto(y, BLACK_UV, where=dark)
    return x, y


def saturated(red: Floats, green: Floats, blue: Floats) -> Mask:
    """Whether a colour is a saturated red."""
    found: Mask = (red >= SATURATION * (green + blue)) & (red >= NEGLIGIBLE)
    return found


class RedFlashes:
    """Follows the pixels that were a saturated red within the last second. The others cannot flash red."""

    def __init__(self, pixels: int, fps: Fraction) -> None:
        self._followed_frames = ceil(2 * fps)
        self._seen = np.full(pixels, -(1 << 40))
        self._followed = np.zeros(pixels, np.bool_)
        self._by_colour, self._by_strength = LastSecond(pixels, fps), LastSecond(pixels, fps)
        self._fired = np.zeros(pixels, np.bool_)
        # by 2.2: whether a pixel is in its red state, and the state from which the next transition starts
        self._in_red = np.zeros(pixels, np.bool_)
        self._from = np.zeros((3, pixels), np.float32)  # u', v', distance squared from the red primary
        # by 2.1: as in GeneralFlashes, and whether the current transition had a saturated red
        self._fold = np.full(pixels, _FLIP)
        self._highest = np.zeros(pixels, np.uint16)
        self._highest_red = np.zeros(pixels, np.bool_)
        self._pending = np.zeros(pixels, np.bool_)
        self._start_red = np.zeros(pixels, np.bool_)

    def wanted(self, first_frame: int, seen_red: Mask) -> npt.NDArray[np.intp]:
        """The pixels to follow through the next frames. `seen_red` are those with a saturated red there."""
        if seen_red.any():
            self._seen[seen_red] = first_frame
        return np.flatnonzero(self._seen > first_frame - self._followed_frames)

    def add(
        self, first_frame: int, frames: int, pixels: npt.NDArray[np.intp], colours: Floats, before: Floats
    ) -> list[tuple[int, Mask | None, Mask | None]]:
        """Add the next frames. Returns `(frame, too many by 2.2, too many by 2.1)` for each.

        `colours` is `(3, frames, pixels)` of the followed pixels, `before` their `(3, pixels)` in the frame before.
        """
        if len(pixels) == 0:
            self._followed[:] = False
            return [self._too_many(first_frame + number, None, None, pixels) for number in range(frames)]
        state = _State(self, pixels, before)
        u, v = chromaticity(colours)
        red = saturated(*colours)
        nearness = (u - RED_UV[0]) ** 2 + (v - RED_UV[1]) ** 2
        strength = np.clip(colours[0] - colours[1] - colours[2], 0, 255).astype(np.uint16)
        found = []
        for number in range(frames):
            colour = state.by_colour(u[number], v[number], nearness[number], red[number])
            strong = state.by_strength(strength[number], red[number])
            over = self._too_many(first_frame + number, colour, strong, pixels)
            found.append((over[0], _copied(over[1]), _copied(over[2])))
        state.keep(self)
        return found

    def _too_many(
        self, frame: int, colour: Mask | None, strong: Mask | None, pixels: npt.NDArray[np.intp]
    ) -> tuple[int, Mask | None, Mask | None]:
        by_colour = self._by_colour.add(frame, self._spread(colour, pixels))
        return frame, by_colour, self._by_strength.add(frame, self._spread(strong, pixels))

    def _spread(self, fired: Mask | None, pixels: npt.NDArray[np.intp]) -> Mask | None:
        if fired is None:
            return None
        self._fired[:] = False
        self._fired[pixels] = fired
        return self._fired


def _copied(mask: Mask | None) -> Mask | None:
    return None if mask is None else mask.copy()


class _State:
    """The states of the followed pixels, side by side. A pixel that was not followed starts anew."""

    def __init__(self, all: RedFlashes, pixels: npt.NDArray[np.intp], before: Floats) -> None:
        self.pixels = pixels
        fresh = ~all._followed[pixels]
        u, v = chromaticity(before)
        strength = np.clip(before[0] - before[1] - before[2], 0, 255).astype(np.uint16)
        self.in_red = all._in_red[pixels] & ~fresh
        nearness = (u - RED_UV[0]) ** 2 + (v - RED_UV[1]) ** 2
        self.start = np.where(fresh, np.stack([u, v, nearness]), all._from[:, pixels])
        self.fold = np.where(fresh, _FLIP, all._fold[pixels])
        self.highest = np.where(fresh, strength ^ _FLIP, all._highest[pixels])
        self.highest_red = all._highest_red[pixels] & ~fresh
        self.pending = all._pending[pixels] & ~fresh
        self.start_red = all._start_red[pixels] & ~fresh

    def keep(self, all: RedFlashes) -> None:
        """Write the states back."""
        all._followed[:] = False
        all._followed[self.pixels] = True
        all._in_red[self.pixels] = self.in_red
        all._from[:, self.pixels] = self.start
        all._fold[self.pixels] = self.fold
        all._highest[self.pixels] = self.highest
        all._highest_red[self.pixels] = self.highest_red
        all._pending[self.pixels] = self.pending
        all._start_red[self.pixels] = self.start_red

    def by_colour(self, u: Floats, v: Floats, nearness: Floats, red: Mask) -> Mask | None:
        """Transitions by WCAG 2.2: into a saturated red from far away, and out of it."""
        du, dv = u - self.start[0], v - self.start[1]
        far = du * du + dv * dv > APART * APART
        fired: Mask = far & (self.in_red | red)
        moved = fired | (self.in_red & red) | (~self.in_red & (nearness > self.start[2]))
        if moved.any():
            for row, value in enumerate((u, v, nearness)):
                np.copyto(self.start[row], value, where=moved)
        if not fired.any():
            return None
        self.in_red ^= fired
        return fired

    def by_strength(self, strength: npt.NDArray[np.uint16], red: Mask) -> Mask | None:
        """Transitions by WCAG 2.1: a change of (R-G-B) with a saturated red at either end."""
        folded = strength ^ self.fold
        newer = folded >= self.highest
        self.highest_red = (newer & red) | (self.highest_red & ~newer)
        np.maximum(self.highest, folded, out=self.highest)
        turned = self.highest - folded >= RED_CHANGE
        if turned.any():
            self.start_red = (turned & self.highest_red) | (self.start_red & ~turned)
            self.pending |= turned
            self.fold ^= turned * _FLIP
            folded = strength ^ self.fold
            np.copyto(self.highest, folded, where=turned)
            self.highest_red = (turned & red) | (self.highest_red & ~turned)
        fired = self.pending & (red | self.start_red)
        if not fired.any():
            return None
        self.pending &= ~fired
        return fired
