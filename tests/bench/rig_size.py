"""What rigs of 1,000 and of 10,000 strings take, from rig.toml to the transmitter.

    python -m tests.bench.rig_size

Seconds are of the processor, the best of three. Proportional work takes ten times as long for ten times as much. The
last column compares the larger rig with Python's own `tomllib`, which reads the same file without lines and checks.
"""

from __future__ import annotations

import json
import re
import tempfile
import tomllib
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from time import process_time
from types import SimpleNamespace
from typing import Any
from uuid import UUID

import numpy as np

from gloaming.api.http.live_view import Layout
from gloaming.daemon.planner.messages import setup_of
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.reports.site_changes import differences
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.site.editing import check_files, read_files
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.promised_hours import Promise, refusals
from gloaming.daemon.transmitter.output import Output
from gloaming.shows.analysis.feeding import feeding_findings
from gloaming.shows.analysis.timing import timing_findings
from gloaming.shows.analysis.wiring import rig_findings
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from tests.shows.rig.many import many_strings

SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[neighbours]
dark = [{ from = "22:30", to = "07:00" }]
[[piece]]
name = "tide"
frames = "tide.frames"
[[show]]
name = "evening"
order = ["tide"]
[[performance]]
show = "evening"
dates = ["2026-12-24"]
from = "sunset"
to = "22:00"
"""
PLACE = r"controller = .*\nuniverse = (\d+)"
WRONG = {
    "each string has a wrong value": ("pixels = 50", "pixels = 0"),
    "each string has a misspelled key": ("pixels = 50", "pixel = 50"),
    "all strings overlap": (PLACE, 'controller = "box 0"\nuniverse = 1'),
    "each string follows an unknown one": (PLACE, r'after = "strin \1"'),
}
SIZES = 1_000, 10_000
NOW_NS = 1_796_000_000_000_000_000
Measured = dict[str, float]


def points(count: int) -> str:
    """A rig.toml of one string with a commented line for each point."""
    rows = "".join(f"  [{number / 10}, 0.0],  # pixel {number}\n" for number in range(count))
    box = '[[controller]]\nname = "left"\nuniverses = "1-99"\n'
    return f'{box}[[string]]\nname = "quay"\ncontroller = "left"\nuniverse = 1\npixels = {count}\npoints = [\n{rows}]\n'


def measure(folder: Path, count: int) -> Measured:
    found: Measured = {}

    def best(name: str, call: Callable[[], object]) -> None:
        for _ in range(3):
            begun = process_time()
            call()
            found[name] = min(process_time() - begun, found.get(name, 1e9))

    def read(name: str, text: str) -> None:
        path = folder / "wrong.toml"
        path.write_text(text, encoding="utf-8")

        def call() -> None:
            with suppress(InputError):
                load_rig(path)

        best(name, call)

    text = many_strings(count, count // 100)
    (folder / "rig.toml").write_text(text, encoding="utf-8")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    with FrameWriter(
        folder / "tide.frames", Fraction(40), tuple(Universe(one + 1, 150, 150 * one) for one in range(count))
    ) as writer:
        writer.write(np.zeros((1, 150 * count), np.uint8))
    best("tomllib alone", lambda: tomllib.loads(text))
    best("rig.toml is read", lambda: load_rig(folder / "rig.toml"))
    for name, (pattern, replacement) in WRONG.items():
        read(name, re.sub(pattern, replacement, text))
    read("one string with as many commented points", points(count))
    at = datetime(2026, 12, 1, tzinfo=UTC)
    site = load_site(folder, at)
    files, places = {"tide": inspect(folder / "tide.frames")}, {"tide": "site.toml:6"}
    best("findings about slots", lambda: rig_findings(site.rig, files, places))
    best("findings about ports and supplies", lambda: feeding_findings(site.rig))
    best("findings about timing", lambda: list(timing_findings(site.rig, files)))
    situation: Any = SimpleNamespace(
        site=site, now_ns=lambda: 0, standing=lambda at_ns: (), store=SimpleNamespace(fact=lambda name: None)
    )
    monitor = RigMonitor(situation, lambda: None, {})
    setup = setup_of(site, UUID(int=1), monitor.limits(), {})
    best("limits and setup are made", lambda: setup_of(site, UUID(int=1), monitor.limits(), {}))
    best("the setup as JSON and back", lambda: Setup.from_json(json.loads(json.dumps(setup.to_json()))))
    best("the transmitter's packets and limiter", lambda: Output(setup).close())
    best("the answer of /api/rig", lambda: json.dumps(monitor.as_json()))
    best("places of the live view", lambda: Layout(site).as_json())
    files_read = read_files(folder)

    def edit(name: str, file: str, old: bytes, new: bytes, rig: Rig | None) -> None:
        edited = {**files_read, file: files_read[file].replace(old, new, 1)}

        def call() -> None:
            checked = check_files(edited, folder, at, rig)
            assert checked.site
            assert checked.promise
            assert not list(refusals(Promise.of(site), checked.promise, NOW_NS))
            differences(site, checked.site, at.date())

        best(name, call)

    edit("an edit of site.toml is checked and compared", "site.toml", b'"22:00"', b'"21:00"', site.rig)
    edit("an edit of rig.toml is checked and compared", "rig.toml", b"pixels = 50", b"pixels = 49", None)
    return found


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        few, many = (measure(Path(folder), count) for count in SIZES)
    print(
        "| what | 1,000 strings, s | 10,000 strings, s | times as long | of tomllib |\n| --- | --- | --- | --- | --- |"
    )
    for name, seconds in many.items():
        whole = seconds / many["tomllib alone"]
        print(f"| {name} | {few[name]:.3f} | {seconds:.3f} | {seconds / few[name]:.1f} | {whole:.2f} |")


if __name__ == "__main__":
    main()
