"""Findings about pieces that were made for another rig: what hangs otherwise now, and the command that mends it."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from pathlib import Path

from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.rig.made_for import FIXTURE_KEYS, STRING_KEYS, MadeFor
from gloaming.shows.rig.model import Fixture, PixelString, Rig

Hung = PixelString | Fixture


def other_rig_findings(
    rig: Rig, rig_path: Path, files: Mapping[str, FrameFileInfo], places: Mapping[str, str]
) -> Iterator[Finding]:
    """Findings about pieces that remember another rig than `rig`. `files` and `places` are by the name of the piece."""
    now = MadeFor.of(rig)
    same, hung = now.to_json(), _by_name(now)
    for name, info in files.items():
        numbers = {one.number for one in info.universes}
        before = MadeFor.from_json(info.rig) if info.rig != same else None
        here = before.within(numbers) if before else None
        if before is None or here is None:
            continue
        changes = [text for one, old in _by_name(here).items() if (text := _change(one, old, hung.get(one)))]
        known = _by_name(before)
        new = [one for one in hung if one not in known]
        if changes:
            text = f"{name} was made for another rig; since then: {listed(changes)}{f'; {_dark(new)}' if new else ''}"
            hint = _command(name, info.path, rig_path)
            if new and not known.keys() <= hung.keys():
                hint += ". Frames go by name: first give a string that only has a new name its old one"
            key = f"piece.{name}.frames"  # of its own, so that a report shows the command of each piece
            yield Finding(FindingCode.MADE_FOR_ANOTHER_RIG, "warning", places[name], text, hint, key)
        elif new := [one for one in new if numbers.isdisjoint(universe for universe, _, _ in hung[one].spans())]:
            text, hint = f"{_dark(new)} in {name}, which was made before", "render the piece again with light for it"
            yield Finding(FindingCode.NOT_IN_THE_PIECE, "fact", places[name], text, hint)


def _dark(names: list[str]) -> str:
    return f"{listed(names)} {'stay' if len(names) > 1 else 'stays'} dark"


def _command(name: str, path: Path, rig_path: Path) -> str:
    """The hint: the command that moves a piece to the rig, and what to do with the new file."""
    out = path.with_stem(f"{path.stem}-remapped")
    command = shlex.join(["gloaming", "frames", "remap", str(path), str(out), "--to", str(rig_path)])
    return f"{command}; then name {out.name} as the frames of {name}"


def _by_name(rig: MadeFor) -> dict[str, Hung]:
    """Strings and fixtures by their kind and name: "string ridge"."""
    return {f"{'fixture' if isinstance(one, Fixture) else 'string'} {one.name}": one for one in rig.hung}


def _change(name: str, old: Hung, new: Hung | None) -> str | None:
    """What is different now, as "string ridge (universe 1 to 11)". None if it has the same slots."""
    if new is None:
        return f"{name} (gone)"
    keys = FIXTURE_KEYS if isinstance(old, Fixture) else STRING_KEYS
    changed = [key for key in keys if getattr(old, key) != getattr(new, key)]
    if changed == ["slots_per_universe"] and [*old.spans()] == [*new.spans()]:
        return None
    texts = [f"{key} {_text(getattr(old, key))} to {_text(getattr(new, key))}" for key in changed]
    return f"{name} ({', '.join(texts)})" if texts else None


def _text(value: object) -> str:
    """The value of a key as a person reads it: 7, GRB, dimmer red."""
    return " ".join(value) if isinstance(value, tuple) else str(value)
