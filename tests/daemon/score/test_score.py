"""Messages as JSON: values come back equal, and nonsense is refused."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.daemon.score import protocol
from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.score.protocol import Black, Op
from gloaming.daemon.score.score import Mix, Picture, Score, ScoreArea, Segment
from gloaming.daemon.score.setup import CutString, Heading, Setup, Target
from gloaming.daemon.score.windows import HeldWindow, NeighboursWindow, Windows
from gloaming.shows.protocols.e131 import IPV4, IPV6

PAGE = (Path(protocol.__file__).parents[1] / "transmitter" / "PROTOCOL.md").read_text(encoding="utf-8")
S = 1_000_000_000

instants = st.integers(-(2**63), 2**63)
shares = st.floats(0, 1)
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
rates = st.fractions(Fraction(1, 1000), 1000, max_denominator=1001)
stills = st.none() | st.integers(0, 1 << 40)
pictures = st.builds(Picture, texts, texts, st.integers(1, 1 << 40), rates, instants, stills, st.booleans())
shown = st.builds(
    Segment,
    st.just(0),
    st.just(1),
    st.none() | texts,
    st.none() | pictures,
    st.integers(0, 255),
    shares,
    shares,
    st.none() | texts,
    st.floats(0, 100),
    shares,
    shares,
)


@st.composite
def scores(draw: Any) -> Score:
    """Consecutive segments, some of them with a cross-fade."""
    edges = accumulate(draw(st.lists(st.integers(1, 10**15), min_size=1, max_size=5)), initial=0)
    segments = []
    for from_ns, until_ns in pairwise(edges):
        going = replace(draw(pictures), ended=False)
        mix = draw(st.none() | st.builds(Mix, st.just(going), st.integers(-9, from_ns), st.integers(until_ns, 10**16)))
        segments.append(replace(draw(shown), from_ns=from_ns, until_ns=until_ns, mix=mix))
    files, device = draw(st.none() | st.integers(0)), draw(st.none() | texts)
    areas = (ScoreArea(((1, 2, 3),), tuple(segments[:2])),) if draw(st.booleans()) else ()
    offsets_ns, delay_ns = (draw(instants), draw(instants)), draw(instants)
    return Score(draw(st.integers(0)), *offsets_ns, tuple(segments), device, delay_ns, files, areas)


HEADING = Heading(UUID(int=7), "Pier Road boathouse", 100, 7000, False)
TARGETS = (Target(1, 510, ("192.0.2.21", IPV4)), Target(63_999, 512, ("2001:db8::21", IPV6), 9_000_000, 15_000_000))
LIMITS = Limits(
    (StringDraw(20.0, ((1, 1, 510), (2, 1, 90))),),
    ((CurrentLimit("port", "3 of left", 5e3, 150.0, (0,)),), (CurrentLimit("supply", "left-12v", 29e3, 150.0, (0,)),)),
)
CUT = CutString(((1, 499, 510), (2, 1, 90)), 3, (2, 30))
SETUP = Setup(HEADING, TARGETS, "eth0", "black", 20, 0, False, 17, "plain", LIMITS, ((1, 4, 5),), (CUT,))
TIDE = Picture("tide", "/x/tide.frames", 4800, Fraction(40), 0)
BELLS = replace(TIDE, piece="bells", path="/x/bells.frames")
SEGMENT = Segment(0, 9 * S, "evening", TIDE, 0, 0.0, 1.0, "/x/tide.flac", 0.5, 0.0, 1.0, Mix(BELLS, 0, 9 * S))
AREA = ScoreArea(((1, 4, 6), (2, 1, 90)), (replace(SEGMENT, picture=BELLS, mix=None),))
SEGMENTS = (SEGMENT, replace(SEGMENT, from_ns=9 * S, until_ns=10 * S, mix=None))
SCORE = Score(17, S, 0, SEGMENTS, "USB Audio", 0, 4711, (AREA,))
WINDOWS = Windows(
    0,
    100 * S,
    (
        NeighboursWindow(10 * S, 20 * S, 0.0, 1.0, "dark", ((1, 4, 6), (2, 1, 512))),
        NeighboursWindow(15 * S, 30 * S, 1.0, 0.5, "quiet"),
    ),
    frozenset({"dark", "quiet"}),
    (HeldWindow(5 * S, 0.0, 0.0, "dark", ((1, 4, 6),)),),
    ((12 * S, 13 * S, 0.05),),
)


def passed(json_: dict[str, Any]) -> dict[str, Any]:
    """The message after a trip through JSON."""
    found: dict[str, Any] = json.loads(json.dumps(json_))
    return found


@given(scores())
def test_a_score_comes_back_equal(score: Score) -> None:
    assert Score.from_json(passed(score.to_json())) == score


@pytest.mark.parametrize(
    "setup",
    [
        SETUP,
        replace(SETUP, targets=(), interface=None, wire=None, limits=None, cuts=()),
        replace(SETUP, limits=Limits((), ())),
    ],
)
def test_a_setup_comes_back_equal(setup: Setup) -> None:
    assert Setup.from_json(passed(setup.to_json())) == setup


@pytest.mark.parametrize("windows", [WINDOWS, Windows(0, 0)])
def test_windows_come_back_equal(windows: Windows) -> None:
    assert Windows.from_json(passed(windows.to_json())) == windows


READ: dict[str, tuple[Callable[[dict[str, Any]], Setup | Score | Windows], dict[str, Any]]] = {
    Op.SETUP: (Setup.from_json, passed(SETUP.to_json())),
    Op.SCORE: (Score.from_json, passed(SCORE.to_json())),
    Op.WINDOWS: (Windows.from_json, passed(WINDOWS.to_json())),
}


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place in a message."""
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in items:
        yield from places(one, (*path, key))


