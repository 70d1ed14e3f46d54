"""Hooks at the beginnings and ends of pieces and shows: which are sent, in which second, with what."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from gloaming.daemon.direction.requests import ask
from gloaming.daemon.integrations.delivery import Message
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.load import load_site
from tests.daemon.quay_site import SECOND_NS, TABLES, ns, performance, write

OPENS = ns("2026-12-01T17:00:00")
NIGHT = performance('from = "17:00"\nto = "17:20"')
SHORT = '\n[[show]]\nname = "short"\norder = ["swell"]\n'
SIGN = 'mqtt = "mqtt://127.0.74.50/sign"'
TITLED = TABLES.replace(
    'name = "tide"\n', 'name = "tide"\ntitle = "The tide, “in”"\nartist = "Pier Road ensemble"\n', 1
)
"""The order is bells (100 s), tide (225 s), lanterns (140 s), with gaps of 4 s."""
Heard = list[tuple[int, str]]
"""Seconds after the opening, and what was sent."""


def hook(at: str, body: str, *more: str) -> str:
    return "\n".join(["", "[[hook]]", f'at = "{at}"', SIGN, f"body = {json.dumps(body)}", *more, ""])


class Board:
    """A planner whose clock is set by hand, a second at a time, and whose hooks' messages are kept."""

    def __init__(self, folder: Path, *tables: str) -> None:
        self.folder = folder
        self.second = 0
        self.heard: Heard = []
        self.messages: list[Message] = []
        self.clock = Clock(wall=lambda: OPENS + self.second * SECOND_NS, monotonic=lambda: 0, offset_ns=1)
        write(folder / "site", TITLED, SHORT, NIGHT, *tables)
        self.start()

    def start(self) -> None:
        self.planner = Planner(load_site(self.folder / "site"), self.folder / "state", self.clock)
        self.catch()

    def catch(self) -> None:
        for messenger in self.planner._parts.monitor.hooks._messengers.values():
            messenger.send = self._keep  # type: ignore[method-assign]  # nothing is to go out here

    def _keep(self, message: Message) -> None:
        assert isinstance(message.do, partial)
        if len(message.do.args) > 1:  # not the loading of the library
            self.messages.append(message)
            self.heard.append((self.second, str(message.do.args[1])))

    def run(self, from_s: int, until_s: int) -> Heard:
        """Look each second; what was sent."""
        self.heard.clear()
        for self.second in range(from_s, until_s):
            self.planner._parts.monitor.send_due()
        return self.heard.copy()

    def ask(self, second: int, **request: object) -> None:
        """Somebody asks for an override."""
        self.second = second
        situation = self.planner._parts.situation
        situation.add(ask(request, situation.now_ns(), situation.site, situation.overrides, "Ada"))

    def close(self) -> None:
        self.planner._parts.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Callable[..., Board]]:
    made: list[Board] = []

    def make(*tables: str) -> Board:
        made.append(Board(tmp_path, *tables))
        return made[-1]

    yield make
    for one in made:
        one.close()


TITLE = hook("piece-begins", "{title}", "again_at_start = true")


def test_a_sign_gets_each_title_in_the_second_of_its_piece(board: Callable[..., Board]) -> None:
    at_sign = board(TITLE, hook("piece-ends", "nothing"))
    assert at_sign.run(-5, 480) == [
        (0, "bells"),
        (100, "nothing"),
        (104, "The tide, “in”"),
        (329, "nothing"),
        (333, "lanterns"),
        (473, "nothing"),
        (477, "bells"),
    ]


def test_the_placeholders_name_the_piece_and_the_next_one(board: Callable[..., Board]) -> None:
    text = "{piece}/{title}/{artist}/{show}/{length}/{next}/{next_title}"
    seen = board(*(hook(at, f"{at} {text}") for at in ("show-begins", "piece-begins", "piece-ends", "opening")))
    assert seen.run(-5, 105) == [
        (0, "opening ///evening//bells/bells"),
        (0, "show-begins ///evening//bells/bells"),
        (0, "piece-begins bells/bells//evening/1:40/tide/The tide, “in”"),
        (100, "piece-ends bells/bells//evening/1:40/tide/The tide, “in”"),
        (104, "piece-begins tide/The tide, “in”/Pier Road ensemble/evening/3:45/lanterns/lanterns"),
    ]
    last = seen.run(1195, 1201)
    assert [body for _, body in last if "piece-ends" in body] == [
        "piece-ends tide/The tide, “in”/Pier Road ensemble/evening/3:45//"
    ]


