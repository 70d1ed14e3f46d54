"""The rig monitor: limits for the limiter, its reports in the journal, patterns of rig checks."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from uuid import UUID

import pytest

from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import Verdict
from gloaming.daemon.planner.commands import Commands, NotStandingError
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.messages import setup_of
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.rig_monitor import PATTERNS_MAX, REPORT_NS, RigMonitor
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.transmitter_troubles import NetworkTrouble, TransmitterTroubles
from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter.frame_mixer import FULL, FrameMixer, Layer
from gloaming.daemon.transmitter.limiter import Limiter
from gloaming.shows.framefile.reader import inspect
from gloaming.shows.rig.patterns import Pattern

SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[output]
limiter = {limiter}
"""
RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1-2"
[[supply]]
name = "box"
volts = 12
amps = 29
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 200
fuse_a = 5
supply = "box"
[[string]]
name = "loose"
controller = "left"
universe = 2
slot = 91
pixels = 9
"""


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


class Stub(SimpleNamespace):
    """The part of a situation that the rig monitor uses."""

    def __init__(self, folder: Path, limiter: str = "true") -> None:
        (folder / "site.toml").write_text(SITE.format(limiter=limiter), encoding="utf-8")
        (folder / "rig.toml").write_text(RIG, encoding="utf-8")
        self.at_ns = 1_795_000_000 * 10**9
        self.noted: list[tuple[str, str]] = []
        self.facts: dict[str, str] = {}
        super().__init__(
            site=load_site(folder),
            now_ns=lambda: self.at_ns,
            store=SimpleNamespace(
                note=lambda at_ns, kind, text, **more: self.noted.append((kind, text)),
                fact=self.facts.get,
                set_fact=self.facts.__setitem__,
            ),
            overrides=(),
            standing=lambda at_ns: self.overrides,
            shared_checks=lambda: (),
            held=(),
            trust=SimpleNamespace(trusted=True),
        )


def care(folder: Path, limiter: str = "true") -> tuple[Any, RigMonitor]:
    planner: Any = Stub(folder, limiter)
    return planner, RigMonitor(planner, folder, lambda: None, {})


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


def test_a_pattern_is_rendered_once_and_the_oldest_are_deleted(tmp_path: Path) -> None:
    _, of = care(tmp_path)

    async def ask(minutes: float) -> Override:
        return await of.check({"pattern": "walk", "string": "ridge", "minutes": minutes}, "Nan")

    first = asyncio.run(ask(2))
    assert first.check
    info = inspect(first.check.path)
    assert (info.frames, info.fps, first.check.text) == (200, 2, "walk, white of string ridge")
    written = Path(first.check.path).stat().st_ino
    assert asyncio.run(ask(2)).check == first.check
    assert Path(first.check.path).stat().st_ino == written
    for pace in range(3, 30):
        asyncio.run(ask(200 / pace / 60))
    assert len(list((tmp_path / "rig-check").iterdir())) == PATTERNS_MAX


def test_the_file_of_a_burn_in_is_not_deleted_while_others_are_rendered(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    burn_in = asyncio.run(of.check({"pattern": "ramp", "hours": 24}, "Nan"))
    planner.overrides = (burn_in,)
    for pace in range(2, 30):
        asyncio.run(of.check({"pattern": "walk", "minutes": 200 / pace / 60}, "Nan"))
    assert burn_in.check
    assert inspect(burn_in.check.path).frames == burn_in.check.frames
    assert burn_in.kind == Kind.BURN_IN
    assert of.dim_windows() == []


def test_a_check_whose_file_is_lost_is_asked_for_again_with_what_is_left_of_it(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    request = {"pattern": "pixel", "number": 3, "strings": ["ridge", "loose"], "colour": "red", "level": 0.5}
    burn_in = asyncio.run(of.check({**request, "hours": 24}, "Nan"))
    check = asyncio.run(of.check({"pattern": "ends", "controller": "left", "minutes": 5}, "Nan"))
    planner.overrides = (burn_in, check)
    assert of.changed_checks() == []
    for path in of.folder.iterdir():
        path.unlink()
    planner.at_ns += 60 * 10**9
    assert of.changed_checks() == [
        (burn_in, {**request, "hours": pytest.approx(24 - 1 / 60)}),
        (
            check,
            {"pattern": "ends", "controller": "left", "colour": "white", "level": 0.3, "minutes": pytest.approx(4)},
        ),
    ]


def test_a_button_that_is_held_renders_one_file_for_all_pixels_of_a_string(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    written = set()
    for number in range(1, 30):
        check = asyncio.run(of.check({"pattern": "pixel", "string": "ridge", "number": number}, "Nan")).check
        assert check and (check.still, check.text) == (number - 1, f"pixel {number}, white of string ridge")
        written.add((Path(check.path).stat().st_ino, Path(check.path).stat().st_size, check.piece))
    assert len(written) == len(list((tmp_path / "rig-check").iterdir())) == 1


def test_a_pattern_that_is_damaged_on_the_disk_is_rendered_again(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    first = asyncio.run(of.check({"pattern": "walk"}, ""))
    assert first.check
    Path(first.check.path).write_bytes(b"damaged")
    assert asyncio.run(of.check({"pattern": "walk"}, "")).check == first.check
    assert inspect(first.check.path).frames == 200


def test_a_state_directory_that_takes_nothing_is_an_error_of_the_system(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    (tmp_path / "rig-check").write_text("in the way")
    with pytest.raises(OSError, match=r"the pattern cannot be written to .*/rig-check: File exists"):
        asyncio.run(of.check({"pattern": "walk"}, ""))


def test_a_pattern_that_cannot_be_written_is_no_input_error(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    of.folder.mkdir()
    of._path(Pattern("walk"), planner.site).mkdir()
    with pytest.raises(OSError, match=r"the pattern cannot be written to .*/rig-check: this is a folder"):
        asyncio.run(of.check({"pattern": "walk"}, ""))


def other_rig(planner: Any, rig: str) -> None:
    """The site read again, with another rig.toml."""
    (planner.site.folder / "rig.toml").write_text(rig, encoding="utf-8")
    planner.site = load_site(planner.site.folder)


def test_a_rig_that_is_read_again_while_a_pattern_is_rendered_has_its_own_pattern(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planner, of = care(tmp_path)
    render = of._render

    def rendered(pattern: Pattern, site: Site) -> Check:
        if site.rig.string[0].pixels == 200:
            other_rig(planner, RIG.replace("pixels = 200", "pixels = 180"))
        return render(pattern, site)

    monkeypatch.setattr(of, "_render", rendered)
    found = asyncio.run(of.check({"pattern": "walk"}, "Nan")).check
    assert found and found.frames == 180


def test_a_rig_check_under_way_follows_a_rig_that_has_changed_or_ends(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    asked: list[Override] = []
    undone: list[int] = []

    async def check_rig(request: Any, who: str, follows: Override) -> None:
        assert follows is planner.overrides[0]
        asked.append(await of.check(request, who))

    async def undo(id: int, who: str) -> None:
        undone.append(id)

    commands: Any = Commands(planner, of, cast(ScoreSender, None), cast(Holds, None), cast(SharedFacts, None))
    commands.check_rig, commands.undo = check_rig, undo
    request = {"pattern": "pixel", "number": 37, "string": "ridge", "level": 0.5, "minutes": 4}
    planner.overrides = (asyncio.run(of.check(request, "Nan")),)
    other_rig(planner, "# a remark\n" + RIG)
    asyncio.run(commands.follow_rig())
    assert not asked  # the same pixels
    planner.at_ns += 60 * 10**9
    other_rig(planner, RIG.replace("pixels = 200", 'pixels = 198\norder = "GRB"\nslot = 4'))
    asyncio.run(commands.follow_rig())
    (again,) = asked
    assert again.check and again.check != planner.overrides[0].check
    assert (again.until_ns, again.level, again.who) == (planner.overrides[0].until_ns, 0.5, "Nan")
    planner.overrides = (again,)
    other_rig(planner, RIG.replace("pixels = 200", "pixels = 20"))
    asyncio.run(commands.follow_rig())
    assert (len(asked), undone) == (1, [again.id])
    assert planner.noted[-1][1].startswith("pixel 37, white of string ridge ends, as the rig has changed")


def test_the_rig_is_reported_with_the_places_of_its_pixels(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    planner.overrides = (asyncio.run(of.check({"pattern": "walk", "string": "ridge"}, "Nan")),)
    planner.at_ns += 5 * 10**9 + 1
    told = of.as_json()
    assert told["check"]["frame"] == 11
    assert told["check"]["text"] == "walk, white of string ridge"
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
    of = RigMonitor(planner, tmp_path, lambda: None, network, lambda: telemetry)
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


def test_lights_that_are_turned_off_while_a_pattern_is_rendered_stay_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planner, of = care(tmp_path)
    render, pause = of._render, Override(7, Kind.PAUSE, planner.at_ns, planner.at_ns + 900 * 10**9, "Nan")

    def rendered(pattern: Pattern, site: Site) -> Check:
        planner.overrides = (pause,)
        return render(pattern, site)

    monkeypatch.setattr(of, "_render", rendered)
    with pytest.raises(Refusal, match="a pause was asked for after this rig check"):
        asyncio.run(of.check({"pattern": "colours"}, "Huw"))
    assert asyncio.run(of.check({"pattern": "colours"}, "Huw")), "whoever asks now knows of the pause"


def test_a_rig_check_that_is_ended_while_it_follows_a_rig_does_not_come_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of, _ = care(tmp_path)
    planner = Planner(of.site, tmp_path, Clock(0, lambda: of.at_ns, lambda: 50 * 10**9))
    asked = asyncio.run(planner._parts.rig.check({"pattern": "colours"}, "Nan"))
    check, rig_check = planner._parts.situation.add(asked), planner._parts.rig.check

    async def rendered(request: Any, who: str) -> Override:
        planner._parts.store.end(check.id, of.at_ns + 1)
        of.at_ns += 10**9
        planner._parts.situation.read_overrides()
        return await rig_check(request, who)

    monkeypatch.setattr(planner._parts.rig, "check", rendered)
    planner._parts.situation.trust.verdict = Verdict(True, "synchronised", "")
    with pytest.raises(NotStandingError):
        asyncio.run(planner._parts.commands.check_rig({"pattern": "walk"}, "Nan", follows=check))
    assert not planner._parts.situation.standing(of.at_ns)
    planner._parts.close()


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
    of = RigMonitor(planner, tmp_path, lambda: moved.append(True), {})
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
    again = RigMonitor(planner, tmp_path, lambda: None, {})  # after a power cut
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
