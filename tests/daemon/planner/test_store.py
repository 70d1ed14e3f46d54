"""The store: confirmed changes are on the disk, damage is survived, and the show plays on without a disk."""

from __future__ import annotations

import asyncio
import random
import sqlite3
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from contextlib import closing, contextmanager
from fractions import Fraction
from pathlib import Path
from uuid import NAMESPACE_DNS, uuid5

import pytest

from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.planner import state_file
from gloaming.daemon.planner.store import APART, JOURNAL_ROWS_AT_HAND, Store
from gloaming.shows.rig.patterns import Pattern
from gloaming.shows.rig.repairs import Fault, Repair
from tests.waiting import wait_until

S = 1_000_000_000
NOW = 1_800_000_000 * S


def dim(store: Store, level: float = 0.5) -> Override:
    found = Override(store.next_id(), Kind.DIM, NOW, NOW + 600 * S, "Ada", level=level)
    store.add(found)
    return found


def on_the_disk(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)


@contextmanager
def state(folder: Path) -> Iterator[Store]:
    store = Store(folder, NOW)
    yield store
    store.close()


class Stalling:
    """A disk whose commits take as long as a test wants."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.going = threading.Event()
        self.going.set()
        real: Callable[..., None] = state_file._carry_out

        def carry_out(disk: sqlite3.Connection, batch: tuple[state_file.Statement, ...]) -> None:
            self.going.wait(30)
            real(disk, batch)

        monkeypatch.setattr(state_file, "_carry_out", carry_out)


def test_what_was_confirmed_is_on_the_disk(tmp_path: Path) -> None:
    with state(tmp_path) as store:
        dim(store)
        store.note(NOW, "playing", "tide")
        assert asyncio.run(store.written())
        with closing(on_the_disk(store.path)) as file:
            assert file.execute("SELECT kind, who, level FROM override").fetchall() == [("dim", "Ada", 0.5)]
            assert file.execute("SELECT text FROM journal").fetchall() == [("tide",)]


def test_routine_lines_wait_for_each_other(tmp_path: Path) -> None:
    """Lines of some minutes are one transaction, so the card writes fewer pages."""
    with state(tmp_path) as store:
        for number in range(20):
            store.note(NOW, "playing", f"line {number}")
        assert store.unwritten == 20
        dim(store)  # an override is written at once, with them
        wait_until(lambda: store.unwritten == 0, "an end of what waits")
        with closing(on_the_disk(store.path)) as file:
            assert file.execute("SELECT count(*) FROM journal").fetchone() == (20,)


def test_other_lines_are_written_at_once(tmp_path: Path) -> None:
    with state(tmp_path) as store:
        store.note(NOW, "playing", "tide")
        store.note(NOW, "trouble", "packets to 192.0.2.21 are not taken")
        wait_until(lambda: store.unwritten == 0, "an end of what waits")


def test_lines_wait_for_some_minutes_at_the_most(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state_file, "LAZY_S", 0.2)
    with state(tmp_path) as store:
        store.note(NOW, "playing", "tide")
        wait_until(lambda: store.unwritten == 0, "an end of what waits")


def test_nobody_waits_for_a_slow_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state_file, "SLOW_S", 0.2)
    disk = Stalling(monkeypatch)
    with state(tmp_path) as store:
        disk.going.clear()
        first = dim(store)
        assert not asyncio.run(store.written())
        assert store.fault and "slow" in store.fault
        second = dim(store, 0.7)
        assert store.overrides(0) == (first, second)
        assert not asyncio.run(store.written()), "nobody waits for it any more"
        disk.going.set()
        assert store.wait()
        wait_until(lambda: store.fault is None, "an end of the trouble")
        assert asyncio.run(store.written())
        with closing(on_the_disk(store.path)) as file:
            assert file.execute("SELECT count(*) FROM override").fetchone() == (2,)


def test_an_answer_that_waited_for_the_transmitter_waits_less_for_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pause is queued at once. Its answer waits for the fade, then for the disk: two seconds in all."""
    disk, waited = Stalling(monkeypatch), list[float]()

    async def wait_for(waiting: Coroutine[None, None, bool], patience_s: float) -> None:
        waiting.close()
        waited.append(patience_s)

    with state(tmp_path) as store:
        disk.going.clear()
        dim(store)
        begin_s = time.monotonic()
        monkeypatch.setattr(state_file.time, "monotonic", lambda: begin_s + 1.05)
        monkeypatch.setattr(state_file.asyncio, "wait_for", wait_for)
        asyncio.run(store.written())
        monkeypatch.undo()
        disk.going.set()
    assert len(waited) == 1
    assert 1.05 + waited[0] <= state_file.SLOW_S + 0.01 < 2


