"""A finding of the survey: one fact at one place, with a hint."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

Severity = Literal["error", "warning", "fact"]


class FindingCode(StrEnum):
    """The kind of a finding. Errors in a person's file and troubles of the board have their own codes."""

    ALWAYS_CUT = "always-cut"
    BOARD = "board"
    BOARDS_ALONE = "boards-alone"
    BOARD_UNKNOWN = "board-unknown"
    CIRCUIT_LOADED = "circuit-loaded"
    CIRCUIT_OVERLOADED = "circuit-overloaded"
    CIRCUIT_UNUSED = "circuit-unused"
    CIRCUIT_WITHOUT_RCD = "circuit-without-rcd"
    CLOCK = "clock"
    CLOCK_GUESSED = "clock-guessed"
    CLOCK_PUT_FORWARD = "clock-put-forward"
    CLOCK_UNTRUSTED = "clock-untrusted"
    CLOSES_BEFORE_IT_OPENS = "closes-before-it-opens"
    CONTROLLERS_ANSWER = "controllers-answer"
    CONTROLLERS_UNASKED = "controllers-unasked"
    CONTROLLER_OF_TWO_BOARDS = "controller-of-two-boards"
    CONTROLLER_SILENT = "controller-silent"
    CONTROLLER_UNREACHABLE = "controller-unreachable"
    CONTROLLER_WITHOUT_BOARD = "controller-without-board"
    CONTROLLER_WITHOUT_STRINGS = "controller-without-strings"
    CUT = "cut"
    DATA_RUN_LONG = "data-run-long"
    DISK_FREE = "disk-free"
    FIXTURE_FLASHES_UNKNOWN = "fixture-flashes-unknown"
    FIXTURE_FOGS = "fixture-fogs"
    FIXTURE_STROBES = "fixture-strobes"
    FLASHING_GROUP = "flashing-group"
    FLASHING_RIG = "flashing-rig"
    FLASHING_STRING = "flashing-string"
    FLASHING_VIEW = "flashing-view"
    FRAMES_DAMAGED = "frames-damaged"
    FRAMES_WHOLE = "frames-whole"
    HOURS_WITHOUT_SUN = "hours-without-sun"
    INTERFACE_UNKNOWN = "interface-unknown"
    LEFT_OUT = "left-out"
    LEFT_TO_ANOTHER = "left-to-another"
    LOUDNESS = "loudness"
    LOUDNESS_NOT_REACHED = "loudness-not-reached"
    LOUDNESS_SPREAD = "loudness-spread"
    MADE_FOR_ANOTHER_RIG = "made-for-another-rig"
    MEMORY_FREE = "memory-free"
    MULTICAST_GROUPS = "multicast-groups"
    NEVER_OPENS = "never-opens"
    NOT_IN_THE_PIECE = "not-in-the-piece"
    NO_CIRCUIT = "no-circuit"
    NO_DATE = "no-date"
    NO_FUSE = "no-fuse"
    NO_PERFORMANCE = "no-performance"
    NO_SOUND_DEVICE = "no-sound-device"
    NO_STRINGS = "no-strings"
    NO_SUNSET = "no-sunset"
    NO_SUPPLY = "no-supply"
    NO_WATTS = "no-watts"
    ONE_CIRCUIT = "one-circuit"
    OUT_OF_SERVICE = "out-of-service"
    OVERLAP = "overlap"
    PIECE_NEVER_REACHED = "piece-never-reached"
    PIECE_UNUSED = "piece-unused"
    PIXEL_ACROSS_UNIVERSES = "pixel-across-universes"
    PORT_LOADED = "port-loaded"
    PORT_OVERLOADED = "port-overloaded"
    PORT_TOO_SLOW = "port-too-slow"
    PORT_UNUSED = "port-unused"
    PORT_VOLTS_DIFFER = "port-volts-differ"
    PORT_WITHOUT_TABLE = "port-without-table"
    SEASON_OVER = "season-over"
    SHOW_UNUSED = "show-unused"
    SLOTS_TOO_FEW = "slots-too-few"
    SLOTS_UNCLAIMED = "slots-unclaimed"
    SLOTS_UNUSED = "slots-unused"
    SOUND_DAMAGED = "sound-damaged"
    SOUND_DEVICE = "sound-device"
    SOUND_FILE = "sound-file"
    SOUND_LENGTH = "sound-length"
    SOUND_SILENT = "sound-silent"
    SOUND_UNMEASURED = "sound-unmeasured"
    SOUND_UNREADABLE = "sound-unreadable"
    STRING_LOADED = "string-loaded"
    STRING_OVERLOADED = "string-overloaded"
    SUPPLY_LOADED = "supply-loaded"
    SUPPLY_OVERLOADED = "supply-overloaded"
    SUPPLY_SHARED = "supply-shared"
    SUPPLY_UNUSED = "supply-unused"
    SYNCHRONIZATION_LEADS = "synchronization-leads"
    UNIVERSES_UNFILLED = "universes-unfilled"
    UNIVERSE_WITHOUT_CONTROLLER = "universe-without-controller"
    VOLTAGE_LOW = "voltage-low"
    VOLTS_DIFFER = "volts-differ"
    VOLUME_ZERO = "volume-zero"
    WAY_OUT = "way-out"
    ZONE = "zone"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. `place` is "rig.toml:12" or "tide at 2:36". `hint` says what to do, if there is anything to do."""

    code: StrEnum
    severity: Severity
    place: str
    text: str
    hint: str | None = None
    key: str | None = None
    """The key in a person's file, without the numbers of its tables."""
