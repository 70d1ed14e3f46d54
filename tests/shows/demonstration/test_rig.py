"""The demonstration's rig: each pixel has its slots, no fuse or supply is overloaded, and rig.toml agrees."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import pytest

from gloaming.shows.demonstration.boathouse import BOTTOM_M, LEFT_M, RIGHT_M, TOP_M, strings
from gloaming.shows.demonstration.rig import places, rig_toml, universes, wiring
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    path = tmp_path_factory.mktemp("rig") / "rig.toml"
    path.write_text(rig_toml("127.0.61.3"))
    return load_rig(path)


def test_there_are_at_least_24_universes() -> None:
    numbers = [universe.number for universe in universes()]
    assert len(numbers) >= 24
    assert numbers == list(range(1, len(numbers) + 1))
    assert [universe.offset for universe in universes()] == [510 * (number - 1) for number in numbers]


def test_the_rig_as_read_has_every_pixel_on_one_slot_of_its_own(rig: Rig) -> None:
    taken: Counter[tuple[int, int]] = Counter()
    for string in rig.string:
        for universe, first, last in string.spans():
            assert 1 <= first <= last <= 510
            taken.update((universe, slot) for slot in range(first, last + 1))
    assert set(taken.values()) == {1}
    assert len(taken) == 3 * sum(len(string.points) for string in strings())


def test_frames_put_a_pixel_where_the_rig_has_it(rig: Rig) -> None:
    """`places` is where the pieces write; the spans of rig.toml are where the controllers read."""
    wired = {string.name: string for string in rig.string}
    expected = [
        (universe - 1) * 170 + (slot - 1) // 3
        for string in strings()
        for universe, first, last in wired[string.name].spans()
        for slot in range(first, last + 1, 3)
    ]
    assert places().tolist() == expected


def test_the_rig_as_read_has_every_string_with_its_points(rig: Rig) -> None:
    assert [string.name for string in rig.string] == [string.name for string in strings()]
    for read, drawn in zip(rig.string, strings(), strict=True):
        assert (read.pixels, read.controller, read.order) == (len(drawn.points), drawn.controller, "RGB")
        assert read.points is not None
        np.testing.assert_allclose(np.array(read.points), drawn.points, atol=0.0051)


def test_a_controller_has_the_universes_of_its_strings_and_no_other(rig: Rig) -> None:
    used: dict[str, set[int]] = {}
    for string in rig.string:
        used.setdefault(string.controller, set()).update(universe for universe, _, _ in string.spans())
    assert used == {controller.name: set(controller.universes) for controller in rig.controller}
    assert {controller.host for controller in rig.controller} == {"127.0.61.3"}


def test_full_white_is_below_every_fuse_and_every_supply(rig: Rig) -> None:
    """Amps by hand: pixels times three colours times the current of one; four fifths of a rating is common practice."""
    drawn: defaultdict[str, float] = defaultdict(float)
    for string in rig.string:
        amps = string.pixels * 3 * string.ma_per_channel / 1000
        assert string.fuse_a is not None and string.supply is not None
        assert amps < 0.8 * string.fuse_a
        drawn[string.supply] += amps
    assert set(drawn) == {supply.name for supply in rig.supply}
    for supply in rig.supply:
        assert drawn[supply.name] <= 0.8 * supply.amps + 1e-9


def test_no_supply_feeds_two_controllers() -> None:
    """Controllers are apart: a shared supply wire between two places would be without a fuse."""
    fed: dict[str, set[str]] = {}
    for wired in wiring():
        fed.setdefault(wired.supply, set()).add(wired.string.controller)
    assert all(len(controllers) == 1 for controllers in fed.values())


def test_every_pixel_hangs_inside_the_picture_and_none_on_another() -> None:
    points = np.concatenate([string.points for string in strings()])
    assert (points >= (LEFT_M, BOTTOM_M)).all() and (points <= (RIGHT_M, TOP_M)).all()
    for string in strings():
        gaps = np.hypot(*np.diff(string.points, axis=0).T)
        assert gaps.min() > 0.05, f"{string.name}: pixels 5 cm apart cannot be bought"
        assert gaps.max() < 4.5, f"{string.name}: a lead of more than 4.5 m between two pixels"
