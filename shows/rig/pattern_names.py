"""The test patterns for a rig and their colours, by name. A command lists them before it loads anything slow."""

from __future__ import annotations

COLOURS = {"red": "R", "green": "G", "blue": "B", "white": "RGB", "all": "RGBWA", "w": "W", "amber": "A"}
"""The channels that each colour lights. "w" is the white channel alone."""
KINDS = {
    "colour": "one colour on every pixel",
    "colours": "red, green, blue and white in turn, then the white and amber channels alone, two seconds each",
    "pixel": "one pixel of every string, by its number",
    "walk": "one pixel after another on every string: two a second, or faster to finish the longest string in time",
    "ends": "the first pixel of every string green, the last one red",
    "strings": "every string in its own colour",
    "universes": "one universe after another, one second each",
    "universe": "one universe",
    "ramp": "from dark to full and back, in eight seconds",
}
