"""The order of the pixels in a matrix: small ones against lists written by hand, all there and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.mapping import Matrix, channels_of, colours_of, parse_matrix


@pytest.mark.parametrize(
    "first_pixel, runs, back_and_forth, path",
    [
        ("top-left", "across", False, [0, 1, 2, 3, 4, 5]),
        ("top-left", "across", True, [0, 1, 2, 5, 4, 3]),
        ("top-right", "across", False, [2, 1, 0, 5, 4, 3]),
        ("bottom-left", "across", True, [3, 4, 5, 2, 1, 0]),
        ("top-left", "down", False, [0, 3, 1, 4, 2, 5]),
        ("bottom-right", "down", True, [5, 2, 1, 4, 3, 0]),
    ],
)
def test_the_path_of_the_cable(first_pixel: str, runs: str, back_and_forth: bool, path: list[int]) -> None:
    assert Matrix(3, 2, first_pixel, runs, back_and_forth).path().tolist() == path


@given(
    st.integers(1, 9),
    st.integers(1, 9),
    st.sampled_from(["top-left", "top-right", "bottom-left", "bottom-right"]),
    st.sampled_from(["across", "down"]),
    st.booleans(),
    st.sampled_from(["RGB", "GRB", "BGR", "RGBW", "WGRB"]),
)
def test_a_picture_comes_back_from_its_slots(
    width: int, height: int, first_pixel: str, runs: str, back_and_forth: bool, order: str
) -> None:
    matrix = Matrix(width, height, first_pixel, runs, back_and_forth, order)
    pictures = np.random.default_rng(width).integers(0, 256, (3, height, width, 3), np.uint8)
    frames = matrix.to_slots(pictures)
    assert frames.shape == (3, matrix.slots)
    assert np.array_equal(matrix.to_pictures(frames), pictures)


def test_slots_have_the_order_of_the_colours() -> None:
    orange = np.array([[[[255, 100, 10]]]], np.uint8)
    assert Matrix(1, 1, order="GRB").to_slots(orange).tolist() == [[100, 255, 10]]
    assert Matrix(1, 1, order="RGBW").to_slots(orange).tolist() == [[245, 90, 0, 10]]


@pytest.mark.parametrize(
    ("order", "channels", "shown"),
    [
        ("BGR", [10, 100, 255], [255, 100, 10]),
        ("WGRB", [10, 90, 245, 0], [255, 100, 10]),
        ("GBW", [90, 0, 10], [10, 100, 10]),
        ("W", [121], [121, 121, 121]),
        ("RGBWA", [245, 90, 0, 10, 0], [255, 100, 10]),
        ("WRGWB", [10, 245, 90, 0, 0], [255, 100, 10]),
    ],
)
def test_each_order_shows_what_it_can_of_a_colour(order: str, channels: list[int], shown: list[int]) -> None:
    orange = np.array([[[255, 100, 10]]], np.uint8)
    assert channels_of(orange, order).tolist() == [[channels]]
    assert colours_of(np.array([[channels]], np.uint8), order).tolist() == [[shown]]


def test_channels_add_up_to_at_most_full() -> None:
    assert colours_of(np.array([[[200, 0, 9, 100, 200]]], np.uint8), "RGBWA").tolist() == [[[255, 200, 109]]]


@pytest.mark.parametrize(
    "size, order", [("64", "RGB"), ("0x3", "RGB"), ("99999x99999", "RGB"), ("2x2", "RGG"), ("2x2", "")]
)
def test_an_impossible_matrix_is_refused(size: str, order: str) -> None:
    with pytest.raises(InputError):
        parse_matrix(size, "top-left", "across", False, order)
