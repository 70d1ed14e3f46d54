"""The figures of a `telemetry` message. PROTOCOL.md explains each of them."""

from __future__ import annotations

from typing import Any

from gloaming.daemon.transmitter.counters import Counters, Totals
from gloaming.daemon.transmitter.others import LISTED_MAX
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.watch import SourceWatch


def telemetry(player: Player, totals: Totals, watch: SourceWatch | None) -> dict[str, Any]:
    """A `telemetry` message without its time and its sound."""
    shown, frames, output = player.shown, player.frames, player.output
    others = watch.standing() if watch else ()
    counters = (output.counters if output else Counters()).figures()
    return {
        "sequence": output.sequence if output else 0,
        "universes": len(output.setup.targets) if output else 0,
        "piece": shown.piece,
        "frame": shown.frame,
        "level": shown.level,
        "black": player.black_by(),
        "areas": player.area_figures(),
        "fps": shown.fps,
        "frames_due": frames.due,
        "frames_sent": frames.sent,
        "frames_late": frames.late,
        "frames_dropped": frames.dropped,
        "frames_unread": frames.unread,
        "packets_sent": totals.packets_sent,
        "packets_left_out": totals.packets_left_out,
        "bytes_sent": totals.bytes_sent,
        "send_errors": totals.send_errors,
        "synchronization_packets": totals.synchronization_packets,
        "discovery_packets": totals.discovery_packets,
        "messages_unread": totals.messages_unread,
        "lateness_us": player.lateness.figures(),
        "lateness_histogram_us": player.lateness.buckets(),
        **counters,
        "held": [[one.rule, one.until_ns] for one in player.holds.held],
        "limited": output.limiter.figures(len(output.groups)) if output and output.limiter else [],
        "watched": watch.watched if watch else 0,
        "boards_heard": [board.as_json() for board in watch.boards()[:LISTED_MAX]] if watch else [],
        "other_source_count": len(others),
        "other_sources": [other.as_json() for other in others[:LISTED_MAX]],
    }
