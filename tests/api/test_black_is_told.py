"""A piece plays and nothing is lit: whoever asks why is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.api.evening import Evening, gloaming
from tests.waiting import wait_until


def test_now_and_why_say_why_the_wire_is_black_while_a_piece_plays(tmp_path: Path) -> None:
    evening = Evening(tmp_path / "site", "127.0.74.61", "1")
    evening.write(np.zeros((400, 12), np.uint8))
    evening.move_to("2026-12-01T18:00")
    said = "the wire is black: the picture itself is dark here  [transmitter picture]"
    with evening.running():

        def rules() -> list[str]:
            return [reason["rule"] for reason in evening.now()["reasons"]]

        wait_until(lambda: "transmitter picture" in rules(), "the reason", 60)
        assert said in gloaming("now", "--site", evening.folder).stdout
        assert said in gloaming("why", evening.folder).stdout
    assert said not in gloaming("why", evening.folder).stdout, "nobody is asked where no daemon runs"
