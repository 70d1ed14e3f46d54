"""Records a capture file: one pass looks what is in it, another writes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.source import Progress
from gloaming.shows.protocols.artnet.parse import NO_UNIVERSE
from gloaming.shows.protocols.datagrams import UNMAPPED, PacketReader, Packets
from gloaming.shows.recording import capture
from gloaming.shows.recording.capture_records import Seen
from gloaming.shows.recording.census import Census
from gloaming.shows.recording.other_protocol import found_text, other_than
from gloaming.shows.recording.recorder import Outcome, Recording, Wanted, lay_out
from gloaming.shows.recording.report import SourceCounts, ranges


def from_capture(path: Path, out: Path, wanted: Wanted, progress: Progress | None = None) -> Outcome:
    """Record a capture file in two passes: the first looks what is in it, the second writes.

    InputError if it has no levels for us. `progress` gets the packets done and in all.
    """
    seen, reader = Seen(), wanted.reader
    census, others = Census(reader, wanted.universes, measured=wanted.slots == "used"), SourceCounts(reader)
    for packets in _packets(path, seen, reader):
        census.take(packets)
        others.count(packets)
        if progress:
            progress(seen.packets, None)
    numbers = sorted(census.sent if wanted.universes is None else set(census.sent).intersection(wanted.universes))
    if not numbers:
        raise input_error(path, _nothing(census, seen, others), _hint(path, census, reader))
    missing = sorted(set(wanted.universes or ()) - set(numbers))
    rhythm = census.rhythm(wanted.fps)
    slots = lay_out(numbers, census.sent, census.used, wanted.slots)
    recording = Recording(out, slots, rhythm, wanted, live=False)
    in_all = seen.packets
    try:
        seen = Seen()
        for packets in _packets(path, seen, reader):
            recording.take(packets)
            if progress:
                progress(seen.packets, in_all)
            if recording.ended is not None:
                break
        outcome = recording.close()
    except BaseException:
        recording.discard()
        raise
    notes = [*outcome.notes]
    if missing:
        notes.append(f"nothing came for {ranges(missing)}")
    notes += [f"unusable: {count} packets {text}" for text, count in seen.unusable.most_common()]
    if seen.trouble:
        notes.append(seen.trouble)
    return replace(outcome, notes=tuple(notes))


def _packets(path: Path, seen: Seen, reader: PacketReader) -> Iterator[Packets]:
    for datagrams in capture.datagrams(path, seen, reader):
        if len(datagrams.starts):
            yield reader.read(datagrams)


def _hint(path: Path, census: Census, reader: PacketReader) -> str | None:
    """What to do if a capture has nothing for us: another option records what it has."""
    if census.sent:
        return None
    if census.unmapped:
        return NO_UNIVERSE if UNMAPPED in census.unmapped else None
    other = other_than(reader)
    there = Census(other, measured=False)
    for packets in _packets(path, Seen(), other):
        there.take(packets)
    found = found_text(other, there)
    return found and f"there are {found}"


def _nothing(census: Census, seen: Seen, others: SourceCounts) -> str:
    if came := [*census.sent, *census.unmapped]:
        return f"nothing came for the universes chosen, but for {ranges(came)}{census.preview_only}"
    why = [f"{count} {text}" for text, count in seen.unusable.most_common(3)]
    why += [f"{others.cut} cut short"] if others.cut else []
    why += [f"{others.malformed} malformed"] if others.malformed else []
    why += [f"{others.other} of other kinds"] if others.other else []
    text = f"there are no {others.reader.name.words} levels in the file: {seen.packets} packets"
    text += f", {', '.join(why)}" if why else ""
    text += census.preview_only
    return f"{text}; {seen.trouble}" if seen.trouble else text
