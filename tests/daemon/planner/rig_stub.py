"""A small rig of two strings, and the part of a situation that the rig monitor and the rig checks use."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from gloaming.daemon.site.load import load_site

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


def other_rig(planner: Any, rig: str) -> None:
    """The site read again, with another rig.toml."""
    (planner.site.folder / "rig.toml").write_text(rig, encoding="utf-8")
    planner.site = load_site(planner.site.folder)
