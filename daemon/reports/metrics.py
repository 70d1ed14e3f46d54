"""The planner's figures for Prometheus, collected at each request."""

from __future__ import annotations

import collections
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

from prometheus_client.core import CounterMetricFamily as Counter
from prometheus_client.core import GaugeMetricFamily as Gauge
from prometheus_client.registry import Collector

from gloaming.daemon.direction.decide import Decision
from gloaming.daemon.direction.score import State
from gloaming.daemon.integrations.reachability import Reach
from gloaming.daemon.planner.clock_stamps import Offset
from gloaming.daemon.planner.clock_trust import Verdict
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.health import BoardHealth
from gloaming.daemon.planner.kernel_clock import KernelClock
from gloaming.daemon.planner.triggers import TriggerCounts

BOARDS_MAX = 100
Family = TypeVar("Family", Gauge, Counter)


@dataclass(frozen=True, slots=True)
class Status:
    """The figures of the planner, its transmitter and its board at an instant."""

    decision: Decision
    started_ns: int
    troubles: list[dict[str, Any]]
    verdict: Verdict
    kernel: KernelClock
    clocks: Mapping[str, Offset]
    overrides: int
    unwritten: int
    connected: bool
    telemetry: dict[str, Any] | None
    unread: int
    transmitter_lost: int
    controllers: tuple[Reach, ...]
    board: BoardHealth
    triggers: Mapping[str, TriggerCounts]
    boards: tuple[BoardSeen, ...]
    sharing: str


class Figures(Collector):
    """All figures of a status. A family without a sample is left out."""

    def __init__(self, status: Callable[[], Status]) -> None:
        self._status = status

    def collect(self) -> Iterator[Gauge | Counter]:
        return (family for family in _families(self._status()) if family.samples)


def _families(status: Status) -> Iterator[Gauge | Counter]:
    decision, telemetry = status.decision, status.telemetry or {}
    yield _filled(
        Gauge("gloaming_state", "1 for the present state, 0 for the others.", labels=["state"]),
        (([str(state)], decision.state == state) for state in State),
    )
    yield Gauge("gloaming_brightness_ratio", "The brightness of the decision for now.", decision.brightness)
    yield Gauge("gloaming_transmitter_connected", "1 while the transmitter is connected.", status.connected)
    yield Counter(
        "gloaming_messages_unread_total",
        "Messages of the transmitter that could not be read since the planner began.",
        status.unread,
    )
    yield Gauge("gloaming_clock_trusted", "1 while the clock is trusted.", status.verdict.trusted)
    yield from _of_clocks(status.kernel, status.clocks)
    yield Gauge("gloaming_overrides", "Overrides in force or still to come.", status.overrides)
    yield Gauge("gloaming_unwritten_changes", "Changes that wait to be written to the disk.", status.unwritten)
    yield Gauge("gloaming_start_time_seconds", "When the planner began, Unix time.", status.started_ns / 1e9)
    yield Counter(
        "gloaming_transmitter_lost_total",
        "How often the transmitter was lost since the planner began.",
        status.transmitter_lost,
    )
    yield from _of_triggers(status.triggers)
    yield from _of_boards(status.boards, status.sharing)
    yield from _of_rig(status.controllers, telemetry)
    kinds = collections.Counter(trouble["kind"] for trouble in status.troubles)
    yield _filled(
        Gauge("gloaming_troubles", "Present troubles, by kind.", labels=["kind"]),
        (([kind], number) for kind, number in kinds.items()),
    )
    yield from _of_transmitter(telemetry)
    yield from _of_board(status.board)


def _filled(family: Family, samples: Iterable[tuple[Sequence[str], float]]) -> Family:
    for labels, value in samples:
        family.add_metric(labels, value)
    return family


def _of_clocks(kernel: KernelClock, clocks: Mapping[str, Offset]) -> Iterator[Gauge]:
    synchronised = "1 while the kernel says that its clock is synchronised; by which program."
    yield _filled(
        Gauge("gloaming_clock_synchronised", synchronised, labels=["program"]),
        [([kernel.program or ""], kernel.synchronised)],
    )
    for name, help, error_ns in (
        ("gloaming_clock_error_seconds", "The most that the kernel's clock is off.", kernel.error_ns),
        ("gloaming_clock_estimated_error_seconds", "How far it is likely off.", kernel.estimated_ns),
    ):
        yield Gauge(name, help, None if error_ns is None else error_ns / 1e9)
    for name, help, key in (
        ("gloaming_board_clock_offset_seconds", "How far another board's clock is ahead of this one", "offset_ns"),
        ("gloaming_board_clock_offset_error_seconds", "How far that may be wrong", "error_ns"),
    ):
        yield _filled(
            Gauge(name, f"{help}; of {BOARDS_MAX} boards.", labels=["board"]),
            (([board], getattr(one, key) / 1e9) for board, one in islice(clocks.items(), BOARDS_MAX)),
        )


