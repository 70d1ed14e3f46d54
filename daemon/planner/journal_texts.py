"""What the journal says of overrides, on the board that was asked and on the others."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import Override
from gloaming.shows.time_units import SECOND_NS


def asked_text(override: Override, now_ns: int, zone: ZoneInfo) -> str:
    """ "roof dark until 22:15: it flickers" """
    begins = f", at {clock_text(override.at_ns, now_ns, zone, seconds=True)}" if override.after else ""
    why = f": {override.why}" if override.why else ""
    return f"{of_its_zone(override)}{begins} until {clock_text(override.until_ns, now_ns, zone)}{why}"


def ended_text(override: Override) -> str:
    """ "roof dark ended" """
    return f"{of_its_zone(override)} ended"


def of_its_zone(override: Override) -> str:
    """An override: "dark", "roof dark", "call of bells"."""
    given = override.piece or override.show
    return " ".join(filter(None, (override.zone, override.kind.words, given and f"of {given}")))


def clock_text(at_ns: int, now_ns: int, zone: ZoneInfo, seconds: bool = False) -> str:
    """An instant in the time of a zone: "22:15", with its date if that is not today."""
    at, now = (datetime.fromtimestamp(each / SECOND_NS, zone) for each in (at_ns, now_ns))
    if at.date() == now.date():
        return f"{at:%H:%M:%S}" if seconds else f"{at:%H:%M}"
    year = f" {at.year}" if at.year != now.year else ""
    return f"{at:%a} {at.day} {at:%b}{year}, {at:%H:%M}"
