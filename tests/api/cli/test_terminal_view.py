"""The picture in a terminal, checked cell by cell against where pixels hang and what levels they were given."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from rich.console import Console

from gloaming.api.cli.terminal_view import TerminalPicture
from gloaming.shows.demonstration.boathouse import strings
from gloaming.shows.demonstration.rig import universes, wiring


def levels_with(name: str, tint: tuple[int, int, int]) -> dict[int, bytes]:
    """One string lit in one colour, the rest dark, found by the wiring's own numbers."""
    frame = {universe.number: bytearray(universe.slots) for universe in universes()}
    wired = next(wired for wired in wiring() if wired.string.name == name)
    for pixel in range(len(wired.string.points)):
        place = (wired.universe - 1) * 170 + (wired.slot - 1) // 3 + pixel
        first = 3 * (place % 170)
        frame[place // 170 + 1][first : first + 3] = bytes(tint)
    return {number: bytes(data) for number, data in frame.items()}


def test_nothing_received_is_an_empty_picture() -> None:
    text = TerminalPicture(80, 20).render({})
    assert text.plain.strip() == "" and not text.spans


@pytest.mark.parametrize(("columns", "rows"), [(20, 6), (80, 19), (110, 34), (300, 90)])
def test_the_picture_fits_the_terminal(columns: int, rows: int) -> None:
    lines = TerminalPicture(columns, rows).render(levels_with("mast", (255, 255, 255))).plain.splitlines()
    assert 1 <= len(lines) <= rows
    assert {len(line) for line in lines} == {columns}


def test_a_string_shows_where_it_hangs() -> None:
    picture = TerminalPicture(110, 34)
    image = picture.image(levels_with("light-dome", (0, 0, 255)))
    bright = np.argwhere(image[..., 2] > 200)
    across, down = bright[:, 1] / 109, bright[:, 0] / (picture.high - 1)
    # the dome stands at x 36.8 to 38.2 of -2.4 to 41 metres, y 9.6 to 10.3 of 12.6 to 0: worked out by hand
    assert across.min() > 0.88 and across.max() < 0.95
    assert down.min() > 0.16 and down.max() < 0.26


def test_levels_are_light_and_are_shown_with_the_gamma_of_a_screen() -> None:
    """Half the light is shown as 186 of 255 by a power of 2.2, the usual approximation of a screen's curve."""
    image = TerminalPicture(110, 34).image(levels_with("star", (128, 0, 0)))
    assert image[..., 0].max() == round(255 * (128 / 255) ** (1 / 2.2)) == 186
    assert not image[..., 1:].any()


def test_every_string_is_seen() -> None:
    picture = TerminalPicture(110, 34)
    for string in strings():
        assert picture.image(levels_with(string.name, (255, 0, 0))).any(), string.name


def test_universes_of_others_and_short_packets_do_no_harm() -> None:
    picture = TerminalPicture(80, 20)
    assert not picture.image({0: b"\xff" * 512, 999: b"\xff" * 512, 1: b"", 2: b"\xff\xff"}).any()
    assert picture.image({1: b"\xff" * 512}).any()


def test_a_terminal_gets_colours_that_it_supports() -> None:
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, color_system="truecolor", width=80)
    console.print(TerminalPicture(80, 20).render(levels_with("star", (255, 0, 0))))
    assert re.search(r"\x1b\[38;2;255;0;0(;48;2;\d+;0;0)?m▀", stream.getvalue())
