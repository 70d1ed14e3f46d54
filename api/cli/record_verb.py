"""The work of `gloaming record`: its options, a recording live or from a capture, its pieces, a report."""

from __future__ import annotations

import argparse
import secrets
import shlex
from pathlib import Path

from gloaming.api.cli.frames_rig import RememberedRig, remembered_rig
from gloaming.api.cli.frames_verbs import apart, folder_of, made_line
from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import bar
from gloaming.api.cli.record_live import record_live, report
from gloaming.api.cli.split_verb import Pieces, Split, wanted_split
from gloaming.shows.config_files.errors import WrongValueError, input_error
from gloaming.shows.framefile.source import parse_fps, parse_universes
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import PORT_ADDRESS_MAX
from gloaming.shows.protocols.artnet.parse import NO_UNIVERSE, ArtNetReader, mapping
from gloaming.shows.protocols.datagrams import PacketReader
from gloaming.shows.protocols.e131.parse import E131Reader
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Outcome, Wanted
from gloaming.shows.rig.values import read_port_addresses


def record_(args: argparse.Namespace) -> int:
    """`record`."""
    split = _split(args)
    if split is None:
        outcome, rig = _recorded(args, args.out)
        _print_outcome(args, outcome, None)
        rig.report(args.out)
    else:
        with folder_of(split.folder):
            outcome, rig = _recorded(args, split.folder / f"recording-{secrets.token_hex(4)}.frames")
            pieces = _cut(args, split, outcome)
        _print_outcome(args, outcome, pieces)
        rig.report(pieces.paths[0])
    return 1 if outcome.broken else 0


def _recorded(args: argparse.Namespace, out: Path) -> tuple[Outcome, RememberedRig]:
    """Record into the frame file `out`."""
    rig = remembered_rig(args.rig, out)
    wanted = _wanted(args, rig.json)
    if args.capture:
        if args.for_s is not None:
            raise input_error("--for", "a capture has its own length", "leave out --for, or --capture")
        if args.interface is not None or args.address is not None:
            hint = "leave out --interface and --address, or --capture"
            raise input_error("--capture", "a capture is read from a file, not from an interface", hint)
        apart(out, args.capture)
        with bar(args, "reading", "packets") as progress:
            outcome = from_capture(args.capture, out, wanted, progress)
    else:
        outcome = record_live(args, wanted, out)
    if outcome.broken:
        report(f"{out}: {outcome.broken}; the frames before it are in the file")
    return outcome, rig


def _cut(args: argparse.Namespace, split: Split, outcome: Outcome) -> Pieces:
    """Cut the recording into its pieces. It is removed when all of them are there, and kept if it cannot be cut."""
    whole = outcome.info.path
    try:
        pieces = split.cut(args, outcome.info)
    except BaseException:
        words = [
            "gloaming",
            "frames",
            "split",
            str(whole),
            str(split.folder),
            "--at-black",
            f"{float(split.black_s):g}",
        ]
        report(f"note: the whole recording is kept; `{shlex.join(words)}` cuts it")
        raise
    whole.unlink()
    return pieces


def _split(args: argparse.Namespace) -> Split | None:
    if args.black_s is None:
        if args.names:
            raise input_error("--names", "only pieces have names", "add --split-at-black 3, or leave out --names")
        return None
    split = wanted_split(args, "--split-at-black")
    if args.until_still is not None and args.until_still <= split.black_s:
        problem = f"it would end the recording at the first {args.until_still:g} s of black"
        raise input_error("--until-still", problem, f"use more than {float(split.black_s):g} s")
    return split


def _wanted(args: argparse.Namespace, rig: str) -> Wanted:
    universes = None if args.universes == "all" else parse_universes(args.universes)
    universes, reader = _protocol(args, universes)
    slots: str | int = args.slots
    if args.slots not in ("used", "sent"):
        if not args.slots.isascii() or not args.slots.isdecimal() or not 1 <= int(args.slots) <= 512:
            raise input_error("--slots", f"{args.slots!r} is not used, sent, or a number from 1 to 512")
        slots = int(args.slots)
    for key, seconds in (("--for", args.for_s), ("--until-still", args.until_still)):
        if seconds is not None and not 0 < seconds < 1e7:
            raise input_error(key, f"{seconds:g} is not a number of seconds")
    fps = parse_fps(args.fps) if args.fps else None
    return Wanted(universes, slots, fps, args.from_change, args.until_still, args.for_s, reader, rig)


def _protocol(
    args: argparse.Namespace, universes: tuple[int, ...] | None
) -> tuple[tuple[int, ...] | None, PacketReader]:
    """The wanted universes, None for all, and the reader of the protocol."""
    if args.protocol == ProtocolName.E131:
        if args.port_addresses:
            raise input_error("--port-addresses", "only Art-Net has port-addresses", "add --protocol artnet")
        return universes, E131Reader(args.preview)
    if args.preview:
        raise input_error("--preview", "data of Art-Net are never marked as preview", "leave it out")
    if args.port_addresses is None:
        beyond = [number for number in universes or () if number > PORT_ADDRESS_MAX]
        if beyond:
            hint = "name the port-address of each universe with --port-addresses"
            raise input_error("--universes", f"there is no port-address {beyond[0]}; the last is 32767", hint)
        return universes, ArtNetReader()
    try:
        port_addresses = read_port_addresses(args.port_addresses)
    except WrongValueError as error:
        raise input_error("--port-addresses", error.problem, error.hint) from None
    if universes is None:
        if 0 in port_addresses:
            raise input_error("--port-addresses", NO_UNIVERSE)
        return port_addresses, ArtNetReader()
    if len(port_addresses) != len(universes):
        problem = f"{len(port_addresses)} port-addresses for {len(universes)} universes"
        raise input_error("--port-addresses", problem, "name as many as in --universes, in the same order")
    return universes, ArtNetReader(mapping(dict(zip(port_addresses, universes, strict=True))))


def _print_outcome(args: argparse.Namespace, outcome: Outcome, pieces: Pieces | None) -> None:
    counts, info = outcome.counts, outcome.info
    lines = [*(pieces.lines if pieces else ()), *counts.lines(info.fps), *outcome.notes]
    report = {
        "path": str(args.out),
        "frames": info.frames,
        "fps": float(info.fps),
        "measured_fps": counts.measured_fps,
        "universes": [one.number for one in info.universes],
        "packets": counts.data,
        "lost": counts.lost_in_all,
        "dropped": counts.dropped,
        "repeated": counts.repeated,
        "out_of_order": counts.out_of_order,
        "frames_lost": counts.frames_lost,
        "frames_filled": counts.frames_filled,
        "lines": lines,
    }
    if pieces:
        report["pieces"] = pieces.rows(info.fps)
    paths = pieces.paths if pieces else (info.path,)
    answer(args, report, *map(made_line, paths), *(f"  {line}" for line in lines))
