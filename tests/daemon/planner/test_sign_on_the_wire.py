"""A sign's text changes with each piece: the titles that arrive are those of the pieces on the wire, in their order."""

from __future__ import annotations

from pathlib import Path

from tests.daemon.planner.sign import TITLES, sign_evening
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip", "mosquitto")


def test_a_sign_gets_the_title_of_each_piece_on_the_wire(tmp_path: Path) -> None:
    with sign_evening(tmp_path, 3.0) as sign:

        def another(what: str) -> str:
            """The next title that is on the sign and on the wire."""
            counts = len(sign.titles()), len(sign.wire())
            wait_until(lambda: len(sign.titles()) > counts[0] and len(sign.wire()) > counts[1], what)
            return sign.wire()[-1][1]

        wait_until(sign.wire, "light", 90)
        before = sign.wire()[-1][1]
        assert another("the next piece") != before
        assert sign.evening.ask("POST", "/api/overrides", {"kind": "skip"})[0] == 201
        another("the piece after a skip")
        code, call = sign.evening.ask("POST", "/api/overrides", {"kind": "call", "show": "short", "minutes": 5})
        assert code == 201, call
        wait_until(lambda: sign.titles()[-1][1] == sign.wire()[-1][1] == TITLES["swell"], "the called show")
        assert sign.evening.ask("DELETE", f"/api/overrides/{call['id']}")[0] == 200
        wait_until(lambda: TITLES["swell"] not in (sign.titles()[-1][1], sign.wire()[-1][1]), "the evening")
        titles = [title for _, title in sign.titles()]
        wire = [title for _, title in sign.wire()]
    assert len(wire) >= 5 and TITLES["swell"] in wire
    # pieces that began before the first packet are on the sign alone; the last one may be on the wire alone
    tails = [wire[: len(wire) - later] for later in (0, 1)]
    assert any(titles[-len(tail) :] == tail for tail in tails), (titles, wire)
