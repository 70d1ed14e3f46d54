"""The texts of reasons, made from codes and values."""

from __future__ import annotations

from gloaming.daemon.direction.score import Reason, ReasonCode

TEXTS = {
    ReasonCode.DARK_HOURS: "{hours}: no light",
    ReasonCode.QUIET_HOURS: "{hours}: {allowed}",
    ReasonCode.DIM_HOURS: "{hours}: brightness {level:g} at most",
    ReasonCode.RIG_CHECK_IN_DARK_HOURS: "{hours}: a rig check at {level:g} at most",
    ReasonCode.PAUSE: "paused{by} at {at} until {until}",
    ReasonCode.DARK: "dark{by} at {at} until {until}",
    ReasonCode.DIM: "dimmed{by} at {at} until {until}, to {level:.0%} of the brightness that is set",
    ReasonCode.MUTE: "muted{by} at {at} until {until}",
    ReasonCode.RIG_CHECK: "rig check, {check}{by} at {at} until {until}",
    ReasonCode.BURN_IN: "burn-in, {check}{by} at {at} until {until}",
    ReasonCode.OUT_OF_SERVICE: "out of service{by} at {at} until {until}",
    ReasonCode.HOLD_DARK: "{hold}",
    ReasonCode.HOLD_PAUSE: "{hold}",
    ReasonCode.HOLD_DIM: "dimmed to {level:.0%} of the brightness that is set by {hold}",
    ReasonCode.HOLD_STAYS: "{hold}: {why}. site.toml lets nobody end this hold",
    ReasonCode.PIECE: "{piece} began at {at}, {order}",
    ReasonCode.CALLED_PIECE: "{piece} began at {at}, called{by}",
    ReasonCode.BETWEEN: "between pieces",
    ReasonCode.ORDER_BEGINS_LATER: "the order begins later, on the clock",
    ReasonCode.COULD_NOT_END: "{piece} could not end in time",
    ReasonCode.NOTHING_PLAYABLE: "no piece of the show can be played",
    ReasonCode.LEFT_OUT: "{piece} is left out: its files are missing or damaged",
    ReasonCode.OPENED: "{show} opened {opens} ({opens_by}), closes {closes} ({closes_by})",
    ReasonCode.OPENS: "{show} opens {day:%A %d %B} at {opens} ({opens_by})",
    ReasonCode.CLOSED: "{show} closed at {closes} ({closes_by})",
    ReasonCode.NOTHING_OPENS: "no performance opens tonight or tomorrow",
    ReasonCode.BRIGHTNESS: "brightness {level:g}",
    ReasonCode.NO_CLOCK: "{clock}",
    ReasonCode.WIRE_BLACK: "the wire is black: {why}",
    ReasonCode.STRONGER: "{kind} by {who}; end it first",
    ReasonCode.LIGHTS_OFF_SINCE: "a {kind} was asked for after this rig check",
    ReasonCode.NO_COLOUR: "none of these strings and fixtures has a channel for {colour}: nothing would light up",
    ReasonCode.TIME_NOT_TAKEN: "the board takes no time from you now: {clock}",
    ReasonCode.NO_FRAMES: "the frames of {piece} are missing or damaged: upload its frame file again",
    ReasonCode.TOO_MANY_CALLS: "{count} called pieces wait already; call again when some have been given",
    ReasonCode.TOO_MANY_REPAIRS: "{count} marks are open; say first which of them are mended",
    ReasonCode.COOL_DOWN: "{trigger} has called, and rests until {until}",
    ReasonCode.MOST_PER_HOUR: "{trigger} has called as often as it may within an hour ({most}); it rests until {until}",
    ReasonCode.NO_SHOW: "no show is on, and {trigger} works only during one",
    ReasonCode.OTHER_SHOW: "{show} is on, and {trigger} works only during {during}",
    ReasonCode.PLAYS_ALREADY: "{plays} plays already",
    ReasonCode.WAITS_ALREADY: "{waits} is called already, and waits for its turn",
    ReasonCode.NO_TRIGGER: "there is no trigger {trigger} any more",
}
BRIEFS = {ReasonCode.OPENED: "the closing at {closes} ({closes_by})"}
"""The same texts without what differs from night to night."""


def reason(
    code: ReasonCode,
    rule: str,
    *,
    zone: str | None = None,
    more: str = "",
    override: int | None = None,
    **values: object,
) -> Reason:
    """A reason with its text, the zone before it where it is of one, and `more` after it."""
    brief = BRIEFS[code].format(**values) if code in BRIEFS else ""
    of = f"{zone}: " if zone else ""
    return Reason(rule, f"{of}{TEXTS[code].format(**values)}{more}", code, brief, override)


def deciding(reasons: tuple[Reason, ...], rest: tuple[Reason, ...]) -> Reason:
    """The reason that a zone has and the rest of the rig has not; else its first one. Which piece has begun is none."""
    own = (one for one in reasons if one not in rest and one.code not in {ReasonCode.PIECE, ReasonCode.BETWEEN})
    return next(own, reasons[0])
