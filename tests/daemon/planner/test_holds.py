"""Holds: readings become overrides, a person ends one, and a restart goes on as if nothing had happened."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.integrations.hold_rule import KINDS
from gloaming.daemon.planner.acting_board import ActingBoard
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.holds import WRITE_APART_NS, Holds
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.schema_outside import Hold
from gloaming.daemon.site.site import Site
from tests.daemon.planner.holds_by_the_words import Words

S = 1_000_000_000
BEGIN = 1_798_135_200 * S  # 2026-12-24 18:00 in London
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[clock]
trust = "plausible"
"""
RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 50
"""
WIND = {
    "name": "wind",
    "http": True,
    "above": 14,
    "for": "30 s",
    "clear_for": "10 min",
    "if_silent": "ignore",
    "may_end": True,
}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    (folder / "site.toml").write_text(SITE)
    (folder / "rig.toml").write_text(RIG)
    return load_site(folder)


class Board:
    """A planner's holds, with a wall clock and a monotonic clock that stand still."""

    def __init__(self, folder: Path, site: Site, *tables: dict[str, object]) -> None:
        self.folder, self.site = folder, site
        self.monotonic_ns, self.apart_ns, self.decided = 0, BEGIN, 0
        self.seen: Callable[[], Sequence[BoardSeen]] = tuple
        self.clock = Clock(0, lambda: self.monotonic_ns + self.apart_ns, lambda: self.monotonic_ns)
        self.tables(*tables)
        self.store = Store(folder, self.now_ns)
        self.start()

    @property
    def now_ns(self) -> int:
        return self.monotonic_ns + self.apart_ns

    def tables(self, *tables: dict[str, object]) -> None:
        self.site = replace(self.site, holds=tuple(Hold.model_validate(table) for table in tables))

    def start(self) -> None:
        """A planner starts, with what is stored."""
        self.situation = Situation(self.site, self.store, self.clock, lambda: None)
        self.holds = Holds(self.situation, self._decide, ActingBoard(self.situation, lambda: self.seen()))
        self.holds.look()

    def _decide(self) -> None:
        self.decided += 1

    def edit(self, *tables: dict[str, object]) -> None:
        self.tables(*tables)
        self.situation.adopt(self.site)
        self.holds.look()

    def later(self, seconds: float) -> Board:
        self.monotonic_ns += int(seconds * S)
        self.holds.look()
        return self

    def heard(self, payload: str, name: str = "wind", retained: bool = False) -> str | None:
        return self.holds.heard(name, payload.encode(), self.now_ns, retained)

    @property
    def standing(self) -> tuple[Override, ...]:
        return tuple(one for one in self.situation.standing(self.now_ns) if one.hold)

    def lines(self) -> list[str]:
        return [line["text"] for line in self.store.journal(50, kinds=("hold",))][::-1]


@pytest.fixture
def board(tmp_path: Path, site: Site) -> Iterator[Board]:
    board = Board(tmp_path, site, WIND)
    yield board
    board.store.close()


def test_a_hold_is_an_override_from_its_instant_until_it_is_over(board: Board) -> None:
    board.heard("15.2")
    assert board.later(29.9).standing == ()
    (found,) = board.later(0.1).standing
    assert (found.kind, found.hold, found.at_ns) == (Kind.HOLD_DARK, "wind", BEGIN + 30 * S)
    assert found.why == "15.2 is above 14 since 18:00"
    board.heard("16")
    board.later(60).heard("9")
    assert board.later(599).standing == (found,)
    assert board.later(1).standing == ()
    assert board.lines() == ["the hold wind begins: 15.2 is above 14 since 18:00", "the hold wind is over"]
    assert board.decided == 2


def test_a_person_ends_it_for_an_hour_and_it_comes_back_if_it_still_holds(board: Board) -> None:
    board.heard("15.2")
    (found,) = board.later(30).standing
    assert board.holds.end(found, board.now_ns) == "the hold wind is ended until 19:00:30"
    board.start()
    assert board.later(3599).standing == ()
    (again,) = board.later(1).standing
    assert again.id != found.id and again.at_ns == BEGIN + 3630 * S and again.why == found.why
    assert board.later(1).standing == (again,)


