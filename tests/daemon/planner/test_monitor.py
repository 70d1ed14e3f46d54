"""A planner and its monitor in one process, without a transmitter."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.requests import ask
from gloaming.daemon.direction.score import State
from gloaming.daemon.planner.answers import override_json
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import TABLES, ns, performance, site_of, write
from tests.daemon.webhook import WebhookServer
from tests.waiting import wait_until

NIGHT = performance('from = "17:00"\nto = "22:00"', "turn of the year")


def evening(site: Site, state: Path, at: str) -> Planner:
    """A planner at a local instant."""
    return Planner(site, state, Clock(wall=lambda: ns(at), offset_ns=1))  # moved by a nanosecond: it is trusted


def ends(planner: Planner) -> None:
    planner._parts.close()


def test_an_opening_is_noted_with_the_brightness_that_it_comes_to(tmp_path: Path) -> None:
    """The report computes energy from it, and a show of one piece has no other line all evening."""
    site = site_of(tmp_path / "site", "[output]\nbrightness = 0.8\n", TABLES, NIGHT)

    async def opening() -> dict[str, Any]:
        planner = evening(site, tmp_path / "state", "2026-12-01T17:00:00")
        planner._parts.sender.decide()
        (line,) = [row for row in planner.journal(10) if row["kind"] == "playing"]
        ends(planner)
        return dict(line["data"])  # type: ignore[call-overload]  # a row's values are of many types

    assert asyncio.run(opening())["level"] == pytest.approx(0.8)


def test_a_dark_keeps_its_length_over_a_step_of_the_clock_on_the_disk_too(tmp_path: Path) -> None:
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    wall_ns = [ns("2026-12-01T18:10:00") + 1]
    clock = Clock(wall=lambda: wall_ns[0], monotonic=lambda: 0, offset_ns=1)

    async def set_back() -> tuple[Planner, list[State]]:
        planner = Planner(site, tmp_path / "state", clock)
        states = [planner._parts.situation.current(clock.now_ns()).state]
        planner._parts.store.add(replace(ask({"kind": "dark"}, clock.now_ns(), site, (), "the porch"), id=1))
        planner._parts.situation.read_overrides()
        states.append(planner._parts.situation.current(clock.now_ns()).state)
        wall_ns[0] -= 600_000_000_000
        planner._parts.situation.after_step()
        states.append(planner._parts.situation.current(clock.now_ns()).state)
        planner._parts.sender.decide()
        return planner, states

    planner, states = asyncio.run(set_back())
    assert states == ["playing", "dark", "dark"]
    (dark,) = planner._parts.store.overrides(0)
    assert dark.at_ns == clock.now_ns()
    ends(planner)


def test_a_dark_keeps_its_length_over_a_step_that_the_next_planner_notices(tmp_path: Path) -> None:
    """The planner is killed after the command. The clock is set before or after the next planner begins. An override
    that was undone does not come again when it is seven hours earlier."""
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    wall_ns, passed_ns = [ns("2026-12-01T18:10:00")], [0]
    clock = Clock(wall=lambda: wall_ns[0] + passed_ns[0], monotonic=lambda: passed_ns[0], offset_ns=1)

    async def again(step_s: int, late: bool) -> tuple[State, list[dict[str, object]]]:
        wall_ns[0] += 0 if late else step_s * 1_000_000_000
        planner = Planner(site, tmp_path / "state", clock)
        wall_ns[0] += step_s * 1_000_000_000 if late else 0
        situation = planner._parts.situation
        situation.after_step()
        state = situation.current(clock.now_ns()).state
        standing = [override_json(one, situation) for one in situation.standing(clock.now_ns())]
        ends(planner)
        return state, standing

    async def nights() -> None:
        planner = Planner(site, tmp_path / "state", clock)
        undone = ask({"kind": "pause", "minutes": 30}, clock.now_ns(), site, (), "the porch")
        planner._parts.store.add(replace(undone, id=1, ended_ns=undone.at_ns + 1_000_000_000))
        passed_ns[0] += 60_000_000_000
        dark = ask({"kind": "dark", "minutes": 30}, clock.now_ns(), site, (), "the quay")
        planner._parts.store.add(replace(dark, id=2))
        ends(planner)
        for step_s, late in ((-600, False), (600, True), (600, False), (-1200, True), (-900, False)):
            state, standing = await again(step_s, late)
            assert state == State.DARK, (step_s, late)
            assert [(one["id"], one["remaining_s"]) for one in standing] == [(2, 1800)], (step_s, late)
        assert [one["id"] for one in (await again(-7 * 3600, True))[1]] == [2]

    asyncio.run(nights())


def test_a_command_before_a_step_is_noticed_keeps_its_length(tmp_path: Path) -> None:
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    wall_ns = [ns("2026-12-01T18:10:00")]
    clock = Clock(wall=lambda: wall_ns[0], monotonic=lambda: 0, offset_ns=1)

    async def asked() -> list[int]:
        planner = Planner(site, tmp_path / "state", clock)
        wall_ns[0] -= 600_000_000_000
        told = await planner.ask({"kind": "pause", "minutes": 5}, "the porch")
        planner._parts.situation.after_step()
        standing = [one.id for one in planner._parts.situation.standing(clock.now_ns())]
        ends(planner)
        return [*standing, int(str(told["id"]))]

    assert asyncio.run(asked()) == [1, 1]


@pytest.mark.parametrize("edited", [False, True])
def test_a_decision_before_a_step_is_noticed_ends_no_dark(tmp_path: Path, edited: bool) -> None:
    site = site_of(tmp_path / "site", TABLES, NIGHT)
    wall_ns = [ns("2026-12-01T18:10:00")]
    clock = Clock(wall=lambda: wall_ns[0], monotonic=lambda: 0, offset_ns=1)

    async def levels() -> list[float]:
        planner, sent = Planner(site, tmp_path / "state", clock), list[dict[str, Any]]()
        await planner.ask({"kind": "dark", "minutes": 30}, "the porch")
        planner._parts.client.send = sent.append  # type: ignore[method-assign]  # what is sent is looked at
        wall_ns[0] += 3600 * 1_000_000_000
        if edited:
            planner._parts._adopt(site)
        else:
            planner._parts.sender.decide()
        scores = [message for message in sent if message["op"] == "score"]
        ends(planner)
        return [
            max(one["level"])
            for score in scores
            for one in score["segments"]
            if one["from_ns"] < clock.now_ns() + 1_790 * 1_000_000_000
        ]

    found = asyncio.run(levels())
    assert found and not any(found)


def test_the_message_at_an_opening_is_sent_once_although_the_clock_passes_it_twice(tmp_path: Path) -> None:
    site = site_of(tmp_path / "site", TABLES, NIGHT, '\n[[alert]]\nurl = "http://127.0.74.44/"\nopening = true\n')
    wall_ns, told = [ns("2026-12-01T16:59:59")], list[str]()
    clock = Clock(wall=lambda: wall_ns[0], offset_ns=1)

    async def evenings() -> None:
        planner = Planner(site, tmp_path / "state", clock)
        planner._parts.monitor.alerts.opening = told.append  # type: ignore[method-assign]  # nothing is to go out here
        for second in (0, 2, -600, 0, 2, 86_400, 86_402):
            wall_ns[0] = ns("2026-12-01T16:59:59") + second * 1_000_000_000
            planner._parts.monitor.look()
        ends(planner)

    asyncio.run(evenings())
    assert len(told) == 2, "one for each night"


def test_an_untrusted_clock_causes_an_alert(tmp_path: Path) -> None:
    """It is why the board stays dark. Troubles of other kinds cause alerts too."""
    with WebhookServer("127.0.74.44") as hook:
        table = f'\n[[alert]]\nurl = "{hook.url}/"\nkinds = ["clock"]\nafter = "0 s"\n'
        site = site_of(tmp_path / "site", TABLES, NIGHT, table)

        async def boot_at_1970() -> None:
            planner = Planner(site, tmp_path / "state", Clock(wall=lambda: 60_000_000_000, offset_ns=0))
            planner._parts.monitor.look()
            wait_until(lambda: hook.got, "an alert")
            ends(planner)

        asyncio.run(boot_at_1970())
    ((_, body),) = hook.got
    assert (json.loads(body)["event"], json.loads(body)["kind"]) == ("trouble", "clock")


def test_of_several_boards_the_acting_one_reports_a_lost_board_and_its_return(tmp_path: Path) -> None:
    """A board that acts for a while only reports the end of what it has reported, whoever acts then."""
    boards = '[[board]]\nname = "quay"\ncontrollers = ["left"]\n[[board]]\nname = "spare"\nspare_for = "quay"\n'
    with WebhookServer("127.0.74.44") as hook:
        alert = f'\n[[alert]]\nurl = "{hook.url}/"\nkinds = ["boards"]\nafter = "0 s"\nover_after = "0 s"\n'
        site = replace(site_of(tmp_path / "site", TABLES, NIGHT, boards, alert), board_name="spare")
        east, west = (Trouble(TroubleCode.BOARD_AWAY, f"board {name}", "no contact") for name in ("east", "west"))

        async def work() -> None:
            planner, acts = evening(site, tmp_path / "state", "2026-12-01T18:00:00"), [False]
            planner._parts.acting.acts = lambda named=None: acts[0]  # type: ignore[method-assign]  # another board is to act
            for troubles, acts[0] in (([east], False), ([west], True), ([east, west], False), ([east], False)):
                planner._parts.monitor.others[:] = [lambda troubles=troubles: troubles]
                for _ in range(2):
                    planner._parts.monitor.look()
            await asyncio.to_thread(wait_until, lambda: len(hook.got) == 2, "both alerts")
            ends(planner)

        asyncio.run(work())
    said = [json.loads(body) for _, body in hook.got]
    assert [(one["event"], one["subject"], one["site"]) for one in said] == [
        ("trouble", "board west", "Pier Road boathouse, spare"),
        ("over", "board west", "Pier Road boathouse, spare"),
    ]


def test_a_transmitter_of_the_build_on_the_disk_is_not_stopped_although_the_planner_is_older(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An upgrade while the planner runs on: otherwise each new transmitter is stopped, all night long."""
    site = site_of(tmp_path / "site", TABLES, NIGHT)

    async def stops(said: str, areas: tuple[float, ...] = (), asked: dict[str, object] | None = None) -> int:
        planner, sent = evening(site, tmp_path / "state", "2026-12-01T12:00:00"), list[dict[str, Any]]()
        monkeypatch.setattr("gloaming.daemon.planner.monitor.build", lambda: "new")
        monkeypatch.setattr(planner._parts.client, "send", sent.append)
        planner._parts.client.telemetry = {"level": 0.0, "areas": [{"level": level} for level in areas]}
        if asked:
            await planner.ask(asked, "Ada")
        planner._parts.monitor.transmitter_connected({"build": said, "grants": {"real_time": True}})
        planner._parts.monitor.look()
        ends(planner)
        return [message["op"] for message in sent].count("stop")

    assert asyncio.run(stops("new")) == 0
    assert asyncio.run(stops("old")) == 1
    assert asyncio.run(stops("old", (0.0, 0.4))) == 0, "a zone is lit"
    assert asyncio.run(stops("old", asked={"kind": "call", "show": "evening", "zone": "left"})) == 0, "one will be"


