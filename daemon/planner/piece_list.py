"""The site's pieces with what an owner wants to know of each: files, length, loudness, findings, when it plays next."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.site.site import Piece, Site
from gloaming.shows.analysis.finding import Finding, FindingCode, Severity
from gloaming.shows.analysis.other_rigs import other_rig_findings
from gloaming.shows.analysis.wiring import ranges
from gloaming.shows.time_units import SECOND_NS


def piece_rows(
    site: Site, sound: SoundLevels, turns: Mapping[str, int], damaged: Collection[str]
) -> list[dict[str, Any]]:
    """A row for each piece, in the order of site.toml. `turns` says when each plays next. `damaged` are the paths of
    damaged files."""
    return [_row(site, index, piece, sound, turns, damaged) for index, piece in enumerate(site.pieces.values())]


def _row(
    site: Site, index: int, piece: Piece, sound: SoundLevels, turns: Mapping[str, int], damaged: Collection[str]
) -> dict[str, Any]:
    info, at_ns = piece.info, turns.get(piece.name)
    return {
        "name": piece.name,
        "frames": piece.frames.name,
        "sound": piece.sound.name if piece.sound else None,
        "length_s": round(piece.length_ns / SECOND_NS, 3) if piece.length_ns else None,
        "fps": round(float(info.fps), 3) if info else None,
        "universes": ranges([one.number for one in info.universes]) if info else None,
        "size_bytes": sum(path.stat().st_size for path in (piece.frames, piece.sound) if path and path.is_file()),
        "lufs": sound.loudness(piece.sound) if piece.sound else None,
        "shows": [show.name for show in site.shows.values() if piece.name in (*show.order, show.between)],
        "next_at": None if at_ns is None else isoformat(at_ns, site.timezone),
        "findings": [
            {"code": str(one.code), "severity": one.severity, "text": one.text, "hint": one.hint}
            for one in _findings(site, index, piece, sound, str(piece.frames) in damaged)
        ],
    }


def _findings(site: Site, index: int, piece: Piece, sound: SoundLevels, damaged: bool) -> Iterator[Finding]:
    """What is wrong with a piece: files that are missing or damaged, universes, rates, and the rig it was made for."""
    for error in site.notices:
        if error.key and error.key.startswith(f"piece[{index}]."):
            severity: Severity = "error" if error in site.problems else "warning"
            yield Finding(error.code, severity, piece.place, error.problem, error.hint)
    if damaged:
        what = "this board is black there" if site.boards else "it is left there"
        text, hint = f"some of its frames are damaged, so {what}", "upload its frame file again"
        yield Finding(FindingCode.FRAMES_DAMAGED, "error", piece.place, text, hint)
    if piece.sound and (problem := sound.problem(piece.sound)):
        yield Finding(FindingCode.SOUND_DAMAGED, "warning", piece.place, problem, "upload its sound file again")
    if piece.info:
        rig = site.folder / "rig.toml"
        yield from other_rig_findings(site.rig, rig, {piece.name: piece.info}, {piece.name: piece.place})
