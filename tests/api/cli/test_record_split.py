"""One long recording becomes pieces at black: live and from a capture, with names, and when it cannot be cut."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import sacn

from gloaming.api.cli import frames_verbs, split_verb
from gloaming.api.cli.main import main
from gloaming.shows.framefile.reader import Frames, inspect
from tests.api.cli.test_record import COMMAND, Recorder
from tests.shows.streams import captured, everything, stream, without_stills

FPS = 25
LENGTHS = (40, 75, 25)
"""Of three pieces, in frames."""


def evening(before: int = 10, between: int = 3 * FPS, after: int = 15) -> tuple[list[Frames], Frames]:
    """Three pieces on two universes of three slots, with black around them. Each lit frame is another one."""
    lit = np.random.default_rng(5).permutation(np.arange(1, 251))[: sum(LENGTHS)].astype(np.uint8)
    pieces = [piece[:, None].repeat(6, axis=1) for piece in np.split(lit, np.cumsum(LENGTHS)[:-1])]
    black = [np.zeros((count, 6), np.uint8) for count in (before, between, between, after)]
    rows = [black[0], pieces[0], black[1], pieces[1], black[2], pieces[2], black[3]]
    return pieces, np.concatenate(rows)


def capture(folder: Path, frames: Frames) -> Path:
    return captured(folder / "evening.pcap", stream(frames, 3, FPS))


def gloaming(*arguments: object, code: int = 0) -> tuple[str, str]:
    """A call in a process of its own; what it said on both outputs."""
    done = subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == code, done.stderr
    return done.stdout, done.stderr


def test_a_capture_of_three_pieces_becomes_three_files_of_their_lengths(tmp_path: Path) -> None:
    pieces, frames = evening()
    folder = tmp_path / "pieces"
    out, errors = gloaming("record", "--split-at-black", 3, folder, "--capture", capture(tmp_path, frames))
    names = ["piece-01.frames", "piece-02.frames", "piece-03.frames"]
    assert sorted(path.name for path in folder.iterdir()) == names and not errors
    for name, piece, line in zip(names, pieces, out.splitlines(), strict=False):
        assert np.array_equal(everything(inspect(folder / name)), piece)
        assert line.startswith(f"{folder / name}: {len(piece)} frames at 25 a second, {len(piece) / FPS:.2f} s, 2 univ")
    assert " packets, 0 lost" in out.splitlines()[3]


def test_a_live_recording_of_three_pieces_becomes_three_files_of_their_lengths(tmp_path: Path) -> None:
    """The `sacn` library sends them. If this machine delays it, a frame is there twice, and is counted."""
    pieces, frames = evening()
    folder, address, names = tmp_path / "pieces", "127.0.56.1", tmp_path / "songs.txt"
    names.write_text("Harbour bells\ntide\nfirst frost\n")
    arguments = ("--universes", "1-2", "--address", address, "--split-at-black", "3", "--names", names, "--json")
    recorder = Recorder(folder, *arguments)
    recorder.listening(address)
    library = sacn.sACNsender(bind_address="127.0.0.1", universeDiscovery=False)
    library.start()
    library.manual_flush = True
    for number in (1, 2):
        library.activate_output(number)
        library[number].destination = address
    begin_s = time.monotonic()
    for frame, levels in enumerate(frames):
        for number in (1, 2):
            library[number].dmx_data = tuple(levels[3 * number - 3 : 3 * number].tolist())
        time.sleep(max(0.0, begin_s + frame / FPS - time.monotonic()))
        for number in (1, 2):
            library._sender_handler.send_out(library._outputs[number], time.time())
    library.stop()
    said, errors = recorder.end()
    report = json.loads(said)
    assert not errors and report["lost"] == 0
    assert [Path(one["path"]).name for one in report["pieces"]] == [
        "Harbour bells.frames",
        "tide.frames",
        "first frost.frames",
    ]
    assert len(list(folder.iterdir())) == 3
    for one, piece in zip(report["pieces"], pieces, strict=True):
        recorded = everything(inspect(one["path"]))
        assert np.array_equal(without_stills(recorded), piece)
        assert len(recorded) == one["frames"] and 0 <= len(recorded) - len(piece) <= report["frames_filled"]


def test_what_was_recorded_before_is_never_overwritten(tmp_path: Path) -> None:
    _, frames = evening()
    path = capture(tmp_path, frames)
    folder, names = tmp_path / "pieces", tmp_path / "songs.txt"
    folder.mkdir()
    (folder / "piece-01.frames").write_bytes(b"last night's")
    gloaming("record", folder, "--split-at-black", 3, "--capture", path)
    assert sorted(one.name for one in folder.iterdir()) == [f"piece-0{number}.frames" for number in (1, 2, 3, 4)]
    assert (folder / "piece-01.frames").read_bytes() == b"last night's"
    names.write_text("tide\npiece-01\n")
    before = {one: one.read_bytes() for one in folder.iterdir()}
    for more in (["--capture", path], ["--universes", "1", "--address", "127.0.56.2"]):  # live: before it begins
        _, errors = gloaming("record", folder, "--split-at-black", 3, "--names", names, *more, code=2)
        assert errors.count("\n") == 1 and f"{folder / 'piece-01.frames'}: there is already a file" in errors
    assert {one: one.read_bytes() for one in folder.iterdir()} == before


@pytest.mark.parametrize(
    "names, files, line",
    [
        (
            "tide\n",
            {"tide.frames", "piece-02.frames", "piece-03.frames"},
            "  3 pieces, but 1 names; without a name: piece-02.frames, piece-03.frames",
        ),
        (
            "a\nb\nc\nd\ne\n",
            {"a.frames", "b.frames", "c.frames"},
            "  3 pieces, but 5 names; names without a piece: d, e",
        ),
    ],
)
def test_more_pieces_than_names_or_fewer_are_reported_and_all_are_kept(
    tmp_path: Path, names: str, files: set[str], line: str
) -> None:
    _, frames = evening()
    (tmp_path / "songs.txt").write_text(names)
    call = ("record", tmp_path / "pieces", "--split-at-black", 3, "--names", tmp_path / "songs.txt")
    out, _ = gloaming(*call, "--capture", capture(tmp_path, frames))
    assert {one.name for one in (tmp_path / "pieces").iterdir()} == files and line in out.splitlines()


def test_black_that_is_too_short_parts_nothing_and_is_reported(tmp_path: Path) -> None:
    _, frames = evening(between=3 * FPS - 1)
    out, _ = gloaming("record", tmp_path / "p", "--split-at-black", 3, "--capture", capture(tmp_path, frames))
    assert "  one piece: the longest black inside it lasts 2.96 s, less than 3 s" in out.splitlines()
    assert np.array_equal(everything(inspect(tmp_path / "p/piece-01.frames")), frames[10:-15])
    lamp = evening()[1]
    lamp[:, 4] = 200
    (tmp_path / "lamp").mkdir()
    call = ("record", tmp_path / "q", "--split-at-black", 3, "--capture", capture(tmp_path / "lamp", lamp))
    assert "  never black, because a slot is above 0 in every frame: universe 2" in gloaming(*call)[0].splitlines()


def test_a_break_in_which_the_source_sends_nothing_parts_pieces_too(tmp_path: Path) -> None:
    """An interval of a quarter of an hour: the source is switched off a fifth of a second after the last light."""
    first, second, _ = evening()[0]
    before = stream(np.concatenate([first, np.zeros((5, 6), np.uint8)]), 3, FPS)
    after = [(at_ns + 900_000_000_000, packet) for at_ns, packet in stream(second, 3, FPS)]
    path = captured(tmp_path / "evening.pcap", before + after)
    gloaming("record", tmp_path / "pieces", "--split-at-black", 3, "--capture", path)
    found = [everything(inspect(one)) for one in sorted((tmp_path / "pieces").iterdir())]
    assert len(found) == 2 and np.array_equal(found[0], first) and np.array_equal(found[1], second)


def test_each_piece_remembers_the_rig_of_the_site(tmp_path: Path) -> None:
    """It is in the folder above the pieces. A lamp that turns in the dark does not hide the black."""
    frames = evening()[1]
    frames[:, 4] = 128
    (tmp_path / "rig.toml").write_text(
        '[[controller]]\nname = "quay"\nhost = "192.0.2.21"\nuniverses = "1-2"\n'
        '[[string]]\nname = "ridge"\ncontroller = "quay"\nuniverse = 1\npixels = 1\n'
        '[[fixture]]\nname = "lamp"\ncontroller = "quay"\nuniverse = 2\nslot = 1\n'
        'channels = ["dimmer", "other", "red"]\nwatts = 60\n'
    )
    call = ("record", tmp_path / "pieces", "--split-at-black", 3, "--capture", capture(tmp_path, frames))
    _, errors = gloaming(*call)
    assert "piece-01.frames remembers 1 string: ridge; 1 fixture: lamp" in errors
    pieces = sorted((tmp_path / "pieces").iterdir())
    assert [inspect(one).frames for one in pieces] == list(LENGTHS)
    assert all('"ridge"' in inspect(one).rig for one in pieces)


def test_a_recording_that_cannot_be_cut_is_kept_whole(tmp_path: Path) -> None:
    """It is all black. The message has the command for a second try, with other names or other black."""
    folder = tmp_path / "all pieces"
    path = capture(tmp_path, np.zeros((300, 6), np.uint8))
    _, errors = gloaming("record", folder, "--split-at-black", 2.5, "--slots", "sent", "--capture", path, code=2)
    (whole,) = folder.iterdir()
    note, problem = errors.splitlines()
    command = f"gloaming frames split '{whole}' '{folder}' --at-black 2.5"
    assert note == f"note: the whole recording is kept; `{command}` cuts it"
    assert problem == f"{whole}: it is black from beginning to end, so there is no piece in it"
    assert inspect(whole).frames == 300


def test_a_disk_that_fills_while_it_is_cut_leaves_the_whole_and_no_piece(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk. The second piece does not fit; the first is removed."""
    _, frames = evening()
    path, folder = capture(tmp_path, frames), tmp_path / "pieces"
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        " from gloaming.api.cli.main import main; from gloaming.shows.framefile import split\n"
        "real, count = split.write_source, 0\n"
        "def write(*args):\n"
        "    global count; count += 1\n"
        "    if count == 2: resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "    return real(*args)\n"
        "split.write_source = write; sys.exit(main(sys.argv[1:]))"
    )
    command = [sys.executable, "-c", code, "record", folder, "--split-at-black", "3", "--capture", path]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "piece-02.frames: it cannot be written (" in done.stderr
    (whole,) = folder.iterdir()
    assert f"`gloaming frames split {whole} {folder} --at-black 3` cuts it" in done.stderr
    gloaming("frames", "split", whole, folder)
    assert [inspect(one).frames for one in sorted(folder.glob("piece-*"))] == list(LENGTHS)


