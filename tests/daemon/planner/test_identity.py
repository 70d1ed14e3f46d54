"""The CID belongs to the machine: a state that was copied to another one gets a new CID, and nobody is signed out."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

import pytest

from gloaming.daemon.planner import identity
from gloaming.daemon.planner.identity import APPLICATION, cid_of, machine_hash
from gloaming.daemon.planner.store import Store

FIRST, SECOND = "0f3b6a0c6f4d4a8e9d6f5b1c2a3e4d5f", "7c5e9b1d2f3a4b6c8d0e1f2a3b4c5d6e"


@pytest.fixture
def machine_id(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "machine-id"
    path.write_text(f"{FIRST}\n", encoding="ascii")
    monkeypatch.setattr(identity, "MACHINE_ID", path)
    return path


def test_the_hash_is_the_one_that_systemd_makes_for_an_application(machine_id: Path) -> None:
    """sd_id128_get_machine_app_specific(3): printed by `systemd-id128 machine-id --app-specific=APPLICATION` of systemd
    252, with this machine-id mounted over /etc/machine-id."""
    assert UUID("8c1d6a52-3f0e-4b7b-9a64-0d5e2c7f1b38") == APPLICATION
    assert machine_hash() == "bbae25d92d094171bdfe4f310099b33a"


def test_a_copied_state_gets_a_new_cid_once_and_nobody_is_signed_out(tmp_path: Path, machine_id: Path) -> None:
    store = Store(tmp_path / "state", 0)
    store.add_device("0" * 64, "phone", "owner", 0)
    first = cid_of(store, 0)
    assert cid_of(store, 0) == first
    machine_id.write_text(SECOND, encoding="ascii")
    second = cid_of(store, 0)
    assert second != first
    assert cid_of(store, 0) == second
    assert [text for *_, text in _lines(store)] == [
        "this state comes from another machine: this board has a new CID, so that the two are two sources"
    ]
    assert [name for _, name, *_ in store.devices()] == ["phone"]
    store.close()


@pytest.mark.parametrize("text", [None, "", "uninitialized\n", FIRST[:31]])
def test_a_machine_without_a_machine_id_keeps_the_cid_of_its_state(
    tmp_path: Path, machine_id: Path, text: str | None
) -> None:
    store = Store(tmp_path / "state", 0)
    first = cid_of(store, 0)
    if text is None:
        machine_id.unlink()
    else:
        machine_id.write_text(text, encoding="ascii")
    assert machine_hash() is None
    assert cid_of(store, 0) == first
    machine_id.write_text(FIRST, encoding="ascii")  # it is back: still the same machine
    assert cid_of(store, 0) == first
    store.close()


def test_a_state_of_an_earlier_version_keeps_its_cid_and_learns_its_machine(tmp_path: Path, machine_id: Path) -> None:
    store = Store(tmp_path / "state", 0)
    store.set_fact("cid", FIRST)
    assert cid_of(store, 0).hex == FIRST
    assert store.fact("machine") == machine_hash()
    assert _lines(store) == []
    store.close()


def _lines(store: Store) -> list[tuple[str, str]]:
    return [(row["kind"], row["text"]) for row in store.journal(9)]
