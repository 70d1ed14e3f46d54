"""A director's figures in the text format that Prometheus reads (its exposition format, version 0.0.4)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gloaming.daemon.direction.score import State

if TYPE_CHECKING:
    from gloaming.daemon.director import Director

KIND = "text/plain; version=0.0.4; charset=utf-8"
Sample = tuple[Mapping[str, str], float | int | None]


@dataclass(frozen=True, slots=True)
class Family:
    """One figure: its name, its type (gauge or counter), what it is, and its samples by labels; None is left out."""

    name: str
    type: str
    help: str
    samples: tuple[Sample, ...]


def gauge(name: str, help: str, value: float | int | None) -> Family:
    return Family(name, "gauge", help, (({}, value),))


def counter(name: str, help: str, value: float | int | None) -> Family:
    return Family(name, "counter", help, (({}, value),))


def text(families: Iterable[Family]) -> str:
    """The families as text; one without a sample is left out."""
    lines: list[str] = []
    for family in families:
        samples = [(labels, value) for labels, value in family.samples if value is not None]
        if samples:
            lines += [f"# HELP {family.name} {family.help}", f"# TYPE {family.name} {family.type}"]
            lines += [f"{family.name}{_labels(labels)} {value:.12g}" for labels, value in samples]
    return "\n".join(lines) + "\n"


def _labels(labels: Mapping[str, str]) -> str:
    def escaped(value: str) -> str:
        return value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")

    return "{" + ",".join(f'{name}="{escaped(value)}"' for name, value in labels.items()) + "}" if labels else ""


def families(director: Director) -> list[Family]:
    """All figures of a director, its transmitter and its board."""
    now_ns = director.clock.now_ns()
    decision, attendant = director.current(now_ns), director.attendant
    states = tuple(({"state": str(state)}, int(decision.state == state)) for state in State)
    kinds: dict[str, int] = {}
    for trouble in attendant.troubles(now_ns):
        kinds[trouble["kind"]] = kinds.get(trouble["kind"], 0) + 1
    by_kind = tuple(({"kind": kind}, number) for kind, number in kinds.items())
    standing = director.requests.standing(now_ns)
    return [
        Family("gloaming_state", "gauge", "1 for the state of now, 0 for the others.", states),
        gauge("gloaming_brightness_ratio", "Brightness that is decided for now.", decision.brightness),
        gauge("gloaming_transmitter_connected", "1 while the transmitter answers.", int(director.link.connected)),
        counter(
            "gloaming_messages_unread_total",
            "Messages of the transmitter that could not be read since the director began.",
            director.link.unread,
        ),
        gauge("gloaming_clock_trusted", "1 while the clock is believed.", int(attendant.trust.trusted)),
        gauge("gloaming_overrides", "Overrides in force or yet to come.", len(standing)),
        gauge("gloaming_unwritten_changes", "Changes that wait for a disk that takes them.", director.store.unwritten),
        gauge("gloaming_start_time_seconds", "When the director began, Unix time.", director.started_ns / 1e9),
        counter(
            "gloaming_transmitter_lost_total",
            "How often the transmitter has gone since the director began.",
            attendant.transmitter_lost,
        ),
        *_of_rig(director),
        Family("gloaming_troubles", "gauge", "Troubles of now, by kind.", by_kind),
        *_of_transmitter(director.link.telemetry or {}),
        *_of_board(director),
    ]


def _of_rig(director: Director) -> list[Family]:
    known = [reach for reach in director.rig.reach.found.values() if reach.answers is not None]
    up = tuple(({"controller": reach.controller}, int(bool(reach.answers))) for reach in known)
    since = tuple(({"controller": reach.controller}, reach.since_ns / 1e9) for reach in known)
    limited = (director.link.telemetry or {}).get("limited", ())
    frames = tuple(({"kind": one["kind"], "name": one["name"]}, one["frames"]) for one in limited)
    return [
        Family("gloaming_controller_up", "gauge", "1 while a controller answers.", up),
        Family("gloaming_controller_since_seconds", "gauge", "Since when that is so, Unix time.", since),
        Family("gloaming_limited_frames_total", "counter", "Frames in which the limiter lowered it.", frames),
    ]


def _of_transmitter(telemetry: Mapping[str, Any]) -> list[Family]:
    def count(key: str, help: str) -> Family:
        return counter(f"gloaming_{key}_total", help, telemetry.get(key))

    late = telemetry.get("lateness_us", {})
    quantiles = (("0.5", "p50"), ("0.99", "p99"), ("0.999", "p999"), ("1", "max"))
    samples = tuple(({"share": q}, late[key] / 1e6) for q, key in quantiles if key in late)
    return [
        count("frames_due", "Frames that were due since the transmitter began."),
        count("frames_sent", "Frames sent."),
        count("frames_late", "Frames sent late."),
        count("frames_dropped", "Frames not sent."),
        count("packets_sent", "Packets handed to the kernel."),
        count("packets_left_out", "Packets of frames that came too soon for their universe (E1.11)."),
        count("bytes_sent", "Bytes handed to the kernel."),
        count("send_errors", "Refusals by the kernel."),
        gauge("gloaming_universes", "Universes that are sent.", telemetry.get("universes")),
        gauge("gloaming_wire_level_ratio", "Brightness on the wire.", telemetry.get("level")),
        Family("gloaming_frame_lateness_seconds", "gauge", "Lateness of frames since the transmitter began.", samples),
    ]


def _of_board(director: Director) -> list[Family]:
    board = director.attendant.board
    return [
        gauge("gloaming_board_temperature_celsius", "The board's warmest sensor.", board.temperature_c),
        gauge("gloaming_disk_free_bytes", "Room left where the state lies.", board.disk_free_bytes),
        gauge("gloaming_memory_available_bytes", "Memory that can be had.", board.memory_free_bytes),
        gauge("gloaming_director_memory_bytes", "Memory of the director itself.", board.own_memory_bytes),
        gauge("gloaming_director_open_files", "Files that the director holds open.", board.open_files),
        counter("gloaming_card_written_bytes_total", "Written to the card since boot, by all.", board.written_bytes),
        counter(
            "gloaming_director_written_bytes_total",
            "Written to the card by the director since it began.",
            board.own_written_bytes,
        ),
        gauge("gloaming_card_wear_ratio", "Share of the card's life that is used.", _tenth(board.wear_steps)),
    ]


def _tenth(steps: int | None) -> float | None:
    return None if steps is None else steps / 10
