"""`gloaming frames`: its verbs and their arguments. The work is in frames_verbs, imported when one is called."""

from __future__ import annotations

from pathlib import Path

from gloaming.api.cli.parser import Argument, Commands, Group, Parser, add_command, add_family, argument

CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
FILE = argument("file", "the frame file", "tide.frames", type=Path, metavar="FILE")
OUT = argument("out", "the new frame file", "new.frames", type=Path, metavar="OUT.frames")
FPS = argument("--fps", "frames a second", "29.97", "as found", metavar="FPS")
REMEMBERED = argument(
    "--rig",
    "the rig that the file remembers; pictures go where its strings hang",
    "rig.toml",
    "the rig.toml in its folder, or in the folder above",
    type=Path,
    metavar="rig.toml",
)
DRAWN = argument(
    "--rig", "draw its strings where they hang", "rig.toml", "rows of pixels", type=Path, metavar="rig.toml"
)
SEEN = argument(
    "--gamma", "levels of light, as the eye sees them: srgb, or a power", "srgb", default="1", metavar="GAMMA"
)
NAMES = argument("--names", "the names of the pieces, one a line", "songs.txt", "numbers", type=Path, metavar="FILE")
MATRIX = (
    argument("--matrix", "the pixels hang in a matrix", "64x32", "no matrix", metavar="WIDTHxHEIGHT"),
    argument(
        "--first-pixel",
        f"the corner where its cable begins, {', '.join(CORNERS[:3])} or {CORNERS[3]}",
        "top-right",
        choices=CORNERS,
        default=CORNERS[0],
        metavar="CORNER",
    ),
    argument("--runs", "the cable runs along rows or columns", "down", choices=("across", "down"), default="across"),
    argument("--back-and-forth", "every second row or column runs back", action="store_true"),
    argument("--order", "a pixel's colours in the order of its slots", "GRB", default="RGB", metavar="COLOURS"),
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
        argument("out", "the array, the bytes or the video", "tide.npy", type=Path, metavar="OUT"),
        DRAWN,
        SEEN,
        *MATRIX,
        example="tide.frames tide.npy",
    )
    add(
        "preview",
        "one PNG: pictures evenly over time, and a strip of time, one line a second",
        FILE,
        argument("out", "the picture", "tide.png", "FILE, ending in .png", type=Path, nargs="?", metavar="OUT.png"),
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
        argument("--from", time, "2.5", dest="first", default="0", metavar="TIME"),
        argument("--until", time, "1:02.5", "the end", metavar="TIME"),
        example="tide.frames short.frames --until 1:30",
    )
    add(
        "split",
        "cut into pieces at black, each a frame file in a folder",
        FILE,
        argument("out", "the folder of the pieces", "pieces/", type=Path, metavar="FOLDER"),
        argument("--at-black", "the shortest black", "2.5", dest="black_s", default="3", metavar="SECONDS"),
        NAMES,
        example="evening.frames pieces/ --at-black 3 --names songs.txt",
        module="split_verb",
    )
    add(
        "join",
        "one after another, all of the same rate and universes",
        argument("files", "the frame files", "one.frames", type=Path, nargs="+", metavar="FILE"),
        argument("--out", "the new frame file", "both.frames", type=Path, required=True, metavar="OUT.frames"),
        example="one.frames two.frames --out both.frames",
    )
    add(
        "gain",
        "every level times a number, held at 255",
        FILE,
        OUT,
        argument("--by", "half the level", "0.5", type=float, required=True, metavar="GAIN"),
        argument("--universes", "only these", "1-4,8", "all", metavar="UNIVERSES"),
        example="tide.frames dim.frames --by 0.5",
    )
    add(
        "rename-universes",
        "give the universes other numbers",
        FILE,
        OUT,
        argument("--from", "which", "1-4,8", "all", dest="old", metavar="UNIVERSES"),
        argument("--to", "the first new number, or all of them", "101", required=True, metavar="UNIVERSES"),
        example="tide.frames moved.frames --to 101",
    )
    add(
        "remap",
        "move the pixels of each string to where it hangs now, by its name",
        FILE,
        OUT,
        argument(
            "--from",
            "the rig that FILE was made for",
            "rig-2025.toml",
            "the one that FILE remembers, see frames info",
            dest="old_rig",
            type=Path,
            metavar="old-rig.toml",
        ),
        argument("--to", "the rig as it hangs now", "rig.toml", type=Path, required=True, metavar="rig.toml"),
        example="tide.frames moved.frames --to rig.toml",
        module="frames_rig",
    )
    add(
        "mend",
        "finish a frame file whose writer was killed",
        argument("file", "what the writer has left", "tide.frames.part", type=Path, metavar="FILE.part"),
        OUT,
        example="tide.frames.part tide.frames",
    )


def _import_arguments() -> tuple[Argument, ...]:
    return (
        argument(
            "source",
            (".npy, .npz, .raw, .csv; with --matrix or --rig a folder of PNGs, a GIF, a video; a folder of such files"),
            "tide.npy",
            type=Path,
            metavar="IN",
        ),
        argument("out", "the frame file; for a folder of files a folder", "tide.frames", type=Path, metavar="OUT"),
        argument(
            "--fps",
            "frames a second: 25, 29.97, 30000/1001",
            "40",
            "that of the video; an array needs it",
            metavar="FPS",
        ),
        argument(
            "--source-fps",
            "the rate of the array, if it is to be brought to another by --fps",
            "30",
            "that of --fps",
            metavar="FPS",
        ),
        argument(
            "--universes", "the first universe, a range (1-13) or a list", "1-4,8", default="1", metavar="UNIVERSES"
        ),
        argument(
            "--slots",
            "slots in a universe; in a frame of a .raw file, if it has no --width",
            "512",
            510,
            type=int,
            metavar="N",
        ),
        argument("--width", "bytes in a frame of a .raw file", "6630", "that of --slots", type=int, metavar="BYTES"),
        argument("--skip", "bytes of a .raw file before its first frame", "32", "0", type=int, metavar="BYTES"),
        argument(
            "--pixels-are-slots",
            "the pixels of a lossless video are slots, row after row: three a pixel, one if it is grey",
            action="store_true",
        ),
        argument("--array", "which array of an .npz file", "frames", "the only one", metavar="NAME"),
        argument("--gamma", "screen values to levels of light: srgb, or a power", "2.2", default="1", metavar="GAMMA"),
        REMEMBERED,
    )
