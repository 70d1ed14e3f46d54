"""`gloaming record`: its arguments. The work is in record_verb, imported when it is called."""

from __future__ import annotations

import argparse
from importlib import import_module
from pathlib import Path

Verbs = argparse._SubParsersAction  # argparse has no public name for it


def add_parser(subparsers: Verbs[argparse.ArgumentParser]) -> None:
    """Add `record`."""
    text = "record E1.31 from the network, or from a capture file, into a frame file"
    parser = subparsers.add_parser("record", help=text, description=text)
    parser.set_defaults(handler=_handler)
    parser.add_argument(
        "out", type=Path, metavar="OUT", help="the frame file; with --split-at-black the folder of the pieces"
    )
    parser.add_argument("--universes", default="all", help="1-13, or 1-4,8 (default: all there are)")
    parser.add_argument(
        "--for", dest="for_s", type=float, metavar="SECONDS", help="end after this time, even if nothing arrives"
    )
    parser.add_argument("--preview", action="store_true", help="also record data that are marked as preview")
    parser.add_argument("--capture", type=Path, metavar="FILE", help="a pcap or pcapng file, plain or gzipped")
    parser.add_argument("--fps", help="frames a second, if not as found: 25, 29.97, 30000/1001")
    parser.add_argument(
        "--slots",
        default="used",
        help="slots in a universe: used (without those at the end that stay dark; the default), sent, or a number",
    )
    parser.add_argument("--from-change", action="store_true", help="begin with the first frame that differs")
    parser.add_argument(
        "--until-still", type=float, metavar="SECONDS", help="end when nothing has changed for this time"
    )
    parser.add_argument(
        "--split-at-black",
        dest="black_s",
        metavar="SECONDS",
        help="cut the recording into pieces where all is black for this time or longer",
    )
    parser.add_argument("--names", type=Path, metavar="FILE", help="the names of the pieces, one a line")
    parser.add_argument(
        "--interface", metavar="NAME", help="the interface that receives multicast: a name, or an address"
    )
    parser.add_argument("--address", help="record only unicast to this address of this machine")
    parser.add_argument(
        "--rig",
        type=Path,
        metavar="rig.toml",
        help="the rig that the file remembers (default: the rig.toml in its folder, or in the folder above)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def _handler(args: argparse.Namespace) -> int:
    code: int = import_module("gloaming.api.cli.record_verb").record_(args)
    return code
