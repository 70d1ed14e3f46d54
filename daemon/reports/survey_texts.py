"""The survey of a piece, and its findings about flashes and damaged frame files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from gloaming.shows.analysis.areas import Flashing
from gloaming.shows.analysis.currents import Load
from gloaming.shows.analysis.finding import Finding, FindingCode, Severity
from gloaming.shows.analysis.pieces import Analysis
from gloaming.shows.analysis.wiring import listed, ranges
from gloaming.shows.rig.draw import MainsWatts, total

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
    """The survey of a piece. `loads` are at the site's brightness. `place` is its line of site.toml.

    `string_watts` is the mean power of each string.
    """

    name: str
    place: str
    analysis: Analysis
    loads: tuple[Load, ...]
    string_watts: dict[str, MainsWatts]
    holds_at: float | None

    @property
    def watts(self) -> MainsWatts:
        """The mean power of all strings."""
        return total(self.string_watts.values())


def clock(frame: int, fps: Fraction) -> str:
    """The time of a frame in a piece, as 2:36."""
    seconds = int(frame / fps)
    return f"{seconds // 60}:{seconds % 60:02}"


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
