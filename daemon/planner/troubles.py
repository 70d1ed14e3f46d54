"""Troubles: what can be wrong, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from gloaming.daemon.score.protocol import Black

DO = {
    "frames": "copy or render the frame file again; gloaming frames verify FILE shows what is damaged",
    "sound": "check the sound device and the sound file; the lights play on without sound",
    "controller": "check its power, its fuse and its cable; it plays again when it is back",
    "circuit": "look at its breaker and its RCD, and keep away from wet plugs; leave one that trips again, and all "
    "work on the mains, to a licensed electrician",
    "host-unknown": "check the name in rig.toml, the name server (often the router) and the controller's power; or "
    "write its IP address",
    "host-loopback": "correct its address at the name server or in /etc/hosts, or write its IP address in rig.toml",
    "host-shared": "correct its address at the name server or in /etc/hosts, or join the two controllers in rig.toml",
    "network": "check the controller's power and cable; sending resumes by itself",
    "score": "the planner and the transmitter do not understand each other: restart both",
    "transmitter": "it starts again by itself; journalctl -u gloaming-transmitter shows why it ended",
    "disk": "free some room or replace the card; unwritten changes wait in memory",
    "site": "correct the file: gloaming survey SITE shows where",
    "page": "the show plays on, and the page is tried again: end the program that has its port, or correct [phone] in "
    "site.toml",
    "certificate": "replace the certificate and its key by renewed ones; no restart is needed",
    "clock": "connect the board to the internet, or give it the time from a signed-in phone",
    "temperature": "give the board some air",
    "memory": "end other programs on the board, or restart it",
    "wear": "copy the card to a new one before it fails",
    "other-source": "stop the other source, or give it other universes (by E1.31 also: another priority)",
    "node-differs": "set its port-addresses on the controller's own page, or correct its table in rig.toml; "
    "gloaming network says how",
    "node-merges": "stop the other source, or give it other port-addresses",
    "alert": "check the address in the [[alert]] table",
    "spare-carries": "look at that board: its power, its cable and its clock; the show goes on meanwhile",
    "board-unknown": "write one of these names to /etc/gloaming/board and run systemctl restart gloaming-planner, or "
    "add a [[board]] table",
    "broker": "check that it runs, its address in site.toml, and the network; it is tried again by itself",
    "broker-refuses": "check the user and the password in the address in site.toml",
    "broker-topic": "let this user read the topic, in the broker's own settings",
    "broker-flood": "find what sends so much, and slow it down",
    "broker-extra": "install it: pip install 'gloaming[mqtt]'",
    "broker-certificate": "name the file of the authority that signed it, and the broker by the name in it; check the "
    "board's clock",
    "sharing": "check that the broker runs, its address in [sharing] of site.toml, and the network; it is tried again "
    "by itself, and what was asked meanwhile is shared then",
    "sharing-refuses": "check the user and the password in the address in [sharing] of site.toml",
    "sharing-certificate": "name the file of the authority that signed it as ca in [sharing], and the broker by the "
    "name in its certificate; check the board's clock",
    "sharing-topic": "let this user read and write everything below the topic in [sharing], in the broker's own "
    "settings",
    "sharing-flood": "find what sends so much, and slow it down",
    "board-away": "check its power and its network; it plays on by itself, and gets what was asked when it is back",
    "board-name-twice": "give one of them another name, in /etc/gloaming/board",
    "board-not-in-site": "add a [[board]] table for it, or correct its name in its /etc/gloaming/board",
    "board-site-differs": "copy the site from the board that has the right one: gloaming site push",
    "board-clock": "let all boards follow one time server (systemd/README.md, clocks of several boards); gloaming now "
    "says what keeps a board's clock",
    "board-ahead": "set the clock of the board that is wrong; it counts from its instant, and gloaming undo ends it",
    "board-newer": "upgrade the program on this board, so that all boards have the same version",
    "hook": "check the address or the command in the [[hook]] table",
    "public": "check mqtt in the [public] table, and the broker; the newest text is sent when it is back",
    "device": "plug it in, or correct its path in the [[trigger]] table; a board needs input.conf for it "
    "(systemd/README.md)",
    "device-refused": "make the user a member of the group input; on a board, input.conf does so (systemd/README.md)",
    "device-other": "name a device of /dev/input/by-id/ in the [[trigger]] table",
}
"""What to do, by the code of a trouble or by its kind."""


BLACK = {
    Black.NO_OUTPUT: "no socket can be opened, no universe is set up, or no controller has a known address",
    Black.NO_SCORE: "the transmitter has no score yet",
    Black.NO_WINDOWS: "the transmitter does not know the dark hours yet",
    Black.SCORE_TO_COME: "the transmitter's score begins later",
    Black.SCORE_OVER: "the transmitter's score has ended, and the planner has sent no other",
    Black.SCORE_GAP: "the transmitter's score has a gap here",
    Black.SCORE: "the transmitter's score is dark here",
    Black.UNKNOWN_HOURS: "the transmitter does not know the dark hours for this time",
    Black.DARK_HOURS: "the transmitter holds the neighbours' dark hours",
    Black.DARK_HOURS_BY_WALL_CLOCK: "the machine's own clock says that it is the neighbours' dark hours",
    Black.DARK_HOURS_HELD: "dark hours began before the clock was set, and keep their length",
    Black.STARTING: "nothing has been sent since the output was set up",
    Black.FILE: "the frame file of the piece cannot be read",
    Black.DAMAGED: "the frame file of the piece is damaged here",
    Black.UNREAD: "the disk has not delivered the frame yet",
    Black.REFRESH: "the universes must pause between two pictures (E1.11), for 23 ms at the most",
    Black.UNIVERSES: "the piece lights nothing that this board sends to",
    Black.PICTURE: "the picture itself is dark here",
    Black.LEVEL: "the brightness is below the lowest level that can be sent",
    Black.LIMITER: "the limiter lowers all of it to nothing: a fuse or a supply allows no light",
}
"""Why the transmitter sends black although the decision has light, by its code."""


class TroubleCode(StrEnum):
    """What is wrong. The transmitter's troubles have its kinds; an unknown kind of a newer transmitter is OTHER."""

    FRAMES = "frames"
    FRAMES_REFUSED = "frames-refused"
    NOTHING_PLAYABLE = "nothing-playable"
    SOUND = "sound"
    SOUND_FILE = "sound-file"
    SOUND_DEVICE = "sound-device"
    CONTROLLER = "controller"
    CIRCUIT = "circuit"
    HOST_UNKNOWN = "host-unknown"
    HOST_LOOPBACK = "host-loopback"
    HOST_SHARED = "host-shared"
    NETWORK = "network"
    NODE_DIFFERS = "node-differs"
    NODE_MERGES = "node-merges"
    SCORE = "score"
    TRANSMITTER = "transmitter"
    DISK_FULL = "disk-full"
    DISK_TAKES_NOTHING = "disk-takes-nothing"
    SITE = "site"
    PAGE = "page"
    CERTIFICATE = "certificate"
    CLOCK = "clock"
    TEMPERATURE = "temperature"
    MEMORY = "memory"
    WEAR = "wear"
    OTHER_SOURCE = "other-source"
    ALERT = "alert"
    HOOK = "hook"
    PUBLIC = "public"
    DEVICE = "device"
    DEVICE_REFUSED = "device-refused"
    DEVICE_OTHER = "device-other"
    BOARD_UNKNOWN = "board-unknown"
    SPARE_CARRIES = "spare-carries"
    BROKER = "broker"
    BROKER_REFUSES = "broker-refuses"
    BROKER_TOPIC = "broker-topic"
    BROKER_FLOOD = "broker-flood"
    BROKER_EXTRA = "broker-extra"
    BROKER_CERTIFICATE = "broker-certificate"
    SHARING = "sharing"
    SHARING_REFUSES = "sharing-refuses"
    SHARING_CERTIFICATE = "sharing-certificate"
    SHARING_TOPIC = "sharing-topic"
    SHARING_FLOOD = "sharing-flood"
    BOARD_AWAY = "board-away"
    BOARD_NAME_TWICE = "board-name-twice"
    BOARD_NOT_IN_SITE = "board-not-in-site"
    BOARD_SITE_DIFFERS = "board-site-differs"
    BOARD_CLOCK = "board-clock"
    BOARD_AHEAD = "board-ahead"
    BOARD_NEWER = "board-newer"
    OTHER = "other"

    @classmethod
    def _missing_(cls, value: object) -> TroubleCode:
        return cls.OTHER


