"""Who of the boards is in contact, by what is heard of them, in any order."""

from __future__ import annotations

import json
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.planner.contact import AWAY_S, DIFFERS_S, STRANGERS_MAX, Contacts
from gloaming.daemon.planner.troubles import DO, TroubleCode
from gloaming.shows.time_units import SECOND_NS

ZONE = ZoneInfo("Europe/London")
EVENING_NS = 1_796_000_000 * SECOND_NS
CLOCK = {0: "00:53", 60: "00:54"}
"""The local time of the site, some seconds after `EVENING_NS` (TZ=Europe/London date -d @1796000000)."""


def status(name: str, session: str = "a", here: bool = True, **more: object) -> bytes:
    return json.dumps({"format": 1, "name": name, "session": session, "contact": here, **more}).encode()


class Quay:
    """What the board "quay" knows of the others. Time stands where `at` sets it."""

    def __init__(self, *names: str, stored: str | None = None) -> None:
        self.at_s = 1000.0
        self.contacts = Contacts(stored, self.now_ns)
        self.contacts.adopt(names or ("quay", "east"), "quay")
        self.contacts.connected(self.at_s)

    @property
    def now_ns(self) -> int:
        return EVENING_NS + int((self.at_s - 1000) * SECOND_NS)

    def hear(self, name: str, payload: bytes) -> None:
        self.contacts.hear(name, payload, self.now_ns, self.at_s)

    def alone(self) -> None:
        self.contacts.alone(self.now_ns, self.at_s)

    def look(self) -> None:
        self.contacts.look(self.now_ns, self.at_s)

    def texts(self) -> dict[str, str]:
        return {one.name: one.text(self.now_ns, ZONE) for one in self.contacts.seen()}

    def troubles(self, site: str = "") -> list[tuple[TroubleCode, str, str]]:
        found = self.contacts.troubles(site, ZONE, self.now_ns, self.at_s)
        assert all(one.kind == "boards" and one.do == DO[one.code] for one in found)
        return [(one.code, one.subject, one.text) for one in found]


def test_a_board_without_contact_says_since_when_and_is_a_trouble_after_a_while() -> None:
    quay = Quay()
    assert quay.texts() == {"quay": "in contact", "east": "never in contact"}
    quay.hear("east", status("east"))
    assert quay.texts()["east"] == "in contact"
    quay.at_s += 60
    quay.hear("east", status("east", here=False))
    assert quay.texts()["east"] == f"no contact since {CLOCK[60]}"
    quay.at_s += AWAY_S - 1
    assert quay.troubles() == []
    quay.at_s += 1
    assert quay.troubles() == [(TroubleCode.BOARD_AWAY, "board east", f"no contact since {CLOCK[60]}")]
    quay.hear("east", status("east", "b"))
    assert quay.troubles() == []


def test_the_end_of_an_earlier_connection_that_comes_late_ends_no_contact() -> None:
    """The broker reports a lost connection after 1.5 keepalives (MQTT 5.0, 3.1.2.10). The board may be back before."""
    quay = Quay()
    quay.hear("east", status("east", "before"))
    quay.hear("east", status("east", "after"))
    quay.hear("east", status("east", "before", here=False))
    assert quay.texts()["east"] == "in contact"
    quay.hear("east", status("east", "after", here=False))
    assert quay.texts()["east"] != "in contact"


def test_a_board_that_the_broker_never_reported_lost_has_no_contact_when_it_is_silent() -> None:
    """The broker was off when the board was lost: what it retains says that the board is there."""
    quay = Quay()
    for _ in range(2):
        quay.hear("east", status("east", again_s=30))
        quay.at_s += 60
        quay.look()
        assert quay.texts()["east"] == "in contact"
    quay.at_s += 60
    quay.look()
    assert quay.texts()["east"] == "no contact since 00:56"
    quay.hear("east", status("east", again_s=30))
    assert quay.texts()["east"] == "in contact"


def test_a_board_that_is_alone_has_contact_with_nobody_and_blames_no_board() -> None:
    quay = Quay()
    quay.hear("east", status("east"))
    quay.alone()
    quay.at_s += 600
    assert quay.texts()["east"] == f"no contact since {CLOCK[0]}"
    assert quay.troubles() == []
    quay.contacts.connected(quay.at_s)
    quay.at_s += AWAY_S - 1
    assert quay.troubles() == [], "the others need some seconds to come back too"
    quay.at_s += 1
    assert [code for code, *_ in quay.troubles()] == [TroubleCode.BOARD_AWAY]


