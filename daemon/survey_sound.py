"""The survey of sound: what can be played, how loud it is, whether it fits its frames, whether there is a device."""

from __future__ import annotations

from collections.abc import Iterator

from gloaming.daemon.site import Piece, Site, is_there
from gloaming.daemon.transmitter.sound.device import NoDeviceError, devices, find
from gloaming.shows.finding import Finding
from gloaming.shows.loudness import PEAK_LIMIT_DBTP
from gloaming.shows.mistake import MistakeError
from gloaming.shows.soundfile_info import HOW, SECOND_NS, Measured, SoundMissingError, cut_short, measure

CHANNELS = {1: "mono", 2: "stereo"}


def survey_sounds(site: Site) -> tuple[Finding, ...]:
    """All that can be said of a site's sound; nothing where no piece has any."""
    pieces = [piece for piece in site.pieces.values() if piece.sound and is_there(piece.sound)]
    if not pieces:
        return ()
    found: list[Finding] = []
    measured: list[tuple[Piece, Measured]] = []
    for piece in pieces:
        assert piece.sound
        try:
            measured.append((piece, measure(piece.sound)))
        except SoundMissingError as error:
            return (Finding("warning", "sound", str(error), HOW), *_device(site))
        except MistakeError as error:
            mistake = error.mistakes[0]
            text = f"{mistake.wrong}; {piece.name} is given without sound"
            found.append(Finding("error", piece.sound.name, text, mistake.right or "copy the file again"))
    for piece, one in measured:
        found += _whole(piece, one)
    found += _loudness(site, measured)
    return (*found, *_device(site))


def _whole(piece: Piece, one: Measured) -> Iterator[Finding]:
    name = one.info.path.name
    if hurt := cut_short(one):
        yield Finding("error", name, f"{hurt}; the rest is silent", "copy the file again")
    elif piece.info and piece.sound_ns:
        more_ns = piece.sound_ns - piece.info.length_ns
        by_s = abs(more_ns) / SECOND_NS
        rest = f"{piece.name} ends {'in the dark' if more_ns > 0 else 'in silence'}"
        text = f"it is {by_s:.1f} s {'longer' if more_ns > 0 else 'shorter'} than its frames: {rest}"
        yield Finding("warning", name, text, "bring both to the same length")
    channels = CHANNELS.get(one.info.channels, f"{one.info.channels} channels, brought to two")
    rate = f"{one.info.rate_hz / 1000:g} kHz"
    text = f"the sound of {piece.name}: {one.length_ns / SECOND_NS:.1f} s, {one.info.format}, {rate}, {channels}"
    yield Finding("fact", name, text)


def _loudness(site: Site, measured: list[tuple[Piece, Measured]]) -> Iterator[Finding]:
    """Loudness and true peak of each, and the gain that makes all alike: at the site's level, else at the best one."""
    known = [
        (piece, one.loudness, one.loudness.integrated_lufs, one.loudness.true_peak_dbtp) for piece, one in measured
    ]
    reached = [lufs + PEAK_LIMIT_DBTP - dbtp for _, _, lufs, dbtp in known if lufs is not None and dbtp is not None]
    best = min(reached, default=0.0)
    level = best if site.sound.level is None else site.sound.level
    for piece, loudness, lufs, dbtp in known:
        assert piece.sound
        if lufs is None or dbtp is None:
            yield Finding("warning", piece.sound.name, f"the sound of {piece.name} is silence", "render it anew")
            continue
        text = f"{piece.name} has {lufs:.1f} LUFS, true peak {dbtp:+.1f} dBTP; {loudness.gain_db(level):+.1f} dB "
        if loudness.held_back(level):
            text += f"bring it to {lufs + loudness.gain_db(level):.1f} LUFS: its peaks keep it below {level:g} LUFS"
            yield Finding("warning", piece.sound.name, text, f'all pieces reach level = "{best - 0.05:.1f} LUFS"')
        else:
            yield Finding("fact", piece.sound.name, f"{text}bring it to {level:.1f} LUFS")
    if site.sound.level is None and len(reached) > 1:
        loud = [lufs for _, _, lufs, _ in known if lufs is not None]
        if max(loud) - min(loud) > 2:
            text = f"the pieces differ by {max(loud) - min(loud):.1f} LU, and are played as they are"
            yield Finding("warning", "site.toml", text, f'level = "{best - 0.05:.1f} LUFS" in [sound] makes them alike')


def _device(site: Site) -> Iterator[Finding]:
    try:
        device = find(site.sound.device, devices())
    except NoDeviceError as error:
        text = f"{error}; the show is given without sound"
        yield Finding("warning", site.sound.place or "sound device", text, "see `gloaming sound devices`")
    else:
        yield Finding("fact", site.sound.place or "sound device", f"sound goes to {device.name}")
