"""The position of every pixel of the Pier Road boathouse, in metres, as seen from across the harbour.

x is along the quay, y is upwards from the water. There is no light and no time here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Point = tuple[float, float]

QUAY_M = 2.0
EAVES_M = 6.0
APEX: Point = (15.0, 11.0)
WING_EAVES_M, WING_RIDGE_M = 5.4, 8.4
MAST: Point = (4.0, 10.6)
LANTERN: Point = (37.5, 8.9)

LEFT_M, RIGHT_M, BOTTOM_M, TOP_M = -2.4, 41.0, 0.0, 12.6
"""The edges of the picture."""

PIXELS_PER_UNIVERSE = 170
PIXELS_PER_STRING = 160


@dataclass(frozen=True, eq=False)
class String:
    """A string of pixels. `points` is `(pixels, 2) float32`, in metres, in the order of the wiring."""

    name: str
    controller: str
    points: Floats


def _line(*corners: Point, every_m: float) -> list[Point]:
    """Points about `every_m` apart on a line through the corners, both ends included."""
    points: list[Point] = []
    for begin, end in pairwise(corners):
        length = float(np.hypot(end[0] - begin[0], end[1] - begin[1]))
        steps = np.linspace(0, 1, max(2, round(length / every_m) + 1))
        leg = [(begin[0] + (end[0] - begin[0]) * s, begin[1] + (end[1] - begin[1]) * s) for s in steps]
        points += leg[1:] if points else leg
    return points


def _arc(centre: Point, radius: float, from_deg: float, to_deg: float, pixels: int) -> list[Point]:
    angles = np.radians(np.linspace(from_deg, to_deg, pixels))
    return [(centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)) for a in angles]


def _hung(begin: Point, end: Point, sag_m: float, every_m: float) -> list[Point]:
    """A festoon: a cord between two points that sags by `sag_m` in the middle (a parabola)."""
    pixels = round(float(np.hypot(end[0] - begin[0], end[1] - begin[1])) / every_m)
    steps = np.linspace(0, 1, pixels)
    return [
        (begin[0] + (end[0] - begin[0]) * s, begin[1] + (end[1] - begin[1]) * s - 4 * sag_m * s * (1 - s))
        for s in steps
    ]


def _curtain(lines: Sequence[list[Point]]) -> list[Point]:
    """Lines wired back and forth, as in a curtain."""
    return [point for number, line in enumerate(lines) for point in (line if number % 2 == 0 else line[::-1])]


def _rake_m(x: float) -> float:
    """The height of the gable's edge at x."""
    return APEX[1] - abs(x - APEX[0])


def _front() -> Iterator[tuple[str, list[Point]]]:
    yield "gable-left", _line((9.6, 5.6), APEX, every_m=0.075)
    yield "gable-right", _line(APEX, (20.4, 5.6), every_m=0.075)
    star = [(15 + r * np.sin(np.pi * k / 5), 11.75 + r * np.cos(np.pi * k / 5)) for k, r in enumerate([0.7, 0.28] * 5)]
    yield "star", _line(*star, star[0], every_m=0.11)
    columns = np.arange(10.8, 19.21, 0.24)
    yield (
        "gable-curtain",
        _curtain([_line((x, 6.25), (x, _rake_m(x) - 0.3), every_m=0.2) for x in columns if _rake_m(x) > 6.75]),
    )
    yield "tie-beam", _line((10, EAVES_M), (20, EAVES_M), every_m=0.09)
    yield "corner-left", _line((10, QUAY_M), (10, EAVES_M), every_m=0.09)
    yield "corner-right", _line((20, QUAY_M), (20, EAVES_M), every_m=0.09)
    for side, left, right in (("left", 11.0, 14.85), ("right", 15.15, 19.0)):
        frame = [(left, 2.15), (left, 5.5), (right, 5.5), (right, 2.15), (left, 2.15)]
        yield f"door-{side}", _line(*frame, every_m=0.1)
        planks = np.linspace(left + 0.4, right - 0.4, 8)
        yield f"door-{side}-planks", _curtain([_line((x, 2.45), (x, 5.2), every_m=0.16) for x in planks])


