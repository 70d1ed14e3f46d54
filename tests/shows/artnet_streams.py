"""Art-Net streams for tests, by the tables of Art-Net 4 (from memory): packets with their senders, and captures."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

from gloaming.shows.framefile.reader import Frames
from gloaming.shows.protocols.artnet.parse import ArtNetReader
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Outcome, Wanted
from tests.artnet_packets import art_dmx
from tests.shows.streams import ethernet, everything, pcap

QUAY, LANTERN = "192.0.2.9", "192.0.2.10"


class ArtEvent(NamedTuple):
    """The time in nanoseconds from the beginning, the UDP payload, and its sender."""

    at_ns: int
    payload: bytes
    sender: str


def dmx(port_address: int, sequence: int, levels: Iterable[int], physical: int = 0, slots: int = 512) -> bytes:
    """An ArtDmx packet with these levels first."""
    return art_dmx(sequence, physical, port_address, bytes(levels).ljust(slots, b"\0"))


def art_sync() -> bytes:
    """An ArtSync packet."""
    return b"Art-Net\0" + struct.pack("<H", 0x5200) + struct.pack(">HH", 14, 0)


def numbered(count: int) -> int:
    """The sequence number of packet `count`, from 0 on: 1 to 255, then 1 again."""
    return count % 255 + 1


def art_stream(
    frames: Frames,
    fps: Fraction | int = 40,
    first: int = 1,
    sender: str = QUAY,
    from_ns: int = 0,
    physical: int = 0,
    sequences: bool = True,
) -> list[ArtEvent]:
    """Frames `(n, port-addresses)` of one level each: every port-address in every frame, in a burst of 2 ms."""
    count = frames.shape[1]
    return [
        ArtEvent(
            from_ns + int(number * 1_000_000_000 / Fraction(fps)) + place * 2_000_000 // count,
            dmx(first + place, numbered(number) if sequences else 0, [level], physical),
            sender,
        )
        for number, frame in enumerate(frames)
        for place, level in enumerate(frame)
    ]


def art_captured(path: Path, events: Iterable[ArtEvent]) -> Path:
    """A capture of events, in the order of their times."""
    ordered = sorted(events, key=lambda event: event.at_ns)
    return pcap(path, [(event.at_ns, ethernet(event.payload, sender=event.sender)) for event in ordered])


AS_SENT = Wanted(slots="sent", reader=ArtNetReader())


def art_recorded(folder: Path, events: Iterable[ArtEvent], wanted: Wanted = AS_SENT) -> tuple[Frames, Outcome]:
    """Record a capture of events. Returns the first slot of each universe, `(n, universes)`, and the outcome."""
    outcome = from_capture(art_captured(folder / "in.pcap", events), folder / "out.frames", wanted)
    levels = everything(outcome.info).reshape(outcome.info.frames, len(outcome.info.universes), -1)
    return levels[:, :, 0], outcome
