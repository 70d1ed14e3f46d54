"""`gloaming backup` and `gloaming restore`: a site with its state in one file."""

from __future__ import annotations

import argparse
import json
import os
import pwd
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, BinaryIO, TextIO

from gloaming.api.cli.http_call import call_for
from gloaming.api.cli.parser import SITE, STATE, Commands, Group, Parser, SiteWord, add_command, argument, one_of
from gloaming.api.cli.progress import bar, bars
from gloaming.api.cli.survey import report as print_survey
from gloaming.api.cli.where import BOARD_SITE, SITE_FILE, site_of, state_folder
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.replacing import replacing

if TYPE_CHECKING:
    from gloaming.daemon.backup.archive import About, Purpose
    from gloaming.daemon.backup.restore import Owner

KEEP = {
    "backup": "it holds secrets (tokens, keys, passwords): keep it as you keep a key",
    "help": "read it before you send it: what people have typed into names and notes is in it",
}
USER = "gloaming"
"""The user of the installed service."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `backup` and `restore`."""
    add_command(
        commands,
        "backup",
        "write the site, its pieces and its state into one file; also while the show is on",
        make_backup,
        argument("out", "the file to write; - is standard output", "pier-road.tar.zst", metavar="OUT"),
        one_of(
            argument("--without-pieces", "leave out the files of frames and sound", action="store_true"),
            argument("--for-help", "a bundle without any secret, for a friend who helps", action="store_true"),
        ),
        STATE,
        examples=("backup /media/stick/pier-road.tar.zst", "backup help.tar.zst boathouse --for-help"),
        group=Group.BEFORE,
        site=SiteWord.FOLDER,
        json_help="print what the file has as one JSON document",
    )
    add_command(
        commands,
        "restore",
        "restore a site, its pieces and its state from a backup",
        restore_backup,
        argument("file", "a file of gloaming backup", "pier-road.tar.zst", type=Path, metavar="FILE"),
        argument("--list", "check the file and list what is in it; restore nothing", action="store_true"),
        argument("--replace", "set aside the site and the state that are there", action="store_true"),
        SITE,
        STATE,
        examples=("restore pier-road.tar.zst --list", "restore pier-road.tar.zst boathouse"),
        group=Group.BEFORE,
        json_help="print what the file has as one JSON document",
    )


def make_backup(args: argparse.Namespace) -> int:
    """`gloaming backup`."""
    from gloaming.daemon.backup.archive import Purpose, write_archive
    from gloaming.daemon.backup.contents import backup_contents
    from gloaming.shows.media.low_priority import lower_priority

    site = site_of(args)
    state = state_folder(site, args.state)
    _refuse_inside(args.out, site, state)
    lower_priority()
    with _output(args.out) as (out, folder):
        if args.for_help:
            members, left_out = _for_help(args, site, state)
            about = write_archive(out, _about_site(site, Purpose.HELP, left_out), members)
        else:
            with (
                TemporaryDirectory(prefix=".gloaming-backup-", dir=folder) as scratch,
                bar(args, "writing the backup", "bytes") as progress,
            ):
                found = backup_contents(site, state, Path(scratch), not args.without_pieces)
                about = _about_site(site, Purpose.BACKUP, found.left_out)
                about = write_archive(out, about, found.files, progress)
    _report(args, about, sys.stderr if args.out == "-" else sys.stdout)
    print(KEEP[about.purpose], file=sys.stderr)
    return 0


def _for_help(args: argparse.Namespace, site: Path, state: Path) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """The members of a bundle for a helper, and what it leaves out."""
    from gloaming.api.http.auth.authenticator import LOCAL_DEVICE
    from gloaming.daemon.backup.help_bundle import help_bundle, known_privacy, network_report, now_report

    private = known_privacy(site, state, LOCAL_DEVICE)
    reports = {"survey.txt": _survey(args, site, state)}
    args.url = args.token_file = None
    try:
        now = json.loads(call_for(args, "/api/now", "application/json"))
        reports["now.json"] = now_report(now, private)
        reports["network.json"] = network_report(json.loads(call_for(args, "/api/network", "application/json")))
        reports["metrics.txt"] = call_for(args, "/metrics", "text/plain").decode()
    except InputError as error:
        reports["now.txt"] = f"the planner does not answer: {error}\n"
    return help_bundle(site, state, reports, private)


def _survey(args: argparse.Namespace, site: Path, state: Path) -> str:
    """The survey as text, or the mistakes for which there is none. It asks no controller: the planner has."""
    from rich.console import Console

    from gloaming.daemon.reports.survey import survey

    text = StringIO()
    try:
        with bars(args) as progress:
            found = survey(site, datetime.now().astimezone(), progress, ask=False, state=state)
    except InputError as error:
        return f"{error}\n"
    print_survey(found, Console(file=text, width=110, highlight=False, soft_wrap=True))
    return text.getvalue()