def _wing() -> Iterator[tuple[str, list[Point]]]:
    yield "wing-ridge", _line((17.8, WING_RIDGE_M), (32.5, WING_RIDGE_M), every_m=0.095)
    yield "wing-eaves", _line((20.3, WING_EAVES_M), (33.5, WING_EAVES_M), every_m=0.085)
    yield "wing-hip", _line((32.5, WING_RIDGE_M), (33.5, WING_EAVES_M), every_m=0.085)
    rows = []
    for y in np.linspace(WING_EAVES_M + 0.42, WING_RIDGE_M - 0.42, 6):
        right = 33.5 - (y - WING_EAVES_M) / 3 - 0.25
        rows.append(_line((APEX[0] + APEX[1] - y + 0.3, float(y)), (right, float(y)), every_m=0.16))
    yield "wing-roof", _curtain(rows)
    lengths = [0.35, 0.7, 0.5, 0.95, 0.4, 0.8, 0.55]
    drops = [
        _line((x, WING_EAVES_M - 0.12), (x, WING_EAVES_M - 0.12 - lengths[k % len(lengths)]), every_m=0.1)
        for k, x in enumerate(np.arange(20.6, 33.3, 0.36))
    ]
    yield "icicles", _curtain(drops)
    for name, left in (("west", 21.4), ("middle", 25.3), ("east", 29.2)):
        right, low, high = left + 2.6, 2.7, 4.25
        frame = [(left, low), (left, high), (right, high), (right, low), (left, low)]
        yield f"window-{name}", _line(*frame, every_m=0.1)
        panes = [_line((x, low + 0.2), (x, high - 0.2), every_m=0.16) for x in np.linspace(left + 0.3, right - 0.3, 7)]
        yield f"window-{name}-panes", _curtain(panes)
    yield "wing-corner", _line((33, QUAY_M), (33, 5.2), every_m=0.09)


def _quay() -> Iterator[tuple[str, list[Point]]]:
    yield "quay-edge", _line((9.2, QUAY_M), (33.2, QUAY_M), every_m=0.15)
    rows = [_line((9.4, float(y)), (33.0, float(y)), every_m=0.25) for y in np.linspace(0.15, 1.7, 7)]
    yield "quay-wall", _curtain(rows)
    for number, (x, top) in enumerate([(-1.7, 2.3), (-0.8, 2.8), (8.2, 2.9), (34.6, 1.6), (40.2, 2.9)], 1):
        yield (
            f"mooring-post-{number}",
            _line((x - 0.12, 0.1), (x - 0.12, top), (x + 0.12, top), (x + 0.12, 0.1), every_m=0.12),
        )
    yield "jetty-deck", _line((33.4, QUAY_M), (40.8, QUAY_M), every_m=0.08)
    yield "jetty-rail", _line((33.6, 2.95), (40.8, 2.95), every_m=0.1)
    legs = [_line((x, 0.1), (x, 1.85), every_m=0.12) for x in np.arange(33.9, 40.7, 0.95)]
    yield "jetty-legs", _curtain(legs)
    yield "light-tower-left", _line((36.5, 3.1), (36.95, 7.7), every_m=0.09)
    yield "light-tower-right", _line((38.05, 7.7), (38.5, 3.1), every_m=0.09)
    bands = []
    for y in np.linspace(3.4, 7.4, 11):
        inset = 0.45 * (y - 3.1) / 4.6 + 0.12
        bands.append(_line((36.55 + inset, float(y)), (38.45 - inset, float(y)), every_m=0.13))
    yield "light-tower-bands", _curtain(bands)
    yield "light-gallery", _line((36.4, 7.9), (38.6, 7.9), every_m=0.09)
    panes = [_line((x, 8.15), (x, 9.5), every_m=0.13) for x in np.linspace(37.0, 38.0, 6)]
    yield "light-lantern", _curtain(panes)
    yield "light-dome", _arc((37.5, 9.6), 0.7, 0, 180, 28)


