"""The rig that a frame file remembers: found for a new file, and `gloaming frames remap`."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import inspect
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor, made_for


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
        print(f"note: {out} remembers {kept} ({self.path})", file=sys.stderr)


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
        print(f"note: {out} remembers no rig: {error.errors[0]}", file=sys.stderr)
        return RememberedRig()


def in_words(rig: MadeFor) -> str:
    """A rig as a person reads it: 2 strings: ridge, eaves; 1 fixture: lamp."""
    kinds = {"string": rig.strings, "fixture": rig.fixtures}
    return "; ".join(
        f"{len(tables)} {kind}{'' if len(tables) == 1 else 's'}: {listed(one.name for one in tables)}"
        for kind, tables in kinds.items()
        if tables
    )
