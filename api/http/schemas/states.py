"""Answers on the present: the decision, the transmitter, the rig, the board."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant, OverrideStanding, ReasonGiven
from gloaming.api.http.schemas.boards import BoardsNow
from gloaming.api.http.schemas.network import NodeFound
from gloaming.daemon.direction.score import ReasonCode, State
from gloaming.daemon.planner.health import TroubleCode
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.draw import FeedKind
from gloaming.shows.rig.model import Channel
from gloaming.shows.rig.repairs import Fault


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


class ControllerError(Answer):
    """The last trouble of sending to a controller, and whether it stands."""

    at: Instant
    text: str
    stands: bool


class ControllerReached(Answer):
    """A controller, and whether it answers. What is null or 0 for one that only other boards feed, they know."""

    name: str
    boards: Annotated[list[str], Field(description="the boards that feed it; none on a site without boards")]
    host: Annotated[str | None, Field(description="its IP address or host name, as in rig.toml")]
    address: Annotated[str | None, Field(description="its IP address; null while nobody knows that of its name")]
    protocol: ProtocolName
    way: Annotated[str, Field(description="how its data go to it, in words")]
    answers: Annotated[bool | None, Field(description="null: it cannot be asked, or was not asked yet")]
    words: Annotated[str, Field(description="the same in words")]
    since: Instant | None
    strings: list[str]
    packets: Annotated[int, Field(description="data packets of its universes since the setup")]
    errors: Annotated[int, Field(description="sends that its address did not take")]
    last_error: ControllerError | None
    nodes: Annotated[list[NodeFound], Field(description="what its Art-Net nodes say of themselves")]


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


# the rig


class ControllerListed(ControllerReached):
    """A controller of the rig."""

    multicast: bool
    broadcast: bool
    universes: list[int]
    port_addresses: Annotated[list[int], Field(description="that of each universe, in order; empty without Art-Net")]
    brightness: Annotated[float, Field(description="the brightness that is set in the controller itself, 0 to 1")]


class CircuitListed(Answer):
    """A circuit of the mains, on one breaker."""

    name: str
    amps: float
    volts: float
    breaker: Annotated[str | None, Field(description="where its breaker is")]
    rcd: bool | None


class SupplyListed(Answer):
    """A power supply of the rig."""

    name: str
    volts: float
    amps: float
    circuit: str | None
    efficiency: float


class PortListed(Answer):
    """A port of a controller; its strings share its fuse."""

    name: str
    controller: str
    number: int
    strings: list[str]
    fuse_a: float | None
    supply: str | None
    volts: float | None
    run_m: Annotated[float | None, Field(description="the length of its data run, in metres")]
    note: str | None


class StringListed(Answer):
    """A string of the rig; `points` are where its pixels hang, in metres."""

    name: str
    controller: str
    port: int | None
    group: str | None
    universe: int
    slot: int
    pixels: int
    missing: Annotated[list[int], Field(description="the pixels that were cut out")]
    order: str
    spans: Annotated[list[tuple[int, int, int]], Field(description="universe, first slot, last slot")]
    fuse_a: float | None
    supply: str | None
    points: list[list[float]] | None


class FixtureListed(Answer):
    """A lamp or another device that is no string of pixels; `channels` are what its slots do, `at` is its place."""

    name: str
    controller: str
    universe: int
    slot: int
    channels: list[Channel]
    at: Annotated[tuple[float, float] | None, Field(description="where it stands, in metres: right and up")]
    watts: float | None
    supply: str | None
    circuit: str | None


class ZoneListed(Answer):
    """A zone, or a group of strings, which is a zone too: its strings and fixtures."""

    name: str
    strings: list[str]
    fixtures: list[str]


class RigCheckShown(Answer):
    """The current rig check."""

    id: int
    text: str
    strings: list[str]
    fixture: str | None
    level: float | None
    frame: int
    frames: int


class RigListed(Answer):
    """What hangs outside and what feeds it, and the current rig check."""

    controllers: list[ControllerListed]
    circuits: list[CircuitListed]
    supplies: list[SupplyListed]
    ports: list[PortListed]
    strings: list[StringListed]
    fixtures: list[FixtureListed]
    zones: list[ZoneListed]
    check: RigCheckShown | None


# the repairs


class RepairListed(Answer):
    """A mark on a pixel, a string or a fixture; `part` is the name of the string or fixture."""

    id: int
    part: str
    kind: Literal["string", "fixture"] | None
    pixel: int | None
    fault: Fault
    note: str
    text: Annotated[str, Field(description="what is wrong, in words")]
    at: Instant
    who: str
    mended: Instant | None
    mended_by: str | None
    absence: Annotated[str | None, Field(description="why the part or the pixel is not in the rig any more")]
    hint: Annotated[str | None, Field(description="for a pixel that was cut out: what to write into rig.toml")]


class RepairsListed(Answer):
    """What is to be mended, in the order of the rig; and what was mended last."""

    open: list[RepairListed]
    mended: list[RepairListed]


# what comes from outside


class TriggerListed(Answer):
    """A trigger: what it calls, and what its events since the last noon have become."""

    name: str
    piece: str | None
    show: str | None
    zone: str | None
    by: Annotated[list[Literal["mqtt", "http", "device"]], Field(description="what it listens to")]
    board: Annotated[str | None, Field(description="of several boards, the one that acts on its messages by MQTT now")]
    last_call: Instant | None
    calls: int
    refusals: Annotated[dict[ReasonCode, int], Field(description="how many events each reason has refused")]
    last_refusal: Instant | None
    refused_now: Annotated[ReasonGiven | None, Field(description="why an event would be refused now")]


class TriggersListed(Answer):
    """The triggers, in the order of the site."""

    triggers: list[TriggerListed]


class HoldListed(Answer):
    """A hold: its last reading, whether it holds, and why."""

    name: str
    makes: Literal["dark", "paused", "dim"]
    zone: str | None
    level: Annotated[float | None, Field(description="of a dim: the share of the set brightness")]
    reading: Annotated[float | str | None, Field(description="the last one; null: none has come")]
    heard: Annotated[Instant | None, Field(description="when it came")]
    silent: Annotated[bool, Field(description="whether no reading has come for `silent_after`")]
    holds: Annotated[bool, Field(description="whether it keeps the light off or low now")]
    since: Annotated[Instant | None, Field(description="since when its rule says so, also where a person has ended it")]
    text: Annotated[str, Field(description="why, and what comes next")]
    may_end: Annotated[bool, Field(description="whether a person may end it for an hour")]
    ended_until: Annotated[Instant | None, Field(description="until when a person has ended it")]
    override: Annotated[int | None, Field(description="the id of its override, to end it")]
    board: Annotated[str | None, Field(description="of several boards, the one that acts on its readings now")]
    problem: Annotated[str | None, Field(description="what is wrong with the newest payload, if it is no reading")]


class HoldsListed(Answer):
    """The holds, in the order of the site."""

    holds: list[HoldListed]


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