def test_ctrl_c_while_it_is_cut_leaves_the_whole_and_no_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, frames = evening()
    path, folder = capture(tmp_path, frames), tmp_path / "pieces"
    real = frames_verbs.write_source
    calls: list[Path] = []

    def write(source: object, out: Path, *more: object) -> int:
        calls.append(out)
        if len(calls) == 3:
            signal.raise_signal(signal.SIGINT)
        return real(source, out, *more)  # type: ignore[arg-type]  # what it was given

    monkeypatch.setattr(split_verb.split, "write_source", write)
    assert main(["record", str(folder), "--split-at-black", "3", "--capture", str(path)]) == 130
    assert [one.name[:10] for one in folder.iterdir()] == ["recording-"] and len(calls) == 3


def test_a_killed_recorder_of_pieces_leaves_what_was_written(tmp_path: Path) -> None:
    """The next recording into the folder names what is left. It can be mended, then cut."""
    folder, address = tmp_path / "pieces", "127.0.56.3"
    arguments = (folder, "--universes", "1", "--address", address, "--split-at-black", "1")
    recorder = Recorder(*arguments)
    recorder.listening(address)
    levels = np.zeros((200, 1), np.uint8)
    levels[20:60, 0], levels[110:, 0] = np.arange(1, 41), np.arange(101, 191)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        begin_s = time.monotonic()
        for at_ns, packet in stream(levels, 1):
            time.sleep(max(0, begin_s + at_ns / 1e9 - time.monotonic()))
            sock.sendto(packet, (address, 5568))
    time.sleep(1)  # a busy machine may be behind
    recorder.process.kill()
    recorder.said()
    (part,) = folder.glob("recording-*.frames.*.part")
    again = Recorder(*arguments)
    again.listening(address)
    _, errors = again.end()
    assert f"{part} is of an interrupted recording" in errors
    gloaming("frames", "mend", part, tmp_path / "whole.frames")
    gloaming("frames", "split", tmp_path / "whole.frames", folder, "--at-black", "1")
    first, second = (without_stills(everything(inspect(one)))[:, 0] for one in sorted(folder.glob("piece-*")))
    assert first.tolist() == list(range(1, 41)) and len(second) >= 10
    assert second.tolist() == list(range(101, 101 + len(second)))