def _of_triggers(triggers: Mapping[str, TriggerCounts]) -> Iterator[Counter]:
    yield _filled(
        Counter("gloaming_trigger_calls_total", "Calls of a trigger since the last noon.", labels=["trigger"]),
        (([name], counts.calls) for name, counts in triggers.items()),
    )
    yield _filled(
        Counter(
            "gloaming_trigger_refusals_total",
            "Refused events of a trigger since the last noon, by reason.",
            labels=["trigger", "reason"],
        ),
        (([name, code], number) for name, counts in triggers.items() for code, number in counts.refusals.items()),
    )


def _of_boards(boards: Sequence[BoardSeen], sharing: str) -> Iterator[Gauge]:
    if sharing == "none":
        return
    yield Gauge("gloaming_sharing_connected", "1 while the boards' broker is connected.", sharing == "connected")
    yield Gauge("gloaming_boards", "Boards that are known, this one too.", len(boards))
    yield Gauge("gloaming_boards_in_contact", "Of these, those in contact.", sum(one.contact for one in boards))
    yield _filled(
        Gauge(
            "gloaming_board_in_contact", f"1 while a board is in contact; of the first {BOARDS_MAX}.", labels=["board"]
        ),
        (([one.name], one.contact) for one in boards[:BOARDS_MAX]),
    )


def _of_rig(controllers: Iterable[Reach], telemetry: Mapping[str, Any]) -> Iterator[Gauge | Counter]:
    known = [reach for reach in controllers if reach.answers is not None]
    yield _filled(
        Gauge("gloaming_controller_up", "1 while a controller answers.", labels=["controller", "protocol"]),
        (([reach.controller, reach.protocol], bool(reach.answers)) for reach in known),
    )
    yield _filled(
        Gauge(
            "gloaming_controller_since_seconds",
            "Since when it answers or does not, Unix time.",
            labels=["controller", "protocol"],
        ),
        (([reach.controller, reach.protocol], reach.since_ns / 1e9) for reach in known),
    )
    limited = telemetry.get("limited", ())
    yield _filled(
        Counter("gloaming_limited_frames_total", "Frames in which the limiter lowered it.", labels=["kind", "name"]),
        (([one["kind"], one["name"]], one["frames"]) for one in limited),
    )


def _of_transmitter(telemetry: Mapping[str, Any]) -> Iterator[Gauge | Counter]:
    for key, help in (
        ("frames_due", "Frames that were due since the transmitter began."),
        ("frames_sent", "Frames sent."),
        ("frames_late", "Frames sent late."),
        ("frames_dropped", "Frames not sent."),
        ("packets_sent", "Packets handed to the kernel."),
        ("packets_left_out", "Packets of frames that came too soon for their universe (E1.11)."),
        ("bytes_sent", "Bytes handed to the kernel."),
        ("send_errors", "Packets that the kernel refused."),
    ):
        yield Counter(f"gloaming_{key}_total", help, telemetry.get(key))
    yield Gauge("gloaming_universes", "Universes that are sent.", telemetry.get("universes"))
    yield Gauge("gloaming_wire_level_ratio", "The brightness that is sent.", telemetry.get("level"))
    late = telemetry.get("lateness_us", {})
    quantiles = (("0.5", "p50"), ("0.99", "p99"), ("0.999", "p999"), ("1", "max"))
    yield _filled(
        Gauge("gloaming_frame_lateness_seconds", "Lateness of frames since the transmitter began.", labels=["share"]),
        (([share], late[key] / 1e6) for share, key in quantiles if key in late),
    )


def _of_board(board: BoardHealth) -> Iterator[Gauge | Counter]:
    yield Gauge("gloaming_board_temperature_celsius", "The board's warmest sensor.", board.temperature_c)
    yield Gauge("gloaming_disk_free_bytes", "Free bytes on the disk of the state.", board.disk_free_bytes)
    yield Gauge("gloaming_memory_available_bytes", "Free memory.", board.memory_free_bytes)
    yield Gauge("gloaming_planner_memory_bytes", "Memory of the planner.", board.own_memory_bytes)
    yield Gauge("gloaming_planner_open_files", "Open files of the planner.", board.open_files)
    yield Counter("gloaming_card_written_bytes_total", "Written to the card since boot, by all.", board.written_bytes)
    yield Counter(
        "gloaming_planner_written_bytes_total",
        "Written to the card by the planner since it began.",
        board.own_written_bytes,
    )
    worn = None if board.wear_steps is None else board.wear_steps / 10
    yield Gauge("gloaming_card_wear_ratio", "Share of the card's life that is used.", worn)
