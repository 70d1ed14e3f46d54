"""What several tests of the api need."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.api.daemon import Daemon


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    one = Daemon(tmp_path_factory.mktemp("daemon"))
    yield one
    one.stop()