BOXES = {"left": "192.0.2.21", "right": "192.0.2.22", "mast": "192.0.2.23", "quay": "192.0.2.24"}
CIRCUIT = """[[circuit]]
name = "B"
amps = 16
volts = 230
breaker = "panel 2"
rcd = false
[[supply]]
name = "b"
volts = 12
amps = 29
circuit = "B"
"""


def boxes() -> str:
    """A rig of four controllers. All but the last are fed from circuit B."""
    parts = [CIRCUIT]
    for number, (name, host) in enumerate(BOXES.items(), 1):
        supply = "" if name == "quay" else 'supply = "b"\n'
        parts.append(
            f'[[controller]]\nname = "{name}"\nhost = "{host}"\nuniverses = {number}\n'
            f'[[string]]\nname = "of {name}"\ncontroller = "{name}"\nuniverse = {number}\npixels = 9\n{supply}'
        )
    return "".join(parts)


def test_a_circuit_is_one_trouble_in_the_alert_on_the_phone_and_in_the_journal(tmp_path: Path) -> None:
    """One controller is found to be gone a look before the others. They come back one after the other."""
    away: set[str] = set()

    async def ask(address: str) -> bool:
        return address not in {BOXES[name] for name in away}

    async def evening_of(url: str) -> tuple[list[list[str]], list[str]]:
        table = f'\n[[alert]]\nurl = "{url}/"\nkinds = ["controller", "network"]\nafter = "0 s"\nover_after = "0 s"\n'
        folder = write(tmp_path / "site", TABLES, NIGHT, table, rig=boxes())
        planner = evening(load_site(folder), tmp_path / "state", "2026-12-01T18:00:00")
        planner._parts.rig.reach._ask = ask
        phone = []

        async def look(*gone: str) -> None:
            away.clear()
            away.update(gone)
            await planner._parts.rig.reach.look()
            planner._parts.monitor.look()
            troubles = [one for one in planner.now()["health"]["troubles"] if one["kind"] in ("controller", "network")]
            phone.append([one["text"] for one in troubles])

        await look()
        await look("left")
        await look("left", "right", "mast")
        network = {"op": "trouble", "kind": "network", "subject": BOXES["right"], "text": "no answer", "over": False}
        planner._parts._heard(network)
        await look("left", "right", "mast")
        await look("mast")
        planner._parts._heard({**network, "over": True})
        await look("mast")
        await look()
        await look("quay")
        lines = [str(row["text"]) for row in planner.journal(20, kinds=("trouble",))]
        await asyncio.to_thread(wait_until, lambda: len(hook.got) >= 4, "the messages")
        ends(planner)
        return phone, lines[::-1]

    with WebhookServer("127.0.74.44") as hook:
        phone, lines = asyncio.run(evening_of(hook.url))
    left, quay = (
        f"controller {one} ({BOXES[one]}) does not answer; dark with it: of {one}" for one in ("left", "quay")
    )
    all_of_b = (
        "all of circuit B: controllers left, right, mast do not answer; is its breaker (panel 2) off? "
        "Dark with them: of left, of right, of mast"
    )
    part = "circuit B: not back yet: right, mast; dark with them: of right, of mast"
    rest = "circuit B: not back yet: mast; dark with them: of mast"
    assert phone == [[], [left], [all_of_b], [all_of_b], [part], [rest], [], [quay]]
    sent = [json.loads(body) for _, body in hook.got]
    assert [(one["event"], one["code"], one["subject"]) for one in sent] == [
        ("trouble", "controller", "left"),
        ("trouble", "circuit", "circuit B"),
        ("over", "circuit", "circuit B"),
        ("trouble", "controller", "quay"),
    ]
    assert "licensed electrician" in sent[1]["do"]
    assert lines == [
        f"left: {left}",
        f"circuit B: {all_of_b}",
        "over: circuit B",
        f"quay: {quay}",
    ]