def with_value(message: Any, path: tuple[str | int, ...], value: object) -> Any:
    """A message with another value at a place; `...` removes the key."""
    copy = json.loads(json.dumps(message))
    inner = copy
    for key in path[:-1]:
        inner = inner[key]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return copy


NONSENSE: tuple[object, ...] = (None, "", "\0", -1, 1 << 70, 1.5, float("nan"), float("inf"), [], [[]], {}, {"x": 1})
EVERY = [(op, path) for op, (_, message) in READ.items() for path in places(message) if path != ("op",)]


@pytest.mark.parametrize(("op", "path"), EVERY, ids=str)
def test_a_field_that_is_left_out_or_is_nonsense_is_refused(op: str, path: tuple[str | int, ...]) -> None:
    """Each nonsense value is refused with an exception that the readers of messages catch, or it is a valid value."""
    read, message = READ[op]
    if isinstance(path[-1], str):
        with pytest.raises(LookupError):
            read(with_value(message, path, ...))
    refused = 0
    for nonsense in NONSENSE:
        try:
            value = read(with_value(message, path, nonsense))
        except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
            refused += 1
        else:
            assert read(passed(value.to_json())) == value
    assert refused >= (0 if path[-1] in ("preview", "loop", "yields", "art_sync", "ended") else 2)


