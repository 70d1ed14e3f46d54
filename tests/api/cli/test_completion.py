"""Completion in the real shells: what a person types before TAB, and what then stands in the line."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gloaming.api.cli.completion import SHELLS, completion
from gloaming.api.cli.main import build_parser, main
from gloaming.api.cli.parser import Parser, commands_of
from tests.tools import needs

PLACES = {
    "bash": "bash-completion/completions/gloaming",
    "zsh": "zsh/vendor-completions/_gloaming",
    "fish": "fish/vendor_completions.d/gloaming.fish",
}
"""Where the package puts each, below usr/share."""
TYPED = {
    "gloaming resu": "gloaming resume",
    "gloaming frames imp": "gloaming frames import",
    "gloaming frames info --js": "gloaming frames info --json",
    "gloaming frames info ti": "gloaming frames info tide.frames",
    "gloaming frames import in.npy out.frames --first-pixel bottom-l": (
        "gloaming frames import in.npy out.frames --first-pixel bottom-left"
    ),
    "gloaming rig-check wa": "gloaming rig-check walk",
    "gloaming nights boat": "gloaming nights boathouse/",
    "gloaming nights --sv": "gloaming nights --svg",
    "gloaming pause boat": "gloaming pause boathouse/",
    "gloaming pause 20m boat": "gloaming pause 20m boathouse/",
    "gloaming now --token-file tid": "gloaming now --token-file tide.frames",
    "gloaming run --state boat": "gloaming run --state boathouse/",
    "gloaming burn-in --pattern wal": "gloaming burn-in --pattern walk",
    "gloaming completion fi": "gloaming completion fish",
}
"""What is typed, and what TAB makes of it. boat.txt is a file beside the folder boathouse."""
MARK = "\x07"
START = {
    "bash": """source /usr/share/bash-completion/bash_completion
show() { printf '<%s>\\n' "$READLINE_LINE"; READLINE_LINE=; READLINE_POINT=0; }
bind -x '"\\C-g": show'; bind 'set bell-style none'; PS1=; echo rea''dy
""",
    "zsh": """PS1=; unsetopt beep; fpath+=($SHARED/zsh/vendor-completions); autoload -Uz compinit; compinit -u -D
show() { print -r -- "<$BUFFER>"; BUFFER= }
zle -N show; bindkey '^G' show; echo rea''dy
""",
}


class Terminal:
    """An interactive shell in a pseudo-terminal, whose key Ctrl-G prints the line that was typed and empties it."""

    def __init__(self, shell: str, words: list[str], folder: Path, shared: Path) -> None:
        self._ours, theirs = pty.openpty()
        environment = {"PATH": os.environ["PATH"], "HOME": str(folder), "TERM": "dumb", "LC_ALL": "C.UTF-8"}
        environment |= {"XDG_DATA_HOME": str(shared), "SHARED": str(shared)}
        self._process = subprocess.Popen(
            [shell, *words],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=folder,
            env=environment,
            start_new_session=True,
        )
        os.close(theirs)
        self._write(START[shell])
        self._read("ready\r?\n")

    def completed(self, typed: str) -> str:
        """The line after TAB."""
        self._write(f"{typed}\t{MARK}")
        return self._read("<(gloaming .*?) ?>")

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._ours)

    def _write(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def _read(self, pattern: str) -> str:
        read, ends_s = "", time.monotonic() + 30
        while not (found := re.search(pattern, read, re.DOTALL)):
            assert select.select([self._ours], [], [], max(0.0, ends_s - time.monotonic()))[0], read
            read += os.read(self._ours, 65536).decode()
        return found[1] if found.groups() else found[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a person stands; `shared` in it is as usr/share of a package."""
    folder = tmp_path_factory.mktemp("completion")
    (folder / "boathouse").mkdir()
    (folder / "boat.txt").touch()
    (folder / "tide.frames").touch()
    for shell, place in PLACES.items():
        path = folder / "shared" / place
        path.parent.mkdir(parents=True)
        path.write_text(completion(build_parser(), shell))
    return folder


@pytest.fixture(scope="module")
def bash(folder: Path) -> Iterator[Callable[[str], str]]:
    terminal = Terminal("bash", ["--norc", "--noprofile", "-i"], folder, folder / "shared")
    yield terminal.completed
    terminal.end()


@pytest.fixture(scope="module")
def zsh(folder: Path) -> Iterator[Callable[[str], str]]:
    terminal = Terminal("zsh", ["-f", "-i"], folder, folder / "shared")
    yield terminal.completed
    terminal.end()


@needs("bash-completion")
@pytest.mark.parametrize("typed", TYPED)
def test_bash_completes(typed: str, bash: Callable[[str], str]) -> None:
    assert bash(typed) == TYPED[typed]


@needs("zsh")
@pytest.mark.parametrize("typed", TYPED)
def test_zsh_completes(typed: str, zsh: Callable[[str], str]) -> None:
    assert zsh(typed) == TYPED[typed]


@needs("fish")
@pytest.mark.parametrize("typed", TYPED)
def test_fish_completes(typed: str, folder: Path) -> None:
    """`complete -C` of fish lists what TAB would offer for the last word of a command that is there."""
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    environment = {"HOME": str(folder), "XDG_DATA_DIRS": str(folder / "shared"), "LINE": typed, "PATH": path}
    done = subprocess.run(
        ["fish", "-c", "complete -C $LINE"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert [line.split("\t")[0] for line in done.stdout.splitlines()] == [TYPED[typed].rpartition(" ")[2]]


def every_command(parser: Parser) -> Iterator[Parser]:
    for command in commands_of(parser).values():
        yield command
        yield from every_command(command)


@pytest.mark.parametrize("shell", SHELLS)
def test_every_command_and_option_is_in_it(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", shell]) == 0
    text = capsys.readouterr().out
    for command in every_command(build_parser()):
        assert command.prog.rpartition(" ")[2] in text
        for option in command._option_string_actions:
            assert option.lstrip("-") in text


def test_a_parser_needs_the_standard_library_alone() -> None:
    """So the package is built for any board; and a command begins at once on a small one."""
    code = "import sys; from gloaming.api.cli.main import build_parser; build_parser(); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    roots = {name.partition(".")[0] for name in done.stdout.split()}
    slow = {name for name in roots - sys.stdlib_module_names if not name.startswith(("_", "gloaming"))}
    assert slow == set()
