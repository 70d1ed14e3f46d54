"""Answers on the present: the decision, the transmitter, the clock, the board."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant, OverrideStanding, ReasonGiven
from gloaming.api.http.schemas.boards import BoardsNow
from gloaming.api.http.schemas.rig import ControllerReached
from gloaming.daemon.direction.score import State
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.draw import FeedKind


class Next(Answer):
    """The next state, and when it begins."""

    at: Instant
    state: State


class Explanation(Answer):
    """The decision at an instant, with its reasons."""

    at: Instant
    state: State
    show: str | None
    piece: str | None
    frame: int | None
    brightness: float
    sound: bool
    reasons: list[ReasonGiven]
    differing: Annotated[
        tuple[str, ...], Field(description="of a zone that was asked for: the zones in it that show something else")
    ] = ()
    next: Next | None


class TroubleStanding(Answer):
    """Something that is wrong, and what to do. `code` does not change when the text is worded differently."""

    code: TroubleCode
    kind: str
    subject: str
    text: str
    since: Instant
    do: str


class LatenessFigures(Answer):
    """How late frames were, in microseconds."""

    p50: int
    p99: int
    p999: int
    max: int


class ControllerSent(Answer):
    """What was sent to a controller."""

    host: str
    packets: int
    bytes: int
    errors: int


class OtherSource(Answer):
    """Another source, or another board of the site, that sends on universes of this board."""

    protocol: ProtocolName = ProtocolName.E131
    cid: Annotated[str | None, Field(description="null by Art-Net, which has no CID, no name and no priority")]
    name: str
    address: str
    priority: int | None
    universes: list[int]
    universe_count: int


class Lowered(Answer):
    """A string, a port or a supply whose current the limiter has lowered."""

    kind: FeedKind
    name: str
    frames: int
    lowest: float
    ma: float
    limit_ma: float


class SoundFigures(Answer):
    """The sound device."""

    shift_us: int
    heard_id: int | None
    volume: float
    starved: int
    missed: int
    restarts: int


class AreaSent(Answer):
    """What an area of the rig shows that shows something else than the rest."""

    piece: str | None
    level: float
    black: str | None


class Telemetry(Answer):
    """The transmitter's last `telemetry` (PROTOCOL.md). After an upgrade the old transmitter plays on for a while,
    without new figures."""

    op: Literal["telemetry"]
    at_ns: int | None = None
    sequence: int
    universes: int
    piece: str | None = None
    frame: int | None = None
    level: float
    black: str | None = None
    areas: list[AreaSent] | None = None
    fps: float | None = None
    frames_due: int
    frames_sent: int
    frames_late: int
    frames_dropped: int
    frames_unread: int | None = None
    packets_sent: int
    packets_left_out: int | None = None
    bytes_sent: int
    send_errors: int
    synchronization_packets: int | None = None
    discovery_packets: int | None = None
    messages_unread: int | None = None
    lateness_us: LatenessFigures
    lateness_histogram_us: list[tuple[int, int]] | None = None
    controller_count: int | None = None
    controllers: list[ControllerSent] | None = None
    range_count: int | None = None
    universe_packets: Annotated[
        list[tuple[int, int, int, int]] | None, Field(description="first and last universe, packets, bytes")
    ] = None
    held: list[tuple[str, int]] | None = None
    limited: list[Lowered]
    watched: int | None = None
    boards_heard: list[OtherSource] | None = None
    other_source_count: int | None = None
    other_sources: list[OtherSource] | None = None
    sound: SoundFigures | None = None


class HealthNow(Answer):
    """Whether all is well; `transmitter` is its last telemetry, null if it does not answer."""

    ok: bool
    troubles: list[TroubleStanding]
    transmitter: Telemetry | None
    controllers: list[ControllerReached]


class ClockTrusted(Answer):
    """Whether the clock is trusted, by which source, and why."""

    trusted: bool
    by: str
    text: str


class ClockNow(ClockTrusted):
    """The clock that the show runs by."""

    offset_s: float
    note: str | None
    program: Annotated[str | None, Field(description="what keeps the kernel's clock synchronised, if it can be seen")]
    error_ms: Annotated[
        float | None, Field(description="the most that the clock is off; null if no program tells the kernel")
    ]


class AfterResume(Answer):
    """Whether there would be light, and why."""

    light: bool
    text: str


class PieceNext(Answer):
    """A piece, and when it begins."""

    piece: str
    at: Instant


class ZoneNow(Answer):
    """What a zone shows now, and why. Where zones in it show something else, `differing` names them."""

    name: str
    state: State
    state_name: Annotated[str, Field(description="what a person calls the state")]
    show: str | None
    piece: str | None
    level: Annotated[float, Field(description="its brightness, 0 to 1")]
    reason: Annotated[
        ReasonGiven,
        Field(description="why it differs from the rest of the rig; where it does not, the first reason"),
    ]
    differing: list[str]


class Now(Explanation):
    """What happens now, and why; the overrides; whether all is well."""

    state_name: Annotated[str, Field(description="what a person calls the state")]
    next_state_name: str | None
    site: str
    timezone: Annotated[str, Field(description="the site's time zone, by its IANA name")]
    position_s: float | None
    length_s: float | None
    overrides: list[OverrideStanding]
    next_piece: Annotated[PieceNext | None, Field(description="the piece of a running order that begins next")]
    after_resume: Annotated[
        AfterResume | None, Field(description="what there would be without the current pauses and darks")
    ]
    zones: Annotated[
        list[ZoneNow],
        Field(description="every zone of the rig; what stands above is the rest of the rig, and the sound"),
    ]
    rest: Annotated[
        bool,
        Field(description="false where a show stands above, but every string and fixture shows something else"),
    ]
    has_sound: Annotated[bool, Field(description="whether any piece has sound")]
    has_triggers: Annotated[bool, Field(description="whether the site has a trigger")]
    boards: Annotated[BoardsNow | None, Field(description="null: one board gives all of the show")]
    clock: ClockNow
    health: HealthNow


class PublicKnown(Answer):
    """What everybody may know. There is no title between two pieces, and while no show is given."""

    title: str | None
    artist: str | None
    next_title: str | None
    opens: Annotated[Instant | None, Field(description="the opening of the evening under way, or of one still to come")]
    closes: Instant | None
    next_opening: Annotated[Instant | None, Field(description="the first opening from now on")]


# the board


class BoardFigures(Answer):
    """Figures of the machine; null where it has none."""

    temperature_c: float | None
    disk_free_bytes: int | None
    disk_bytes: int | None
    memory_free_bytes: int | None
    memory_bytes: int | None
    own_memory_bytes: int
    written_bytes: int | None
    own_written_bytes: int | None
    wear_steps: int | None
    open_files: int


class Health(Answer):
    """Whether all is well: troubles with what to do, the board's own figures, the clock, the transmitter."""

    ok: bool
    troubles: list[TroubleStanding]
    board: BoardFigures
    clock: ClockTrusted
    transmitter: Telemetry | None
    transmitter_lost: Annotated[int, Field(description="how often it was lost since the planner began")]
    since: Instant


class ClockSet(ClockTrusted):
    """The time that the board has now."""

    at: Instant


class Reloaded(Answer):
    """Whether the site's files are used now, and the mistakes in them."""

    taken_over: bool
    errors: list[str]