def test_nobody_ends_a_hold_that_the_site_lets_stand(tmp_path: Path, site: Site) -> None:
    board = Board(tmp_path, site, {**WIND, "for": "0 s", "may_end": False})
    board.heard("15.2")
    (found,) = board.standing
    with pytest.raises(Refusal) as refused:
        board.holds.end(found, board.now_ns)
    assert refused.value.reasons[0].code == ReasonCode.HOLD_STAYS
    assert board.later(1).standing == (found,)
    board.store.close()


def test_a_restart_in_the_middle_goes_on_from_the_disk(board: Board) -> None:
    board.heard("15.2")
    board.later(10).store.close()
    board.store = Store(board.folder, board.now_ns)
    board.start()
    (found,) = board.later(20).standing
    assert found.at_ns == BEGIN + 30 * S
    board.heard("9")
    board.later(300).store.close()
    board.store = Store(board.folder, board.now_ns)
    board.start()
    assert board.standing == (found,)
    assert board.later(299).standing == (found,) and board.later(1).standing == ()


def test_what_a_reading_broke_off_is_not_there_again_after_a_restart(board: Board) -> None:
    board.heard("15.2")
    board.later(1).heard("9")  # a gust; the planner dies at once
    board.start()
    assert board.later(60).standing == ()
    board.heard("15.2")
    (found,) = board.later(30).standing
    board.later(15).heard("9")
    board.later(1).heard("16")  # a lull
    board.start()
    assert board.later(3600).standing == (found,)


def test_the_reason_follows_what_the_source_does_and_the_override_stays(tmp_path: Path, site: Site) -> None:
    board = Board(tmp_path, site, {**WIND, "for": "0 s", "if_silent": "hold"})
    board.heard("15.2")
    (found,) = board.standing
    (silent,) = board.later(300).standing
    assert (silent.id, silent.at_ns, silent.why) == (found.id, found.at_ns, "no reading since 18:00")
    board.heard("16")
    (again,) = board.later(60).standing
    assert (again.id, again.why) == (found.id, "16 is above 14 since 18:05")
    board.store.close()


def test_a_reading_that_was_kept_of_a_dead_source_says_nothing(tmp_path: Path, site: Site) -> None:
    board = Board(tmp_path, site, {**WIND, "if_silent": "hold", "clear_for": "1 min"})
    board.heard("3")
    assert len(board.later(301).standing) == 1
    for _ in range(3):  # the broker comes back, and then the planner
        board.heard("3", retained=True)
        assert len(board.later(200).standing) == 1
        board.start()
    board.heard("4", retained=True)  # that is news
    assert board.later(60).standing == ()
    board.store.close()


def test_readings_that_cannot_be_read_are_one_line_a_minute_and_change_nothing(board: Board) -> None:
    board.heard("15.2")
    for payload in ("NaN", "gale", "9" * 20_000, ""):
        assert str(board.heard(payload)).startswith("wind: ")
    assert board.lines() == ["wind: 'NaN' came; a number is expected"]
    assert len(board.later(30).standing) == 1
    assert board.heard("3", "rain") is None  # there is no such hold


def test_ten_thousand_readings_a_second_are_a_few_overrides_and_a_few_writes(board: Board) -> None:
    board.edit({**WIND, "for": "0 s", "clear_for": "5 s"})
    facts = set()
    for second in range(40):
        for number in range(10_000 if second < 2 else 2):
            board.heard("15.2" if number % 2 else "9")
            facts.add(board.store.fact("holds"))
        board.later(1)
    assert board.decided == 1 and len(board.standing) == 1
    assert len(facts) <= 16


def test_before_the_clock_is_trusted_the_last_reading_waits(tmp_path: Path, site: Site) -> None:
    board = Board(tmp_path, site, {**WIND, "for": "0 s"})
    board.apart_ns = 0  # 1970
    board.start()
    board.heard("3")
    board.heard("15.2")
    assert board.holds.as_json()[0]["text"] == "no reading yet" and board.standing == ()
    board.apart_ns = BEGIN
    board.situation.look_at_clock()
    board.holds.look()
    (found,) = board.standing
    assert (found.at_ns, found.why) == (BEGIN, "15.2 is above 14 since 18:00")
    board.store.close()


