"""The findings about power: too much current, too little voltage; and how far the limits of a rig are kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gloaming.daemon.reports.survey_texts import PieceSurvey, clock
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.currents import STEADY_S, Load
from gloaming.shows.analysis.finding import Finding, FindingCode, Severity
from gloaming.shows.analysis.voltage import worst_drop

LOADED = 0.8
"""Common practice, no source: a limit is used to four fifths at most for long. North America has it as a rule for the
continuous load of a circuit: NEC 210.20(A), from memory."""
LIMITS = {"string": "fuse", "port": "fuse", "supply": "it gives", "circuit": "breaker"}
"""What the limit of a load is called, for each kind of load."""
LIMITED = ("string", "port", "supply")
"""The kinds of loads that the limiter lowers."""


NANO = 9
"""Currents are compared to a billionth of an ampere: sums with idle currents and brightness are not exact."""


def current_findings(pieces: Iterable[PieceSurvey], site: Site) -> Iterator[Finding]:
    """Loads above or near their limit, the worst first: one finding for each load of a piece."""
    loads = [(piece, load, load.limit_a) for piece in pieces for load in piece.loads if load.limit_a is not None]
    for piece, load, limit_a in sorted(loads, key=lambda one: -one[1].peak_a / one[2]):
        limit = f"{LIMITS[load.kind]} {limit_a:g} A"
        name = f"{load.kind} {load.name}"
        if round(load.peak_a - limit_a, NANO) > 0:
            yield _too_much(piece, load, limit_a, site, f"{name}: {_amps(load.peak_a, limit_a)} A, {limit}")
        elif load.steady_a > LOADED * limit_a:
            text = f"{name}: {load.steady_a:.1f} A over {STEADY_S} s, {limit}; common practice is four fifths of it"
            if load.kind == "circuit":
                text += " (in North America NEC 210.20(A), for a load of hours)"
            at = clock(load.steady_frame, piece.analysis.info.fps)
            place = f"{piece.place} {piece.name} at {at}"
            hint = "lower the brightness, or share the load"
            yield Finding(FindingCode(f"{load.kind}-loaded"), "warning", place, text, hint)


def _amps(amps: float, limit_a: float) -> str:
    """A current with enough decimals to show on which side of its limit it is."""
    texts = [f"{amps:.{decimals}f}" for decimals in (1, 2, 3)]
    return next((text for text in texts if (float(text) > limit_a) == (amps > limit_a)), texts[-1])


def _too_much(piece: PieceSurvey, load: Load, limit_a: float, site: Site, text: str) -> Finding:
    lasting = load.steady_a > limit_a
    limited = site.output.limiter and load.kind in LIMITED and load.fixed_a < limit_a
    holds = int(100 * (load.holds_at or 0) * site.output.highest) / 100
    hint = f"lower the brightness to {holds:.2f}, or feed it in more places"
    if lasting:
        text += f"; over {STEADY_S} s {_amps(load.steady_a, limit_a)} A"
    if load.fixed_a >= limit_a:
        text += "; dark pixels and fixtures draw that much at any brightness"
        hint = "feed less from it: no brightness helps"
    elif load.kind == "circuit":
        text += "; the limiter does not know circuits"
        hint = f"lower the brightness to {holds:.2f}, or ask a licensed electrician for another circuit"
    elif limited:
        text += "; the limiter lowers it"
    severity: Severity = "warning" if not lasting and (limited or load.kind == "circuit") else "error"
    place = f"{piece.place} {piece.name} at {clock(load.peak_frame, piece.analysis.info.fps)}"
    return Finding(FindingCode(f"{load.kind}-overloaded"), severity, place, text, hint)


def worst(pieces: Iterable[PieceSurvey], kind: str) -> list[tuple[PieceSurvey, Load]]:
    """Each load of a kind with the piece in which it is highest. The one nearest to its limit comes first."""
    found: dict[str, tuple[PieceSurvey, Load]] = {}
    for piece in pieces:
        for load in piece.loads:
            if load.kind == kind and (load.name not in found or load.peak_a > found[load.name][1].peak_a):
                found[load.name] = piece, load
    return sorted(found.values(), key=lambda pair: (-share(pair[1]), -pair[1].peak_a))


def share(load: Load) -> float:
    """How much of its limit a load uses; 0 without a limit."""
    return load.peak_a / load.limit_a if load.limit_a else 0.0


def voltage_findings(pieces: Iterable[PieceSurvey], site: Site) -> Iterator[Finding]:
    """Strings that get too little voltage at their highest current in any piece, the worst first."""
    strings = {string.name: string for string in site.rig.string}
    found: list[tuple[float, Finding]] = []
    for piece, load in worst(pieces, "string"):
        string = strings[load.name]
        drop = worst_drop(string, load.peak_a)
        if drop is None or load.volts is None:
            continue
        nominal = string.volts or load.volts
        left = max(0.0, load.volts - drop.volts) / nominal
        if left < 1 - site.survey.voltage_drop:
            feed, own = ("an unknown part" if lost is None else f"{lost:.2f} V" for lost in (drop.feed_v, drop.own_v))
            volts = f"{left * nominal:.2f} V of {nominal:g} V at pixel {drop.pixel}, at {load.peak_a:.1f} A"
            place = f"{piece.place} {piece.name} at {clock(load.peak_frame, piece.analysis.info.fps)}"
            hint = "use thicker or shorter cable, or feed power in at more pixels (inject_at)"
            text = f"string {load.name}: {volts}; its feed takes {feed}, its own wires {own}"
            hint += "" if drop.feed_v is not None else "; give its feed_m"
            hint += "" if drop.own_v is not None else "; give its points or line"
            found.append((left, Finding(FindingCode.VOLTAGE_LOW, "warning", place, text, hint)))
    for _, finding in sorted(found, key=lambda pair: pair[0]):
        yield finding
