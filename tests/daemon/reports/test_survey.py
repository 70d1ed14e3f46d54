"""The survey: it finds each fault at its place, and its page fetches nothing."""

from __future__ import annotations

import json
import re
import shlex
import time
import xml.etree.ElementTree as ET
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.integrations.network_look import NetworkLook
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import ClockTrust, Verdict, verdict_at_a_start
from gloaming.daemon.planner.kernel_clock import KernelClockReader
from gloaming.daemon.planner.store import Store
from gloaming.daemon.reports.journal_report import season_report
from gloaming.daemon.reports.survey import survey
from gloaming.daemon.reports.survey_machine import machine_findings
from gloaming.daemon.site.load import load_site
from gloaming.shows.protocols.artnet.poll import ArtNode
from gloaming.shows.time_units import SECOND_NS
from tests.daemon.surveyed_site import RIG, SITE, calm, make, surveyed, texts


def test_a_calm_piece_has_no_error_and_its_energy_is_that_of_the_hours(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """40/255 x 9 A x 0.8 x 12 V / 0.85 = 15.9 W, five hours on each of 4 nights, less what the piece's fades take."""
    code, told = surveyed(make(tmp_path, calm), capsys)
    assert (code, texts(told, "error")) == (0, [])
    energy = told["energy"]
    assert isinstance(energy, dict)
    assert energy["nights"] == 4
    assert energy["season_kwh"] == pytest.approx(40 / 255 * 9 * 0.8 * 12 / 0.85 * 5 * 4 / 1000, rel=0.01)
    assert energy["price"] == pytest.approx(energy["season_kwh"] * 0.28)


@pytest.mark.parametrize("day", ["2026-08-01", "2026-11-27", "2027-11-27"])
def test_a_season_of_four_nights_has_four_also_on_its_first_day(tmp_path: Path, day: str) -> None:
    found = survey(make(tmp_path, calm), datetime.fromisoformat(f"{day}T09:00:00+00:00"), ask=False)
    assert found.energy and found.energy.nights == 4


@pytest.mark.parametrize("protocol", ["artnet", "e131"])
def test_art_net_nodes_are_asked_and_held_against_the_rig(
    tmp_path: Path, protocol: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = ArtNode("192.0.2.21", "left", "", "2.14", "", (1,), (), (1,), ())

    async def take_a_look(*_: object) -> NetworkLook:
        return NetworkLook(0, (left,), (), (), (), 0)

    async def look_once(*_: object) -> dict[str, bool]:
        return {"left": True}

    monkeypatch.setattr("gloaming.daemon.reports.survey.take_a_look", take_a_look)
    monkeypatch.setattr("gloaming.daemon.reports.survey.look_once", look_once)
    rig = RIG.replace('host = "127.0.0.1"', f'protocol = "{protocol}"\nhost = "192.0.2.21"')
    found = survey(make(tmp_path, calm, rig=rig), datetime.fromisoformat("2026-11-27T09:00:00+00:00"))
    codes = {str(one.code) for one in found.sections["the machine"]}
    assert ("node-merges" in codes) == (protocol == "artnet")
    assert "controllers-answer" in codes


def test_it_has_the_time_of_the_site_wherever_the_machine_thinks_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kathmandu is 5 h 45 min ahead of UTC, all year, and little else is."""
    site = SITE.replace("Europe/London", "Asia/Kathmandu")
    assert str(surveyed(make(tmp_path, calm, site), capsys)[1]["at"]).endswith("+05:45")


def test_a_string_without_a_supply_costs_what_its_volts_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As above, at 5 V."""
    rig = RIG.replace('supply = "box"', "volts = 5")
    energy = surveyed(make(tmp_path, calm, rig=rig), capsys)[1]["energy"]
    assert isinstance(energy, dict)
    assert energy["season_kwh"] == pytest.approx(40 / 255 * 9 * 0.8 * 5 / 0.85 * 5 * 4 / 1000, rel=0.01)


def test_the_survey_and_the_report_of_a_night_agree_on_its_energy(tmp_path: Path) -> None:
    """Five hours of a piece, at the brightness of the site."""
    rig = RIG.replace("idle_ma = 0", "missing = [1, 150]").replace('host = "127.0.0.1"', "brightness = 0.3")
    folder = make(tmp_path, calm, rig=rig.replace("amps = 8", "amps = 8\nefficiency = 0.9"))
    opens = datetime(2026, 11, 27, 17, tzinfo=ZoneInfo("Europe/London"))
    (piece,) = survey(folder, opens, ask=False).pieces
    store = Store(tmp_path / "state", 0)
    opens_ns = int(opens.timestamp()) * SECOND_NS
    store.note(opens_ns, "playing", "tide", data={"piece": "tide", "level": 0.8})
    store.note(opens_ns + 5 * 3600 * SECOND_NS, "waiting", "")
    (night,) = season_report(load_site(folder), store, opens_ns + 86_400 * SECOND_NS, opens.date(), 1).nights
    store.close()
    assert night.lit_s == 5 * 3600
    assert night.energy_wh == pytest.approx(piece.watts.at(0.8) * 5, abs=0.05)
    assert piece.watts.idle == pytest.approx(148 * 0.001 * 12 / 0.9)


def test_a_moment_above_the_fuse_is_told_with_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """9 A at full, 7.2 A at brightness 0.8; a moment of it is the limiter's to lower."""

    def white(frames: npt.NDArray[np.uint8]) -> None:
        frames[1000:1010] = 255

    code, told = surveyed(make(tmp_path, white), capsys)
    assert code == 0
    assert "site.toml:12 tide at 0:25: string ridge: 7.2 A, fuse 5 A; the limiter lowers it" in texts(told, "warning")
    assert told["holds_at_brightness"] == pytest.approx(5 / 9)


def test_what_draws_too_much_for_long_is_an_error_and_so_is_a_moment_without_the_limiter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def white(frames: npt.NDArray[np.uint8]) -> None:
        frames[:800] = 255

    code, told = surveyed(make(tmp_path, white), capsys)
    assert code == 1
    assert "site.toml:12 tide at 0:00: string ridge: 7.2 A, fuse 5 A; over 10 s 7.2 A; the limiter lowers it" in texts(
        told, "error"
    )

    def moment(frames: npt.NDArray[np.uint8]) -> None:
        frames[1000] = 255

    site = SITE.replace("brightness = 0.8", "brightness = 1.0\nlimiter = false")
    code, told = surveyed(make(tmp_path, moment, site), capsys)
    assert code == 1
    assert texts(told, "error") == [
        "site.toml:13 tide at 0:25: string ridge: 9.0 A, fuse 5 A",
        "site.toml:13 tide at 0:25: supply box: 9.0 A, it gives 8 A",
    ]


def test_flashes_are_told_with_their_moments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def flash(frames: npt.NDArray[np.uint8]) -> None:
        frames[400:600] = np.where(np.arange(200) // 4 % 2, 130, 0).astype(np.uint8)[:, None]

    code, told = surveyed(make(tmp_path, flash), capsys)
    assert code == 1
    assert texts(told, "error") == [
        "site.toml:12 tide at 0:10-0:15: general flashes more than three times in a second, in the whole rig; "
        "100% of what is lit there"
    ]


def test_every_controller_that_there_is_no_way_to_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ways = {"127.0.0.1": "127.0.0.1", "192.0.2.21": None, "192.0.2.22": None}
    monkeypatch.setattr("gloaming.daemon.reports.survey_machine.source_address", ways.__getitem__)
    rig = RIG + "".join(
        f'[[controller]]\nname = "mast {number}"\nuniverses = "{number}"\nhost = "192.0.2.{number}"\n'
        for number in (21, 22)
    )
    make(tmp_path, calm, SITE.replace('interface = "lo"\n', ""), rig)
    assert main(["survey", str(tmp_path), "--ask-nobody", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert [text.partition(": ")[2] for text in texts(told, "error")] == [
        "there is no route to controller mast 21 (192.0.2.21)",
        "there is no route to controller mast 22 (192.0.2.22)",
    ]
    assert "network: packets for 127.0.0.1 leave by 127.0.0.1" in texts(told, "fact")
    assert not any("multicast" in text for text in texts(told, "fact"))


@pytest.mark.parametrize(("most", "warned"), [(1024, True), (16_384, False)])
def test_more_multicast_groups_than_the_kernel_remembers_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int, warned: bool
) -> None:
    """arp(7), gc_thresh3: 1024 entries unless somebody has set another number; each group takes one."""
    limit = tmp_path / "gc_thresh3"
    limit.write_text(f"{most}\n")
    monkeypatch.setattr("gloaming.daemon.reports.survey_machine.GROUPS_MAX", limit)
    rig = '[[controller]]\nname = "mast"\nuniverses = "1-2000"\nmulticast = true\n'
    site = load_site(make(tmp_path, calm, rig=rig), strict=False)
    found = machine_findings(site, None, Verdict(True, "kernel", "the clock is synchronised"))
    told = [one for one in found if "gc_thresh3" in one.text]
    assert [one.severity for one in told] == (["warning"] if warned else [])
    assert all("2000 universes" in one.text and "multicast.conf" in str(one.hint) for one in told)


def test_leads_that_synchronization_cannot_keep(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = '[[controller]]\nname = "right"\nuniverses = "2"\nmulticast = true\nlead = "15 ms"\n'
    rig = RIG.replace('host = "127.0.0.1"\n', "", 1) + other
    make(tmp_path, calm, SITE.replace('interface = "lo"', 'interface = "lo"\nsynchronization = 7000'), rig)
    assert any("different leads" in text for text in texts(surveyed(tmp_path, capsys)[1], "warning"))
    make(tmp_path, calm, rig=rig)  # without synchronization
    assert not any("different leads" in text for text in texts(surveyed(tmp_path, capsys)[1], "warning"))


def test_leads_that_art_sync_cannot_keep_and_the_interface_of_broadcast(tmp_path: Path) -> None:
    artnet = 'protocol = "artnet"\nhost = "127.0.0.1"\n'
    rig = RIG.replace('host = "127.0.0.1"\n', artnet, 1)
    rig += f'[[controller]]\nname = "right"\nuniverses = "2"\nlead = "15 ms"\n{artnet}'

    def found(keys: str) -> list[tuple[str, str]]:
        site = load_site(make(tmp_path, calm, SITE.replace('interface = "lo"', keys), rig), strict=False)
        texts = machine_findings(site, None, Verdict(True, "kernel", "the clock is synchronised"))
        return [(one.code, one.text) for one in texts if "cast" in one.text or "ArtSync" in one.text]

    assert found("") == []
    assert found("art_sync = true") == [
        (
            "way-out",
            "the routing table chooses the interface for broadcast: set interface in [output] to be sure",
        ),
        ("art-sync-leads", "controllers with Art-Net have different leads, but each ArtSync is for all of them"),
    ]


def test_a_key_that_is_not_in_the_protocol_of_a_controller_is_a_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = RIG.replace('host = "127.0.0.1"\n', 'host = "127.0.0.1"\nprotocol = "ddp"\n', 1)
    make(tmp_path, calm, SITE.replace('interface = "lo"', 'interface = "lo"\npriority = 120'), rig)
    _, told = surveyed(tmp_path, capsys)
    (one,) = [one for one in told["findings"] if one["code"] == "not-in-protocol"]
    assert (one["severity"], one["section"], one["key"]) == ("warning", "the site's files", "output.priority")


def test_a_damaged_frame_file_and_one_that_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def noise(frames: npt.NDArray[np.uint8]) -> None:
        frames[:] = np.random.default_rng(1).integers(0, 90, frames.shape)

    path = make(tmp_path, noise) / "tide.frames"
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 40] = bytes(40)
    path.write_bytes(data)
    code, told = surveyed(tmp_path, capsys)
    assert code == 1
    assert any("tide.frames: the chunk from" in one for one in texts(told, "error"))
    path.unlink()
    code, told = surveyed(tmp_path, capsys)
    assert code == 1
    assert any("there is no such file" in one for one in texts(told, "error"))


def test_mistakes_in_both_files_are_errors_of_the_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = SITE.replace('interface = "lo"', 'interfaec = "lo"')
    code, told = surveyed(make(tmp_path, calm, site, RIG.replace("150", "0")), capsys)
    assert code == 1
    assert texts(told, "error") == [
        "site.toml:7: output.interfaec: there is no such key",
        "rig.toml:13: string[0].pixels: 0: input should be greater than or equal to 1",
    ]


class Page(HTMLParser):
    """Balanced tags, and whatever a browser would fetch."""

    VOID = ("meta", "img", "br", "path")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.words = ""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        self.fetched += [value or "" for name, value in attributes if name in ("src", "href", "srcset", "data")]

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_stands_by_itself(tmp_path: Path) -> None:
    site = SITE.replace("Pier Road boathouse", "Pier <Road> & boathouse")
    rig = RIG + "line = [[0, 0], [5, 1], [6, 0]]\n"
    out = tmp_path / "survey.html"
    assert main(["survey", str(make(tmp_path, calm, site, rig)), "--html", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    page = Page()
    page.feed(text)
    assert page.open == []
    assert all(one.startswith("data:") for one in page.fetched)
    assert "url(" not in text.split("</style>")[0]
    assert "Pier <Road> & boathouse" in page.words
    assert "photosensitive epilepsy" in page.words
    assert "Never feed a 5 V string from a 12 V supply" in page.words
    picture = re.search(r"<svg.*?</svg>", text, re.DOTALL)
    assert picture
    (path,) = ET.fromstring(picture[0]).iter("path")
    assert path.attrib["d"].count("M") == 150


def test_currents_that_are_too_high_do_not_read_as_if_they_were_allowed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """105 pixels at 60 mA and 0.8: 5.04 A; and a fuse smaller than one pixel, 0.048 A."""

    def white(frames: npt.NDArray[np.uint8]) -> None:
        frames[:] = 255

    rig = RIG.replace("pixels = 150", "pixels = 105")
    one = '[[string]]\nname = "star"\ncontroller = "left"\nuniverse = 1\nslot = 448\npixels = 1\nfuse_a = 0.04\n'
    said = texts(surveyed(make(tmp_path, white, rig=rig + one), capsys)[1], "error")
    assert [text.partition("string ")[2].partition(";")[0] for text in said] == [
        "star: 0.05 A, fuse 0.04 A",
        "ridge: 5.04 A, fuse 5 A",
    ]


def test_a_string_that_flashes_alone_is_told_beside_a_rig_that_flashed_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def flash(frames: npt.NDArray[np.uint8]) -> None:
        strobe = np.where(np.arange(80) // 4 % 2, 130, 0).astype(np.uint8)[:, None]
        frames[400:480] = strobe
        frames[1200:1280, 420:] = strobe

    porch = '[[string]]\nname = "porch"\ncontroller = "left"\nuniverse = 1\nslot = 421\npixels = 10\n'
    told = surveyed(make(tmp_path, flash, rig=RIG.replace("pixels = 150", "pixels = 140") + porch), capsys)[1]
    assert [text.partition(";")[0] for text in texts(told, "error")] == [
        "site.toml:12 tide at 0:10-0:12: general flashes more than three times in a second, in the whole rig"
    ]
    assert (
        "site.toml:12 tide at 0:30-0:32: general flashes more than three times in a second, in strings seen from close "
        "by: porch; 100% of what is lit there"
    ) in texts(told, "warning")


@pytest.mark.parametrize("rule", ["synchronised", "plausible"])
def test_it_says_of_the_clock_what_a_planner_that_starts_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rule: str
) -> None:
    folder = make(tmp_path, calm, f'{SITE}\n[clock]\ntrust = "{rule}"\n')
    state = Store(tmp_path / "state of a planner", time.time_ns())
    verdict = ClockTrust(state, Clock(), rule).verdict
    state.close()
    told = surveyed(folder, capsys)[1]
    texts_told = [text for severity in ("fact", "warning") for text in texts(told, severity)]
    assert [text for text in texts_told if text.startswith(f"clock: {verdict.text}")]
    assert bool([text for text in texts_told if "stays dark" in text]) is not verdict.trusted


@pytest.mark.parametrize(
    ("verdict", "severity", "text"),
    [
        (Verdict(True, "host", "the clock was set by the host"), "fact", "the clock was set by the host"),
        (Verdict(True, "plausible", "it is plausible"), "warning", "it is plausible"),
        (
            Verdict(False, "nobody", "it cannot be"),
            "warning",
            "it cannot be: after a start the show stays dark until the clock is trusted",
        ),
    ],
)
def test_only_of_a_clock_that_is_not_believed_it_says_that_the_show_stays_dark(
    tmp_path: Path, verdict: Verdict, severity: str, text: str
) -> None:
    site = load_site(make(tmp_path, calm))
    found = [one for one in machine_findings(site, None, verdict) if one.place == "clock"]
    assert [(one.severity, one.text) for one in found] == [(severity, text)]


def test_a_clock_that_stands_before_the_newest_time_of_the_state_is_not_believed(tmp_path: Path) -> None:
    state = Store(tmp_path, time.time_ns())
    state.set_fact("clock_newest_ns", str(time.time_ns() + 86_400 * 1_000_000_000))
    state.close()
    verdict = verdict_at_a_start(tmp_path, Clock(0), "plausible")
    assert KernelClockReader().read().synchronised or (not verdict.trusted and "already" in verdict.text)


def test_a_piece_for_another_rig_is_mended_by_the_command_that_the_survey_prints(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = make(tmp_path, calm)
    np.save(folder / "tide.npy", np.full((1600, 450), 40, np.uint8))
    assert main(["frames", "import", str(folder / "tide.npy"), str(folder / "tide.frames"), "--fps", "40"]) == 0

    def mends() -> list[str]:
        capsys.readouterr()
        _, told = surveyed(folder, capsys)
        findings = told["findings"]
        assert isinstance(findings, list)
        return [one["hint"] for one in findings if one["code"] == "made-for-another-rig"]

    assert mends() == []
    moved = RIG.replace("universe = 1\n", "universe = 3\n").replace('"1"', '"1,3"')
    (folder / "rig.toml").write_text(moved, encoding="utf-8")
    (hint,) = mends()
    program, *words = shlex.split(hint.partition(";")[0])
    assert program == "gloaming" and main(words) == 0
    site = SITE.replace("tide.frames", "tide-remapped.frames")
    (folder / "site.toml").write_text(site, encoding="utf-8")
    assert mends() == []


def test_every_class_of_the_page_has_a_style(tmp_path: Path) -> None:
    """A hint is below its finding, in a line of its own."""
    out = tmp_path / "survey.html"
    main(["survey", str(make(tmp_path, calm, rig=RIG.replace("fuse_a = 5\n", ""))), "--html", str(out)])
    style, _, body = out.read_text(encoding="utf-8").partition("</style>")
    used = {name for names in re.findall(r'class="(.*?)"', body) for name in names.split()}
    assert "hint" in used
    assert {name for name in used if not re.search(rf"\.{name}\b", style)} == set()


def test_it_lists_the_zones_and_what_is_out_of_service_and_neither_is_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = (
        RIG.replace('name = "ridge"', 'name = "ridge"\ngroup = "roof"') + '[[zone]]\nname = "house"\nzones = ["roof"]\n'
    )
    folder = make(tmp_path, calm, rig=rig)
    before = surveyed(folder, capsys)[1]
    (folder / "state").mkdir()
    at_ns = time.time_ns()
    day = 86_400 * SECOND_NS
    kind = Kind.OUT_OF_SERVICE
    store = Store(folder / "state", at_ns)
    store.add(Override(1, kind, at_ns, at_ns + 3 * day, "Ada", zone="ridge", why="it flickers"))
    store.add(Override(2, kind, at_ns, at_ns + 3 * day, "Ada", zone="left"))
    store.end(2, at_ns + 1)
    store.add(Override(3, Kind.DARK, at_ns, at_ns + day, "Ada", zone="roof"))
    assert store.wait()
    after = surveyed(folder, capsys)[1]
    store.close()
    until = datetime.fromtimestamp((at_ns + 3 * day) // SECOND_NS, ZoneInfo("Europe/London"))
    found: Any = [one for one in after["findings"] if one["code"] in ("zone", "out-of-service")]
    assert [(one["section"], one["severity"], one["place"], one["text"]) for one in found] == [
        ("the rig", "fact", "rig.toml", "zone roof has ridge"),
        ("the rig", "fact", f"rig.toml:{rig[: rig.index('[[zone]]')].count(chr(10)) + 1}", "zone house has ridge"),
        (
            "the rig",
            "fact",
            "override 1",
            f"ridge is out of service by Ada until {until:%d %B %Y %H:%M}: it flickers",
        ),
    ]
    assert found[-1]["hint"] == "when it is mended: gloaming in-service ridge"
    assert (after["errors"], after["warnings"]) == (before["errors"], before["warnings"])


def test_the_energy_is_without_the_light_of_a_zone_in_its_dark_hours_and_with_its_own_performance(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of the pixels are dark for two of five hours. After that they have an hour of their own."""

    def kwh(name: str, site: str) -> float:
        (tmp_path / name).mkdir()
        half = RIG.replace("pixels = 150", 'pixels = 75\ngroup = "roof"')
        rig = half + half[half.index("[[string]]") :].replace('"ridge"', '"eaves"').replace(
            "universe = 1", 'after = "ridge"'
        ).replace('controller = "left"\n', "").replace('group = "roof"\n', "")
        energy = surveyed(make(tmp_path / name, calm, site, rig), capsys)[1]["energy"]
        assert isinstance(energy, dict)
        return float(energy["season_kwh"])

    whole = kwh("whole", SITE)
    dark = kwh("dark", SITE + '[neighbours]\ndark = [{ zone = "roof", from = "20:00", to = "07:00" }]\n')
    assert dark == pytest.approx(whole * (1 - 0.5 * 2 / 5), rel=0.01)
    own = '[[performance]]\nshow = "evening"\nzone = "roof"\nseason = "11-27..11-30"\nfrom = "22:00"\nto = "23:00"\n'
    assert kwh("own", SITE + own) == pytest.approx(whole * (1 + 0.5 / 5), rel=0.01)
