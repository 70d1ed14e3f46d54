"""How loud each piece's sound file is, the gain that it gets, and what is wrong with it.

Processes of their own measure files and look for the device. Nothing here decodes sound.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Container
from dataclasses import replace
from pathlib import Path
from typing import Any

from gloaming.daemon.planner.clock_trust import Facts
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.planner.workers import ask
from gloaming.daemon.score.score import Picture, Segment
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.file_stamp import FileStamp, file_stamp
from gloaming.shows.media.loudness import Loudness

DEVICE_LOOKS = 120
"""The device is looked for at the start and then every 120 looks. While sound plays, the transmitter reports it."""
DEVICE_S = 30.0
"""The time limit of that: a hanging sound server never answers, and the files are still to be measured."""
FACT = "sound files"
LOUD = Loudness(-8.0, -1.0)
"""The assumption for a file that is not measured: a loud master (common practice, no source)."""

Measure = dict[str, Any]


class SoundLevels:
    """Keeps the measurements, by the file's stamp and the device's channels. They are a fact in the state."""

    def __init__(
        self,
        site: Callable[[], Site],
        store: Facts,
        reported: Container[tuple[str, str]],
        changed: Callable[[], None],
    ) -> None:
        """`reported` has the troubles that the transmitter reports itself; `changed` is called after a measurement."""
        self._site, self._store, self._in_transmitter, self._changed = site, store, reported, changed
        self.device_trouble: str | None = None
        self._looks = 0
        self.channels = 2
        """The channels of the device: files are measured after the mix to these."""
        self._measured: dict[str, Measure] = self._stored()
        self._reported: dict[Path, tuple[FileStamp, str]] = {}
        """The transmitter's reports of files, with the stamps of that time."""

    async def look(self) -> None:
        """Look for the device now and then, and measure new files."""
        files, looks = self._files(), self._looks
        self._looks += 1
        if files and looks % DEVICE_LOOKS == 0:
            await self._look_for_device()
        for path in files:
            if self._known(path) is None:
                await self._measure(path)

    def with_sound(self, segment: Segment) -> Segment:
        """The segment with its picture's sound file and the file's gain."""
        path, gain = self.of(segment.picture)
        return replace(segment, sound_path=path, gain=gain)

    def of(self, picture: Picture | None) -> tuple[str | None, float]:
        """The sound file of a moving picture, and the file's gain."""
        piece = self._site().pieces.get(picture.piece) if picture and picture.still is None else None
        if piece is None or piece.sound is None:
            return None, 1.0
        level, found = self._site().sound.level, self._known(piece.sound)
        if level is None:
            return str(piece.sound), 1.0
        loudness = Loudness(found["lufs"], found["dbtp"]) if found and found["lufs"] is not None else LOUD
        return str(piece.sound), math.floor(10 ** (loudness.gain_db(level) / 20) * 1e4) / 1e4  # not above its peak

    def loudness(self, path: Path) -> float | None:
        """The integrated loudness of a sound file in LUFS. None for one that is silent, damaged or not measured yet."""
        found = self._known(path)
        return found["lufs"] if found else None

    def problem(self, path: Path) -> str:
        """What is wrong with a sound file, as far as known; empty if nothing is."""
        known, (stamp, text) = self._known(path), self._reported.get(path, (None, ""))
        return (known["wrong"] if known else "") or (text if stamp == file_stamp(path) else "")

    def troubles(self) -> list[Trouble]:
        """What is wrong with the files and the device, without what the transmitter reports itself."""
        files = self._files()
        damaged = [Trouble(TroubleCode.SOUND_FILE, str(path), text) for path in files if (text := self.problem(path))]
        if files and self.device_trouble:
            damaged.append(
                Trouble(TroubleCode.SOUND_DEVICE, self._site().sound.device or "sound device", self.device_trouble)
            )
        return [one for one in damaged if (one.kind, one.subject) not in self._in_transmitter]

    def takes(self, message: dict[str, Any]) -> bool:
        """Whether a transmitter's `trouble` is about a sound file of the site. Such a trouble lasts until the file is
        replaced, and not only while its piece plays."""
        path = Path(message["subject"])
        if path in self._files() and not message["over"]:
            self._reported[path] = (file_stamp(path), message["text"])
        return path in self._files()

    def _files(self) -> list[Path]:
        return sorted({piece.sound for piece in self._site().pieces.values() if piece.sound})

    def _known(self, path: Path) -> Measure | None:
        found = self._measured.get(str(path))
        return found if found and found["stamp"] == self._stamp(path) else None

    def _stamp(self, path: Path) -> list[str | int]:
        return [*file_stamp(path), self.channels]

    async def _measure(self, path: Path) -> None:
        stamp = self._stamp(path)
        found = await ask("gloaming.shows.media.sound_info", str(path), str(self.channels))
        if found is None:
            found = {"lufs": None, "dbtp": None, "wrong": "it could not be measured"}
        self._measured[str(path)] = {"stamp": stamp, **found}
        wanted = {str(each) for each in self._files()}
        self._measured = {each: known for each, known in self._measured.items() if each in wanted}
        self._store.set_fact(FACT, json.dumps(self._measured))
        self._changed()

    async def _look_for_device(self) -> None:
        name = self._site().sound.device or ""
        found = await ask("gloaming.daemon.transmitter.sound.device", name, limit_s=DEVICE_S)
        self.device_trouble = found["problem"] if found else "the sound device does not answer"
        self.channels = (found and found["channels"]) or self.channels

    def _stored(self) -> dict[str, Measure]:
        try:
            found = json.loads(self._store.fact(FACT) or "{}")
            return {path: known for path, known in found.items() if {"stamp", "lufs", "dbtp", "wrong"} <= set(known)}
        except (ValueError, AttributeError, TypeError):
            return {}  # an older version's, or damaged: measure again
