"""`gloaming record`: its arguments. The work is in record_verb, imported when it is called."""

from __future__ import annotations

from pathlib import Path

from gloaming.api.cli.frames import FPS, NAMES, REMEMBERED
from gloaming.api.cli.parser import Commands, Group, Parser, add_command, argument


def add_parser(commands: Commands[Parser]) -> None:
    """Add `record`."""
    add_command(
        commands,
        "record",
        "record E1.31 from the network, or from a capture file, into a frame file",
        "record_verb.record_",
        argument(
            "out",
            type=Path,
            metavar="OUT",
            help="the frame file; with --split-at-black the folder of the pieces",
            example="tide.frames",
        ),
        argument("--universes", default="all", metavar="UNIVERSES", help="which: 1-13, or a list", example="1-4,8"),
        argument(
            "--for",
            dest="for_s",
            type=float,
            metavar="SECONDS",
            help="end after this time, even if nothing arrives",
            example="60",
            usual="Ctrl-C ends it",
        ),
        argument("--preview", action="store_true", help="also record data that are marked as preview"),
        argument(
            "--capture",
            type=Path,
            metavar="FILE",
            help="a pcap or pcapng file, plain or gzipped",
            example="quay.pcapng",
            usual="the network",
        ),
        FPS,
        argument(
            "--slots",
            default="used",
            metavar="SLOTS",
            help="slots in a universe: used (without those at the end that stay dark), sent, or a number",
            example="510",
        ),
        argument("--from-change", action="store_true", help="begin with the first frame that differs"),
        argument(
            "--until-still",
            type=float,
            metavar="SECONDS",
            help="end when nothing has changed for this time",
            example="5",
            usual="never",
        ),
        argument(
            "--split-at-black",
            dest="black_s",
            metavar="SECONDS",
            help="cut the recording into pieces where all is black for this time or longer",
            example="3",
            usual="one piece",
        ),
        NAMES,
        argument(
            "--interface",
            metavar="NAME",
            help="the interface that receives multicast: a name, or an address",
            example="eth0",
            usual="every one",
        ),
        argument(
            "--address",
            metavar="ADDRESS",
            help="record only unicast to this address of this machine",
            example="192.0.2.4",
            usual="all that arrives",
        ),
        REMEMBERED,
        examples=(
            "record tide.frames --universes 1-13 --from-change --until-still 5",
            "record pieces/ --split-at-black 3 --names songs.txt",
            "record tide.frames --capture quay.pcapng",
        ),
        group=Group.FRAMES,
    )
