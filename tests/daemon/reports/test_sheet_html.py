"""The wiring sheet of the quay, from its spreadsheet to paper."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.reports.sheet_html import page
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.sheet import sheet_of
from tests.places import TOP
from tests.tools import needs

QUAY = TOP / "shows" / "demonstration" / "quay.csv"
LONG = "w" * 60
CHAINED = '<i>→</i><span style="flex-grow:100">window 2</span>'
SHEETS_MM = {"A4": (210, 297), "Letter": (215.9, 279.4)}
"""ISO 216, and ANSI/ASME Y14.1 A."""


class Rows(HTMLParser):
    """The cells of each row of a page's tables, as texts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_data(self, data: str) -> None:
        if self.rows and self.rows[-1] and data.strip():
            self.rows[-1][-1] += f" {data.strip()}" if self.rows[-1][-1] else data.strip()


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> tuple[Rig, str]:
    """The rig and its sheet, by the commands that a person types."""
    folder = tmp_path_factory.mktemp("quay") / "pier-road"
    folder.mkdir()
    assert main(["rig", "import", str(QUAY), str(folder)]) == 0
    assert main(["rig", "sheet", str(folder), "--html", str(folder / "sheet.html")]) == 0
    return load_rig(folder / "rig.toml"), (folder / "sheet.html").read_text(encoding="utf-8")


def test_the_quay_is_a_rig_of_four_controllers_sixty_strings_two_voltages_and_twelve_fixtures(
    quay: tuple[Rig, str],
) -> None:
    rig, _ = quay
    assert (len(rig.controller), len(rig.string), len(rig.fixture)) == (4, 60, 12)
    assert {string.volts for string in rig.string} == {5, 12}
    assert max(port.number for port in rig.port) <= 16


def test_the_sheet_has_every_string_as_it_is_typed_into_a_controller(quay: tuple[Rig, str]) -> None:
    rig, text = quay
    rows = {row[0].split(" cut out")[0]: row for row in Rows(text).rows if len(row) == 6 and row[-1].endswith(" V")}
    for string in rig.string:
        (first, slot, _), *_ = spans = list(string.spans())
        last, _, last_slot = spans[-1]
        found = next(row for name, row in rows.items() if re.match(rf"{string.name}( (left|right) to|$)", name))
        pixels = str(string.hung) if not string.missing else f"{string.hung} of {string.pixels}"
        assert found[1:] == [
            pixels, f"{first} : {slot}", f"{last} : {last_slot}", string.order, f"{string.volts:g} V",
        ]  # fmt: skip
    assert "eaves left cut out: pixel 37; left to right; cable 0.75 mm²" in {row[0] for row in Rows(text).rows if row}


def test_the_sheet_has_the_loads_in_words_and_no_colour_is_needed(quay: tuple[Rig, str]) -> None:
    """Two strings of 100 pixels on a fuse of 5 A: 200 x (3 x 20 mA x 0.4 + 1 mA) = 5 A."""
    rows = {row[0]: row for row in Rows(quay[1]).rows if row}
    sevens = [row[1] for row in Rows(quay[1]).rows if row[:1] == ["7"]]
    assert sevens[0] == "→ window 1 → window 2 fuse 5 A 5.0 of 5 A at full white, 100%; supply boathouse-1"
    assert re.search(r"of 29 A at full white, \d\d%", rows["boathouse-1"][2])
    assert rows["fuses, 5 A"][1:3] == ["42", "5"]
    assert ["ridge", "boathouse, port 1", "90", "", ""] in Rows(quay[1]).rows
    assert ["sea mist", "34 : 1", "1 fog", "700 W, circuit quay"] in Rows(quay[1]).rows
    assert "<b>fog</b>: keep fog off roads" in quay[1] and quay[1].count("can trigger seizures") == 1
    assert "licensed people" in quay[1] and "Isolate a supply" in quay[1]
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", quay[1]))
    assert {len(set(one[1:])) for one in colours} == {1}, "shades of grey alone"


def test_what_is_too_much_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "strings.csv").write_text("name,controller,pixels,port,fuse_a\na,left,100,1,5\nb,left,9,2,\n")
    assert main(["rig", "import", str(tmp_path / "strings.csv"), str(tmp_path)]) == 0
    text = page(sheet_of(load_rig(tmp_path / "rig.toml")), "quay", datetime(2026, 11, 26, tzinfo=UTC))
    assert "TOO MUCH: 6.10 A at full white, 5 A allowed" in text
    assert "0.5 A at full white; the limit is not known" in text
    assert "left: E1.31 by multicast" in text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("kind,name,controller,pixels,universes\ncontroller,left,,,1 to 4\n", "left: E1.31 by multicast"),
        ("kind,name,controller,pixels,port,fuse_a\nport,,left,,3,5\n,a,left,1,,\n", "no string"),
        (
            "name,controller,pixels,host,protocol,port_addresses\na,left,9,left.lan,artnet,0:0:0 to 0:0:3\n",
            "left: Art-Net to left.lan<small>universes 1-4; port-addresses 0:0:0-0:0:3</small>",
        ),
        (
            "name,controller,pixels,host,protocol\na,left,9,left.lan,ddp\nb,left,5,,\n",
            '<div class="said">slot 28 of the stream, its pixel 10</div>',
        ),
        ("name,controller,pixels,order\na,left,150,RGBW\n", "uses 508 slots of each universe"),
        (
            "name,controller,pixels,missing,inject at\na,left,150,37 38 39 50,76 101\n",
            "cut out: pixel 37-39, 50; power",
        ),
    ],
)
def test_a_sheet_of_little(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "strings.csv").write_text(text)
    assert main(["rig", "import", str(tmp_path / "strings.csv"), str(tmp_path)]) == 0
    assert said in page(sheet_of(load_rig(tmp_path / "rig.toml")), "quay", datetime(2026, 11, 26, tzinfo=UTC))


