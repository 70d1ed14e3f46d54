"""Where the project's own files lie, for the tests."""

from __future__ import annotations

from pathlib import Path

TOP = Path(__file__).resolve().parents[1]
REFERENCE = TOP / "tests" / "reference"
MOVING_PICTURE = REFERENCE / "moving-picture-64x32-25fps.npy"
"""Frames of Big Buck Bunny, (c) 2008 Blender Foundation, CC BY 3.0."""
