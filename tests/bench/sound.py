"""Sound: how far click and flash lie apart, whether that drifts, what it costs. Needs PulseAudio, nothing audible.

    python -m tests.bench.sound together [--minutes 10] [--ppm 200] [--server pipewire]
    python -m tests.bench.sound killed [--server pipewire]
    python -m tests.bench.sound cost [--seconds 60]

`together` plays clicks and flashes through a transmitter, a null sink and a loopback address; the sink's monitor and
the wire are recorded, and the offsets are worked out from the recordings alone. `--ppm` gives the device a clock that
is off by as much. `killed` kills the server in the middle of a piece and starts it again. `cost` plays an hour-long
FLAC beside 96 universes, and the same without sound.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    Heard,
    TransmitterProcess,
    listening,
    moving,
    running_transmitter,
    segment,
    universe,
    write_frames,
)
from tests.daemon.transmitter.quay import (
    FPS,
    RATE,
    PipeQuay,
    Quay,
    Recording,
    clicks_and_flashes,
    fast_device,
    flashes_ns,
    offsets_ms,
    quay_at,
    sounding,
    wire_to,
)

ADDRESS = "127.0.88.41"
GROUP_S = 15.0
SERVERS = {"pulseaudio": Quay, "pipewire": PipeQuay}


def together(minutes: float, ppm: float, kind: type[Quay]) -> None:
    """The table of offsets at start, middle and end, after a seek and after a pause."""
    seconds = minutes * 60 + 60
    with tempfile.TemporaryDirectory(prefix="quay-") as name, quay_at(Path(name) / "server", kind) as quay:
        folder = Path(name)
        if ppm:
            shim = fast_device(folder / "fast", ppm)
            os.environ["PYTHONPATH"] = os.pathsep.join([shim, os.environ.get("PYTHONPATH", "")])
        path, sound = clicks_and_flashes(folder, seconds)
        recording = Recording(quay)
        with wire_to(ADDRESS) as listener, running_transmitter(folder) as transmitter:
            transmitter.setup([universe(1, ADDRESS)])
            transmitter.dark()
            content = sounding(path, sound, seconds)
            begins = [play(transmitter, content, minutes * 60, place_s=0, id=1)]
            begins.append(play(transmitter, content, GROUP_S, place_s=seconds / 3, id=2))
            begins.append(play(transmitter, content, GROUP_S, place_s=seconds / 3 + GROUP_S, id=3, paused_s=3))
            heard, last = listener.data(), transmitter.end()
        recording.end()
    offsets = offsets_ms(recording.clicks_ns(), flashes_ns(heard))
    at = np.array([*offsets]) / 1e9
    off = np.array([*offsets.values()])
    first, seek, resume = (begin / 1e9 for begin in begins)
    length = minutes * 60
    groups = {
        "start": (first, first + GROUP_S),
        "middle": (first + length / 2, first + length / 2 + GROUP_S),
        "end": (first + length - GROUP_S, first + length),
        "seek": (seek, seek + GROUP_S),
        "resume": (resume, resume + GROUP_S),
    }
    print(f"sound later than light, in ms ({minutes:g} min, device {ppm:+g} ppm, {len(off)} pairs)\n")
    print("| where | pairs | median | lowest | highest |\n| --- | --- | --- | --- | --- |")
    for name, (begin, end) in groups.items():
        found = off[(at >= begin) & (at < end)]
        print(f"| {name} | {len(found)} | {np.median(found):.1f} | {found.min():.1f} | {found.max():.1f} |")
    within = off[(at >= first) & (at < first + length)]
    thirds = [np.median(part) for part in np.array_split(within, max(3, round(length / GROUP_S)))]
    print(f"\ndrift: the medians of {GROUP_S:g} s each lie within {max(thirds) - min(thirds):.1f} ms")
    spacing(heard, first, first + length)
    print(f"lateness of frames {last['lateness_us']} us, late {last['frames_late']}, dropped {last['frames_dropped']}")
    print(f"sound {last['sound']}")


def play(
    transmitter: TransmitterProcess,
    content: dict[str, Any],
    lasts_s: float,
    place_s: float,
    id: int,
    paused_s: float = 0,
) -> float:
    """Play from a place of the piece, after a pause on a still frame; the monotonic ns of its beginning."""
    now_ns = time.time_ns()
    begin_ns = now_ns + round((paused_s or (3 if id == 1 else 0.1)) * SECOND_NS)
    before = segment(now_ns - SECOND_NS, begin_ns)
    if paused_s:
        before |= {**content, "still": round(place_s * FPS), "sound_level": (0.0, 0.0)}
    end_ns = begin_ns + round(lasts_s * SECOND_NS)
    zero_ns = begin_ns - round(place_s * SECOND_NS)
    transmitter.score(before, segment(begin_ns, end_ns, zero_ns=zero_ns, **content), id=id)
    began_ns = begin_ns - now_ns + time.monotonic_ns()
    while time.time_ns() < end_ns:
        transmitter.wait_for("telemetry")
    return began_ns


def killed(kind: type[Quay]) -> None:
    """The server is killed 10 s into a piece and started again 5 s later."""
    with tempfile.TemporaryDirectory(prefix="quay-") as name, quay_at(Path(name) / "server", kind) as quay:
        folder = Path(name)
        path, sound = clicks_and_flashes(folder, 60)
        before = Recording(quay)
        with wire_to(ADDRESS) as listener, running_transmitter(folder) as transmitter:
            transmitter.setup([universe(1, ADDRESS)])
            transmitter.dark()
            now_ns = time.time_ns()
            zero_ns = now_ns + 3 * SECOND_NS
            content = sounding(path, sound, 60)
            black = segment(now_ns - SECOND_NS, zero_ns)
            transmitter.score(black, segment(zero_ns, zero_ns + 40 * SECOND_NS, zero_ns=zero_ns, **content))
            began = zero_ns - time.time_ns() + time.monotonic_ns()
            settle(transmitter, 13)
            quay.kill()
            before.end()
            settle(transmitter, 5)
            quay.start()
            started = time.monotonic_ns()
            after = Recording(quay)
            settle(transmitter, 22)
            heard, last = listener.data(), transmitter.end()
        after.end()
    recordings = {"before": before, "after": after}
    offsets = {side: offsets_ms(one.clicks_ns(), flashes_ns(heard)) for side, one in recordings.items()}
    for side, found in offsets.items():
        low, middle, high = (f"{value:.1f}" for value in np.percentile([*found.values()], [0, 50, 100]))
        print(f"{side}: sound later than light by {middle} ms ({low} to {high}, {len(found)} pairs)")
    print(f"sound was back {(min(offsets['after']) - started) / 1e9:.1f} s after the server")
    spacing(heard, began / 1e9, began / 1e9 + 37)
    print(f"lateness of frames {last['lateness_us']} us, late {last['frames_late']}, dropped {last['frames_dropped']}")


def spacing(heard: list[Heard], begin: float, end: float) -> None:
    """How even frames are, and whether any is repeated or left out."""
    played = [one for one in heard if begin + 1 < one.at_ns / 1e9 < end - 1]
    numbers = np.array([one.slots[0] << 8 | one.slots[1] for one in played])
    gaps = np.diff([one.at_ns for one in played]) / 1e6
    steps = np.diff(numbers)
    p1, p50, p99 = np.percentile(gaps, [1, 50, 99])
    print(f"frame spacing p1 {p1:.2f}, p50 {p50:.2f}, p99 {p99:.2f} ms; {(steps == 0).sum()} repeated, ", end="")
    print(f"{(steps[steps > 1] - 1).sum()} left out of {len(played)}")


def cost(seconds: float) -> None:
    """Processor and memory with an hour-long FLAC beside 96 universes, and without."""
    with tempfile.TemporaryDirectory(prefix="quay-") as name, quay_at(Path(name) / "pulse"):
        folder = Path(name)
        path = folder / "wide.frames"
        frames = round((seconds + 20) * FPS)
        write_frames(path, np.random.default_rng(1).integers(0, 255, (frames, 96 * 510), dtype=np.uint8))
        sound = folder / "hour.flac"
        music(sound, 3600)
        print("| | transmitter, % of a core | sound process, % | its memory, MB (PSS; RSS) | frames late p50; p99 us |")
        print("| --- | --- | --- | --- | --- |")
        for what, more in {
            "without sound": {},
            "an hour of 44.1 kHz stereo FLAC": {"sound": str(sound), "sound_level": (1.0, 1.0)},
        }.items():
            with listening(ADDRESS), running_transmitter(folder) as transmitter:
                transmitter.setup([universe(number, ADDRESS) for number in range(1, 97)])
                transmitter.dark()
                now_ns = time.time_ns()
                content = {**moving(path, frames), **more}
                transmitter.score(segment(now_ns, now_ns + 3600 * SECOND_NS, zero_ns=now_ns, **content))
                settle(transmitter, 8)
                pids = [transmitter.process.pid, *children(transmitter.process.pid)]
                before = [processor_s(pid) for pid in pids]
                settle(transmitter, seconds)
                shares = [(processor_s(pid) - was) / seconds * 100 for pid, was in zip(pids, before, strict=True)]
                memory = memory_mb(pids[1]) if len(pids) > 1 else (0.0, 0.0)
                late = transmitter.end()["lateness_us"]
            sounds = f"{shares[1]:.1f}" if len(shares) > 1 else "-"
            held = f"{memory[0]:.0f}; {memory[1]:.0f}"
            print(f"| {what} | {shares[0]:.1f} | {sounds} | {held} | {late['p50']}; {late['p99']} |")


def music(path: Path, seconds: int) -> None:
    """Noise that swells, of a length: harder to pack than most music."""
    random = np.random.default_rng(2)
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_16") as file:
        for _ in range(seconds // 10):
            block: npt.NDArray[np.float64] = random.standard_normal((RATE * 10, 2)).cumsum(axis=0)
            block -= block.mean(axis=0)
            file.write(block / np.abs(block).max() * 0.5)


def settle(transmitter: TransmitterProcess, seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        transmitter.wait_for("telemetry")


def children(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> tuple[float, float]:
    found = dict(line.split(":") for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:])
    return tuple(int(found[key].split()[0]) / 1024 for key in ("Pss", "Rss"))  # type: ignore[return-value]  # two


def main() -> int:
    parser = argparse.ArgumentParser(description="What sound costs, and how far it is from the light.")
    parser.add_argument("what", choices=["together", "killed", "cost"])
    parser.add_argument("--minutes", type=float, default=2)
    parser.add_argument("--ppm", type=float, default=0)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--server", choices=[*SERVERS], default="pulseaudio")
    args = parser.parse_args()
    if args.what == "together":
        together(args.minutes, args.ppm, SERVERS[args.server])
    elif args.what == "killed":
        killed(SERVERS[args.server])
    else:
        cost(args.seconds)
    return 0


if __name__ == "__main__":
    sys.exit(main())