def test_what_is_known_survives_a_restart() -> None:
    quay = Quay("quay", "east", "spare", "crane")
    quay.hear("east", status("east", cid="1" * 32))
    quay.hear("spare", status("spare", cid="2" * 32))
    quay.hear("east", status("east", here=False, cid="1" * 32))
    quay.hear("crane", status("crane", here=False))
    assert quay.contacts.changed
    again = Quay("quay", "east", "spare", "crane", stored=quay.contacts.as_text())
    again.at_s += 60
    assert again.texts()["east"] == f"no contact since {CLOCK[0]}"
    assert again.texts()["spare"] == f"no contact since {CLOCK[0]}", "since the start: it was in contact"
    assert again.texts()["crane"] == "never in contact"
    assert again.contacts.cids() == {"1" * 32, "2" * 32}


def test_a_damaged_state_forgets_who_was_there() -> None:
    assert Quay(stored='{"cids": [}').texts() == {"quay": "in contact", "east": "never in contact"}


def test_a_board_that_the_site_does_not_have_is_named_while_it_is_there() -> None:
    quay = Quay()
    quay.hear("east", status("east"))
    quay.hear("crane", status("crane"))
    quay.at_s += AWAY_S
    assert quay.texts() == {"quay": "in contact", "east": "in contact", "crane": "in contact"}
    assert [trouble[:2] for trouble in quay.troubles()] == [(TroubleCode.BOARD_NOT_IN_SITE, "board crane")]
    quay.hear("crane", status("crane", here=False))
    assert "crane" not in quay.texts()
    assert quay.troubles() == []


def test_strangers_do_not_fill_the_memory() -> None:
    quay = Quay()
    for number in range(2 * STRANGERS_MAX):
        quay.hear(f"crane {number}", status(f"crane {number}"))
    quay.hear("east", status("east"))
    assert len(quay.texts()) == 2 + STRANGERS_MAX
    assert quay.texts()["east"] == "in contact"


def test_many_boards_without_contact_are_one_trouble() -> None:
    quay = Quay("quay", *(f"lamp {number}" for number in range(1000)))
    quay.at_s += AWAY_S
    ((code, subject, text),) = quay.troubles()
    assert (code, subject) == (TroubleCode.BOARD_AWAY, "boards without contact")
    assert text.startswith("never in contact: lamp 0, lamp 1, ")
    assert text.endswith(" and 990 more")
    quay.hear("lamp 0", status("lamp 0"))
    ((_, subject, text),) = quay.troubles()
    assert subject == "boards without contact", "the same trouble, and no other line in the journal"
    assert text.endswith(" and 989 more")


def test_boards_whose_sites_differ_for_long_are_named() -> None:
    quay = Quay()
    quay.hear("east", status("east", site="2"))
    quay.at_s += AWAY_S
    assert quay.troubles("2") == []
    assert quay.troubles("1") == []
    quay.at_s += DIFFERS_S
    assert [trouble[:2] for trouble in quay.troubles("1")] == [
        (TroubleCode.BOARD_SITE_DIFFERS, "the site of board east")
    ]
    quay.hear("east", status("east", here=False, site="2"))
    quay.at_s += AWAY_S
    assert [trouble[:2] for trouble in quay.troubles("1")] == [(TroubleCode.BOARD_AWAY, "board east")], (
        "another trouble"
    )
    quay.hear("east", status("east", site="1"))
    assert quay.troubles("1") == []


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff",
        b"[]",
        b"{}",
        status("spare"),
        b'{"name": "east", "contact": "yes", "session": "a"}',
        b"[" * 10_000,
        status("east", cid=7),
        status("east", cid="-1"),
        status("east", again_s=float("inf")),
    ],
)
def test_what_is_no_status_is_refused_and_changes_nothing(payload: bytes) -> None:
    quay = Quay()
    with pytest.raises(ValueError, match="status"):
        quay.hear("east", payload)
    assert quay.texts()["east"] == "never in contact"


def test_a_status_of_a_newer_program_counts() -> None:
    quay = Quay()
    quay.hear("east", status("east", format=9, mood="calm"))
    assert quay.texts()["east"] == "in contact"
    assert quay.contacts.seen()[1].status["mood"] == "calm"


def test_the_list_is_made_when_something_has_changed_alone() -> None:
    """The list is asked for each second by each phone."""
    quay = Quay()
    quay.hear("east", status("east"))
    seen = quay.contacts.seen()
    assert quay.contacts.seen() is seen
    quay.hear("east", status("east", troubles=1))
    assert quay.contacts.seen() is not seen


def test_since_another_day_has_its_date() -> None:
    quay = Quay()
    quay.hear("east", status("east"))
    quay.hear("east", status("east", here=False))
    quay.at_s += 86400
    assert quay.texts()["east"] == f"no contact since Mon 30 Nov, {CLOCK[0]}"