@pytest.mark.parametrize(
    "arguments, text",
    [
        (
            ["pieces", "--split-at-black", "0"],
            "--split-at-black: '0' is not a number of seconds; write the time of",
        ),
        (["pieces", "--split-at-black", "3s"], "--split-at-black: '3s' is not a number of seconds"),
        (["pieces", "--split-at-black", "nan"], "--split-at-black: 'nan' is not a number of seconds"),
        (["out.frames", "--split-at-black", "3"], "out.frames: several files are made, and this is the name of one"),
        (["songs.txt", "--split-at-black", "3"], "songs.txt: several files are made, and this is the name of one"),
        (["none/pieces", "--split-at-black", "3"], "none/pieces: there is no folder none; make it first"),
        (["pieces", "--split-at-black", "3", "--names", "none.txt"], "none.txt: it cannot be read (No such file"),
        (["pieces", "--split-at-black", "3", "--names", "songs.txt"], "songs.txt:2: 'bells/low' has a slash"),
        (["out.frames", "--names", "songs.txt"], "--names: only pieces have names; add --split-at-black 3"),
        (
            ["pieces", "--split-at-black", "3", "--until-still", "3"],
            "--until-still: it would end the recording at the first 3 s of black; use more than 3 s",
        ),
        (["pieces", "--split-at-black", "3", "--universes", "7"], "nothing came for the universes chosen"),
    ],
)
def test_a_mistake_is_one_line_and_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str], text: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "songs.txt").write_text("tide\nbells/low\n")
    path = capture(tmp_path, evening()[1])
    before = sorted(tmp_path.iterdir())
    assert main(["record", *arguments, "--capture", str(path)]) == 2
    said = capsys.readouterr()
    assert text in said.err and said.err.count("\n") == 1 and not said.out
    assert sorted(tmp_path.iterdir()) == before
