"""Ctrl-C and SIGTERM in mid-work: a file is the old one bit for bit, or the whole new one; nothing else is left."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from gloaming.daemon.site.load import load_site
from gloaming.shows.framefile.reader import FrameWriter, Universe, verify
from tests.api.cli.conftest import AnsweringServer
from tests.api.cli.test_frames_remap import NEW, OLD
from tests.api.cli.test_rig import CSV
from tests.daemon.surveyed_site import calm, make
from tests.places import TOP
from tests.shows.streams import captured, stream

OLD_BYTES = OLD.encode()
"""What is in each file before."""
REPORTS = {
    ".svg": ("image/svg+xml", b"<svg xmlns='http://www.w3.org/2000/svg'></svg>"),
    ".html": ("text/html", b"<!doctype html><html><title>Report</title></html>"),
}
"""What a planner answers."""


@dataclass(frozen=True)
class Case:
    """A call; the file that it writes; how to tell that the file is whole."""

    call: str
    target: str
    whole: Callable[[Path], bool]


def frames(path: Path) -> bool:
    return verify(path) == []


def ends(text: bytes) -> Callable[[Path], bool]:
    return lambda path: path.read_bytes().rstrip().endswith(text)


def png(path: Path) -> bool:
    Image.open(path).load()
    return True


CASES = (
    Case("frames import in.npy out.frames --fps 25 --universes 1-3 --slots 510", "out.frames", frames),
    Case("frames trim in.frames out.frames --until 3", "out.frames", frames),
    Case("frames join in.frames in.frames --out out.frames", "out.frames", frames),
    Case("frames gain in.frames out.frames --by 0.5", "out.frames", frames),
    Case("frames rename-universes in.frames out.frames --to 11", "out.frames", frames),
    Case("frames remap in.frames out.frames --from old.toml --to new.toml", "out.frames", frames),
    Case("frames export in.frames out.npy", "out.npy", lambda path: len(np.load(path)) == 100),
    Case("frames export in.frames out.raw", "out.raw", lambda path: path.stat().st_size == 100 * 1530),
    Case("frames export in.frames out.mp4", "out.mp4", lambda path: path.stat().st_size > 1000),
    Case("frames preview in.frames out.png", "out.png", png),
    Case("record --capture in.pcap out.frames", "out.frames", frames),
    Case("survey site --ask-nobody --html out.html", "out.html", ends(b"</html>")),
    Case("nights site --svg out.svg", "out.svg", ends(b"</svg>")),
    Case("nights site --html out.html", "out.html", ends(b"</html>")),
    Case("nights site --ics out.ics", "out.ics", ends(b"END:VCALENDAR")),
    Case("journal --svg out.svg --url {url} --token-file token", "out.svg", ends(b"</svg>")),
    Case("journal --report --html out.html --url {url} --token-file token", "out.html", ends(b"</html>")),
    Case("rehearse site --days 2 --html out.html", "out.html", ends(b"</html>")),
    Case("rig import in.csv out.toml --replace", "out.toml", ends(b"pixels = 50")),
    Case("rig export old.toml out.csv --replace", "out.csv", lambda path: len(path.read_text().splitlines()) == 5),
    Case("rig sheet old.toml --html out.html", "out.html", ends(b"</html>")),
)


@pytest.fixture(scope="module")
def caller() -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "tests.api.cli.interrupting"]
    with subprocess.Popen(command, cwd=TOP, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield process
        assert process.stdin
        process.stdin.close()


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("inputs")
    levels = np.random.default_rng(7).integers(0, 255, (100, 1530), dtype=np.uint8)
    np.save(folder / "in.npy", levels)
    universes = tuple(Universe(number, 510, 510 * (number - 1)) for number in (1, 2, 3))
    with FrameWriter(folder / "in.frames", Fraction(25), universes) as writer:
        writer.write(levels)
    captured(folder / "in.pcap", stream(levels, 510, 25))
    (folder / "old.toml").write_text(OLD)
    (folder / "new.toml").write_text(NEW)
    (folder / "in.csv").write_text(CSV)
    (folder / "token").write_text("quay-7\n")
    (folder / "site").mkdir()
    make(folder / "site", calm)
    return folder


def called(caller: subprocess.Popen[str], **order: object) -> int:
    assert caller.stdin and caller.stdout
    print(json.dumps(order), file=caller.stdin, flush=True)
    return int(caller.stdout.readline())


def entries(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda number: number.name)
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.call.partition(" {")[0])
def test_a_file_is_the_old_one_or_the_whole_new_one(
    case: Case,
    number: signal.Signals,
    caller: subprocess.Popen[str],
    inputs: Path,
    board: AnsweringServer,
    tmp_path: Path,
) -> None:
    """The signal comes as soon as the temporary file is there, a while after, and once the file has its name. SIGTERM
    takes the same way from there."""
    media, report = REPORTS.get(Path(case.target).suffix, ("", b""))
    board.answer = lambda path: (200, {"Content-Type": media}, report)
    moments: dict[object, int] = {}
    for moment in (0, 30, "renamed") if number == signal.SIGINT else (0,):
        folder = tmp_path / str(moment)
        folder.mkdir()
        for path in inputs.iterdir():
            (folder / path.name).symlink_to(path)
        target = folder / case.target
        target.write_bytes(OLD_BYTES)
        before = entries(folder)
        code = called(
            caller,
            folder=str(folder),
            target=str(target),
            call=case.call.format(url=board.url).split(),
            signal=number,
            moment=moment,
            environment={},
            out=str(tmp_path / "out"),
            err=str(tmp_path / "err"),
        )
        assert entries(folder) == before, moment
        assert target.read_bytes() == OLD_BYTES or case.whole(target), moment
        assert "Traceback" not in (tmp_path / "err").read_text()
        moments[moment] = code
        assert (target.read_bytes() == OLD_BYTES) is (moment != "renamed") or code == 0, moment
    assert moments[0] == moments.get("renamed", 128 + number) == 128 + number, moments


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda number: number.name)
@pytest.mark.parametrize(
    "call", ["frames split in.frames pieces --at-black 1", "record --capture in.pcap pieces --split-at-black 1"]
)
def test_of_the_pieces_of_a_recording_none_is_left(
    call: str, number: signal.Signals, caller: subprocess.Popen[str], tmp_path: Path
) -> None:
    """The signal comes when the second piece is there. A recording is kept: it may be the only one."""
    levels = np.full((120, 6), 9, np.uint8)
    levels[30:60] = levels[90:100] = 0
    universes = (Universe(1, 6, 0),)
    with FrameWriter(tmp_path / "in.frames", Fraction(25), universes) as writer:
        writer.write(levels)
    captured(tmp_path / "in.pcap", stream(levels, 6, 25))
    code = called(
        caller,
        folder=str(tmp_path),
        target=str(tmp_path / "pieces" / "piece-02.frames"),
        call=call.split(),
        signal=number,
        moment="renamed",
        environment={},
        out=os.devnull,
        err=str(tmp_path / "err"),
    )
    assert code == 128 + number
    left = [Path(name).name for name in entries(tmp_path) if name.startswith("pieces/")]
    if call.startswith("record"):
        assert len(left) == 1 and left[0].startswith("recording-") and "frames split" in (tmp_path / "err").read_text()
    else:
        assert left == [] and not (tmp_path / "pieces").exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda number: number.name)
@pytest.mark.parametrize("moment", [0, 300, "renamed"])
def test_a_new_site_is_there_whole_or_not_at_all(
    moment: object, number: signal.Signals, caller: subprocess.Popen[str], tmp_path: Path
) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    code = called(
        caller,
        folder=str(tmp_path),
        target=str(tmp_path / "pier-road"),
        call=["new", "pier-road", "--yes", "--timezone", "Europe/London"],
        signal=number,
        moment=moment,
        environment={"TMPDIR": str(temporary)},
        out=os.devnull,
        err=str(tmp_path / "err"),
    )
    assert code == 128 + number
    if moment == "renamed":
        assert load_site(tmp_path / "pier-road").pieces
        (tmp_path / "pier-road").rename(tmp_path / "moved")
    assert {path.name for path in tmp_path.iterdir()} - {"moved"} == {"temporary", "err"}
    assert [*temporary.iterdir()] == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda number: number.name)
def test_the_demonstration_leaves_no_folder_and_no_half_piece(
    number: signal.Signals, caller: subprocess.Popen[str], tmp_path: Path
) -> None:
    """The signal comes while a piece is rendered into the cache."""
    from gloaming.shows.demonstration.season import version

    cache = tmp_path / "cache" / "gloaming" / "demonstration" / version()
    cache.mkdir(parents=True)
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    code = called(
        caller,
        folder=str(tmp_path),
        target=str(cache / "none"),
        call=["demo", "--for", "5"],
        signal=number,
        moment=2000,
        environment={"XDG_CACHE_HOME": str(tmp_path / "cache"), "TMPDIR": str(temporary)},
        out=os.devnull,
        err=str(tmp_path / "err"),
    )
    assert code == 128 + number
    assert [*cache.iterdir(), *temporary.iterdir()] == []
    assert "Traceback" not in (tmp_path / "err").read_text()