def restore_backup(args: argparse.Namespace) -> int:
    """`gloaming restore`."""
    from gloaming.daemon.backup.restore import checked_archive, restore

    if args.list:
        with bar(args, "checking the file", "bytes") as progress:
            about = checked_archive(args.file, progress)
        _report(args, about, sys.stdout)
        if not args.json:
            print(*(f"{one.size:>14,}  {one.name}" for one in about.members), sep="\n")
        return 0
    site = site_of(args)
    state = state_folder(site, args.state)
    with bar(args, "restoring", "bytes") as progress:
        done = restore(args.file, site, state, datetime.now().astimezone(), args.replace, _owner(site), progress)
    _report(args, done.about, sys.stdout)
    if not args.json:
        lines = [f"restored into {site} and {state}: {done.files} files; {done.there} were there already"]
        lines += [f"what was there is in {folder}" for folder in done.aside]
        lines += _remarks(site, done.about)
        start = "systemctl start gloaming-planner" if site.absolute() == BOARD_SITE else f"gloaming run {site}"
        print(*lines, f"start it: {start}", sep="\n")
    return 0


def _remarks(site: Path, about: About) -> Iterator[str]:
    """What a person should know about a site that was restored here."""
    from gloaming.daemon.site.board_name import FILE, board_name
    from gloaming.daemon.site.load import load_site

    if about.board and about.board != board_name():
        yield f"this board is {board_name()}, the backup is of {about.board}: to take its place, write that into {FILE}"
    yield from (f"the backup left out: {one}" for one in about.left_out)
    try:
        notices = load_site(site, strict=False).notices
    except InputError as error:
        notices = error.errors
    yield from (f"warning: {one}" for one in notices)


def _owner(site: Path) -> Owner | None:
    """Whose the restored files are, if root restores: the service's, or those of the owner of the site's folder."""
    if os.geteuid() != 0:
        return None
    if site.absolute() == BOARD_SITE:
        with suppress(KeyError):  # the program is not installed
            found = pwd.getpwnam(USER)
            return found.pw_uid, found.pw_gid
    with suppress(OSError):
        status = site.stat()
        return status.st_uid, status.st_gid
    return None


def _about_site(site: Path, purpose: Purpose, left_out: tuple[str, ...]) -> About:
    """What a file says of a site. Without a site.toml that can be read, the site has the name of its folder."""
    from importlib.metadata import version

    from gloaming.daemon.backup.archive import About, Purpose
    from gloaming.daemon.site.board_name import board_name
    from gloaming.daemon.site.schema import SiteFile
    from gloaming.shows.config_files.checking import read_tables

    name, board = site.absolute().name, ""
    with suppress(InputError):
        file = read_tables(site / SITE_FILE, SiteFile)
        name, board = file.site.name, board_name() if file.board else ""
    return About(
        purpose=purpose,
        program=version("gloaming"),
        site=name,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        machine=socket.gethostname() if purpose == Purpose.BACKUP else "",
        board=board,
        left_out=left_out,
    )


def _refuse_inside(out: str, *folders: Path) -> None:
    """InputError for a file that is there, or is to lie in what is backed up."""
    path = Path(out).absolute()
    if out == "-":
        return
    if os.path.lexists(path) and not path.is_char_device():
        raise input_error(out, "there is such a file already", "name another, or remove it")
    for folder in folders:
        if path.resolve().is_relative_to(folder.resolve()):
            raise input_error(out, f"it would lie in {folder}, and be lost with it", "name a file elsewhere")


@contextmanager
def _output(out: str) -> Iterator[tuple[BinaryIO, Path | None]]:
    """Where a file is written, readable by its owner alone, and the folder of it. "-" is standard output, without a
    folder. InputError where that is a terminal."""
    if out == "-":
        if sys.stdout.isatty():
            raise input_error("-", "standard output is a terminal", "redirect it to a file, or name one")
        yield sys.stdout.buffer, None
        return
    with (
        replacing(Path(out)) as temporary,
        os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT, 0o600), "wb") as file,
    ):
        yield file, temporary.absolute().parent


def _report(args: argparse.Namespace, about: About, stream: TextIO) -> None:
    """Print what a file has."""
    if args.json:
        print(about.model_dump_json(indent=2), file=stream)
        return
    machine = f" on {about.machine}" if about.machine else ""
    board = f", board {about.board}" if about.board else ""
    print(
        f"{about.purpose} of {about.site}, made {about.made_at} by Gloaming {about.program}{machine}{board}: "
        f"{len(about.members)} files, {about.size / 1e6:.1f} MB",
        *(f"left out: {one}" for one in about.left_out),
        sep="\n",
        file=stream,
    )