def test_a_full_disk_is_a_fault_and_what_waits_is_written_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state_file, "RETRY_S", 0.1)
    with state(tmp_path) as store:
        dim(store)
        assert store.wait()
        fill(store)
        store.note(NOW, "playing", "x" * 100_000)
        second = dim(store, 0.7)
        assert not store.wait()
        assert store.fault and "full" in store.fault
        assert second in store.overrides(0)
        free(store)
        wait_until(lambda: store.fault is None, "room")
        store.retry(NOW)
        assert "2 changes had waited" in str(store.journal(1)[0]["text"])
    again = Store(tmp_path, NOW)
    assert second in again.overrides(0)
    again.close()


def test_if_too_much_waits_the_oldest_lines_are_dropped_and_no_override(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state_file, "WAITING_MAX", 50)
    with state(tmp_path) as store:
        assert store.wait()
        store.set_fact("cid", "abc")
        assert store.wait()
        fill(store)
        asked = dim(store)
        for number in range(200):
            store.note(NOW, "playing", f"line {number} {'x' * 900}")
        assert not store.wait()
        assert not asyncio.run(store.written()), "what is dropped does not count as written"
        assert store.unwritten <= 51
        free(store)
        assert store.wait()
    again = Store(tmp_path, NOW)
    assert again.overrides(0) == (asked,)
    assert str(again.journal(1)[0]["text"]).startswith("line 199")
    again.close()


def fill(store: Store) -> None:
    """SQLite's own limit of pages, set on the connection."""
    disk = store._writer._disk
    assert disk
    disk.execute(f"PRAGMA max_page_count = {disk.execute('PRAGMA page_count').fetchone()[0]}")


def free(store: Store) -> None:
    disk = store._writer._disk
    assert disk
    disk.execute("PRAGMA max_page_count = 1000000")


def test_a_file_that_is_damaged_in_use_is_set_aside_and_a_new_one_has_all_that_is_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = state_file._carry_out
    damaged = [True]

    def carry_out(disk: sqlite3.Connection, batch: tuple[state_file.Statement, ...]) -> None:
        if damaged.pop() if damaged else False:
            error = sqlite3.DatabaseError("database disk image is malformed")
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error
        real(disk, batch)

    with state(tmp_path) as store:
        store.set_fact("cid", "abc")
        assert store.wait()
        monkeypatch.setattr(state_file, "_carry_out", carry_out)
        damaged[:] = [True]
        asked = dim(store)
        assert store.wait()
        assert store.set_aside and store.set_aside.exists()
        store.retry(NOW)
        assert "set aside" in str(store.journal(1)[0]["text"])
    again = Store(tmp_path, NOW)
    assert (again.fact("cid"), again.overrides(0)) == ("abc", (asked,))
    again.close()


@pytest.mark.parametrize("share", [0.02, 0.5, 0.98])
def test_a_file_that_was_damaged_during_a_power_cut_is_set_aside(tmp_path: Path, share: float) -> None:
    with state(tmp_path) as store:
        for number in range(400):
            store.note(NOW, "playing", f"line {number} {'x' * 60}")
    path = tmp_path / "state.db"
    data = bytearray(path.read_bytes())
    at = int(len(data) * share)
    data[at : at + 4096] = random.Random(1).randbytes(len(data[at : at + 4096]))
    path.write_bytes(data)
    with state(tmp_path) as store:
        assert store.set_aside
        assert "set aside" in str(store.journal(1)[0]["text"])
        dim(store)
        assert store.wait()


def test_a_start_is_possible_with_any_damage_in_the_file(tmp_path: Path) -> None:
    """SQLite's message about damage may quote the file, and that may be no valid text."""
    with state(tmp_path) as store:
        for number in range(100):
            store.note(NOW, "playing", f"line {number} {'x' * 60}")
    whole = (tmp_path / "state.db").read_bytes()
    noise = random.Random(1)
    for number in range(400):
        data = bytearray(whole)
        at = noise.randrange(6000)
        data[at : at + 4096] = noise.randbytes(4096)
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "state.db").write_bytes(data)
        with state(folder) as store:
            assert store.journal(1) or not store.set_aside


def test_an_older_file_keeps_its_rows_and_ids(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "state.db")) as old, old:
        old.execute(
            "CREATE TABLE override (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, at_ns INTEGER NOT NULL,"
            " until_ns INTEGER NOT NULL, who TEXT NOT NULL, ended_ns INTEGER, show TEXT, level REAL,"
            " show_continues INTEGER NOT NULL)"
        )
        old.execute("INSERT INTO override VALUES (41, 'pause', 1, 2, 'Ada', NULL, NULL, NULL, 1)")
    with state(tmp_path) as store:
        assert [(one.id, one.show_continues, one.zone) for one in store.overrides(0)] == [(41, True, None)]
        assert store.next_id() == 42


