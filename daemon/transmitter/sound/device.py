"""Sound devices by name, through PortAudio. A process only ever finds the devices present at its start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

BUFFER_S = 0.25
"""Enough for a busy board. Only commands by hand take effect this much later."""
USUAL_RATES_HZ = (44_100, 48_000)


class NoDeviceError(Exception):
    """There is no such device, or it cannot be opened. The text says what is missing and what to do."""


@dataclass(frozen=True, slots=True)
class Device:
    """An output of this machine."""

    index: int
    name: str
    channels: int
    rate_hz: int
    default: bool

    @property
    def played_channels(self) -> int:
        """The number of channels that are used: two if it has them."""
        return min(2, self.channels)


def _portaudio() -> Any:
    try:
        import sounddevice
    except ImportError as error:
        text = f"the Python package sounddevice is not installed ({error}); run: pip install 'gloaming[sound]'"
        raise NoDeviceError(text) from None
    except OSError as error:
        raise NoDeviceError(f"PortAudio is not installed ({error}); run: apt-get install libportaudio2") from None
    return sounddevice


def devices() -> tuple[Device, ...]:
    """The outputs of this machine. NoDeviceError if they cannot be listed."""
    portaudio = _portaudio()
    try:
        default = portaudio.default.device[1]
        found = [(index, one) for index, one in enumerate(portaudio.query_devices()) if one["max_output_channels"] > 0]
        return tuple(
            Device(index, one["name"], one["max_output_channels"], round(one["default_samplerate"]), index == default)
            for index, one in found
        )
    except portaudio.PortAudioError as error:
        raise NoDeviceError(f"the sound devices cannot be listed: {error}") from None


def find(name: str | None, among: tuple[Device, ...]) -> Device:
    """The device with this name, or the only one whose name contains it; None is the default. NoDeviceError."""
    known = ", ".join(one.name for one in among)
    if not among:
        raise NoDeviceError("this machine has no sound device; connect one, then run `gloaming sound devices`")
    if name is None:
        return next((one for one in among if one.default), among[0])
    found = [one for one in among if one.name == name] or [one for one in among if name.lower() in one.name.lower()]
    if not found:
        raise NoDeviceError(f"there is no sound device {name!r}; this machine has {known}")
    if len(found) > 1:
        raise NoDeviceError(
            f"several sound devices match {name!r}: {', '.join(one.name for one in found)}; write more of the name"
        )
    return found[0]


@dataclass(frozen=True, slots=True)
class DeviceReport:
    """The device's request for samples: how many, and the time from now until the first is heard."""

    frames: int
    ahead_s: float
    starved: bool


def open_stream(
    device: Device, wanted_hz: int | None, fill: Callable[[Any, DeviceReport], None]
) -> tuple[Any, int, int]:
    """A stream that is not started yet, its rate in Hz and its channels. PortAudio calls `fill` in its own thread.

    The rate is `wanted_hz` (the first file's) if that is a usual one, so that the file needs no conversion. Else it is
    the first that the device accepts. NoDeviceError.
    """
    portaudio = _portaudio()
    channels = device.played_channels
    usual = [wanted_hz] if wanted_hz in USUAL_RATES_HZ else [48_000]
    opened: list[Any] = []

    def called(out: Any, frames: int, times: Any, status: Any) -> None:
        fill(out, _report(frames, times, status, opened[0].time if opened else times.currentTime))

    problem = ""
    for rate_hz in dict.fromkeys((*usual, device.rate_hz, *USUAL_RATES_HZ)):
        rest = {"samplerate": rate_hz, "channels": channels, "dtype": "float32", "latency": BUFFER_S}
        try:
            opened.append(portaudio.OutputStream(device=device.index, callback=called, **rest))
            return opened[0], rate_hz, channels
        except (portaudio.PortAudioError, ValueError) as error:
            problem = str(error)
    raise NoDeviceError(f"the sound device {device.name} cannot be opened: {problem}")


def _report(frames: int, times: Any, status: Any, now_s: float) -> DeviceReport:
    """A report by the device's own clock, read now: on a busy machine the callback may come late."""
    ahead_s = times.outputBufferDacTime - now_s
    if not 0 < ahead_s < 10:
        ahead_s = BUFFER_S  # some drivers do not report it
    return DeviceReport(frames, ahead_s, bool(status.output_underflow))


def main() -> None:
    """`python -m gloaming.daemon.transmitter.sound.device NAME`: a device's channels, or its problem, as JSON."""
    import json
    import sys

    problem, channels = "", None
    try:
        channels = find(sys.argv[1] or None, devices()).played_channels
    except NoDeviceError as error:
        problem = str(error)
    print(json.dumps({"problem": problem, "channels": channels}))


if __name__ == "__main__":
    main()
