"""The survey of sound: which files play, how loud they are, whether they fit their frames, and the device."""

from __future__ import annotations

from collections.abc import Iterator
from math import log10

from gloaming.daemon.site.load import file_exists
from gloaming.daemon.site.site import Piece, Site
from gloaming.daemon.transmitter.sound.device import NoDeviceError, devices, find
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.loudness import PEAK_LIMIT_DBTP
from gloaming.shows.media.sound_info import HOW, Measured, measure
from gloaming.shows.media.sound_reading import SoundMissingError
from gloaming.shows.time_units import SECOND_NS

CHANNELS = {1: "mono", 2: "stereo"}


def survey_sounds(site: Site) -> tuple[Finding, ...]:
    """The findings about a site's sound; none if no piece has any."""
    pieces = [piece for piece in site.pieces.values() if piece.sound and file_exists(piece.sound)]
    if not pieces:
        return ()
    device, channels = _device(site)
    found: list[Finding] = []
    measured: list[tuple[Piece, Measured]] = []
    for piece in pieces:
        assert piece.sound
        try:
            measured.append((piece, measure(piece.sound, channels)))
        except SoundMissingError as error:
            return (Finding(FindingCode.SOUND_UNMEASURED, "warning", "sound", str(error), HOW), device)
        except InputError as error:
            config_error = error.errors[0]
            text = f"{config_error.problem}; {piece.name} plays without sound"
            found.append(
                Finding(
                    FindingCode.SOUND_UNREADABLE,
                    "error",
                    _place(piece),
                    text,
                    config_error.hint or "copy the file again",
                )
            )
    for piece, one in measured:
        found += _whole(piece, one, channels)
    found += _loudness(site, measured, channels)
    return (*found, device)


def _place(piece: Piece) -> str:
    """The place of a finding: the piece's line of site.toml, and its sound file."""
    return f"{piece.place} {piece.sound.name if piece.sound else piece.name}"


def _whole(piece: Piece, one: Measured, channels: int) -> Iterator[Finding]:
    name = _place(piece)
    if one.damage:
        yield Finding(FindingCode.SOUND_DAMAGED, "error", name, one.damage, "copy the file again")
    elif piece.info and piece.sound_ns:
        more_ns = piece.sound_ns - piece.info.length_ns
        by_s = abs(more_ns) / SECOND_NS
        end = f"{piece.name} ends {'in the dark' if more_ns > 0 else 'in silence'}"
        text = f"it is {by_s:.1f} s {'longer' if more_ns > 0 else 'shorter'} than its frames: {end}"
        yield Finding(FindingCode.SOUND_LENGTH, "warning", name, text, "bring both to the same length")
    has = CHANNELS.get(one.info.channels, f"{one.info.channels} channels")
    mix = "" if one.info.channels == channels else f", mixed to {CHANNELS[channels]}"
    rate = f"{one.info.rate_hz / 1000:g} kHz"
    text = f"the sound of {piece.name}: {one.length_ns / SECOND_NS:.1f} s, {one.info.format}, {rate}, {has}{mix}"
    yield Finding(FindingCode.SOUND_FILE, "fact", name, text)


def _loudness(site: Site, measured: list[tuple[Piece, Measured]], channels: int) -> Iterator[Finding]:
    """How loud each piece is, mixed to the device's channels and with every gain; and the level that all can reach."""
    known = [
        (piece, one.loudness, one.loudness.integrated_lufs, one.loudness.true_peak_dbtp) for piece, one in measured
    ]
    reached = [lufs + PEAK_LIMIT_DBTP - dbtp for _, _, lufs, dbtp in known if lufs is not None and dbtp is not None]
    best = min(reached, default=0.0)
    level, volume = site.sound.level, site.sound.volume
    if not volume:
        yield Finding(FindingCode.VOLUME_ZERO, "fact", site.sound.place, "volume = 0 in [sound]: there is no sound")
        return
    for piece, loudness, lufs, dbtp in known:
        assert piece.sound
        if lufs is None or dbtp is None:
            yield Finding(
                FindingCode.SOUND_SILENT,
                "warning",
                _place(piece),
                f"the sound of {piece.name} is silence",
                "render it again",
            )
            continue
        gain_db = 20 * log10(volume) + (0.0 if level is None else loudness.gain_db(level))
        text = f"{piece.name} plays at {lufs + gain_db:.1f} LUFS, true peak {dbtp + gain_db:.1f} dBTP"
        text += f" (the file has {lufs:.1f} LUFS in {CHANNELS[channels]}, gain {gain_db:+.1f} dB)"
        if level is not None and loudness.held_back(level):
            text += f"; its peaks keep it below {level:g} LUFS"
            yield Finding(
                FindingCode.LOUDNESS_NOT_REACHED,
                "warning",
                _place(piece),
                text,
                f'all pieces can reach level = "{best - 0.05:.1f} LUFS"',
            )
        else:
            yield Finding(FindingCode.LOUDNESS, "fact", _place(piece), text)
    if level is None and len(reached) > 1:
        loud = [lufs for _, _, lufs, _ in known if lufs is not None]
        if max(loud) - min(loud) > 2:
            text = f"the pieces differ by {max(loud) - min(loud):.1f} LU, and play as they are"
            yield Finding(
                FindingCode.LOUDNESS_SPREAD,
                "warning",
                site.sound.place or "site.toml",
                text,
                f'level = "{best - 0.05:.1f} LUFS" in [sound] makes them equally loud',
            )


def _device(site: Site) -> tuple[Finding, int]:
    """The finding about the device, and the number of channels that play on it."""
    place = site.sound.place or "sound device"
    try:
        device = find(site.sound.device, devices())
    except NoDeviceError as error:
        text = f"{error}; the show plays without sound"
        return Finding(FindingCode.NO_SOUND_DEVICE, "warning", place, text, "see `gloaming sound devices`"), 2
    return Finding(FindingCode.SOUND_DEVICE, "fact", place, f"sound goes to {device.name}"), device.played_channels
