"""`gloaming site push`: to planners with certificates of their own making; and what ends it before anything is sent."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from gloaming.api.cli import pushing
from gloaming.api.cli.main import main
from gloaming.api.cli.site_push import PASSCODE
from gloaming.daemon.site.board_name import VARIABLE
from gloaming.daemon.site.editing import read_files
from gloaming.shows.framefile.reader import FrameWriter, Universe
from gloaming.shows.time_units import SECOND_NS
from tests.api.cli.conftest import AnsweringServer
from tests.api.house import offset_to, write_site
from tests.api.http.certificates import make_certificate
from tests.tools import needs
from tests.waiting import wait_until

BOARDS = {"east": "127.0.81.1", "west": "127.0.81.2"}
CUT = """
import os, signal, sys
from gloaming.api.cli import other_boards
from gloaming.api.cli.main import main
blocks = other_boards._blocks
def cut(*which):
    for number, block in enumerate(blocks(*which)):
        if number == 2:
            os.kill(os.getpid(), signal.SIGKILL)
        yield block
other_boards._blocks = cut
main(sys.argv[1:])
"""


class RunningBoard:
    """The planner of a board, without a transmitter: its page is on its own address, with its own certificate."""

    def __init__(self, name: str, top: Path, site: Path) -> None:
        self.site, self.state = top / name, top / f"{name}-state"
        shutil.copytree(site, self.site)
        make_certificate(self.site, host=BOARDS[name])
        self.state.mkdir()
        command = [sys.executable, "-m", "gloaming.api.serve", str(self.site), "--state", str(self.state)]
        environment = {**os.environ, VARIABLE: name, "GLOAMING_CLOCK_OFFSET_NS": str(offset_to("2026-12-12T18:00"))}
        with (top / f"{name}.log").open("w") as log:
            self.process = subprocess.Popen(
                [*command, "--listen", f"{BOARDS[name]}:8443"], env=environment, stdout=log, stderr=log
            )

    @property
    def passcode(self) -> str:
        return (self.state / "passcode").read_text().strip()

    def lines(self) -> list[tuple[int, str]]:
        """The lines of its journal about a push, with their instants."""
        with contextlib.closing(sqlite3.connect(f"file:{self.state}/state.db?mode=ro", uri=True)) as store:
            found = store.execute("select at_ns, text from journal where text like '%has pushed%' order by id")
            return [(int(at_ns), str(text)) for at_ns, text in found]


@contextlib.contextmanager
def running(top: Path, site: Path) -> Iterator[list[RunningBoard]]:
    boards = [RunningBoard(name, top, site) for name in BOARDS]
    try:
        for board in boards:
            wait_until((board.state / "address").exists, f"the page of {board.site.name}")
        yield boards
    finally:
        for board in boards:
            board.process.terminate()
        for board in boards:
            board.process.wait(30)


@pytest.fixture
def laptop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site with two boards on a machine that is none of them."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv(VARIABLE, "laptop")
    monkeypatch.delenv(PASSCODE, raising=False)
    folder = write_site(tmp_path / "laptop", phone='certificate = "board.pem"\nkey = "board.key"')
    tables = [
        f'[[board]]\nname = "{name}"\naddress = "https://{host}:8443"\n{feeds}\n'
        for (name, host), feeds in zip(BOARDS.items(), ('controllers = ["left"]', 'spare_for = "east"'), strict=True)
    ]
    edit(folder, 'order = ["lanterns"]', 'order = ["lanterns"]\n' + "\n".join(tables))
    return folder


def edit(folder: Path, old: str, new: str) -> None:
    text = (folder / "site.toml").read_text()
    assert text.count(old) == 1
    (folder / "site.toml").write_text(text.replace(old, new))


def render(path: Path, seed: int) -> None:
    """Frames that cannot be compressed, of more than two blocks of an upload."""
    frames = np.random.default_rng(seed).integers(0, 256, (1200, 690), np.uint8)
    with FrameWriter(path, 40, (Universe(1, 510, 0), Universe(2, 180, 510))) as writer:
        writer.write(frames)


@needs("openssl")
def test_two_boards_take_a_site_over_at_one_instant_or_not_at_all(
    tmp_path: Path, laptop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pushing, "LEAD_S", 8.0)  # a machine that pauses agrees in time
    with running(tmp_path, laptop) as boards:
        east, west = boards
        codes, push = tmp_path / "codes", ["site", "push", str(laptop)]
        codes.write_text(f"east {east.passcode}\nwest {west.passcode}\n")
        old = read_files(laptop)
        edit(laptop, "Pier Road boathouse", "Pier Road jetty")
        render(laptop / "tide.frames", 1)

        command = [sys.executable, "-c", CUT, *push, "--passcode-file", str(codes)]
        cut = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert cut.returncode == -signal.SIGKILL, cut.stderr
        assert cut.stderr.count("no authority has signed its certificate. From now on only this one is right:") == 2
        left = [path for board in boards for path in (board.site / ".push/uploads").glob("*/[0-9a-f]*")]
        assert left and all(0 <= path.stat().st_size < (laptop / "tide.frames").stat().st_size for path in left)

        assert main(["site", "push", str(laptop), "--json"]) == 0, capsys.readouterr().err
        ended = json.loads(capsys.readouterr().out)["boards"]
        for board in boards:
            assert read_files(board.site) == read_files(laptop) != old
            assert (board.site / "tide.frames").read_bytes() == (laptop / "tide.frames").read_bytes()
            wait_until(lambda board=board: not (board.site / ".push").exists(), "an empty stage")  # type: ignore[misc]  # mypy infers no type of a lambda with a default
            wait_until(board.lines, "the journal on the disk")
        instants = [board.lines()[-1] for board in boards]
        assert [at_ns for at_ns, _ in instants] == [one["taken_ns"] for one in ended]
        assert all(text.startswith("the site that gloaming site push on ") for _, text in instants)
        apart_ns = abs(instants[0][0] - instants[1][0])
        assert apart_ns < 3 * SECOND_NS  # both wait for the same one; a busy machine pauses

        new = read_files(laptop)
        edit(west.site, 'from = "23:00"', 'from = "22:30"')  # the neighbours of west were promised more
        own = read_files(west.site)
        render(laptop / "tide.frames", 2)
        known = tmp_path / "config/gloaming/boards.json"
        assert known.stat().st_mode & 0o777 == 0o600
        shown = json.loads(known.read_text())["https://127.0.81.1:8443"]["certificate"]
        known.write_text(known.read_text().replace(shown, "00:11"))
        assert main(push) == 1
        out, err = capsys.readouterr()
        changed = f"its certificate is another one than before: somebody may stand between. SHA-256 {shown}"
        assert (
            err.splitlines()[0]
            == f"east: {changed}. If you have replaced it: gloaming site push --new-certificate east"
        )
        assert main([*push, "--new-certificate", "east"]) == 1
        out, err = capsys.readouterr()
        assert err.splitlines()[-1] == "no board has taken the site over"
        assert "\nwest: the dark hours 22:30 to 07:00 (site.toml:8) would be cut: " in err
        assert "\neast: 1 of 2 files to send" in err and out == ""
        assert (read_files(east.site), read_files(west.site)) == (new, own)
        assert all(
            (board.site / "tide.frames").read_bytes() != (laptop / "tide.frames").read_bytes() for board in boards
        )


@pytest.mark.parametrize(
    ("old", "new", "more", "said"),
    [
        ('to = "22:00"', 'to = "29:00"', (), "performance[0].to: '29:00' is not a time of day"),
        ('frames = "tide.frames"', 'frames = "gulls.frames"', (), "piece[0].frames: gulls.frames: there is no such"),
        (
            'frames = "tide.frames"',
            'frames = "tide.frames"\nsound = "gulls.flac"',
            (),
            "piece[0].sound: gulls.flac: there",
        ),
        ("[[board]]", "[[board]]", ("--to", "north"), "there is no board 'north'; use east, west"),
        ('address = "https://127.0.81.1:8443"', "", (), "board.address: east has no address; as address = "),
    ],
)
def test_a_mistake_ends_it_before_anything_is_sent(
    laptop: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, more: tuple[str, ...], said: str
) -> None:
    path = laptop / "site.toml"
    path.write_text(path.read_text().replace(old, new))
    assert main(["site", "push", str(laptop), *more]) == 2
    out, err = capsys.readouterr()
    assert said in err and err.startswith(str(path)) and out == ""


def test_without_other_boards_there_is_nobody_to_push_to(
    tmp_path: Path, laptop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["site", "push", str(write_site(tmp_path / "alone"))]) == 2
    assert "the site has no boards, so there is nobody to push to" in capsys.readouterr().err


def test_the_board_that_runs_the_site_itself_is_left_out(
    tmp_path: Path, laptop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "east")
    (laptop / "state").mkdir()
    (laptop / "state/address").write_text("https://127.0.0.1:8443\n")
    assert main(["site", "push", str(laptop)]) == 1
    own, other, _ = capsys.readouterr().err.splitlines()
    assert own == "east: this board, which has these files already"
    assert other.startswith("west: Gloaming does not answer at https://127.0.81.2:8443 (")


def test_a_board_that_takes_no_push_says_why(
    tmp_path: Path, laptop: Path, board: AnsweringServer, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(laptop, "https://127.0.81.1:8443", board.url)
    config = tmp_path / "config/gloaming/boards.json"
    config.parent.mkdir(parents=True)
    for status, said in (
        (401, "it needs its passcode, and nobody can type it here: --passcode-file FILE, or $GLOAMING_PASSCODE"),
        (404, "its version of Gloaming takes no push: install the version of this machine there"),
        (403, "it needs its passcode, and nobody can type it here: --passcode-file FILE, or $GLOAMING_PASSCODE"),
        (413, "a request may have at most 4194304 bytes"),
    ):
        config.write_text(json.dumps({board.url: {"token": "t"}}))
        answers = {"/healthz": board.json(200), "/api/setup/push": board.json(status, "problem+json", detail=said)}
        board.answer = answers.__getitem__
        assert main(["site", "push", str(laptop), "--to", "east"]) == 1
        plain = f"{board.url} is plain HTTP: everybody on its network can read the passcode and the site"
        lines = [f"east: {plain}", f"east: {said}", "no board has taken the site over"]
        assert capsys.readouterr().err.splitlines() == lines
    other = f"something else than Gloaming answers at {board.url} (404)"
    for content in (b"<html>", b'{"error": "no such page"}', b"[]", b"{"):
        board.answer = lambda _, content=content: (404, {"Content-Type": "application/json"}, content)  # type: ignore[misc]  # mypy infers no type of a lambda with a default
        assert main(["site", "push", str(laptop), "--to", "east"]) == 1
        assert capsys.readouterr().err.splitlines()[1:] == [f"east: {other}", "no board has taken the site over"]
    codes = tmp_path / "codes"
    for lines, said in (
        ("east 1234-5678", "that is not the passcode"),
        ("west 1", f'{codes} has no line for it, as "east '),
    ):
        codes.write_text(lines)
        config.unlink(missing_ok=True)
        answers = {"/healthz": board.json(200), "/api/sign-in": board.json(401, detail="that is not the passcode")}
        board.answer = answers.__getitem__
        assert main(["site", "push", str(laptop), "--to", "east", "--passcode-file", str(codes)]) == 1
        assert capsys.readouterr().err.splitlines()[1].startswith(f"east: {said}")
    for damaged in ("{", "[]", '{"http://a": 1}'):
        config.write_text(damaged)
        assert main(["site", "push", str(laptop), "--to", "east"]) == 2
        assert capsys.readouterr().err == f"{config}: it is damaged; delete it, and sign in to each board again\n"
