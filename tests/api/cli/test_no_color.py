"""With NO_COLOR, on a terminal that knows no codes, and into a pipe, no command writes an escape code."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from gloaming.api.cli.main import build_parser
from gloaming.api.cli.parser import commands_of
from tests.api.cli.conftest import AnsweringServer
from tests.api.cli.test_progress import CALLS, SLOWLY, folder
from tests.terminal import in_terminal

ESCAPE = "\x1b"
PLAIN = {"no colour": {"NO_COLOR": "0"}, "dumb": {"TERM": "dumb"}}
"""NO_COLOR may have any value but none (https://no-color.org)."""
ANSWERS = ("survey site --ask-nobody", "why site", "nights site", "now site", "frames info in.frames", "site schema")
EACH = SLOWLY.replace(
    "sys.exit(main.main())",
    """
import json
for call in json.loads(sys.argv[1]):
    try:
        main.main(call)
    except SystemExit:
        pass
print("all done")
""",
)
"""Many calls in one process, so that numpy and the others are loaded once."""
__all__ = ["folder"]


def every_command() -> Iterator[list[str]]:
    """The words of every command and verb."""
    for name, command in commands_of(build_parser()).items():
        yield [name]
        yield from ([name, verb] for verb in commands_of(command))


@pytest.mark.parametrize("how", PLAIN)
def test_no_answer_no_help_and_no_error_has_an_escape_code(how: str, folder: Path, board: AnsweringServer) -> None:
    link = {"code": "quay", "link": f"{board.url}/#quay", "other_links": [], "kind": "operator"}
    board.answer = lambda path: board.json(201, **link, until="2026-12-12T17:30:00")
    (folder / "token").write_text("quay-7\n")
    calls = [call.split() for call in (*CALLS, *ANSWERS, f"pair --url {board.url} --token-file token", "undoo", "")]
    calls += [[*words, "--help"] for words in every_command()] + [[*words, "--nonsense"] for words in every_command()]
    code, written = in_terminal([sys.executable, "-c", EACH, json.dumps(calls)], folder, 120, **PLAIN[how])
    assert code == 0 and written.endswith("all done\r\n"), written[-2000:]
    for seen in (
        "tide.frames",
        "25%",
        "signs one phone in",
        "▀",
        "surveyed",
        "did you mean undo",
        "usage: gloaming rig-check",
    ):
        assert seen in written, seen
    assert ESCAPE not in written


def test_a_report_on_a_terminal_has_colours_and_in_a_pipe_none(folder: Path) -> None:
    command = [sys.executable, "-m", "gloaming.api.cli.main", "survey", "site", "--ask-nobody"]
    assert ESCAPE in in_terminal(command, folder)[1]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.stdout and ESCAPE not in done.stdout + done.stderr


@pytest.mark.slow
def test_the_demonstration_shows_its_picture_on_a_terminal_and_one_line_without_escape_codes() -> None:
    """The show opens a few seconds after the start, sooner by what the start took."""
    command = [sys.executable, "-m", "gloaming.api.cli.main", "demo", "--for", "4"]
    code, written = in_terminal(command, None, 180)
    assert code == 0 and ESCAPE in written and "▀" in written, written
    code, written = in_terminal(command, None, 180, NO_COLOR="1")
    assert code == 0 and ESCAPE not in written and "▀" not in written, written
    assert "\rplaying  " in written and "received " in written
