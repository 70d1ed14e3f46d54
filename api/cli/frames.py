"""`gloaming frames`: its verbs and their arguments. The work is in frames_verbs, imported when one is called."""

from __future__ import annotations

from pathlib import Path

from gloaming.api.cli.parser import Argument, Commands, Group, Parser, add_command, add_family, argument

CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
FILE = argument("file", type=Path, metavar="FILE", help="the frame file", example="tide.frames")
OUT = argument("out", type=Path, metavar="OUT.frames", help="the new frame file", example="new.frames")
FPS = argument("--fps", metavar="FPS", help="frames a second", example="29.97", usual="as found")
REMEMBERED = argument(
    "--rig",
    type=Path,
    metavar="rig.toml",
    help="the rig that the file remembers; pictures go where its strings hang",
    example="rig.toml",
    usual="the rig.toml in its folder, or in the folder above",
)
DRAWN = argument(
    "--rig",
    type=Path,
    metavar="rig.toml",
    help="draw its strings where they hang",
    example="rig.toml",
    usual="rows of pixels",
)
SEEN = argument(
    "--gamma",
    default="1",
    metavar="GAMMA",
    help="levels of light, as the eye sees them: srgb, or a power",
    example="srgb",
)
NAMES = argument(
    "--names",
    type=Path,
    metavar="FILE",
    help="the names of the pieces, one a line",
    example="songs.txt",
    usual="numbers",
)
MATRIX = (
    argument(
        "--matrix",
        metavar="WIDTHxHEIGHT",
        help="the pixels hang in a matrix",
        example="64x32",
        usual="they do not",
    ),
    argument(
        "--first-pixel",
        choices=CORNERS,
        default=CORNERS[0],
        metavar="CORNER",
        help=f"the corner where its cable begins, {', '.join(CORNERS[:3])} or {CORNERS[3]}",
        example="top-right",
    ),
    argument(
        "--runs",
        choices=("across", "down"),
        default="across",
        help="the cable runs along rows or columns",
        example="down",
    ),
    argument("--back-and-forth", action="store_true", help="every second row or column runs back"),
    argument(
        "--order", default="RGB", metavar="COLOURS", help="a pixel's colours in the order of its slots", example="GRB"
    ),
)