def test_in_a_json_body_the_values_are_escaped_and_its_braces_stay(board: Callable[..., Board]) -> None:
    title = 'He said \\"in\\", {next}'
    piece = TABLES.replace('name = "bells"', f'name = "bells"\ntitle = "{title}"', 1)
    tables = board(hook("piece-begins", '{"now": {"title": "{title}"}, "at": {"n": 1}}'))
    write(tables.folder / "site", piece, SHORT, NIGHT, hook("piece-begins", '{"now": {"title": "{title}"}, "n": {}}'))
    tables.close()
    tables.start()
    ((_, body),) = tables.run(-1, 1)
    assert json.loads(body) == {"now": {"title": 'He said "in", {next}'}, "n": {}}


def test_only_the_pieces_that_a_hook_is_for(board: Callable[..., Board]) -> None:
    """The snow machine runs for one song, and ten seconds longer."""
    only = 'only = ["tide"]'
    snow = board(hook("piece-begins", "on", only), hook("piece-ends", "off", only, 'after = "10 s"'))
    assert snow.run(-5, 480) == [(104, "on"), (339, "off")]


def test_an_end_with_after_is_left_out_while_another_piece_is_on(board: Callable[..., Board]) -> None:
    blank = board(hook("piece-ends", "nothing", 'after = "10 s"'))
    assert blank.run(-5, 400) == []
    assert blank.run(400, 1215) == [(1210, "nothing")]


def test_a_beginning_with_after_is_left_out_if_the_piece_is_over(board: Callable[..., Board]) -> None:
    snow = board(hook("piece-begins", "snow for {title}", 'after = "30 s"'))
    assert snow.run(-5, 110) == [(30, "snow for bells")]
    snow.ask(110, kind="skip")
    assert snow.run(110, 145) == [(141, "snow for lanterns")]


def test_a_hook_before_its_moment_is_sent_once_and_a_surprise_at_once(board: Callable[..., Board]) -> None:
    sign = board(hook("piece-begins", "soon {title}", 'before = "10 s"'))
    assert sign.run(-20, 50) == [(-10, "soon bells")]
    sign.ask(50, kind="skip")
    assert sign.run(50, 60) == [(50, "soon The tide, “in”")]
    assert sign.run(60, 275) == [(270, "soon lanterns")], "it begins at 279, and a nanosecond"
    sign.ask(275, kind="skip")
    assert sign.run(275, 285) == [], "it was announced already"
    sign.ask(285, kind="call", show="short", minutes=1)
    assert sign.run(285, 300) == [(285, "soon swell")]


def test_a_pause_after_an_announcement_has_the_piece_announced_once_more(board: Callable[..., Board]) -> None:
    sign = board(hook("piece-begins", "soon {piece}", 'before = "10 s"'))
    assert sign.run(60, 96) == [(94, "soon tide")]
    sign.ask(96, kind="pause", minutes=2)
    assert sign.run(96, 240) == [(213, "soon tide")], "it begins two minutes later, less the fade"


def test_a_call_and_its_end_show_the_titles_of_the_wire(board: Callable[..., Board]) -> None:
    sign = board(TITLE)
    sign.run(-5, 120)
    sign.ask(120, kind="call", show="short", minutes=1)
    assert sign.run(120, 200)[:1] == [(120, "swell")]
    assert sign.heard[-1] == (180, "The tide, “in”")


def test_a_called_piece_is_on_the_sign_and_the_piece_beneath_comes_back(board: Callable[..., Board]) -> None:
    sign = board(hook("piece-begins", "{title}, then {next}"), hook("show-ends", "no show"))
    sign.run(-5, 120)
    sign.ask(120, kind="call", piece="swell")
    assert sign.run(120, 200) == [(120, "swell, then tide"), (150, "The tide, “in”, then lanterns")]


