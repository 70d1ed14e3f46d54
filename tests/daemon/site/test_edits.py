"""Changes of a form are made in the text of site.toml: comments, order and spaces stay."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.site.edits import MADE, edited
from gloaming.shows.config_files.errors import InputError

SITE = """# Pier Road boathouse, by hand
[site]   # where it is
name = "Pier Road boathouse"
latitude = 54.486

[neighbours]
dark = [
    { from = "23:00", to = "07:00" },   # the whole street
]

[output]
brightness = 0.8   # the neighbours asked

[[output.zone]]
name = "roof"
brightness = 0.4

[[piece]]
name = "tide"
frames = "pieces/tide.frames"

[[piece]]
name = "bells"
frames = "pieces/bells.frames"   # the old ones

[[show]]
name = "evening"
order = [
    "tide",
    "bells",
]
between = "bells"

[[performance]]
show = "evening"
season = "11-27..01-06"
from = "sunset + 20 min"
not_before = "16:30"
to = "22:00"   # then it is quiet

# the end
"""

CASES: dict[str, tuple[dict[str, Any], list[tuple[str, str]]]] = {
    "season": (
        {"change": "season", "performance": 0, "season": "12-01..01-06"}, [('"11-27..01-06"', '"12-01..01-06"')]),
    "no season": (
        {"change": "season", "performance": 0, "season": None}, [('season = "11-27..01-06"\n', "")]),
    "opening": (
        {"change": "opening", "performance": 0, "time": "17:00"}, [('"sunset + 20 min"', '"17:00"')]),
    "opening without a limit": (
        {"change": "opening", "performance": 0, "time": "17:00", "not_before": None},
        [('"sunset + 20 min"', '"17:00"'), ('not_before = "16:30"\n', "")]),
    "closing": ({"change": "closing", "performance": 0, "time": "21:30"}, [('"22:00"', '"21:30"')]),
    "order": (
        {"change": "order", "show": "evening", "order": ["bells", "tide"]},
        [('"tide",\n    "bells"', '"bells",\n    "tide"')]),
    "brightness": ({"change": "brightness", "brightness": 0.5}, [("0.8", "0.5")]),
    "brightness of a zone": ({"change": "brightness", "brightness": 0.5, "zone": "roof"}, [("0.4", "0.5")]),
    "brightness of another zone": (
        {"change": "brightness", "brightness": 0.5, "zone": "railing"},
        [("brightness = 0.4\n\n", 'brightness = 0.4\n\n[[output.zone]]\nname = "railing"\nbrightness = 0.5\n\n')]),
    "longer hours": (
        {"change": "hours", "kind": "dark", "number": 0, "begin": "22:30"}, [('"23:00"', '"22:30"')]),
    "more hours": (
        {"change": "hours", "kind": "dark", "begin": "22:00", "end": "06:00", "zone": "roof"},
        [("the whole street\n", 'the whole street\n    {zone = "roof", from = "22:00", to = "06:00"},\n')]),
    "hours of another kind": (
        {"change": "hours", "kind": "dim", "begin": "21:30", "end": "23:00", "brightness": 0.5},
        [("]\n\n[output]",
          ']\n\n[[neighbours.dim]]\nfrom = "21:30"\nto = "23:00"\nbrightness = 0.5\n\n[output]')]),
    "piece": (
        {"change": "piece", "name": "swell", "frames": "pieces/swell.frames", "show": "evening"},
        [("the old ones\n\n", 'the old ones\n\n[[piece]]\nname = "swell"\nframes = "pieces/swell.frames"\n\n'),
         ('"bells",\n]', '"bells",\n    "swell",\n]')]),
    "the file of a piece": (
        {"change": "piece-file", "name": "bells", "frames": "pieces/bells2.frames"},
        [('"pieces/bells.frames"', '"pieces/bells2.frames"')]),
    "the sound of a piece": (
        {"change": "piece-file", "name": "bells", "sound": "pieces/bells.flac"},
        [("# the old ones\n", '# the old ones\nsound = "pieces/bells.flac"\n')]),
    "the title of a piece": (
        {"change": "piece-title", "name": "bells", "title": "Ring the bells", "artist": None},
        [("# the old ones\n", '# the old ones\ntitle = "Ring the bells"\n')]),
    "remove a piece": (
        {"change": "remove-piece", "name": "bells"},
        [('[[piece]]\nname = "bells"\nframes = "pieces/bells.frames"   # the old ones\n\n', ""),
         ('    "bells",\n', ""), ('between = "bells"\n', "")]),
    "name": ({"change": "name", "name": "The quay"}, [('name = "Pier Road boathouse"', 'name = "The quay"')]),
    "rename a show": (
        {"change": "rename", "kind": "show", "name": "evening", "to": "night"}, [('"evening"', '"night"')]),
    "rename a piece": (
        {"change": "rename", "kind": "piece", "name": "bells", "to": "chimes"}, [('"bells"', '"chimes"')]),
}  # fmt: skip


@pytest.mark.parametrize("crlf", [False, True])
@pytest.mark.parametrize("case", sorted(CASES))
def test_a_change_leaves_the_rest_of_the_text(case: str, crlf: bool) -> None:
    change, replaced = CASES[case]
    wanted, text = SITE, SITE
    for old, new in replaced:
        assert old in wanted
        wanted = wanted.replace(old, new)
    if crlf:
        text, wanted = ("\ufeff" + one.replace("\n", "\r\n") for one in (text, wanted))
    assert edited(text, [change]) == wanted


def test_every_change_has_a_case() -> None:
    assert {change["change"] for change, _ in CASES.values()} == set(MADE)


REFUSED = {
    "no such show": ({"change": "order", "show": "evenings", "order": ["tide"]}, "did you mean evening?"),
    "no such piece": ({"change": "remove-piece", "name": "tides"}, "did you mean tide?"),
    "no such performance": ({"change": "closing", "performance": 1, "time": "21:00"}, "there are 1, from 0"),
    "no such hours": ({"change": "hours", "kind": "dark", "number": 1, "end": "08:00"}, "there are 1, from 0"),
    "a piece twice": ({"change": "piece", "name": "tide", "frames": "x.frames"}, "give it another name"),
    "a name twice": ({"change": "rename", "kind": "piece", "name": "tide", "to": "bells"}, "give it another name"),
}


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_a_change_that_cannot_be_made_is_one_clear_line(case: str) -> None:
    change, words = REFUSED[case]
    with pytest.raises(InputError) as found:
        edited(SITE, [change])
    assert words in str(found.value)
    assert len(str(found.value).splitlines()) == 1


def test_the_only_piece_of_a_show_stays() -> None:
    first = edited(SITE, [{"change": "remove-piece", "name": "bells"}])
    with pytest.raises(InputError, match="the only piece of evening"):
        edited(first, [{"change": "remove-piece", "name": "tide"}])


@pytest.mark.parametrize("text", ["[site\n", "show = 3\n", "", 'output = "bright"\n', "piece = [1]\n"])
def test_a_text_of_another_form_is_one_clear_line_or_changed(text: str) -> None:
    for change, _ in CASES.values():
        try:
            changed = edited(text, [change])
        except InputError as error:
            assert len(str(error).splitlines()) == 1
        else:
            tomllib.loads(changed)


INLINE = """site = { name = "Quay", latitude = 1.0 }
output.brightness = 0.3
show = [{ name = "evening", order = ["tide"] }, { name = "late", order = ["tide"] }]
performance = [{ show = "evening", from = "17:00", to = "22:00" }]
piece = [{ name = "tide", frames = "tide.frames" }]
"""


@pytest.mark.parametrize("case", sorted(CASES))
def test_tables_on_one_line_are_changed_or_refused(case: str) -> None:
    """Whatever form a text has: it says afterwards what was asked for, or one line says that it cannot."""
    change = CASES[case][0]
    try:
        text = edited(INLINE, [change])
    except InputError as error:
        assert len(str(error).splitlines()) == 1
        return
    data = tomllib.loads(INLINE)
    MADE[change["change"]](data, change)
    assert tomllib.loads(text) == data


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(sorted(CASES)), max_size=5))
def test_any_run_of_changes_gives_the_data_that_plain_tables_would_have(names: list[str]) -> None:
    data, changes = tomllib.loads(SITE), [CASES[name][0] for name in names]
    try:
        text = edited(SITE, changes)
    except InputError:
        return
    for change in changes:
        MADE[change["change"]](data, change)
    assert tomllib.loads(text) == data
    assert text.count("#") >= SITE.count("#") - 1, "comments stay"
