"""`gloaming record`: its arguments. The work is in record_verb, imported when it is called."""

from __future__ import annotations

from pathlib import Path

from gloaming.api.cli.frames import FPS, NAMES, REMEMBERED
from gloaming.api.cli.parser import Commands, Group, Parser, add_command, argument
from gloaming.shows.protocols import protocol_word


def add_parser(commands: Commands[Parser]) -> None:
    """Add `record`."""
    add_command(
        commands,
        "record",
        "record E1.31 or Art-Net from the network, or from a capture file, into a frame file",
        "record_verb.record_",
        argument(
            "out",
            "the frame file; with --split-at-black the folder of the pieces",
            "tide.frames",
            type=Path,
            metavar="OUT",
        ),
        argument("--universes", "which: 1-13, or a list", "1-4,8", default="all", metavar="UNIVERSES"),
        argument(
            "--protocol",
            "the protocol of the packets: e131 or artnet",
            "artnet",
            default="e131",
            type=protocol_word,
            choices=("e131", "artnet"),
            metavar="PROTOCOL",
        ),
        argument(
            "--port-addresses",
            "the port-address of each universe, as net:sub-net:universe or as a number, in the order of --universes",
            "0:0:0-0:0:12",
            "the numbers of the universes",
            metavar="PORT-ADDRESSES",
        ),
        argument(
            "--for",
            "end after this time, even if nothing arrives",
            "60",
            "Ctrl-C ends it",
            dest="for_s",
            type=float,
            metavar="SECONDS",
        ),
        argument("--preview", "also record data that are marked as preview", action="store_true"),
        argument(
            "--capture",
            "a pcap or pcapng file, plain or gzipped",
            "quay.pcapng",
            "the network",
            type=Path,
            metavar="FILE",
        ),
        FPS,
        argument(
            "--slots",
            "slots in a universe: used (without those at the end that stay dark), sent, or a number",
            "510",
            default="used",
            metavar="SLOTS",
        ),
        argument("--from-change", "begin with the first frame that differs", action="store_true"),
        argument(
            "--until-still", "end when nothing has changed for this time", "5", "never", type=float, metavar="SECONDS"
        ),
        argument(
            "--split-at-black",
            "cut the recording into pieces where all is black for this time or longer",
            "3",
            "one piece",
            dest="black_s",
            metavar="SECONDS",
        ),
        NAMES,
        argument(
            "--interface",
            "the interface that receives multicast, or Art-Net: a name, or an address",
            "eth0",
            "every one",
            metavar="NAME",
        ),
        argument(
            "--address",
            "record only unicast to this address of this machine",
            "192.0.2.4",
            "all that arrives",
            metavar="ADDRESS",
        ),
        REMEMBERED,
        examples=(
            "record tide.frames --universes 1-13 --from-change --until-still 5",
            "record pieces/ --split-at-black 3 --names songs.txt",
            "record tide.frames --capture quay.pcapng",
        ),
        group=Group.FRAMES,
    )
