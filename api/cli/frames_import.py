"""`gloaming frames import`: of one file, or of all in a folder."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

from gloaming.api.cli.frames_rig import RememberedRig, remembered_rig
from gloaming.api.cli.frames_verbs import apart, folder_of, info_object, made, made_line, report
from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import bar
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.source import Progress
from gloaming.shows.media import pictures
from gloaming.shows.media.importing import ARRAYS, PICTURES, VIDEOS, ImportOptions, import_file


def import_(args: argparse.Namespace) -> int:
    """`frames import`. A folder of PNGs is one piece. In any other folder each file is one."""
    if args.source.is_dir() and not pictures.pngs(args.source):
        return _folder(args)
    apart(args.out, args.source)
    rig = remembered_rig(args.rig, args.out)
    with bar(args, "importing") as progress:
        import_file(args.source, args.out, _options(args), rig.json, report, progress)
    made(args, args.out)
    rig.report(args.out)
    return 0


def _folder(args: argparse.Namespace) -> int:
    """Import each file of a known kind. Exit code 1 if some could not be imported, 2 if none could."""
    there = sorted(path for path in args.source.iterdir() if not path.name.startswith("."))
    files = [path for path in there if path.suffix.lower() in ARRAYS | PICTURES | VIDEOS and not path.is_dir()]
    if not files:
        hint = f"it takes {' '.join(sorted(ARRAYS))}, pictures and videos"
        raise input_error(args.source, "there is no file in this folder that can be imported", hint)
    rig = remembered_rig(args.rig, args.out / "piece.frames")
    outs: list[Path] = []
    failed: list[str] = []
    try:
        with folder_of(args.out):
            _import_each(args, files, rig, outs, failed)
    finally:
        answer(args, [info_object(out) for out in outs], *map(made_line, outs))
        for line in dict.fromkeys(failed):  # what is wrong in the call is so for each file
            report(line)
    if outs:
        rig.report(outs[0])
    if others := [path.name for path in there if path not in files]:
        report(f"note: left out, because it is no kind that can be imported: {listed(others)}")
    return (1 if outs else 2) if failed else 0


def _import_each(
    args: argparse.Namespace, files: Sequence[Path], rig: RememberedRig, outs: list[Path], failed: list[str]
) -> None:
    """Import files, with one progress bar over their bytes. Adds to `outs` what was made, to `failed` what is wrong."""
    times = Counter(path.stem for path in files)
    sizes = [path.stat().st_size if path.is_file() else 0 for path in files]
    done, whole = 0, sum(sizes)
    options = _options(args)
    with bar(args, "importing") as progress:
        for path, size in zip(files, sizes, strict=True):
            out = args.out / f"{path.stem}.frames"
            try:
                if not path.is_file():
                    raise input_error(path, "this is not a file that can be read")
                if times[path.stem] > 1:
                    raise input_error(path, f"another file would become {out.name} too", "rename one of them")
                import_file(path, out, options, rig.json, report, _part(progress, done, size, whole))
                outs.append(out)
            except InputError as error:
                failed += map(str, error.errors)
            except OSError as error:
                failed.append(f"{path}: it cannot be read ({error.strerror or error})")
            done += size
            progress(done, whole)


def _options(args: argparse.Namespace) -> ImportOptions:
    return ImportOptions(**{one.name: getattr(args, one.name) for one in fields(ImportOptions)})


def _part(progress: Progress, before: int, size: int, whole: int) -> Progress:
    """The progress of one file, in bytes of all files."""
    return lambda done, total: progress(before + (size * done // total if total else 0), whole)
