"""The rig monitor: controllers, limits for the limiter, its reports in the journal."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from gloaming.daemon.planner.messages import setup_of
from gloaming.daemon.planner.rig_monitor import REPORT_NS, RigMonitor
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.transmitter_troubles import NetworkTrouble, TransmitterTroubles
from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.transmitter.frame_mixer import FULL, FrameMixer, Layer
from gloaming.daemon.transmitter.limiter import Limiter
from tests.daemon.planner.rig_stub import RIG, Stub, other_rig

FIXTURE = """[[fixture]]
name = "lantern"
controller = "left"
universe = 2
slot = 200
channels = ["dimmer", "strobe"]
watts = 60
supply = "box"
"""
CIRCUIT = """[[circuit]]
name = "shed"
amps = 16
volts = 230
breaker = "shed panel, no. 4"
rcd = true
"""


def care(folder: Path, limiter: str = "true") -> tuple[Any, RigMonitor]:
    planner: Any = Stub(folder, limiter)
    return planner, RigMonitor(planner, lambda: None, {})


def test_the_limits_are_those_of_the_rig(tmp_path: Path) -> None:
    limits = care(tmp_path)[1].limits()
    assert limits == Limits(
        (StringDraw(20.0, ((1, 1, 510), (2, 1, 90))), StringDraw(20.0, ((2, 91, 117),))),
        (
            (CurrentLimit("string", "ridge", 5000.0, 200.0, (0,)),),
            (CurrentLimit("supply", "box", 29_000.0, 200.0, (0,)),),
        ),
    )


def test_a_controllers_brightness_a_port_a_missing_pixel_and_a_fixture_count_in_the_limits(tmp_path: Path) -> None:
    """60 W of 12 V are 5 A. 199 and 9 pixels of 1 mA hang."""
    planner, of = care(tmp_path)
    rig = RIG.replace('host = "192.0.2.21"', "brightness = 0.3").replace('name = "loose"', 'name = "eaves"\nport = 3')
    rig = rig.replace("fuse_a = 5", "port = 3\nfuse_a = 5\nmissing = [37]")
    other_rig(planner, rig + FIXTURE)
    assert of.limits() == Limits(
        (StringDraw(6.0, ((1, 1, 510), (2, 1, 90))), StringDraw(6.0, ((2, 91, 117),))),
        (
            (CurrentLimit("port", "3 of left", 5000.0, 208.0, (0, 1)),),
            (CurrentLimit("supply", "box", 29_000.0, 5199.0, (0,)),),
        ),
    )


def test_the_pixels_after_a_missing_one_are_limited_where_they_come_on_the_wire(tmp_path: Path) -> None:
    """199 pixels would draw 11.94 A; their dark current leaves 4.801 A of 5 A for light."""
    planner, of = care(tmp_path)
    other_rig(planner, RIG.replace("fuse_a = 5", "fuse_a = 5\nmissing = [1]"))
    setup = setup_of(planner.site, UUID(int=1), of.limits(), {})
    mixer = FrameMixer({one.number: one.slots for one in setup.targets}, setup.unscaled, setup.cuts)
    assert setup.limits
    limiter = Limiter(setup.limits, mixer.offsets, mixer.slots)
    mixer.limit = limiter.limit
    sent = mixer.mix(Layer(FULL, look=255))
    assert len(set(sent[:597])) == 1
    assert 4.75 < float(sent[:600].sum()) / 255 * 0.02 <= 4.801
    assert limiter.figures(1)[0]["ma"] == 12_139


def test_a_gap_in_the_strings_of_a_ddp_controller_is_sent_as_0_whatever_the_frame_has(tmp_path: Path) -> None:
    """Ridge ends at slot 90 of universe 2, and loose begins at 101. E1.31 gets what the frame has between them."""
    planner, _ = care(tmp_path)
    for protocol, gap in (("e131", 255), ("ddp", 0)):
        left = f'name = "left"\nprotocol = "{protocol}"'
        other_rig(planner, RIG.replace("slot = 91", "slot = 101").replace('name = "left"', left, 1))
        setup = setup_of(planner.site, UUID(int=1), None, {})
        mixer = FrameMixer({one.number: one.slots for one in setup.targets}, setup.unscaled, setup.cuts)
        sent = mixer.mix(Layer(FULL, look=255))
        assert (set(sent[:600]), set(sent[600:610]), set(sent[610:637])) == ({255}, {gap}, {255})
        assert {one.slots_per_pixel for one in setup.targets} == {3 if protocol == "ddp" else None}


def test_without_a_fuse_and_a_supply_there_are_no_limits(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    other_rig(planner, RIG.replace("fuse_a = 5\n", "").replace('supply = "box"\n', "port = 3\n"))
    assert of.limits() is None


def test_switched_off_there_are_no_limits(tmp_path: Path) -> None:
    assert care(tmp_path, "false")[1].limits() is None


def test_what_the_limiter_lowers_is_reported_at_once_and_then_every_ten_minutes(tmp_path: Path) -> None:
    planner, of = care(tmp_path)

    def hear(frames: int) -> None:
        one = {"kind": "string", "name": "ridge", "frames": frames, "lowest": 0.5556, "ma": 9000, "limit_ma": 5000}
        of.report_limited({"limited": [one]})

    hear(3)
    assert planner.noted == [
        (
            "limiter",
            "string ridge was lowered in 3 frames, to 56% at the least: it would have drawn 9.0 A, and may draw 5 A",
        )
    ]
    for frames in range(4, 100):
        hear(frames)
    assert len(planner.noted) == 1
    planner.at_ns += REPORT_NS
    hear(103)
    assert "was lowered in 100 frames" in planner.noted[1][1]
    hear(2)  # a new setup counts from 0
    planner.at_ns += REPORT_NS
    hear(5)
    assert "was lowered in 5 frames" in planner.noted[2][1]
    planner.at_ns -= 86_400 * 10**9  # a clock that was a day ahead is set
    hear(9)
    assert "was lowered in 4 frames" in planner.noted[3][1]


def test_a_port_is_reported_by_its_number_and_its_controller(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    one = {"kind": "port", "name": "3 of left", "frames": 8, "lowest": 0.6944, "ma": 7200, "limit_ma": 5000}
    of.report_limited({"limited": [one]})
    text = "port 3 of left was lowered in 8 frames, to 69% at the least: it would have drawn 7.2 A, and may draw 5 A"
    assert planner.noted == [("limiter", text)]


def test_the_rig_is_reported_with_the_places_of_its_pixels(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    told = of.as_json()
    assert told["controllers"][0] | {"since": ""} == {
        "name": "left",
        "boards": [],
        "host": "192.0.2.21",
        "address": "192.0.2.21",
        "protocol": "e131",
        "way": "E1.31 to 192.0.2.21",
        "answers": None,
        "since": "",
        "strings": ["ridge", "loose"],
        "words": "has not been asked yet",
        "packets": 0,
        "errors": 0,
        "last_error": None,
        "nodes": [],
        "multicast": False,
        "broadcast": False,
        "universes": [1, 2],
        "port_addresses": [],
        "brightness": 1.0,
    }
    assert [one["points"] for one in told["strings"]] == [None, None]


def test_each_controller_has_what_was_sent_to_its_universes_and_its_last_error(tmp_path: Path) -> None:
    planner, _ = care(tmp_path)
    other_rig(planner, RIG + '[[controller]]\nname = "mast"\nuniverses = "7-9"\n')
    telemetry = {
        "universe_packets": [[1, 1, 40, 1], [2, 8, 30, 1], [9, 9, 5, 1]],
        "controllers": [{"host": "192.0.2.21", "errors": 3}, {"host": "multicast", "errors": 0}],
    }
    network = {"192.0.2.21": NetworkTrouble(planner.at_ns, "packets to 192.0.2.21 are not taken: No route", True)}
    of = RigMonitor(planner, lambda: None, network, lambda: telemetry)
    left, mast = of.controllers()
    assert (left["packets"], left["errors"]) == (40 + 30, 3)
    assert (left["last_error"]["text"], left["last_error"]["stands"]) == (
        "packets to 192.0.2.21 are not taken: No route",
        True,
    )
    assert (mast["packets"], mast["errors"], mast["last_error"]) == (2 * 30 + 5, 0, None)
    assert (mast["answers"], mast["words"]) == (None, "listens to multicast and cannot be asked")


def test_each_controller_has_its_protocol_and_the_way_of_its_data(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    other_rig(
        planner,
        f"{RIG}[[controller]]\nname = 'mast'\nuniverses = '7-9'\n"
        "[[controller]]\nname = 'quay'\nuniverses = '10-11'\nprotocol = 'artnet'\nhost = 'quay.lan'\n"
        "port_addresses = '0:1:0,0:0:0'\n"
        "[[controller]]\nname = 'shed'\nuniverses = '12'\nprotocol = 'artnet'\nbroadcast = true\n"
        "[[controller]]\nname = 'boom'\nuniverses = '13'\nprotocol = 'ddp'\nhost = '192.0.2.25'\n",
    )
    of.names.addresses["quay.lan"] = "192.0.2.23"
    of.adopt()
    keys = ("protocol", "way", "multicast", "broadcast", "port_addresses")
    assert [tuple(one[key] for key in keys) for one in of.as_json()["controllers"]] == [
        ("e131", "E1.31 to 192.0.2.21", False, False, []),
        ("e131", "E1.31 by multicast", True, False, []),
        ("artnet", "Art-Net to quay.lan at 192.0.2.23", False, False, [16, 0]),
        ("artnet", "Art-Net by broadcast", False, True, [12]),
        ("ddp", "DDP to 192.0.2.25", False, False, []),
    ]
    assert of.controllers()[3]["words"] == "listens to broadcast and cannot be asked"


def test_the_last_error_of_an_address_is_known_after_it_is_over(tmp_path: Path) -> None:
    store = Store(tmp_path, 0)
    troubles = TransmitterTroubles(store)

    def report(at_ns: int, text: str, over: bool = False) -> NetworkTrouble:
        message = {"kind": "network", "subject": "192.0.2.21", "text": text, "over": over}
        troubles.report(message, at_ns)
        return troubles.network["192.0.2.21"]

    assert report(10, "no route") == NetworkTrouble(10, "no route", True)
    assert report(20, "refused") == NetworkTrouble(10, "refused", True)
    assert report(30, "over", over=True) == NetworkTrouble(10, "refused", False)
    assert report(40, "no route") == NetworkTrouble(40, "no route", True)
    store.close()


def test_the_rig_is_reported_with_its_ports_fixtures_and_circuits(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    fed = RIG.replace("amps = 29", 'amps = 29\ncircuit = "shed"').replace("fuse_a = 5", "fuse_a = 5\nport = 3")
    other_rig(planner, fed + FIXTURE + CIRCUIT)
    told = of.as_json()
    assert told["circuits"] == [{"name": "shed", "amps": 16, "volts": 230, "breaker": "shed panel, no. 4", "rcd": True}]
    assert told["supplies"] == [{"name": "box", "volts": 12, "amps": 29, "circuit": "shed", "efficiency": 0.85}]
    place = {"controller": "left", "universe": 2, "slot": 200}
    feed = {"watts": 60, "supply": "box", "circuit": None}
    assert told["fixtures"] == [{"name": "lantern", **place, "channels": ["dimmer", "strobe"], "at": None, **feed}]
    port = {"name": "3 of left", "controller": "left", "number": 3, "strings": ["ridge"], "fuse_a": 5}
    assert told["ports"] == [{**port, "supply": None, "volts": None, "run_m": None, "note": None}]


NAMED = (
    RIG.replace("192.0.2.21", "left.lan")
    + """[[controller]]
