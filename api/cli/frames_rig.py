"""The rig that a frame file remembers: `gloaming frames remap`, and the rig of a new file."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

from gloaming.api.cli.frames_verbs import apart, in_words, made, report
from gloaming.api.cli.progress import bar
from gloaming.shows.analysis.wiring import numbered
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.reader import FrameFileInfo, inspect
from gloaming.shows.framefile.remap import remap
from gloaming.shows.framefile.source import write_source
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor, made_for


def remap_(args: argparse.Namespace) -> int:
    """`frames remap`."""
    apart(args.out, args.file, args.to, *([args.old_rig] if args.old_rig else []))
    info, new = inspect(args.file), load_rig(args.to)
    old = _old_rig(args, info)
    way = remap(info, old, new)
    if not way.moved:
        problem = f"it has no string and no fixture of {args.old_rig or f'the rig that {args.file} was made for'}"
        raise input_error(args.to, problem, "frames are moved by name: give each string the name that it had")
    if (way.index < 0).all():
        problem = f"nothing of it has a place in {args.to}: all would be dark"
        raise input_error(args.file, problem, "compare the two rigs: slots, and orders of colours")
    with bar(args, "moving") as progress:
        write_source(way.source(info), args.out, info.fps, way.universes, progress, MadeFor.of(new).to_json())
    remembered = made_for(info)
    if remembered and remembered.to_json() != old.to_json():
        report(f"note: {args.file} remembers another rig than {args.old_rig}, which was used")
    lines = [*(f"  no place: {text}" for text in way.no_place), *(f"  stays dark: {text}" for text in way.dark)]
    return made(args, args.out, *lines, no_place=way.no_place, stays_dark=way.dark)


def _old_rig(args: argparse.Namespace, info: FrameFileInfo) -> MadeFor:
    """The rig that a file was made for, as far as it has it: the one of `--from`, or the one that it remembers."""
    if args.old_rig is None:
        if remembered := made_for(info):
            return remembered
        raise input_error(args.file, "it does not say which rig it was made for", "name it: --from old-rig.toml")
    rig = load_rig(args.old_rig)
    numbers = [one.number for one in info.universes]
    old, strange = MadeFor.of(rig).within(numbers), [one for one in numbers if one not in rig.controller_of]
    if strange or old is None:
        who = "controller" if strange else "string or fixture"
        problem = f"it has {numbered('universe', strange or numbers)}, which no {who} of {args.old_rig} has"
        raise input_error(args.file, problem, "name the rig that it was made for")
    return old


@dataclass(frozen=True, slots=True)
class RememberedRig:
    """The rig that a new file is made for: its JSON, and where it was read. Both are empty if no rig is known."""

    json: str = ""
    path: Path | None = None

    def report(self, out: Path) -> None:
        """Print what the new file remembers."""
        if self.path is None:
            return
        rig = made_for(inspect(out))
        kept = in_words(rig) if rig else "no rig: none of its strings is in these universes"
        report(f"note: {out} remembers {kept} ({self.path})")


def remembered_rig(named: Path | None, out: Path) -> RememberedRig:
    """The rig that `--rig` names. Otherwise the rig.toml in the folder of `out` or in the folder above.

    InputError if the named one cannot be used. One that is only found there is then left out, with a note.
    """
    if named:
        return RememberedRig(MadeFor.of(load_rig(named)).to_json(), named)
    beside = (folder / "rig.toml" for folder in out.absolute().parents[:2])
    path = next((path for path in beside if path.is_file()), None)
    if path is None:
        return RememberedRig()
    try:
        return RememberedRig(MadeFor.of(load_rig(path)).to_json(), path)
    except InputError as error:
        report(f"note: {out} remembers no rig: {error.errors[0]}")
        return RememberedRig()
