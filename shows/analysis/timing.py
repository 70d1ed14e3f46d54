"""How long a port needs for a frame, and the pieces whose frames are too fast for it.

The pixels of a port get their bits one after another, then a reset. The figures are common data-sheet values of
single-wire LED drivers, from memory: 1.25 us a bit (800 kHz), 8 bits a slot, a reset of 50 to 300 us, of which the
longest counts. A pixel that is missing needs no time. A string without a port counts as one on a port of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction

from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.rig.model import PixelString, Rig
from gloaming.shows.time_units import SECOND_NS

BIT_NS, BITS_A_SLOT, RESET_NS = 1250, 8, 300_000


def bits_ns(strings: Sequence[PixelString]) -> int:
    """How long the bits of the strings of one port take, in nanoseconds, without the reset."""
    return sum(string.hung * len(string.order) for string in strings) * BITS_A_SLOT * BIT_NS


def highest_fps(strings: Sequence[PixelString]) -> Fraction:
    """The highest frame rate at which a port with these strings shows every frame."""
    return Fraction(SECOND_NS, bits_ns(strings) + RESET_NS)


def timing_findings(rig: Rig, files: Mapping[str, FrameFileInfo]) -> Iterator[Finding]:
    """The ports on which a frame does not fit, each with the fastest piece that uses its universes."""
    fastest: dict[int, tuple[Fraction, str]] = {}  # by universe
    for piece, info in files.items():
        for universe in info.universes:
            fastest[universe.number] = max(fastest.get(universe.number, (Fraction(0), "")), (info.fps, piece))
    for name, place, strings in _ports(rig):
        used = {universe for string in strings for universe, _, _ in string.spans()}
        fps, piece = max((fastest[number] for number in used if number in fastest), default=(Fraction(0), ""))
        most = highest_fps(strings)
        if fps > most:
            orders = {string.order for string in strings}
            order = f"{orders.pop()} " if len(orders) == 1 else ""
            pixels = sum(string.hung for string in strings)
            text = (
                f"{name}: {pixels} {order}pixels need {bits_ns(strings) / 1e6:g} ms of {float(1000 / fps):g} "
                f"at {float(fps):g} frames a second ({piece}), and {RESET_NS / 1e6:g} ms for a reset"
            )
            rate = int(most * 10) / 10  # rounded down
            hint = f"the highest rate that fits is {rate:g} frames a second; or share the pixels among more ports"
            yield Finding(FindingCode.PORT_TOO_SLOW, "warning", place, text, hint)


def _ports(rig: Rig) -> Iterator[tuple[str, str, tuple[PixelString, ...]]]:
    """Name, place and strings of each port. A string without a port is one of its own."""
    for port in rig.port:
        if strings := rig.on_port[port.name]:
            yield f"port {port.name}", port.place, strings
    for string in rig.string:
        if string.port is None:
            yield f"string {string.name}", string.place, (string,)