def test_names_cannot_write_into_the_page(tmp_path: Path) -> None:
    bad = '<script>alert("1")</script>&\''
    name = "<b onclick='x'>"
    (tmp_path / "strings.csv").write_text(
        f'name,controller,pixels,port,note,order\n"{bad.replace(chr(34), chr(34) * 2)}",{name},9,1,<i>,rgb\n'
    )
    assert main(["rig", "import", str(tmp_path / "strings.csv"), str(tmp_path)]) == 0
    text = page(sheet_of(load_rig(tmp_path / "rig.toml")), "<quay>", datetime(2026, 11, 26, tzinfo=UTC))
    assert "<script" not in text and "<quay>" not in text and "onclick='x'" not in text and "<i>," not in text
    assert any(row[0] == bad for row in Rows(text).rows if row)


def test_the_rig_itself_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rig", "import", str(QUAY), str(tmp_path)]) == 0
    before = (tmp_path / "rig.toml").read_bytes()
    assert main(["rig", "sheet", str(tmp_path), "--html", str(tmp_path / "rig.toml")]) == 2
    assert (tmp_path / "rig.toml").read_bytes() == before
    assert "this is the file that is read" in capsys.readouterr().err


@needs("chromium", "fonts")
@pytest.mark.parametrize("size", sorted(SHEETS_MM))
def test_the_sheet_prints_on_both_papers(quay: tuple[Rig, str], tmp_path: Path, size: str) -> None:
    """Chromium's PDF: a page of that size for each controller at least. Nothing is wider than the paper; no request."""
    from tests.browser.board import chromium

    text = quay[1].replace("ridge", LONG).replace("receiver under the stairs", LONG)
    text = text.replace(CHAINED, CHAINED * 40)
    assert text.count(CHAINED) == 40
    (tmp_path / "sheet.html").write_text(text, encoding="utf-8")
    wide_mm, high_mm = SHEETS_MM[size]
    inside_px = round((wide_mm - 24) / 25.4 * 96)
    with chromium() as browser:
        paper = browser.new_page(viewport={"width": inside_px, "height": 1000})
        asked: list[str] = []
        paper.on("request", lambda request: asked.append(request.url))
        paper.goto((tmp_path / "sheet.html").as_uri())
        paper.emulate_media(media="print")
        assert paper.evaluate("document.documentElement.scrollWidth") <= inside_px
        printed = paper.pdf(format=size)
        begins = paper.evaluate(
            "[...document.querySelectorAll('.controller')].map(one => getComputedStyle(one).breakBefore)"
        )
    assert asked == [(tmp_path / "sheet.html").as_uri()]
    assert begins == ["page"] * 4
    boxes = [tuple(map(float, box.split())) for box in re.findall(rb"/MediaBox \[([\d. ]+)\]", printed)]
    assert {tuple(round(side / 72 * 25.4) for side in box[2:]) for box in boxes} == {(round(wide_mm), round(high_mm))}
    assert len(boxes) >= 1 + 4 + 2


@needs("chromium", "fonts")
def test_the_sheet_is_no_wider_than_a_phone(quay: tuple[Rig, str], tmp_path: Path) -> None:
    """It is read on a ladder too. 390 px are a usual width of a phone (common practice, no source)."""
    from tests.browser.board import chromium

    rig, of = quay[0], quay[0].controller[0]
    addresses = tuple(32_000 + 2 * place for place in range(len(of.universes)))
    artnet = of.model_copy(update={"protocol": ProtocolName.ARTNET, "port_addresses": addresses})
    rig = rig.model_copy(update={"controller": (artnet, *rig.controller[1:])})
    text = page(sheet_of(rig), "quay", datetime(2026, 11, 26, tzinfo=UTC))
    text = text.replace("ridge", LONG).replace("boathouse:", f"{LONG}:")
    (tmp_path / "sheet.html").write_text(text, encoding="utf-8")
    with chromium() as browser:
        phone = browser.new_page(viewport={"width": 390, "height": 844})
        phone.goto((tmp_path / "sheet.html").as_uri())
        assert phone.evaluate("document.documentElement.scrollWidth") == 390
