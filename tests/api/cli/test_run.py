"""What `gloaming run` says on the terminal before the show begins."""

from __future__ import annotations

import os
import pwd
import sys
from pathlib import Path

import pytest

from gloaming.api.cli import run
from gloaming.shows.config_files.errors import InputError
from tests.daemon.quay_site import EVENING, TABLES, write


def test_each_command_of_a_hook_is_named_with_the_user_that_it_runs_as(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    hooks = "".join(
        f'\n[[hook]]\nat = "piece-{at}"\ncommand = ["/usr/local/bin/snow", "{word}"]\n'
        for at, word in (("begins", "{title}"), ("ends", "off"))
    )
    folder = write(tmp_path / "site", TABLES, EVENING, hooks)
    monkeypatch.setattr(sys, "argv", ["run", str(folder), str(tmp_path / "state")])
    assert run._check() == 0
    said = capsys.readouterr().out.splitlines()
    user = pwd.getpwuid(os.geteuid()).pw_name
    end = f"runs as {user}, without access to Gloaming's state"
    assert [line.partition(": ")[2] for line in said if "snow" in line] == [
        f"the command /usr/local/bin/snow {{title}} {end}",
        f"the command /usr/local/bin/snow off {end}",
    ]


def test_a_board_whose_name_is_not_in_the_site_gets_one_line_with_the_names_that_exist(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boards = '\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n\n[[board]]\nname = "loft"\nspare_for = "quay"\n'
    folder = write(tmp_path / "site", TABLES, EVENING, boards)
    monkeypatch.setattr(sys, "argv", ["run", str(folder), str(tmp_path / "state")])
    monkeypatch.setenv("GLOAMING_BOARD", "quai")
    with pytest.raises(InputError) as error:
        run._check()
    (line,) = map(str, error.value.errors)
    assert "'quai' ($GLOAMING_BOARD); its boards are quay, loft; write one of these names" in line
    monkeypatch.setenv("GLOAMING_BOARD", "loft")
    assert run._check() == 0
