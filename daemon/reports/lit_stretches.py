"""When what was lit, by the journal's lines: the rest of the rig, and its areas. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from gloaming.daemon.direction.score import State
from gloaming.daemon.reports.journal_lines import ZONE_KIND, Row

_STATES = {str(state) for state in State}


@dataclass(frozen=True, slots=True)
class LitStretch:
    """A state in force over `[from_ns, until_ns)`: of the area in these `zones`, or of the rest of the rig."""

    from_ns: int
    until_ns: int
    state: str
    piece: str | None
    level: float
    why: str
    show: str | None = None
    zones: frozenset[str] = frozenset()


def stretches(rows: Iterable[Row], now_ns: int) -> list[LitStretch]:
    """The states in the journal's lines, of the rest and of areas. A state before a power cut ends with the last line
    before it."""
    found: list[LitStretch] = []
    current: Row | None = None
    areas: Row | None = None
    last_ns, newest_ns, boot = 0, 0, None

    def end(until_ns: int, both: bool = True) -> None:
        if both and current is not None:
            found.append(_stretch(current, until_ns))
        if areas is not None:
            found.extend(_area_stretches(areas, until_ns))

    for row in rows:
        if row["kind"] == "start":
            end(row["at_ns"] if row["data"].get("boot") == boot else last_ns)
            current, areas, boot = None, None, row["data"].get("boot")
        elif row["kind"] in _STATES:
            end(row["at_ns"])
            current = row if row["kind"] != State.NO_CLOCK else {**row, "at_ns": max(row["at_ns"], newest_ns)}
            areas = current
        elif row["kind"] == ZONE_KIND:
            end(row["at_ns"], both=False)
            areas = row
        last_ns, newest_ns = row["at_ns"], max(newest_ns, row["at_ns"])
    end(now_ns)
    return [stretch for stretch in found if stretch.until_ns > stretch.from_ns]


def _stretch(row: Row, until_ns: int) -> LitStretch:
    data = row["data"]
    level, show = float(data.get("level", 1.0)), data.get("show")
    return LitStretch(row["at_ns"], until_ns, row["kind"], data.get("piece"), level, row["text"], show)


def _area_stretches(row: Row, until_ns: int) -> Iterator[LitStretch]:
    for one in row["data"].get("areas", ()):
        shown = one["state"], one["piece"], float(one["level"]), one["why"], one["show"]
        yield LitStretch(row["at_ns"], until_ns, *shown, frozenset(one["zones"]))


def of_zone(held: Sequence[LitStretch], zone: str | None) -> list[LitStretch]:
    """What slots of a zone show: the stretches of its area, and those of the rest where it has none."""
    rest = [one for one in held if not one.zones]
    if zone is None:
        return rest
    areas = sorted((one for one in held if zone in one.zones), key=lambda one: (one.from_ns, len(one.zones)))
    found: list[LitStretch] = []
    for area in areas:
        if not found or area.from_ns >= found[-1].until_ns:  # of areas at the same time, that in the fewest zones
            found.append(area)
    for one in rest:
        from_ns = one.from_ns
        for area in areas:
            if area.from_ns < one.until_ns and area.until_ns > from_ns:
                if area.from_ns > from_ns:
                    found.append(replace(one, from_ns=from_ns, until_ns=area.from_ns))
                from_ns = area.until_ns
        if from_ns < one.until_ns:
            found.append(replace(one, from_ns=from_ns))
    return sorted(found, key=lambda one: one.from_ns)
