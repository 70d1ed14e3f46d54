"""A board's figures, and the troubles that they show."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.planner.health import BoardHealth, read_board, troubles_of
from gloaming.daemon.planner.troubles import DO

WELL = BoardHealth(
    temperature_c=48.0,
    disk_free_bytes=20 << 30,
    disk_bytes=32 << 30,
    memory_free_bytes=600 << 20,
    memory_bytes=1 << 30,
    own_memory_bytes=90 << 20,
    written_bytes=1 << 30,
    own_written_bytes=1 << 20,
    wear_steps=2,
    open_files=20,
)


def test_good_figures_are_no_trouble() -> None:
    assert troubles_of(WELL) == []


def test_missing_figures_are_no_trouble() -> None:
    nothing = dict.fromkeys(("temperature_c", "disk_free_bytes", "memory_free_bytes", "wear_steps"))
    assert troubles_of(replace(WELL, **nothing)) == []  # type: ignore[arg-type]  # None for each


@pytest.mark.parametrize(
    ("change", "kind", "word"),
    [
        ({"temperature_c": 84.0}, "temperature", "84 degrees"),
        ({"disk_free_bytes": 12 << 20}, "disk", "12 MB left"),
        ({"memory_free_bytes": 20 << 20}, "memory", "20 MB"),
        ({"wear_steps": 10}, "wear", "100 %"),
    ],
)
def test_each_bad_figure_is_a_trouble_with_a_remedy(change: dict[str, float], kind: str, word: str) -> None:
    (trouble,) = troubles_of(replace(WELL, **change))  # type: ignore[arg-type]  # figures of several types
    assert trouble.kind == kind
    assert word in trouble.text
    assert DO[kind]


def test_the_machine_s_own_figures_are_read(tmp_path: Path) -> None:
    board = read_board(tmp_path)
    total = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    assert board.memory_bytes == pytest.approx(total, rel=0.05)
    assert board.own_memory_bytes > 1 << 20
    assert board.open_files > 2
