"""The findings about a piece: too much current, too many flashes, damaged frame files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from gloaming.daemon.site.load import Site
from gloaming.shows.analysis.areas import Flashing
from gloaming.shows.analysis.currents import STEADY_S, Load
from gloaming.shows.analysis.finding import Finding, FindingCode, Severity
from gloaming.shows.analysis.pieces import Analysis
from gloaming.shows.analysis.wiring import listed, ranges

LOADED = 0.8
"""Common practice, no source: fuses and supplies carry at most four fifths of their limit for long."""
MOMENTS_MAX = 4
ALIKE_MAX = 5
KINDS = {
    "rig": "the whole rig",
    "group": "groups",
    "view": "ten degrees of view",
    "string": "strings seen from close by",
}


@dataclass(frozen=True)
class PieceSurvey:
    """The survey of a piece. `loads` are at the site's brightness. `place` is its line of site.toml."""

    name: str
    place: str
    analysis: Analysis
    loads: tuple[Load, ...]
    mean_w: float
    holds_at: float | None


def clock(frame: int, fps: Fraction) -> str:
    """The time of a frame in a piece, as 2:36."""
    seconds = int(frame / fps)
    return f"{seconds // 60}:{seconds % 60:02}"


def current_findings(pieces: Iterable[PieceSurvey], site: Site) -> Iterator[Finding]:
    """Loads above or near their limit, the worst first: one finding for each string and supply of a piece."""
    loads = [(piece, load, load.limit_a) for piece in pieces for load in piece.loads if load.limit_a is not None]
    for piece, load, limit_a in sorted(loads, key=lambda one: -one[1].peak_a / one[2]):
        limit = f"{'fuse' if load.kind == 'string' else 'it gives'} {limit_a:g} A"
        name = f"{load.kind} {load.name}"
        if load.peak_a > limit_a:
            yield _too_much(piece, load, limit_a, site, f"{name}: {_amps(load.peak_a, limit_a)} A, {limit}")
        elif load.steady_a > LOADED * limit_a:
            text = f"{name}: {load.steady_a:.1f} A over {STEADY_S} s, {limit}; common practice is four fifths of it"
            hint = "lower the brightness, or share the load"
            at = clock(load.steady_frame, piece.analysis.info.fps)
            yield Finding(
                FindingCode(f"{load.kind}-loaded"), "warning", f"{piece.place} {piece.name} at {at}", text, hint
            )


def _amps(amps: float, limit_a: float) -> str:
    """A current with enough decimals to show on which side of its limit it is."""
    texts = [f"{amps:.{decimals}f}" for decimals in (1, 2, 3)]
    return next((text for text in texts if (float(text) > limit_a) == (amps > limit_a)), texts[-1])


def _too_much(piece: PieceSurvey, load: Load, limit_a: float, site: Site, text: str) -> Finding:
    lasting = load.steady_a > limit_a
    hint = f"lower the brightness to {int(100 * (piece.holds_at or 0)) / 100:.2f}, or feed it in more places"
    if lasting:
        text += f"; over {STEADY_S} s {_amps(load.steady_a, limit_a)} A"
    severity: Severity = "warning" if site.output.limiter and not lasting else "error"
    if site.output.limiter:
        text += "; the limiter lowers it"
    return Finding(
        FindingCode(f"{load.kind}-overloaded"),
        severity,
        f"{piece.place} {piece.name} at {clock(load.peak_frame, piece.analysis.info.fps)}",
        text,
        hint,
    )


def flash_findings(piece: PieceSurvey) -> Iterator[Finding]:
    """Areas with more than three flashes in a second over more than a quarter of them. A smaller area has a finding
    only for seconds in which no larger area flashes."""
    rules = dict.fromkeys(found.rule for found in piece.analysis.flashing)
    for rule in rules:
        by_kind: dict[str, list[Flashing]] = {kind: [] for kind in KINDS}
        for each in piece.analysis.flashing:
            if each.rule == rule:
                by_kind[each.kind].append(each)
        reported: set[int] = set()
        for kinds in (("rig",), ("group", "view"), ("string",)):
            found = {kind: [each for each in by_kind[kind] if not reported.issuperset(each.seconds)] for kind in kinds}
            for kind, areas in found.items():
                if areas:
                    yield _flashing(piece, rule, kind, areas, reported)
            reported = reported.union(*(each.seconds for areas in found.values() for each in areas))


def _flashing(piece: PieceSurvey, rule: str, kind: str, found: list[Flashing], reported: set[int]) -> Finding:
    found.sort(key=lambda each: -each.share)
    seconds = sorted({second for each in found for second in each.seconds} - reported)
    areas = "" if kind == "rig" else f": {listed(each.area for each in found)}"
    text = (
        f"{rule} more than three times in a second, in {KINDS[kind]}{areas}; {found[0].share:.0%} of what is lit there"
    )
    severity: Severity = "warning" if kind == "string" else "error"
    hint = "slow it down or soften it there: flashing light can trigger seizures (photosensitive epilepsy)"
    return Finding(
        FindingCode(f"flashing-{kind}"), severity, f"{piece.place} {piece.name} at {moments(seconds)}", text, hint
    )


def moments(seconds: Iterable[int]) -> str:
    """Seconds of a piece as text: 0:05-0:07, 1:12."""
    parts = []
    for _, run in groupby(enumerate(seconds), key=lambda pair: pair[1] - pair[0]):
        group = [second for _, second in run]
        first, last = (f"{second // 60}:{second % 60:02}" for second in (group[0], group[-1]))
        parts.append(first if first == last else f"{first}-{last}")
    more = f" and {len(parts) - MOMENTS_MAX} times more" if len(parts) > MOMENTS_MAX else ""
    return ", ".join(parts[:MOMENTS_MAX]) + more


def damage_findings(piece: PieceSurvey) -> Iterator[Finding]:
    """Chunks of a frame file that cannot be played."""
    name = f"{piece.place} {piece.analysis.info.path.name}"
    for _, _, text in piece.analysis.damaged:
        yield Finding(FindingCode.FRAMES_DAMAGED, "error", name, text, "copy or render the file again")
    if not piece.analysis.damaged:
        numbers = ranges(one.number for one in piece.analysis.info.universes)
        text = f"{piece.name} is whole: {piece.analysis.info.frames} frames, universes {numbers}"
        yield Finding(FindingCode.FRAMES_WHOLE, "fact", name, text)


def plural(number: int, noun: str) -> str:
    """1 error, 2 errors."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def thinned(findings: tuple[Finding, ...]) -> Iterator[tuple[Finding, int]]:
    """The findings, errors first. Of those with the same code and key, the first few, the last with the number of those
    left out."""
    order = ("error", "warning", "fact")
    groups: dict[tuple[str, str, str | None], list[Finding]] = {}
    for finding in sorted(findings, key=lambda finding: order.index(finding.severity)):
        groups.setdefault((finding.severity, finding.code, finding.key), []).append(finding)
    for group in groups.values():
        for finding in group[: ALIKE_MAX - 1]:
            yield finding, 0
        if len(group) >= ALIKE_MAX:
            yield group[ALIKE_MAX - 1], len(group) - ALIKE_MAX