def test_what_is_out_of_service_stays_so_over_a_restart(tmp_path: Path) -> None:
    ridge = Override(1, Kind.OUT_OF_SERVICE, NOW, NOW + 400 * 86_400 * S, "Ada", zone="ridge", why="it flickers")
    with state(tmp_path) as store:
        store.add(ridge)
        assert store.wait()
    with state(tmp_path) as store:
        assert store.overrides(NOW + 399 * 86_400 * S) == (ridge,)


def test_a_called_piece_is_called_over_a_restart_now_or_after_another(tmp_path: Path) -> None:
    calls = tuple(Override(id, Kind.CALL, NOW, NOW + S, "Ada", piece="bells", after=id == 2) for id in (1, 2))
    with state(tmp_path) as store:
        for call in calls:
            store.add(call)
        assert store.wait()
    with state(tmp_path) as store:
        assert store.overrides(NOW) == calls


def test_a_hold_is_stored_with_its_name_and_is_not_read_for_long_once_it_has_ended(tmp_path: Path) -> None:
    """Its end is far away when it begins: a gauge at its limit would fill the memory for a year."""
    wind = Override(1, Kind.HOLD_DARK, NOW, NOW + 400 * 86_400 * S, hold="wind", why="15.2 is above 14 since 18:05")
    with state(tmp_path) as store:
        store.add(wind)
        assert store.wait()
    with state(tmp_path) as store:
        assert store.overrides(NOW + 399 * 86_400 * S) == (wind,)
        store.end(1, NOW + 60 * S)
        assert store.overrides(NOW + 60 * S) == (wind.changed("", ended_ns=NOW + 60 * S),)
        assert store.overrides(NOW + 61 * S) == ()


def test_overrides_of_an_older_file_hold_although_it_cannot_be_brought_up_to_date(tmp_path: Path) -> None:
    with state(tmp_path) as store:
        asked = dim(store)
    with closing(sqlite3.connect(tmp_path / "state.db", isolation_level=None)) as other:
        other.execute("ALTER TABLE override DROP COLUMN rig_check")
        other.execute("BEGIN EXCLUSIVE")
        with state(tmp_path) as store:
            assert store.fault
            assert store.overrides(0) == (asked,)


def test_the_journal_goes_on_from_memory_into_the_file(tmp_path: Path) -> None:
    with state(tmp_path) as store:
        count = JOURNAL_ROWS_AT_HAND + 700
        for number in range(count):
            store.note(NOW, "playing", f"line {number}")
        assert store.wait()
        assert store._db.execute("SELECT count(*) FROM journal").fetchone()[0] < count
        lines = [str(one["text"]) for one in store.journal(count + 10)]
        assert lines == [f"line {number}" for number in reversed(range(count))]


def test_a_state_folder_of_another_owner_is_a_fault_and_the_memory_serves(tmp_path: Path) -> None:
    """When the file can be read after all, its old facts hold (passcode, CID), and no id is used twice."""
    folder = tmp_path / "state"
    with state(folder) as store:
        store.set_fact("cid", "abc")
        old = dim(store)
    away = folder.rename(tmp_path / "away")
    folder.write_text("in its way")
    with state(folder) as store:
        assert store.fault
        store.set_fact("cid", "xyz")
        new = dim(store, 0.7)
        assert (store.fact("cid"), store.overrides(0)) == ("xyz", (new,))
        folder.unlink()
        away.rename(folder)
        assert store.wait()
        assert store.fact("cid") == "abc"
        assert set(store.overrides(0)) == {old, new} and old.id != new.id
    again = Store(folder, NOW)
    assert (again.fact("cid"), set(again.overrides(0))) == ("abc", {old, new})
    again.close()


def test_a_row_that_a_flipped_bit_made_senseless_is_damage_too(tmp_path: Path) -> None:
    """SQLite has no checksums: the pages are valid, but the show would not start."""
    with state(tmp_path) as store:
        dim(store)
    with closing(sqlite3.connect(tmp_path / "state.db")) as file, file:
        file.execute("UPDATE override SET at_ns = 'x'")
    with state(tmp_path) as store:
        assert store.set_aside
        assert store.overrides(0) == ()
        assert "makes no sense" in str(store.journal(1)[0]["text"])


def test_a_mark_that_a_flipped_bit_made_senseless_is_damage_too(tmp_path: Path) -> None:
    with state(tmp_path) as store:
        store.add_repair(Repair(0, "ridge", 37, Fault.DEAD, "", NOW, "Nan"))
    with closing(sqlite3.connect(tmp_path / "state.db")) as file, file:
        file.execute("UPDATE repair SET pixel = 'x'")
    with state(tmp_path) as store:
        assert store.set_aside
        assert store.repairs() == ()