def test_a_piece_that_is_called_while_nothing_is_on_has_its_supplies(board: Callable[..., Board]) -> None:
    supplies = board(hook("opening", "on"), hook("closing", "off", 'after = "10 s"'))
    supplies.ask(-600, kind="call", piece="swell")
    assert supplies.run(-600, -500) == [(-600, "on"), (-560, "off")]
    supplies.ask(50, kind="call", piece="swell")
    assert supplies.run(-5, 120) == [(0, "on")], "they are on already"


def test_lights_off_end_the_piece_and_the_show(board: Callable[..., Board]) -> None:
    seen = board(TITLE, hook("piece-ends", "no piece"), hook("show-ends", "no show"))
    seen.run(-5, 50)
    seen.ask(50, kind="dark", minutes=1)
    assert seen.run(50, 120) == [(50, "no piece"), (50, "no show"), (110, "The tide, “in”")]


def test_a_restart_sends_the_present_title_again_and_no_other(board: Callable[..., Board]) -> None:
    sign = board(TITLE, hook("piece-begins", "once"), hook("piece-ends", "nothing"))
    assert sign.run(-5, 50) == [(0, "bells"), (0, "once")]
    sign.close()
    sign.start()
    assert sign.run(200, 210) == [(200, "The tide, “in”")], "no end of bells, while another piece is on"
    sign.close()
    sign.start()
    assert sign.run(210, 220) == [], "nothing twice within seconds"
    sign.close()
    sign.start()
    assert sign.run(330, 333) == [(330, "nothing")], "an end that nobody saw, since nothing is on"
    sign.close()
    sign.start()
    assert sign.run(1500, 1505) == [(1500, "nothing")], "and no title after the closing"


def test_a_planner_that_is_killed_twice_in_a_gap_or_a_piece_leaves_the_sign_right(board: Callable[..., Board]) -> None:
    """It loses what the disk does not have yet: then the same is sent again, and never something older."""
    sign = board(TITLE, hook("piece-ends", "nothing"))
    sign.run(-5, 150)
    lost = dict(sign.planner._parts.store._db.execute("SELECT name, value FROM fact WHERE name LIKE 'hook%'"))
    assert lost
    for second in (160, 331):
        sign.close()
        sign.start()
        for name in lost:
            sign.planner._parts.store.set_fact(name, "0")
        sign.run(second, second + 1)
        assert [body for _, body in sign.heard] == (["The tide, “in”"] if second == 160 else ["nothing"])


def test_a_site_that_is_read_again_in_the_middle_of_a_piece_has_the_wire_s_title(board: Callable[..., Board]) -> None:
    sign = board(TITLE)
    sign.run(-5, 150)
    table = TITLED.replace('order = ["bells", "tide", "lanterns"]', 'order = ["lanterns", "bells"]')
    site = load_site(write(sign.folder / "site", table, SHORT, NIGHT, TITLE))
    sign.planner._parts.situation.adopt(site)
    sign.planner._parts.monitor.adopt(site)
    assert sign.run(150, 160) == [(150, "bells")], "it plays from 144 on, by the new order"


def test_a_clock_that_is_set_back_by_seconds_sends_nothing_twice(board: Callable[..., Board]) -> None:
    sign = board(TITLE)
    assert sign.run(90, 107) == [(90, "bells"), (104, "The tide, “in”")]
    assert sign.run(100, 120) == []


def test_pieces_cost_the_card_no_write_of_their_own(board: Callable[..., Board], tmp_path: Path) -> None:
    """They begin every few minutes for six weeks."""
    sign = board(TITLE)
    writer = sign.planner._parts.store._writer
    sign.run(-5, 0)
    sign.planner._parts.store.wait()
    soon = writer._soon
    sign.run(0, 480)
    assert writer._soon == soon and writer.waiting >= 3
    for message in sign.messages:
        sign.planner._parts.monitor._note_delivery(message, None)
    assert sign.planner.journal(10, kinds=("hook",)) == []


@pytest.mark.parametrize("at", ["piece-begins", "show-begins"])
def test_nothing_is_due_without_a_trusted_clock(board: Callable[..., Board], at: str) -> None:
    sign = board(hook(at, "on"))
    trust = sign.planner._parts.situation.trust
    trust.verdict = replace(trust.verdict, trusted=False)
    assert sign.run(-5, 5) == []
