"""The rig as a small picture: every pixel where it hangs, a colour for each controller. SVG, no script."""

from __future__ import annotations

from html import escape

import numpy as np

from gloaming.shows.rig.model import Rig, positions

COLOURS = ("#ffd166", "#7ad3ff", "#ff8fab", "#9be7a0", "#c8a6ff", "#ffb27a", "#7ff0e0", "#e8e3a0")
WIDE, TALL = 1000, 420


def rig_picture(rig: Rig) -> str | None:
    """An inline SVG; None where no string says where it hangs."""
    hung = [(string, positions(string)) for string in rig.string]
    placed = [(string, points) for string, points in hung if points is not None]
    if not placed:
        return None
    whole = np.concatenate([points for _, points in placed])
    low, high = whole.min(axis=0), whole.max(axis=0)
    span = np.maximum(high - low, 0.1)
    scale = min(WIDE / span[0], TALL / span[1])
    tall = span[1] * scale
    names = [controller.name for controller in rig.controller]
    paths = []
    for string, points in placed:
        at = np.round((points - low) * scale, 1)
        dots = "".join(f"M{x:g} {tall - y:.4g}h0" for x, y in at)
        colour = COLOURS[names.index(string.controller) % len(COLOURS)]
        paths.append(f'<path d="{dots}" stroke="{colour}"><title>{escape(string.name)}</title></path>')
    width, height = span[0] * scale + 12, span[1] * scale + 12
    return (
        f'<svg viewBox="-6 -6 {width:.0f} {height:.0f}" role="img" aria-label="The rig" fill="none" stroke-width="3.4" '
        f'stroke-linecap="round">{"".join(paths)}</svg>'
    )