def test_a_rig_check_is_stored_with_its_pattern_also_by_a_newer_version(tmp_path: Path) -> None:
    pattern = Pattern("pixel", number=37, zone="roof", spans=((1, 1, 450), (2, 1, 30)))
    check = Check(pattern.text, "/x/pixel.frames", 150, Fraction(2), pattern)
    asked = Override(1, Kind.RIG_CHECK, NOW, NOW + 60 * 10**9, "Nan", level=0.3, check=check)
    with state(tmp_path) as store:
        store.add(asked)
    with closing(sqlite3.connect(tmp_path / "state.db")) as newer, newer:
        newer.execute("UPDATE override SET rig_check = json_set(rig_check, '$.pattern.gust', 'pier')")
    with state(tmp_path) as store:
        assert store.set_aside is None
        assert store.overrides(0) == (asked,)


def test_rows_of_a_newer_version_are_kept_and_ignored(tmp_path: Path) -> None:
    """Going back by one version: a kind of override and a column that this version does not know."""
    with state(tmp_path) as store:
        store.set_fact("cid", "abc")
        first, second = dim(store), dim(store, 0.7)
    with closing(sqlite3.connect(tmp_path / "state.db")) as newer, newer:
        newer.execute("ALTER TABLE override ADD COLUMN gust TEXT")
        newer.execute("UPDATE override SET kind = 'wind', gust = 'pier' WHERE id = ?", (second.id,))
    with state(tmp_path) as store:
        assert store.set_aside is None and store.fault is None
        assert store.fact("cid") == "abc"
        assert store.overrides(0) == (first,)
        said = "overrides of kinds that this version does not know are kept and ignored: 'wind'"
        assert [line["text"] for line in store.journal(10)] == [said]
        third = dim(store)
        assert third.id == second.id + 1
        assert store.wait()
    with closing(on_the_disk(tmp_path / "state.db")) as newer:
        kept = newer.execute("SELECT id, kind, gust FROM override ORDER BY id").fetchall()
    assert kept == [(first.id, "dim", None), (second.id, "wind", "pier"), (third.id, "dim", None)]


def test_the_journal_has_lines_of_some_kinds_from_memory_and_from_the_file(tmp_path: Path) -> None:
    store = Store(tmp_path, 0)
    for number in range(JOURNAL_ROWS_AT_HAND + 500):
        store.note(number, "override" if number % 100 == 0 else "playing", f"line {number}")
    assert store.wait()
    found = [str(row["text"]) for row in store.journal(1000, None, ("override",))]
    assert found[0] == f"line {(JOURNAL_ROWS_AT_HAND + 499) // 100 * 100}"
    assert found[-1] == "line 0"
    assert len(found) == (JOURNAL_ROWS_AT_HAND + 599) // 100
    assert [row["text"] for row in store.journal(2, None, ("override", "none"))] == found[:2]
    store.close()


def test_ids_of_several_boards_never_meet_and_go_on_after_those_of_others(tmp_path: Path) -> None:
    """28 bits of an id are the board's mark, by the hash of its CID; JavaScript has whole numbers below 2 ** 53
    (ECMA-262 21.1.2.6)."""
    given: list[int] = []
    for board in ("quay", "east"):
        with state(tmp_path / board) as store:
            store.board = board
            store.set_fact("cid", uuid5(NAMESPACE_DNS, board).hex)
            given += [dim(store).id, dim(store).id]
            store.take_over([Override(9 << 28 | 5, Kind.MUTE, NOW, NOW + S, author="west", changed_by="west")])
            given.append(dim(store).id)
    assert [id >> 28 for id in given] == [1, 2, 10, 1, 2, 10]
    assert len(set(given)) == 6 and max(given) < 2**53
    assert APART >> 28 > 10**6 and APART * 2 < 2**53


def test_each_change_is_a_version_and_names_its_board(tmp_path: Path) -> None:
    changed: list[Override] = []
    with state(tmp_path) as store:
        store.board, store.changed = "quay", changed.append
        first = Override(1 << 28, Kind.DIM, NOW, NOW + 600 * S, level=0.5, author="east", changed_by="east")
        store.take_over([first])
        assert store.override(first.id) == first and not changed
        second = Override(2 << 28, Kind.DIM, NOW + S, NOW + 600 * S, level=0.4, author="quay", changed_by="quay")
        store.add(second, [first])
        assert changed == [second, first.changed("quay", ended_ns=NOW + S)]
        store.end(second.id, NOW + 2 * S, "Ada")
        store.end(second.id, NOW + 3 * S, "Huw")
        assert store.override(second.id) == second.changed("quay", ended_ns=NOW + 2 * S, ended_by="Ada")
        assert store.wait()
    with state(tmp_path) as store:
        assert store.overrides(0) == (first.changed("quay", ended_ns=NOW + S), changed[2])