def add_parser(commands: Commands[Parser]) -> None:
    """Add `frames` and its verbs."""
    verbs = add_family(commands, "frames", "inspect, check, make and edit frame files", Group.FRAMES)

    def add(name: str, help: str, *arguments: Argument, example: str, module: str = "frames_verbs") -> None:
        handler = f"{module}.{name.replace('-', '_')}_"
        add_command(verbs, name, help, handler, *arguments, examples=(f"frames {name} {example}",))

    add("info", "show the length, rate and universes of a frame file", FILE, example="tide.frames")
    add("verify", "read every byte; exit 1 if any of it is damaged", FILE, example="tide.frames")
    add(
        "import",
        "make frame files of arrays, tables, pictures and videos: of one, or of all in a folder",
        *_import_arguments(),
        *MATRIX,
        example="tide.npy tide.frames --fps 40 --universes 1",
        module="frames_import",
    )
    add(
        "export",
        "the frames as an array (.npy), as bare bytes (.raw), or as a video to look at (.mp4)",
        FILE,
        argument("out", type=Path, metavar="OUT", help="the array, the bytes or the video", example="tide.npy"),
        DRAWN,
        SEEN,
        *MATRIX,
        example="tide.frames tide.npy",
    )
    add(
        "preview",
        "one PNG: pictures evenly over time, and a strip of time, one line a second",
        FILE,
        argument(
            "out",
            type=Path,
            nargs="?",
            metavar="OUT.png",
            help="the picture",
            example="tide.png",
            usual="FILE, ending in .png",
        ),
        DRAWN,
        SEEN,
        *MATRIX,
        example="tide.frames --matrix 64x32",
    )
    time = "a time in seconds, or in minutes and seconds"
    add(
        "trim",
        "keep a stretch of time",
        FILE,
        OUT,
        argument("--from", dest="first", default="0", metavar="TIME", help=time, example="2.5"),
        argument("--until", metavar="TIME", help=time, example="1:02.5", usual="the end"),
        example="tide.frames short.frames --until 1:30",
    )
    add(
        "split",
        "cut into pieces at black, each a frame file in a folder",
        FILE,
        argument("out", type=Path, metavar="FOLDER", help="the folder of the pieces", example="pieces/"),
        argument(
            "--at-black", dest="black_s", default="3", metavar="SECONDS", help="the shortest black", example="2.5"
        ),
        NAMES,
        example="evening.frames pieces/ --at-black 3 --names songs.txt",
        module="split_verb",
    )
    add(
        "join",
        "one after another, all of the same rate and universes",
        argument("files", type=Path, nargs="+", metavar="FILE", help="the frame files", example="one.frames"),
        argument(
            "--out", type=Path, required=True, metavar="OUT.frames", help="the new frame file", example="both.frames"
        ),
        example="one.frames two.frames --out both.frames",
    )
    add(
        "gain",
        "every level times a number, held at 255",
        FILE,
        OUT,
        argument("--by", type=float, required=True, metavar="GAIN", help="half the level", example="0.5"),
        argument("--universes", metavar="UNIVERSES", help="only these", example="1-4,8", usual="all"),
        example="tide.frames dim.frames --by 0.5",
    )
    add(
        "rename-universes",
        "give the universes other numbers",
        FILE,
        OUT,
        argument("--from", dest="old", metavar="UNIVERSES", help="which", example="1-4,8", usual="all"),
        argument(
            "--to", required=True, metavar="UNIVERSES", help="the first new number, or all of them", example="101"
        ),
        example="tide.frames moved.frames --to 101",
    )
    add(
        "remap",
        "move the pixels of each string to where it hangs now, by its name",
        FILE,
        OUT,
        argument(
            "--from",
            dest="old_rig",
            type=Path,
            metavar="old-rig.toml",
            help="the rig that FILE was made for",
            example="rig-2025.toml",
            usual="the one that FILE remembers, see frames info",
        ),
        argument(
            "--to", type=Path, required=True, metavar="rig.toml", help="the rig as it hangs now", example="rig.toml"
        ),
        example="tide.frames moved.frames --to rig.toml",
        module="frames_rig",
    )
    add(
        "mend",
        "finish a frame file whose writer was killed",
        argument("file", type=Path, metavar="FILE.part", help="what the writer has left", example="tide.frames.part"),
        OUT,
        example="tide.frames.part tide.frames",
    )


def _import_arguments() -> tuple[Argument, ...]:
    return (
        argument(
            "source",
            type=Path,
            metavar="IN",
            help=".npy, .npz, .raw, .csv; with --matrix or --rig a folder of PNGs, a GIF, a video; a folder of such"
            " files",
            example="tide.npy",
        ),
        argument(
            "out",
            type=Path,
            metavar="OUT",
            help="the frame file; for a folder of files a folder",
            example="tide.frames",
        ),
        argument(
            "--fps",
            metavar="FPS",
            help="frames a second: 25, 29.97, 30000/1001",
            example="40",
            usual="that of the video; an array needs it",
        ),
        argument(
            "--source-fps",
            metavar="FPS",
            help="the rate of the array, if it is to be brought to another by --fps",
            example="30",
            usual="that of --fps",
        ),
        argument(
            "--universes",
            default="1",
            metavar="UNIVERSES",
            help="the first universe, a range (1-13) or a list",
            example="1-4,8",
        ),
        argument(
            "--slots",
            type=int,
            metavar="N",
            help="slots in a universe; in a frame of a .raw file, if it has no --width",
            example="512",
            usual=510,
        ),
        argument(
            "--width",
            type=int,
            metavar="BYTES",
            help="bytes in a frame of a .raw file",
            example="6630",
            usual="that of --slots",
        ),
        argument(
            "--skip",
            type=int,
            metavar="BYTES",
            help="bytes of a .raw file before its first frame",
            example="32",
            usual="0",
        ),
        argument(
            "--pixels-are-slots",
            action="store_true",
            help="the pixels of a lossless video are slots, row after row: three a pixel, one if it is grey",
        ),
        argument("--array", metavar="NAME", help="which array of an .npz file", example="frames", usual="the only one"),
        argument(
            "--gamma",
            default="1",
            metavar="GAMMA",
            help="screen values to levels of light: srgb, or a power",
            example="2.2",
        ),
        REMEMBERED,
    )