@pytest.mark.parametrize(
    ("op", "path", "value", "text"),
    [
        (Op.SCORE, ("segments", 0, "until_ns"), 0, "ends before it begins"),
        (Op.SCORE, ("segments", 1, "from_ns"), 9 * S - 1, "begins before the previous"),
        (Op.SCORE, ("segments", 0, "mix", "until_ns"), 9 * S - 1, "beyond the cross-fade"),
        (Op.SCORE, ("segments", 0, "mix", "from_ns"), 1, "beyond the cross-fade"),
        (Op.SCORE, ("segments", 0, "mix", "picture", "ended"), True, "frames are over"),
        (Op.SCORE, ("segments", 0, "level"), [0.0, 1.1], "from 0 to 1"),
        (Op.SCORE, ("segments", 0, "picture", "fps"), [2001, 2], "more than 1000"),
        (Op.SETUP, ("universes", 1, "number"), 1, "comes twice"),
        (Op.SETUP, ("universes", 0, "hosts"), ["quay.example"], "quay.example"),
        (Op.SETUP, ("universes", 0, "number"), 64_000, "from 1 to 63999"),
        (Op.SETUP, ("source_name",), "x" * 64, "1 to 63 bytes"),
        (Op.SETUP, ("priority",), 201, "from 0 to 200"),
        (Op.SETUP, ("unscaled", 0), [1, 5, 4], "from 5 to 512"),
        (Op.SETUP, ("cuts", 0, "missing", 0), 35, "from 1 to 34"),
        (Op.SETUP, ("cuts", 0, "slots_per_pixel"), 4, "no whole number of pixels of 4"),
        (Op.WINDOWS, ("windows", 0, 4), "x" * 65, "name of a rule"),
        (Op.WINDOWS, ("held", 0, 1), 2, "from 0 to 1"),
    ],
)
def test_an_impossible_value_is_refused(op: str, path: tuple[str | int, ...], value: object, text: str) -> None:
    """ANSI E1.31-2018: universes 6.2.7, the source name 6.2.2, the priority 6.2.3."""
    read, message = READ[op]
    with pytest.raises(ValueError, match=text):
        read(with_value(message, path, value))


def keys(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value) | {key for one in value.values() for key in keys(one)}
    return {key for one in value for key in keys(one)} if isinstance(value, list) else set()


@pytest.mark.parametrize("op", READ)
def test_the_page_of_the_protocol_has_each_field_and_no_other(op: str) -> None:
    """The example of a message, an indented block."""
    (block,) = re.findall(rf'^    \{{"op": "{op}",.*\n(?:     .*\n)*', PAGE, re.MULTILINE)
    assert set(re.findall(r'"(\w+)":', block)) == keys(READ[op][1])


@pytest.mark.parametrize("name", [*Op, *Black])
def test_the_page_of_the_protocol_has_each_kind_of_message_and_each_code(name: str) -> None:
    assert f'"op": "{name}"' in PAGE or f"`{name}`" in PAGE


def loaded_by(modules: str) -> dict[str, str]:
    """Each module that a fresh Python loads for some, and its file."""
    code = (
        f"import json, sys, {modules}\n"
        "print(json.dumps({name: getattr(one, '__file__', None) or '' for name, one in sys.modules.items()}))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    found: dict[str, str] = json.loads(out)
    return found


def test_the_room_needs_nothing_but_the_standard_library() -> None:
    names = loaded_by(", ".join(f"gloaming.daemon.score.{name}" for name in ("score", "setup", "windows")))
    ours = {name for name in names if name.startswith("gloaming.")}
    before = loaded_by("os")
    others = {name.split(".")[0] for name in names.keys() - ours - before.keys()}
    assert others <= {*sys.stdlib_module_names, "gloaming"}


def test_the_name_of_the_program_covers_each_file_that_a_transmitter_loads() -> None:
    """Else the old transmitter would go on after an upgrade."""
    names = loaded_by("gloaming.daemon.transmitter.__main__, gloaming.daemon.transmitter.sound.device")
    files = {Path(file).resolve() for name, file in names.items() if name.startswith("gloaming.") and file}
    assert len(files) > 20 and files <= {path.resolve() for path in protocol.program_files()}


@given(st.fractions(Fraction(1, 100), 1000, max_denominator=1001), st.integers(0, 10**6), st.integers(0, 10**6))
def test_a_frame_is_due_at_the_first_instant_that_shows_it(fps: Fraction, at: int, turn: int) -> None:
    picture = Picture("tide", "/x/tide.frames", 4800, fps, 1_795_000_000 * S)
    at_ns = picture.due_ns(at % 4800, picture.zero_ns + turn * S)
    assert picture.frame_at(at_ns) == at % 4800
    assert picture.frame_at(at_ns - 1) == (at - 1) % 4800
    assert replace(picture, ended=True).frame_at(at_ns) == picture.turn_at(at_ns) * 4800 + at % 4800
