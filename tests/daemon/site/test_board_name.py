"""Where a board finds its name."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from gloaming.daemon.site import board_name
from gloaming.shows.rig.model import Named

BOARDS = (Named(name="quay"), Named(name="east"))


def test_the_variable_comes_before_the_file_and_the_file_before_the_name_of_the_host(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "board"
    monkeypatch.setattr(board_name, "FILE", file)
    monkeypatch.delenv(board_name.VARIABLE, raising=False)
    assert board_name.board_name() == socket.gethostname().partition(".")[0]
    file.write_text("\n", encoding="utf-8")
    assert board_name.board_name() == socket.gethostname().partition(".")[0]
    file.write_text(" east \nthe board at the far end\n", encoding="utf-8")
    assert board_name.board_name() == "east"
    monkeypatch.setenv(board_name.VARIABLE, "quay")
    assert board_name.board_name() == "quay"


def test_a_name_that_is_not_in_the_site_is_said_with_its_source_and_why_the_file_was_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_name, "FILE", tmp_path)  # a folder: reading it fails
    monkeypatch.delenv(board_name.VARIABLE, raising=False)
    monkeypatch.setattr(socket, "gethostname", lambda: "lamp.lan")
    found = board_name.unknown_board(board_name.board_name(), BOARDS)
    assert found
    assert f"'lamp' (the name of this host; {tmp_path} cannot be read: Is a directory)" in found.problem
    assert found.problem.endswith("its boards are quay, east")
    assert board_name.unknown_board("east", BOARDS) is None
    assert board_name.unknown_board("lamp", ()) is None  # a site without boards
    many = board_name.unknown_board("lamp", [Named(name=f"b{number}") for number in range(1000)])
    assert many and many.problem.endswith("b11 and 988 more")
