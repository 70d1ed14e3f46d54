"""For the tests of what is played: the demonstration's pieces, which take a while to draw."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.demonstration.season import make_season


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration's site folder; its pieces are drawn once on a machine, as at home."""
    folder = tmp_path_factory.mktemp("demonstration") / "pier-road"
    make_season(folder, "127.0.61.4", "127.0.61.4:8091")
    return folder