KINDS = {
    TroubleCode.CIRCUIT: "controller",
    TroubleCode.HOST_UNKNOWN: "controller",
    TroubleCode.HOST_LOOPBACK: "controller",
    TroubleCode.HOST_SHARED: "controller",
    TroubleCode.NODE_DIFFERS: "controller",
    TroubleCode.NODE_MERGES: "other-source",
    TroubleCode.FRAMES_REFUSED: "frames",
    TroubleCode.NOTHING_PLAYABLE: "frames",
    TroubleCode.SOUND_FILE: "sound",
    TroubleCode.SOUND_DEVICE: "sound",
    TroubleCode.DISK_FULL: "disk",
    TroubleCode.DISK_TAKES_NOTHING: "disk",
    TroubleCode.DEVICE_REFUSED: "device",
    TroubleCode.DEVICE_OTHER: "device",
    TroubleCode.BOARD_UNKNOWN: "boards",
    TroubleCode.SPARE_CARRIES: "boards",
    TroubleCode.BROKER_REFUSES: "broker",
    TroubleCode.BROKER_TOPIC: "broker",
    TroubleCode.BROKER_FLOOD: "broker",
    TroubleCode.BROKER_EXTRA: "broker",
    TroubleCode.BROKER_CERTIFICATE: "broker",
    TroubleCode.SHARING: "boards",
    TroubleCode.SHARING_REFUSES: "boards",
    TroubleCode.SHARING_CERTIFICATE: "boards",
    TroubleCode.SHARING_TOPIC: "boards",
    TroubleCode.SHARING_FLOOD: "boards",
    TroubleCode.BOARD_AWAY: "boards",
    TroubleCode.BOARD_NAME_TWICE: "boards",
    TroubleCode.BOARD_NOT_IN_SITE: "boards",
    TroubleCode.BOARD_SITE_DIFFERS: "boards",
    TroubleCode.BOARD_CLOCK: "boards",
    TroubleCode.BOARD_AHEAD: "boards",
    TroubleCode.BOARD_NEWER: "boards",
}
"""A trouble's kind, by which alerts are chosen, where it is not the code."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something is wrong: what (code), with which thing (subject), and a text for a person."""

    code: TroubleCode
    subject: str
    text: str
    named: str = ""
    """The kind that a newer transmitter gave it, if its code is OTHER."""
    covers: frozenset[tuple[str, str]] = frozenset()
    """Kind and subject of the troubles that it replaces while it lasts. Its end is theirs too."""

    @property
    def kind(self) -> str:
        return self.named or KINDS.get(self.code, str(self.code))

    @property
    def do(self) -> str:
        """What to do about it."""
        return DO.get(self.code) or DO.get(self.kind, "")


def covered_by(troubles: Iterable[Trouble]) -> set[tuple[str, str]]:
    """Kind and subject of the troubles that others replace."""
    return {key for trouble in troubles for key in trouble.covers}