def test_the_list_says_what_a_hold_waits_for(tmp_path: Path, site: Site) -> None:
    tide = {"name": "tide", "http": True, "below": 2, "for": "1 min", "if_silent": "ignore"}
    board = Board(tmp_path, site, tide)

    def text(payload: str, seconds: float) -> object:
        board.heard(payload, "tide")
        board.later(seconds)
        return board.holds.as_json()[0]["text"]

    assert text("3.5", 0) == "3.5 is not below 2"
    assert text("0", 30) == "0 is below 2 since 18:00, so it begins at 18:01 if that lasts"
    assert text("0", 30) == "0 is below 2 since 18:00"
    assert text("3", 30) == "0 is below 2 since 18:00; over since 18:01, so it ends at 18:02 if that lasts"
    assert text("3", 30) == "3 is not below 2"
    board.store.close()


def test_a_hold_of_a_zone_and_one_that_dims(tmp_path: Path, site: Site) -> None:
    ridge = {**WIND, "for": "0 s", "zone": "ridge"}
    dim = {**WIND, "name": "gust", "for": "0 s", "makes": "dim", "level": 0.3}
    board = Board(tmp_path, site, ridge, dim)
    board.heard("15.2")
    board.heard("15.2", "gust")
    dark, dimmed = board.later(1).standing
    assert (dark.kind, dark.zone) == (Kind.HOLD_DARK, "ridge")
    assert (dimmed.kind, dimmed.zone, dimmed.level) == (Kind.HOLD_DIM, None, 0.3)
    assert board.situation.current(board.now_ns, "ridge").reasons[0].text == f"ridge: wind: {dark.why}"
    board.edit(dim)  # a hold that is removed ends
    assert [one.hold for one in board.standing] == ["gust"]
    board.store.close()


