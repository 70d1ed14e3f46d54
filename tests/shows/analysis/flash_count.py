"""Flashes counted by the definitions of W3C WCAG 2.2, 2.3.1 alone, for the tests: nothing of ours is used.

https://www.w3.org/TR/WCAG22/#dfn-general-flash-and-red-flash-thresholds: a general flash is a pair of opposing changes
in relative luminance of 10 % or more of the maximum (1.0), where the relative luminance of the darker image is below
0.80; an opposing pair is an increase followed by a decrease, or the other way round.
https://www.w3.org/TR/WCAG22/#dfn-relative-luminance: 0.2126 R + 0.7152 G + 0.0722 B, of linear light.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

WEIGHTS = (0.2126, 0.7152, 0.0722)
Luminance = npt.NDArray[np.floating[Any]]
"""`(frames, areas)`, 0..1."""


def relative_luminance(levels: npt.NDArray[np.uint8], screen: bool) -> Luminance:
    """Of bytes `(..., 3)`: taken as light itself, as a pixel's duty is, or as a screen's sRGB values."""
    share = np.arange(256) / 255
    if screen:
        share = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    red, green, blue = (
        np.take((share * weight).astype(np.float32), levels[..., k]) for k, weight in enumerate(WEIGHTS)
    )
    result: Luminance = red + green + blue
    return result


def changes(luminance: Luminance) -> npt.NDArray[np.bool_]:
    """Where a change is complete, `(frames, areas)`: 10 % up from the lowest since the last change down, or down from
    the highest since the last change up, with the darker below 0.80."""
    low, high = luminance[0].copy(), luminance[0].copy()
    way = np.zeros(luminance.shape[1], int)  # 0 before the first change, then 1 up or -1 down
    found = np.zeros(luminance.shape, bool)
    for number, now in enumerate(luminance):
        low, high = np.minimum(low, now), np.maximum(high, now)
        up = (way <= 0) & (now - low >= 0.1) & (low < 0.8)
        down = (way >= 0) & (high - now >= 0.1) & (now < 0.8) & ~up
        found[number] = up | down
        way = np.where(up, 1, np.where(down, -1, way))
        turned = up | down
        low, high = np.where(turned, now, low), np.where(turned, now, high)
        low, high = np.where(way == 1, now, low), np.where(way == -1, now, high)
    return found


def most_flashes(luminance: Luminance, fps: int) -> float:
    """The most flashes (pairs of changes) in any one second, of any area."""
    done = np.concatenate([np.zeros((1, luminance.shape[1]), int), np.cumsum(changes(luminance), axis=0)])
    window = min(fps, len(luminance))
    return float((done[window:] - done[:-window]).max() / 2)