def _boat() -> Iterator[tuple[str, list[Point]]]:
    sheer = [(0.4, 2.0), (1.4, 1.65), (2.7, 1.42), (4.2, 1.35), (5.8, 1.45), (7.4, 1.75)]
    hull = [(7.4, 1.75), (7.0, 0.75), (6.3, 0.2), (1.9, 0.2), (1.1, 0.9), (0.4, 2.0)]
    yield "boat-sheer", _line(*sheer, every_m=0.09)
    yield "boat-hull", _line(*hull, every_m=0.1)
    ends = [(1.25, 7.0, 1.2), (1.5, 6.85, 0.85), (1.75, 6.5, 0.5)]
    strakes = [_line((left, y), (right, y), every_m=0.13) for left, right, y in ends]
    yield "boat-strakes", _curtain(strakes)
    yield "mast", _line((4.0, 1.5), MAST, every_m=0.08)
    yield "boom", _line((4.1, 2.75), (7.3, 3.0), every_m=0.1)
    yield "forestay", _line((0.4, 2.1), MAST, every_m=0.1)
    yield "backstay", _line((7.4, 1.85), MAST, every_m=0.11)
    main = [(4.25, 4.35 + 2.75 * (10.2 - y) / 7.2, y) for y in np.linspace(3.2, 9.2, 16).tolist()]
    jib = [(0.9 + 3.5 * (y - 2.1) / 8.5, 3.75, y) for y in np.linspace(2.5, 8.6, 16).tolist()]
    for name, rows in (("mainsail", main), ("jib", jib)):
        yield name, _curtain([_line((left, y), (right, y), every_m=0.19) for left, right, y in rows])
    yield "festoon-west", _hung(MAST, (10.2, 6.2), 1.0, 0.12)
    yield "festoon-east", _hung((32.6, 8.5), (36.5, 8.0), 0.9, 0.1)


def _strings(controller: str, runs: Iterator[tuple[str, list[Point]]]) -> Iterator[String]:
    """Runs that are too long for one fuse are divided into equal strings."""
    for name, points in runs:
        parts = np.array_split(np.array(points, np.float32), -(-len(points) // PIXELS_PER_STRING))
        for number, part in enumerate(parts, 1):
            yield String(name if len(parts) == 1 else f"{name}-{number}", controller, part)


@cache
def strings() -> tuple[String, ...]:
    """All strings, controller by controller, in the order of the wiring."""
    controllers = {"boathouse": _front(), "wing": _wing(), "quay": _quay(), "boat": _boat()}
    return tuple(string for controller, runs in controllers.items() for string in _strings(controller, runs))


SILHOUETTES: tuple[tuple[tuple[Point, ...], tuple[float, float, float]], ...] = (
    (((9.2, 0), (9.2, 2), (33.2, 2), (33.2, 0)), (0.0045, 0.005, 0.007)),
    (((33.2, 1.8), (33.2, 2.05), (41, 2.05), (41, 1.8)), (0.006, 0.0055, 0.0055)),
    (((20, 2), (20, 5.4), (17.8, 8.4), (32.5, 8.4), (33.5, 5.4), (33, 5.4), (33, 2)), (0.009, 0.008, 0.0085)),
    (((10, 2), (10, 6), (9.6, 5.6), APEX, (20.4, 5.6), (20, 6), (20, 2)), (0.013, 0.0105, 0.01)),
    (((0.4, 2), (1.1, 0.9), (1.9, 0.2), (6.3, 0.2), (7, 0.75), (7.4, 1.75), (4.2, 1.35)), (0.012, 0.008, 0.007)),
    (((36.4, 2), (36.95, 7.9), (36.9, 9.6), (37.5, 10.3), (38.1, 9.6), (38.05, 7.9), (38.6, 2)), (0.013, 0.012, 0.012)),
)
"""The shapes behind the strings, back to front: corners, and colour at night in linear light 0..1."""