class History:
    """A drawn history of a board with several holds. At its end each tick is compared with the words of the keys."""

    def __init__(self, seed: int, folder: Path, site: Site) -> None:
        self.chance, self.tick, self.steps = Random(seed), 0, 0
        tables = {name: self.drawn() for name in NAMES}
        self.words = {name: Words.of(table, 0) for name, table in tables.items()}
        self.board = Board(folder, site, *(in_seconds({**table, "name": name}) for name, table in tables.items()))
        self.published: dict[str, float | str] = {}
        self.mute_until = dict.fromkeys(NAMES, 0)
        self.seen: dict[str, dict[int, tuple[int, Override | None, int]]] = {name: {} for name in NAMES}
        """The override of each hold at each tick, with the instant and the number of steps of the clock."""
        self.ended: dict[str, list[int]] = {name: [] for name in NAMES}
        self.compared = 0

    def drawn(self) -> dict[str, object]:
        chance = self.chance
        one: dict[str, object] = chance.choice(CONDITIONS)
        makes: dict[str, object] = chance.choice(
            ({"makes": "dark"}, {"makes": "paused"}, {"makes": "dim", "level": 0.3})
        )
        silent: dict[str, object] = {
            "silent_after": chance.choice((3, 6)),
            "if_silent": chance.choice(("hold", "ignore")),
        }
        return {**one, **makes, **silent, "for": chance.choice((0, 0, 1, 3)), "clear_for": chance.choice((1, 2, 4))}

    def run(self) -> int:
        """Go through the history. Returns how many ticks of holds were compared."""
        while self.tick < TICKS:
            self.advance()
            if self.chance.random() < 0.04:
                self.restart()
            self.board.holds.look()
            edited = self.edit() if self.chance.random() < 0.05 else ""
            for name in self.words:
                if name != edited and self.tick not in self.words[name].readings:
                    self.reading(name)
            self.board.holds.look()
            self.record()
            self.board.later(WRITE_APART_NS / S)
        for name in [*self.words]:
            self.compare(name)
        self.board.store.close()
        return self.compared

    def advance(self) -> None:
        self.tick += 1
        self.board.monotonic_ns = self.tick * TICK_S * S
        if self.chance.random() < 0.04:  # the wall clock is set
            self.board.apart_ns += self.chance.choice((-1, 1)) * self.chance.randrange(10**7, 10**13)
            self.steps += 1

    def restart(self) -> None:
        """The planner dies, misses what is published, and starts again."""
        for _ in range(self.chance.randrange(1, 8)):
            for name, words in self.words.items():
                words.dead.add(self.tick)
                if self.chance.random() < 0.5:
                    self.published[name] = self.value(name)
            self.advance()
        for words in self.words.values():
            words.starts.append(self.tick)
        self.board.start()
        for name, words in self.words.items():  # what was heard before may not be stored
            if name in self.published and self.published[name] not in words.readings.values():
                self.hear(name, self.published[name], retained=True)

    def value(self, name: str) -> float | str:
        if self.chance.random() < 0.6 and name in self.published:
            return self.published[name]
        return self.chance.choice(SKIES if "equals" in self.words[name].table else SPEEDS)

    def reading(self, name: str) -> None:
        words, start = self.words[name], max([self.words[name].begins, *self.words[name].starts])
        if self.chance.random() < 0.04:
            self.mute_until[name] = self.tick + self.chance.randrange(2, 14)
        if self.tick >= self.mute_until[name] and self.chance.random() < 0.7:
            self.published[name] = self.value(name)
            self.hear(name, self.published[name])
        elif self.chance.random() < 0.1 and any(at > start for at in words.readings):
            last = words.last(self.tick)
            assert last is not None
            self.hear(name, last, retained=True)  # the broker was away: this is nothing new

    def hear(self, name: str, value: float | str, retained: bool = False) -> None:
        assert self.board.heard(str(value), name, retained) is None
        if not retained or value != self.words[name].last(self.tick):
            self.words[name].readings[self.tick] = value

    def edit(self) -> str:
        """Change, remove or bring back a table. Its rule begins anew, with the last reading of the same source."""
        name = self.chance.choice(NAMES)
        before = self.words.get(name)
        if before:
            self.compare(name)
            del self.words[name]
            self.seen[name], self.ended[name] = {}, []
        if not before or self.chance.random() < 0.7:
            table = self.drawn()
            start = max([before.begins, *before.starts]) if before else 0
            known = before and any(at >= start for at in before.readings)  # what was stored may be an older one
            last = before.last(self.tick) if before and known else None
            if before and table == before.table:
                table["clear_for"] = 3
            self.words[name] = Words.of(table, self.tick)
            if ("equals" in table) != (isinstance(self.published.get(name), str)):
                self.published.pop(name, None)
            if before and last is not None and ("equals" in table) == ("equals" in before.table):
                self.words[name].readings[self.tick] = last
        self.board.edit(*(in_seconds({**words.table, "name": name}) for name, words in self.words.items()))
        return name

    def record(self) -> None:
        in_force = {one.hold: one for one in self.board.standing}
        assert set(in_force) <= set(self.words) and len(in_force) == len(self.board.standing)
        for name in self.words:
            self.seen[name][self.tick] = self.board.now_ns, in_force.get(name), self.steps
            if name in in_force and self.chance.random() < 0.05:
                self.board.holds.end(in_force[name], self.board.now_ns)
                self.ended[name].append(self.tick)

    def compare(self, name: str) -> None:
        words, seen, hour = self.words[name], self.seen[name], 3600 // TICK_S
        expected = words.since(self.tick)
        for tick, (_, found, steps) in seen.items():
            since = expected[tick - words.begins]
            ended = [at for at in self.ended[name] if at < tick]
            holds = since is not None and not (ended and tick < ended[-1] + hour)
            assert (found is not None) == holds, (name, tick, words, ended)
            self.compared += 1
            if found is None or since is None or since == words.begins:  # an edit may leave the override as it is
                continue
            assert (found.kind, found.level) == (KINDS[str(words.table["makes"])], words.table.get("level"))
            decided = min(at for at in seen if at >= max([since, *(at + hour for at in ended)]))
            now_ns, _, steps_then = seen[decided]
            assert steps != steps_then or found.at_ns == now_ns, (name, tick)  # nothing begins in the past


TICK_S, TICKS = 60, 90
NAMES = ("wind", "gust", "tide", "sky")
SPEEDS = (0.0, 2.0, 4.5, 8.0, 12.0, 14.0, 16.0)
SKIES = ("storm", "calm")
CONDITIONS = (
    {"above": 14},
    {"above": 12, "until_below": 8},
    {"below": 3, "until_above": 6},
    {"equals": "storm"},
)


def in_seconds(table: dict[str, object]) -> dict[str, object]:
    lengths = ("for", "clear_for", "silent_after")
    return {"http": True, "may_end": True, **table, **{key: f"{int(str(table[key])) * TICK_S} s" for key in lengths}}


@pytest.mark.parametrize("seed", range(40))
def test_it_holds_when_and_only_when_the_words_say_so(seed: int, tmp_path: Path, site: Site) -> None:
    """Readings, silence, retained readings, restarts of the planner, steps of the clock, edits, and people."""
    assert History(seed, tmp_path, site).run() > 100
