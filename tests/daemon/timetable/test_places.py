"""Coordinates as people write them: on maps, on phones, in a log book."""

from __future__ import annotations

import pytest

from gloaming.daemon.timetable.places import read_place
from gloaming.shows.config_files.errors import WrongValueError

QUAY = (54.486111, -0.613056)
"""54 degrees 29 minutes 10 seconds north, 0 degrees 36 minutes 47 seconds west, by arithmetic."""


@pytest.mark.parametrize(
    "text",
    [
        "54.486, -0.613",
        "54.486,-0.613",
        "54.486 -0.613",
        "54,486 -0,613",
        "54,486; -0,613",
        "N54.486 W0.613",
        "54.486N0.613W",
        "54.486° N, 0.613° W",
        "0.613w, 54.486n",
        "54.486, −0.613",  # a minus sign, as a page has it
        "+54.486-000.613/",  # the text of ISO 6709, from memory
    ],
)
def test_degrees_are_read_in_the_usual_forms(text: str) -> None:
    assert read_place(text) == (54.486, -0.613)


@pytest.mark.parametrize(
    "text",
    [
        "54°29'10\"N 0°36'47\"W",
        "54° 29′ 10″ N, 0° 36′ 47″ W",  # with primes
        "54 29 10 N, 0 36 47 W",
        "54°29'10''N 0°36'47''W",
        "N 54° 29' 10\", W 0° 36' 47\"",
    ],
)
def test_minutes_and_seconds_are_sixtieths(text: str) -> None:
    assert read_place(text) == QUAY


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "is not a place"),
        ("the quay", "is not a place"),
        ("54486", "is not a place"),
        ("54.486", "is not a place"),
        ("91, 0", "90 degrees at most"),
        ("0, 181", "a longitude 180"),
        ("54N 3N", "is not a latitude and a longitude"),
        ("-54N 0W", "a sign and a letter"),
        ("54 29 0 36", "minutes without a letter"),
        ("54°60'N 0°0'W", "60 minutes or more"),
    ],
)
def test_what_is_no_place_has_a_problem_and_a_hint(text: str, problem: str) -> None:
    with pytest.raises(WrongValueError) as caught:
        read_place(text)
    assert problem in caught.value.problem
    assert "54.486, -0.613" in caught.value.hint
