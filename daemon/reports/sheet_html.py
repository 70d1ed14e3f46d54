"""The wiring sheet as one page to print. It fetches nothing."""

from __future__ import annotations

from datetime import datetime

from gloaming.daemon.reports.render import render
from gloaming.daemon.reports.survey_texts import plural
from gloaming.shows.analysis.feeding import FIXTURE_CAUTIONS
from gloaming.shows.analysis.wiring import port_ranges, ranges
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.model import Fixture, PixelString
from gloaming.shows.rig.sheet import CAUTIONS, SPARES_OF, FullLoad, Sheet
from gloaming.shows.time_units import SECOND_NS

PROTOCOL_NOTES = {
    ProtocolName.E131: "E1.31 is also called streaming ACN.",
    ProtocolName.ARTNET: "A controller with Art-Net is set to port-addresses, net : sub-net : universe.",
    ProtocolName.DDP: "A controller with DDP has no universes: all its pixels are one stream, counted from 1.",
}


def page(sheet: Sheet, name: str, at: datetime) -> str:
    """The whole HTML document. `name` is what the rig is called."""
    return render(
        "sheet.html",
        sheet=sheet,
        name=name,
        at=at,
        channel_cautions={channel: caution for channel, (_, caution) in FIXTURE_CAUTIONS.items()},
        cautions=CAUTIONS,
        channels=_channels,
        feed=_feed,
        load_text=_load_text,
        local=lambda at_ns: datetime.fromtimestamp(at_ns / SECOND_NS, at.tzinfo),
        plural=plural,
        port_ranges=port_ranges,
        protocol_notes=[PROTOCOL_NOTES[one] for one in dict.fromkeys(one.of.protocol for one in sheet.controllers)],
        ranges=ranges,
        spares_of=SPARES_OF,
    )


def _load_text(load: FullLoad) -> str:
    """The load in words, so that no colour is needed."""
    if load.share is None:
        return f"{load.full_a:.1f} A at full white; the limit is not known"
    if load.share > 1:
        return f"TOO MUCH: {load.full_a:.2f} A at full white, {load.limit_a:g} A allowed"
    return f"{load.full_a:.1f} of {load.limit_a:g} A at full white, {load.share:.0%}"


def _feed(string: PixelString) -> str:
    """The power cable of a string."""
    length = "" if string.feed_m is None else f"{string.feed_m:g} m"
    gauge = f"{string.mm2:g} mm²" if string.mm2 else f"{string.awg} AWG" if string.awg else ""
    return " of ".join(filter(None, (length, gauge)))


def _channels(fixture: Fixture) -> str:
    """The channels of a fixture with their slots."""
    return ", ".join(f"{fixture.slot + number} {channel}" for number, channel in enumerate(fixture.channels))
