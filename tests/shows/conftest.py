"""The demonstration's pieces, for tests. They take a while to render."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.demonstration.season import make_season


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration's site folder. Its pieces are rendered once on a machine."""
    folder = tmp_path_factory.mktemp("demonstration") / "pier-road"
    make_season(folder, "127.0.61.4", "127.0.61.4:8091")
    return folder
