"""`gloaming site push`: what is pushed, to which boards, and as whom."""

from __future__ import annotations

import argparse
import getpass
import os
import socket
import sys
import time
from functools import partial
from pathlib import Path

from gloaming.api.cli.other_boards import BoardError, KnownBoards, OtherBoard, config_folder
from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import NamedProgress, bars
from gloaming.api.cli.pushing import POLL_S, Content, PushTarget, PushToBoards, Say, noting
from gloaming.api.cli.where import site_of, state_folder
from gloaming.api.http.middleware import PUSH
from gloaming.daemon.site.editing import read_files, texts
from gloaming.daemon.site.file_hashes import FileHashes
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import PushedFile, path_problem
from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.config_files.known_names import instead

PASSCODE = "GLOAMING_PASSCODE"
BUSY_S = 5.0
"""So long is waited for a push that was killed: the board forgets it after three seconds."""


def run_push(args: argparse.Namespace) -> int:
    """`gloaming site push`; exit 1 where a board does not take the site over."""
    say: Say = (lambda _: None) if args.json else (lambda text: print(text, file=sys.stderr))
    folder = site_of(args)
    with bars(args, "bytes") as progress:
        content = _content(folder, say, progress)
    targets = _targets(args, content.site, folder, say)
    push = PushToBoards(content, targets, say)
    with push.ended():
        push.contact()
        for target in targets if not push.failed else ():
            with noting(target):
                _begin(args, target, content)
        with bars(args, "bytes") as progress:
            push.go(progress)
    for target in targets:
        for line in target.error.splitlines():
            print(f"{target.board.name}: {line}", file=sys.stderr)
    if not any(target.taken for target in targets):
        print("no board has taken the site over", file=sys.stderr)
    ended = [{"name": one.board.name, "taken_ns": one.taken_ns, "error": one.error or None} for one in targets]
    answer(args, {"boards": ended}, *(f"{one.board.name}: {one.taken}" for one in targets if one.taken))
    return 0 if all(target.taken for target in targets) else 1


def _content(folder: Path, say: Say, progress: NamedProgress) -> Content:
    """The site, checked as a whole. InputError with all its mistakes."""
    files = read_files(folder)
    site = load_site(folder)
    if site.missing_sounds:
        raise InputError(*site.missing_sounds)
    hashes, pushed, places = FileHashes(config_folder() / "file-hashes.json"), list[PushedFile](), {}
    own = {path: None for one in site.pieces.values() for path in (one.frames, one.sound) if path}
    total, done = sum(path.stat().st_size for path in own), 0

    def read(more: int) -> None:
        nonlocal done
        done += more
        progress("reading", done, total)

    for path in own:
        if not path.is_relative_to(folder.absolute()):
            say(f"{path} is not in the site's folder, so it is not copied: every board needs its own")
            continue
        name = path.relative_to(folder.absolute()).as_posix()
        if problem := path_problem(name):
            raise input_error(folder / "site.toml", problem, "give it such a name, and push again")
        stamp, length = file_stamp(path), path.stat().st_size
        if not length:
            raise input_error(path, "the file is empty")
        pushed.append(PushedFile(name, length, found := hashes.of(path, read)))
        places[found] = path, stamp
    hashes.save()
    if read_files(folder) != files:
        raise input_error(folder, "its files have changed meanwhile", "push again")
    return Content(site, files, tuple(pushed), places)


def _targets(args: argparse.Namespace, site: Site, folder: Path, say: Say) -> list[PushTarget]:
    """The boards that are named, or all but that which runs this site itself. InputError."""
    boards = {board.name: board for board in site.boards}
    path = folder / "site.toml"
    if not boards:
        raise input_error(path, "the site has no boards, so there is nobody to push to", "give each a [[board]] table")
    names = args.to
    if not names:
        runs_here = site.board_name in boards and (state_folder(folder, None) / "address").exists()
        names = [name for name in boards if not (runs_here and name == site.board_name)]
        if runs_here:
            say(f"{site.board_name}: this board, which has these files already")
    if not names:
        raise input_error(path, "the site has no other board", "give each a [[board]] table")
    for name in (*names, *args.new_certificate):
        if name not in boards:
            raise InputError(ConfigError(path, None, None, f"there is no board {name!r}", instead(name, [*boards])))
    without = [name for name in names if boards[name].address is None]
    if without:
        key, hint = "board.address", 'as address = "https://192.0.2.12:8080"; or push to others: --to NAME'
        raise InputError(ConfigError(path, None, key, f"{', '.join(without)} has no address", hint))
    known, targets = KnownBoards(config_folder() / "boards.json"), list[PushTarget]()
    for name in dict.fromkeys(names):
        address = boards[name].address or ""
        board = OtherBoard(name, address, known, partial(_say_of, say, name))
        if name in args.new_certificate:
            board.forget_certificate()
        if address.startswith("http:"):
            _say_of(say, name, f"{address} is plain HTTP: everybody on its network can read the passcode and the site")
        targets.append(PushTarget(board))
    return targets


def _say_of(say: Say, name: str, text: str) -> None:
    say(f"{name}: {text}")


def _begin(args: argparse.Namespace, target: PushTarget, content: Content) -> None:
    """Begin the push on a board, signed in as an owner. BoardError."""
    board = target.board
    pieces = [{"path": one.path, "length": one.length, "sha256": one.sha256} for one in content.pushed]
    body = {"board": board.name, "files": texts(content.files), "pieces": pieces}
    status, found = board.ask("POST", PUSH, body) if board.signed_in else (401, {})
    if status in (401, 403):
        board.sign_in(_passcode(args, board), f"gloaming site push on {socket.gethostname()}")
        status, found = board.ask("POST", PUSH, body)
    until_s = time.monotonic() + BUSY_S
    while status == 423 and time.monotonic() < until_s:
        time.sleep(POLL_S)
        status, found = board.ask("POST", PUSH, body)
    if status in (404, 405):
        raise BoardError("its version of Gloaming takes no push: install the version of this machine there")
    if status != 202:
        raise BoardError(found["detail"])
    target.id = found["id"]


def _passcode(args: argparse.Namespace, board: OtherBoard) -> str:
    """The passcode of a board: from a file, from the environment, or typed. BoardError, OSError."""
    if args.passcode_file:
        lines = args.passcode_file.read_text(encoding="utf-8").splitlines()
        for line in lines:
            name, _, passcode = line.strip().rpartition(" ")
            if name.strip() == board.name:
                return str(passcode)
        raise BoardError(f'{args.passcode_file} has no line for it, as "{board.name} 1234-5678"')
    if passcode := os.environ.get(PASSCODE):
        return passcode
    if sys.stdin.isatty():
        try:
            return getpass.getpass(f"The passcode of {board.name}: ")
        except EOFError:  # Ctrl-D
            raise BoardError("no passcode was given") from None
    raise BoardError(f"it needs its passcode, and nobody can type it here: --passcode-file FILE, or ${PASSCODE}")
