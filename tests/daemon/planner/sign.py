"""An evening with a sign: a real planner and transmitter, a broker, the sign's subscriber and the sacn receiver."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from pathlib import Path

import numpy as np
from paho.mqtt.client import MQTTMessage

from gloaming.shows.framefile.reader import Universe
from gloaming.shows.framefile.writer import FrameWriter
from tests.api.evening import Evening, Reader, evening_apart
from tests.mosquitto import Mosquitto

FPS = 40
TITLES = {"tide": "The tide comes in", "lanterns": "Lanterns, “quay”", "bells": "Bells", "swell": "Swell"}
ADDRESS = "127.0.74.51"
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"

[output]
fade = "0 s"
brightness = 1.0

[phone]
listen = "127.0.0.1:0"

[[show]]
name = "evening"
order = ["tide", "lanterns", "bells"]
gap = "200 ms"

[[show]]
name = "short"
order = ["swell"]

[[performance]]
show = "evening"
from = "17:50"
to = "22:00"

[[hook]]
at = "piece-begins"
body = "{title}"
again_at_start = true
"""


@dataclass(frozen=True)
class Sign:
    """An evening that runs, and what its receiver and its sign have got."""

    evening: Evening
    reader: Reader
    heard: list[MQTTMessage]

    def titles(self) -> list[tuple[float, str]]:
        """When each text arrived, in seconds of the monotonic clock, and the text."""
        return [(one.timestamp, one.payload.decode()) for one in self.heard]

    def wire(self) -> list[tuple[float, str]]:
        """When the first packet of each piece arrived, and the title of the piece."""
        names = list(TITLES)
        runs = groupby(self.reader.seen(), key=lambda one: one.slots[4])
        first = ((number, next(packets)) for number, packets in runs)
        return [(one.at_ns / 1e9, TITLES[names[number - 1]]) for number, one in first if number]


@contextmanager
def sign_evening(folder: Path, seconds: float) -> Iterator[Sign]:
    """Pieces of so many seconds follow each other; the sign listens from before the first one on."""
    with evening_apart(folder / "site", ADDRESS, "1") as evening:
        (evening.folder / "pieces").mkdir(parents=True)
        tables = []
        for number, (name, title) in enumerate(TITLES.items(), 1):
            frames = np.full((round(seconds * FPS), 12), number, np.uint8)
            frames[:, 5] = np.arange(len(frames)) % 250  # the library hands over changes alone
            with FrameWriter(evening.folder / "pieces" / f"{name}.frames", Fraction(FPS), [Universe(1, 12, 0)]) as file:
                file.write(frames)
            tables.append(f'\n[[piece]]\nname = "{name}"\ntitle = "{title}"\nframes = "pieces/{name}.frames"\n')
        rig = f'[[controller]]\nname = "left"\nhost = "{ADDRESS}"\nuniverses = "1"\n'
        (evening.folder / "rig.toml").write_text(rig)
        with Mosquitto(folder, namespace=evening.namespace) as broker:
            table = f'mqtt = "{broker.url("boathouse/sign")}"\n'
            (evening.folder / "site.toml").write_text(SITE + table + "".join(tables), encoding="utf-8")
            evening.move_to("2026-12-01T18:00")
            with (
                broker.listen("boathouse/sign") as heard,
                evening.reader(ADDRESS) as reader,
                evening.running(),
            ):
                yield Sign(evening, reader, heard)
