"""Where the pixels of a string hang, by its points or along its line. Knows nothing of light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gloaming.shows.rig import PixelString


def positions(string: PixelString) -> npt.NDArray[np.float64] | None:
    """Where each pixel of a string hangs, `(pixels, 2)` in metres; along its line they are spaced evenly."""
    if string.points:
        return np.array(string.points, float)
    if not string.line:
        return None
    corners = np.array(string.line, float)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0, along[-1], string.pixels)
    return np.stack([np.interp(at, along, corners[:, 0]), np.interp(at, along, corners[:, 1])], axis=1)