name = "right"
host = "right.lan"
multicast = true
universes = "3"
"""
)


def hosts(planner: Any, of: RigMonitor) -> list[tuple[str, ...]]:
    setup = setup_of(planner.site, UUID(int=1), None, of.names.addresses)
    return [target.hosts for target in Setup.from_json(json.loads(json.dumps(setup.to_json()))).targets]


def test_addresses_are_kept_for_the_next_start_and_asked_whether_they_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = {"left.lan": ["192.0.2.21"]}

    def ask(name: str) -> list[str]:
        if name not in known:
            raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")
        return known[name]

    monkeypatch.setattr("gloaming.daemon.integrations.host_names.look_up", ask)
    planner, of = care(tmp_path)
    other_rig(planner, NAMED)
    moved: list[bool] = []
    of = RigMonitor(planner, lambda: moved.append(True), {})
    assert not of.troubles()  # not looked up yet
    assert hosts(planner, of) == [(), (), ("multicast",)]
    asyncio.run(of.look_up())
    assert moved == [True]
    assert planner.noted[-1] == ("site", "addresses were looked up: left.lan is 192.0.2.21")
    assert hosts(planner, of) == [("192.0.2.21",), ("192.0.2.21",), ("multicast",)]
    assert [one["address"] for one in of.controllers()] == ["192.0.2.21", None]
    assert [one.text for one in of.troubles()] == [
        "controller right: nobody knows the address of right.lan (Name or service not known); its universes are sent "
        "by multicast alone until it is known"
    ]
    del known["left.lan"]
    again = RigMonitor(planner, lambda: None, {})  # after a power cut
    assert hosts(planner, again) == [("192.0.2.21",), ("192.0.2.21",), ("multicast",)]
    asyncio.run(again.look_up())

    async def nobody(address: str) -> bool:
        return False

    monkeypatch.setattr(again.reach, "_ask", nobody)
    asyncio.run(again.reach.look())
    assert again.troubles()[-1].text == (
        "controller left (left.lan at 192.0.2.21) does not answer; dark with it: ridge, loose; its name cannot be "
        "looked up (Name or service not known), so the last known address is used"
    )
    known["right.lan"] = ["192.0.2.22"]
    other_rig(planner, NAMED.replace("left.lan", "192.0.2.30"))
    again.adopt()
    asyncio.run(again.look_up())
    assert json.loads(planner.facts["addresses"]) == {"right.lan": "192.0.2.22"}  # a name that is gone is forgotten
