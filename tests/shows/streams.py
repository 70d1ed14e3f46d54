"""E1.31 streams for tests: packets of the `sacn` library in capture files that are written byte by byte."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from socket import inet_aton

import numpy as np
from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameFileInfo, Frames
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Outcome, Wanted

CID = tuple(range(16))
OTHER_CID = tuple(range(100, 116))
EPOCH_NS = 1_790_000_000_000_000_000

Event = tuple[int, bytes]
"""The time in nanoseconds from the beginning, and the UDP payload."""


def data(
    universe: int,
    sequence: int,
    levels: Iterable[int],
    cid: tuple[int, ...] = CID,
    priority: int = 100,
    synchronization: int = 0,
    name: str = "quay",
    **more: object,
) -> bytes:
    """A data packet of 512 slots."""
    levels = [int(level) for level in levels]
    padded = tuple(levels + [0] * (512 - len(levels)))
    packet = DataPacket(cid, name, universe, padded, priority, sequence % 256, sync_universe=synchronization, **more)
    return bytes(packet.getBytes())


def shortened(packet: bytes, slots: int) -> bytes:
    """A data packet with fewer slots: three lengths with their flags (E1.31 5.4, 6.1, 7.1), and the count of 7.6."""
    changed = bytearray(packet[: 126 + slots])
    for at, length in ((16, 110 + slots), (38, 88 + slots), (115, 11 + slots)):
        struct.pack_into(">H", changed, at, 0x7000 | length)
    struct.pack_into(">H", changed, 123, 1 + slots)
    return bytes(changed)


def sync(address: int, sequence: int, cid: tuple[int, ...] = CID) -> bytes:
    """A synchronization packet."""
    return bytes(SyncPacket(cid, address, sequence % 256).getBytes())


def ethernet(payload: bytes, identity: int = 0, sender: str = "127.0.0.1") -> bytes:
    """UDP in IPv4 in Ethernet II."""
    return bytes(12) + b"\x08\x00" + ipv4(payload, identity, sender)


def ipv4(payload: bytes, identity: int = 0, sender: str = "127.0.0.1") -> bytes:
    """UDP in IPv4 (RFC 791, RFC 768), without checksums."""
    udp = struct.pack(">HHHH", 50000, 5568, 8 + len(payload), 0) + payload
    addresses = inet_aton(sender), b"\x7f\0\0\1"
    head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), identity, 0, 64, 17, 0, *addresses)
    return head + udp


def pcap(path: Path, packets: Sequence[tuple[int, bytes]], link: int = 1, order: str = "<", nanos: bool = True) -> Path:
    """A capture in the plainest format (draft-ietf-opsawg-pcap): packets with their time in nanoseconds."""
    magic, tick = (0xA1B23C4D, 1) if nanos else (0xA1B2C3D4, 1000)
    parts = [struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, link)]
    for at_ns, packet in packets:
        seconds, rest = divmod(EPOCH_NS + at_ns, 1_000_000_000)
        parts.append(struct.pack(order + "IIII", seconds, rest // tick, len(packet), len(packet)) + packet)
    path.write_bytes(b"".join(parts))
    return path


def captured(path: Path, events: Iterable[Event]) -> Path:
    """A capture of events, in the order of their times."""
    ordered = sorted(events, key=lambda event: event[0])
    return pcap(path, [(at_ns, ethernet(payload)) for at_ns, payload in ordered])


def stream(
    frames: Frames,
    slots: int,
    fps: Fraction | int = 40,
    first_universe: int = 1,
    spread_ns: int = 2_000_000,
    **more: object,
) -> list[Event]:
    """Frames `(n, frame_bytes)` as a plain source sends them: every universe in every frame, in a short burst."""
    count = -(-frames.shape[1] // slots)
    return [
        (
            int(number * 1_000_000_000 / Fraction(fps)) + place * spread_ns // count,
            data(first_universe + place, number, frame[place * slots : (place + 1) * slots], **more),
        )
        for number, frame in enumerate(frames)
        for place in range(count)
    ]


AS_SENT = Wanted(slots="sent")


def recorded(folder: Path, events: Iterable[Event], wanted: Wanted = AS_SENT) -> tuple[Frames, Outcome]:
    """Record a capture of events. Returns frames `(n, universes, 512)` if all slots were sent, and the outcome."""
    outcome = from_capture(captured(folder / "in.pcap", events), folder / "out.frames", wanted)
    return everything(outcome.info).reshape(outcome.info.frames, len(outcome.info.universes), -1), outcome


def everything(info: FrameFileInfo) -> Frames:
    """All frames of a file."""
    return np.concatenate(list(frames_of(info.path)))


def without_stills(frames: Frames) -> Frames:
    """Frames without repeats of the one before: a busy machine may delay a sender for more than a frame."""
    flat = frames.reshape(len(frames), -1)
    return frames[np.concatenate([[True], (flat[1:] != flat[:-1]).any(axis=1)])]
