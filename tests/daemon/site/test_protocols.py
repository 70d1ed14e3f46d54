"""What site.toml asks of controllers that receive Art-Net or DDP, and these protocols do not have."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.daemon.site.load import load_site
from gloaming.shows.config_files.errors import ConfigErrorCode, InputError
from tests.daemon.site.errors import RIG, SITE
from tests.daemon.site.test_config_errors import pieces as pieces  # a fixture
from tests.daemon.site.test_config_errors import written

ARTNET, DDP = ('universes = "1-4"\nprotocol = "artnet"', 'universes = "5-8"\nprotocol = "ddp"')
ONE = RIG.replace('universes = "1-4"', ARTNET)
BOTH = ONE.replace('universes = "5-8"', DDP)
KEYS = "priority = 150\nsynchronization = 7000\npreview = true\nart_sync = true"


def warnings(folder: Path) -> list[str]:
    found = load_site(folder).warnings
    assert {one.code for one in found} <= {ConfigErrorCode.NOT_IN_PROTOCOL}
    return [str(one).removeprefix(f"{folder}/") for one in found]


@pytest.mark.parametrize(
    ("rig", "lacks"),
    [
        (RIG, None),
        (ONE, "Art-Net has no {}, so it does nothing for left; it holds for the controllers with E1.31 alone"),
        (
            BOTH,
            "Art-Net and DDP have no {}, so it does nothing for left, right; remove it: no controller receives E1.31",
        ),
    ],
)
def test_a_key_that_a_protocol_does_not_have_is_reported(
    tmp_path: Path, pieces: Path, rig: str, lacks: str | None
) -> None:
    """Loading succeeds: the other controllers may need the key."""
    site = SITE.partition("[[board]]")[0].replace("priority = 100", KEYS)
    found = [line.partition(": ")[2] for line in warnings(written(tmp_path, pieces, site, rig))]
    if lacks is None:
        assert found == [
            'output.art_sync: no controller receives Art-Net; remove it, or write protocol = "artnet" at the '
            "controllers that receive Art-Net"
        ]
    else:
        assert found == [f"output.{key}: {lacks.format(key)}" for key in ("priority", "synchronization", "preview")]


def test_keys_that_are_not_written_are_not_reported(tmp_path: Path, pieces: Path) -> None:
    site = SITE.partition("[[board]]")[0].replace("priority = 100", "preview = false")
    assert warnings(written(tmp_path, pieces, site, BOTH)) == []


@pytest.mark.parametrize(("board", "words"), [("quay", "left by Art-Net"), ("east", "right by DDP")])
def test_a_board_that_feeds_such_a_controller_has_no_spare(
    tmp_path: Path, pieces: Path, board: str, words: str
) -> None:
    site = SITE.replace('spare_for = "quay"', f'spare_for = "{board}"')
    with pytest.raises(InputError) as caught:
        load_site(written(tmp_path, pieces, site, BOTH))
    (error,) = caught.value.errors
    line = site[: site.index("spare_for")].count("\n") + 1
    assert str(error).removeprefix(f"{tmp_path}/") == (
        f"site.toml:{line}: board[2].spare_for: {board} feeds {words}, which has no priority: both boards would send "
        f"to it; remove this board, or let a board that has no spare feed {words.split()[0]}"
    )


def test_a_board_of_the_site_may_feed_art_net_where_another_one_has_a_spare(tmp_path: Path, pieces: Path) -> None:
    rig = RIG.replace('universes = "5-8"', 'universes = "5-8"\nprotocol = "artnet"')
    assert warnings(written(tmp_path, pieces, SITE.replace("priority = 100\n", ""), rig)) == []
