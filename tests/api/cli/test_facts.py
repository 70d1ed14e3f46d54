"""`gloaming rehearse --facts`: the file, its mistakes by line, and what is printed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from tests.daemon.quay_site import TABLES, performance, write

TRIGGER = '\n[[trigger]]\nname = "gate"\npiece = "lanterns"\nhttp = true\n'
HOLD = '\n[[hold]]\nname = "wind"\nhttp = true\nabove = 14\nif_silent = "ignore"\n'
FACTS = """{"at": "2026-12-12T18:04:10", "trigger": "gate"}
{"at": "2026-12-12T18:10:00+00:00", "hold": "wind", "reading": 15.2}

{"at": "2026-12-13T00:20:00", "override": {"kind": "pause", "minutes": 5}}
"""
EXAMPLE = 'as {"at": "2026-12-12T18:04:10", "trigger": "gate"}'


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    return write(tmp_path / "site", TABLES, TRIGGER, HOLD, performance('from = "18:00"\nto = "19:00"'))


def test_the_facts_are_printed_in_order_with_the_nights_that_they_are_of(
    quay: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "windy.jsonl"
    file.write_text(FACTS)
    assert main(["rehearse", str(quay), "--facts", str(file)]) == 0
    out = capsys.readouterr().out
    assert out.startswith(
        "Sat 12 Dec 2026 18:04:10  gate: calls lanterns\n"
        "Sat 12 Dec 2026 18:10:00  wind: 15.2 is above 14\n"
        "Sat 12 Dec 2026 18:10:00  wind: lights off: 15.2 is above 14 since 18:10\n"
        "Sun 13 Dec 2026 00:20:00  by hand: pause until 00:25\n"
        "\n"
        "Pier Road boathouse, 12 December 2026 to 12 December 2026,"
    )
    assert main(["rehearse", str(quay), "--facts", str(file), "--days", "2", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["nights"]) == 2
    assert found["facts"][0] == {
        "at": "2026-12-12T18:04:10+00:00",
        "name": "gate",
        "text": "calls lanterns",
        "refused": None,
    }
    page = tmp_path / "rehearsal.html"
    assert main(["rehearse", str(quay), "--facts", str(file), "--html", str(page)]) == 0
    assert "<li>Sat 12 Dec 2026 18:04:10  gate: calls lanterns</li>" in page.read_text()


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("gate", f"this is not a JSON object; {EXAMPLE}"),
        ("[" * 100_000, f"this is not a JSON object; {EXAMPLE}"),
        ("{}", "trigger: missing; give trigger or hold or override"),
        ('{"trigger": "gate"}', "at: missing; as 2026-12-24T17:05:00+00:00"),
        ('{"at": "soon", "trigger": "gate"}', "at: 'soon' is not an instant; as 2026-12-24T17:05:00+00:00"),
        ('{"at": "1800-12-12T18:00:00", "trigger": "gate"}', f"at: 1800-12-12 is not within 1900 to 2100; {EXAMPLE}"),
        ('{"at": "2026-12-12T18:00:00", "trigger": 7}', 'trigger: 7 is not the name of a trigger; as "gate"'),
        (
            '{"at": "2026-12-12T18:00:00", "trigger": "gate", "hold": "wind"}',
            "hold: it cannot go with trigger; give one",
        ),
        ('{"at": "2026-12-12T18:00:00", "hold": "wind"}', "reading: missing; give a number or a word"),
        (
            '{"at": "2026-12-12T18:00:00", "hold": "wind", "reading": NaN}',
            "reading: nan is not a reading; give a number",
        ),
        (
            '{"at": "2026-12-12T18:00:00", "hold": "wind", "reading": true}',
            "reading: True is not a reading; give a num",
        ),
        (
            '{"at": "2026-12-12T18:00:00", "trigger": "gate", "by": "Mara"}',
            "by: a fact has no such key; it may have at",
        ),
        ('{"at": "2026-12-12T18:00:00", "override": {"kind": "pause", "minutes": 0}}', "minutes: 0 is not a number of"),
        (
            '{"at": "2026-12-12T18:00:00", "trigger": "gates"}',
            "trigger: there is no trigger 'gates'; did you mean gate?",
        ),
    ],
    ids=lambda value: value[:60],
)
def test_a_mistake_is_one_line_with_file_and_line(
    line: str, expected: str, quay: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "windy.jsonl"
    file.write_text(f"\n{line}\n")
    assert main(["rehearse", str(quay), "--facts", str(file)]) == 2
    errors = [one for one in capsys.readouterr().err.splitlines() if "warning" not in one]
    assert len(errors) == 1
    assert f"{file}:2: {expected}" in errors[0]


def test_all_mistakes_of_a_file_are_reported_at_once_and_a_file_without_facts_is_one(
    quay: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "windy.jsonl"
    for content, expected in (
        (b"gate\nbell\n", ":2: this is not a JSON"),
        (b"\n", "no fact in it"),
        (b"\xff", "UTF-8"),
    ):
        file.write_bytes(content)
        assert main(["rehearse", str(quay), "--facts", str(file)]) == 2
        assert expected in capsys.readouterr().err
    assert main(["rehearse", str(quay), "--facts", str(tmp_path / "none.jsonl")]) == 2
    assert "No such file" in capsys.readouterr().err
