"""Sound levels: files are measured once, gains come from their loudness, problems are troubles."""

from __future__ import annotations

import asyncio
from argparse import Namespace
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import soundfile

from gloaming.api.cli import live
from gloaming.daemon.direction.rundown import RundownPiece
from gloaming.daemon.planner import sound_levels
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.workers import Message
from gloaming.daemon.score.score import Picture
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import EVENING, TABLES, ns, site_of, write

SOUND = '\n[sound]\nlevel = "-20 LUFS"\n'


@dataclass
class Facts:
    """The facts of a state."""

    kept: dict[str, str] = field(default_factory=dict)

    def fact(self, name: str) -> str | None:
        return self.kept.get(name)

    def set_fact(self, name: str, value: str) -> None:
        self.kept[name] = value


@dataclass
class Asked:
    """The surroundings of sound levels. `troubles` has the transmitter's reports."""

    site: Site
    store: Facts = field(default_factory=Facts)
    handed_over: int = 0
    troubles: dict[tuple[str, str], str] = field(default_factory=dict)

    def look_up_anew(self) -> None:
        self.handed_over += 1


def care_of(asked: Asked) -> SoundLevels:
    return SoundLevels(lambda: asked.site, asked.store, asked.troubles, asked.look_up_anew)


def picture(site: Site, name: str) -> Picture:
    piece = site.pieces[name]
    assert piece.info
    return RundownPiece(name, str(piece.frames), piece.info.frames, piece.info.fps, True).picture(0)


def tone(seconds: float, level: float) -> np.ndarray:
    wave = level * np.sin(2 * np.pi * 997 * np.arange(int(seconds * 48_000)) / 48_000)
    return np.repeat(wave[:, None], 2, axis=1)


def test_a_piece_gets_the_gain_that_brings_it_to_the_level(tmp_path: Path) -> None:
    write(tmp_path)
    soundfile.write(tmp_path / "pieces/bells.flac", tone(5, 0.05), 48_000)
    planner = Asked(site_of(tmp_path, TABLES, EVENING, SOUND))
    care = care_of(planner)
    path = tmp_path / "pieces/bells.flac"
    cautious = pytest.approx(10 ** ((-20 + 8) / 20), rel=0.01)
    assert care.of(picture(planner.site, "bells")) == (str(path), cautious), "as a loud one until it is measured"
    asyncio.run(care._measure(path))
    sound, gain = care.of(picture(planner.site, "bells"))
    # A 997 Hz sine of 0.05 on both channels has -26.0 LUFS (BS.1770-4, note 1): 6 dB are missing.
    assert sound == str(path) and gain == pytest.approx(10 ** (6 / 20), rel=0.02)
    assert planner.handed_over == 1
    assert care_of(planner).of(picture(planner.site, "bells")) == (sound, gain), "it is not measured again"
    soundfile.write(path, tone(6, 0.1), 48_000)
    assert care.of(picture(planner.site, "bells"))[1] == cautious, "another file is"


def test_a_file_that_is_cut_short_is_no_louder_than_the_others(tmp_path: Path) -> None:
    write(tmp_path)
    path = tmp_path / "pieces/bells.flac"
    noise = np.random.default_rng(1).normal(0, 0.1, (48_000 * 4, 2))
    soundfile.write(path, noise, 48_000)
    planner = Asked(site_of(tmp_path, TABLES, EVENING, SOUND))
    care = care_of(planner)
    asyncio.run(care._measure(path))
    whole = care.of(picture(planner.site, "bells"))[1]
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    asyncio.run(care._measure(path))
    assert care.troubles()[0].text.startswith("it is cut short")
    assert care.of(picture(planner.site, "bells"))[1] == pytest.approx(whole, rel=0.05)


def test_what_is_wrong_with_a_file_or_the_device_is_a_trouble(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "pieces/bells.flac").write_bytes(b"only words" * 20)
    planner = Asked(site_of(tmp_path, TABLES, EVENING, '\n[sound]\ndevice = "no such device"\n'))
    care = care_of(planner)
    for name in ("bells", "tide"):
        asyncio.run(care._measure(tmp_path / f"pieces/{name}.flac"))
    asyncio.run(care._look_for_device())
    found = {trouble.subject.rpartition("/")[2]: trouble.text for trouble in care.troubles()}
    assert "not a sound file that can be played" in found["bells.flac"]
    assert "no such file" in found["tide.flac"]
    assert "sound device" in found["no such device"] or "PortAudio" in found["no such device"]
    planner.troubles["sound", "no such device"] = "it is gone"
    assert "no such device" not in {trouble.subject for trouble in care.troubles()}, "it is said once"


def test_a_missing_file_is_told_once_and_over_when_it_is_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The transmitter reports its beginning and its end at each turn of the piece."""
    write(tmp_path / "site")
    path = tmp_path / "site/pieces/bells.flac"
    site = site_of(tmp_path / "site", TABLES.replace('sound = "pieces/tide.flac"\n', ""), EVENING)

    async def evening() -> None:
        planner = Planner(site, tmp_path / "state", Clock(wall=lambda: ns("2026-12-01T18:00:00"), offset_ns=1))
        trouble = {"op": "trouble", "kind": "sound", "subject": str(path), "text": "there is no such file"}
        for _ in range(3):
            for over in (False, True):
                planner._parts._heard({**trouble, "over": over})
                planner._parts.monitor.look()
        assert lines(planner) == [f"{path}: there is no such file"]
        assert [one["subject"] for one in planner._parts.monitor.troubles(0) if one["kind"] == "sound"] == [str(path)]
        monkeypatch.setattr(live, "_now", lambda args: planner.now())
        live.show_now(Namespace(json=False))
        assert f"trouble: {path}: there is no such file" in capsys.readouterr().out
        soundfile.write(path, tone(1, 0.1), 48_000)
        planner._parts.monitor.look()
        assert lines(planner) == [f"{path}: there is no such file", f"over: {path}"]
        planner._parts.close()

    def lines(planner: Planner) -> list[str]:
        return [str(line["text"]) for line in reversed(planner.journal(50)) if str(path) in str(line["text"])]

    asyncio.run(evening())


def test_a_piece_without_sound_has_none(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING)
    care = care_of(Asked(site))
    assert care.of(picture(site, "lanterns")) == (None, 1.0)
    assert care.of(None) == (None, 1.0)


def test_a_device_that_is_never_found_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hanging sound server never answers: here a program that never ends."""
    write(tmp_path)

    async def ask_for_ever(module: str, argument: str, limit_s: float) -> Message | None:
        assert limit_s == sound_levels.DEVICE_S
        return await asyncio.wait_for(ask("http.server", "0", limit_s=1.0), 40)

    async def look(care: SoundLevels) -> None:
        await care._look_for_device()
        await asyncio.sleep(0.5)  # the loop hears of the end of what was killed

    ask = sound_levels.ask
    monkeypatch.setattr(sound_levels, "ask", ask_for_ever)
    care = care_of(Asked(site_of(tmp_path, TABLES, EVENING, SOUND)))
    asyncio.run(look(care))
    assert care.device_trouble == "the sound device does not answer"
