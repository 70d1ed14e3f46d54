"""Alerts: one message when a trouble has lasted, one when it is over, none in an alert's quiet hours."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from urllib.parse import urlsplit

from gloaming.daemon.integrations.delivery import Message, Messenger, notify_by_apprise, post
from gloaming.daemon.planner.troubles import Trouble, covered_by
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_delivery import Alert
from gloaming.daemon.timetable.rules import windows
from gloaming.daemon.timetable.sun import Spot

Key = tuple[str, str]
OF_A_KIND, WITHIN_S = 6, 600.0
"""An alert sends this many troubles of a kind within ten minutes: a stranger on the network may cause troubles."""
MORE = " (further troubles of this kind wait for ten minutes; the page has them all)"


@dataclass(slots=True)
class _Case:
    """One trouble, as far as one alert has reported it."""

    trouble: Trouble
    since_ns: int
    gone_ns: int | None = None
    reported: bool = False


class Alerts:
    """Follows the troubles and writes the messages. A messenger for each alert delivers them."""

    def __init__(
        self,
        alerts: Iterable[Alert],
        spot: Spot,
        site_name: str,
        delivered: Callable[[Message, str | None], None],
    ) -> None:
        self._delivered = delivered
        self._each: list[tuple[Alert, Messenger, dict[Key, _Case]]] = []
        self._rates: defaultdict[Key, Rate] = defaultdict(lambda: Rate(OF_A_KIND, WITHIN_S))  # by address and kind
        self.adopt(alerts, spot, site_name)

    def adopt(self, alerts: Iterable[Alert], spot: Spot, site_name: str) -> None:
        """Use other alerts from now on. One that stays remembers what it has reported."""
        self._spot, self._site_name = spot, site_name
        before = {_as_written(alert): (messenger, cases) for alert, messenger, cases in self._each}
        self._each = []
        for alert in alerts:
            key = _as_written(alert)
            messenger, cases = before.pop(key) if key in before else (Messenger(self._delivered, name="alert"), {})
            self._each.append((alert, messenger, cases))
        for messenger, _ in before.values():
            messenger.close()

    def look(self, troubles: Iterable[Trouble], now_ns: int, wall_ns: int) -> None:
        """Follow the troubles in force. `now_ns` is the monotonic clock, for lengths; `wall_ns` is for quiet hours."""
        standing = {(trouble.kind, trouble.subject): trouble for trouble in troubles}
        covered = covered_by(standing.values())
        for alert, messenger, cases in self._each:
            quiet = bool(alert.quiet and windows(alert.quiet, self._spot, wall_ns, wall_ns + 1))
            for key, trouble in standing.items():
                if alert.kinds is None or trouble.kind in alert.kinds:
                    case = cases.setdefault(key, _Case(trouble, now_ns))
                    case.gone_ns = None
            for key in covered & cases.keys():
                del cases[key]
            for key, case in list(cases.items()):
                if key not in standing and case.gone_ns is None:
                    case.gone_ns = now_ns
                if case.gone_ns is None and not case.reported and now_ns - case.since_ns >= alert.after and not quiet:
                    rate = self._rates[alert.url, key[0]]
                    case.reported = rate.passes(now_ns / 1e9)
                    if case.reported:
                        self._send_trouble(
                            alert, messenger, case.trouble, over=False, more="" if not rate.used_up else MORE
                        )
                elif (
                    case.gone_ns is not None
                    and now_ns - case.gone_ns >= alert.over_after
                    and not (quiet and case.reported)
                ):
                    del cases[key]
                    if case.reported:
                        self._send_trouble(alert, messenger, case.trouble, over=True)

    def opening(self, text: str) -> None:
        """Send the daily message at an opening, for alerts that have it."""
        for alert, messenger, _ in self._each:
            if alert.opening:
                self._send(alert, messenger, f"{self._site_name}: opening", text, {"event": "opening", "text": text})

    def close(self) -> None:
        for _, messenger, _ in self._each:
            messenger.close()

    def _send_trouble(self, alert: Alert, messenger: Messenger, trouble: Trouble, over: bool, more: str = "") -> None:
        do = "" if over else trouble.do
        title = f"{self._site_name}: {'over: ' if over else ''}{trouble.kind}"
        text = f"{trouble.subject}: {trouble.text}" + (f" ({do})" if do else "") + more
        event = {
            "event": "over" if over else "trouble",
            "code": str(trouble.code),
            "kind": trouble.kind,
            "subject": trouble.subject,
        }
        self._send(alert, messenger, title, text, {**event, "text": trouble.text + more, "do": do})

    def _send(self, alert: Alert, messenger: Messenger, title: str, text: str, event: dict[str, str]) -> None:
        if urlsplit(alert.url).scheme in ("http", "https"):
            body = json.dumps({"site": self._site_name, "title": title, **event}).encode()
            do = partial(post, alert.url, body, "application/json")
        else:
            do = partial(notify_by_apprise, alert.url, title, text)
        messenger.send(Message("alert", f"alert of {alert.place}", do))


def _as_written(alert: Alert) -> str:
    """A table's values without its place in the file: it is the same alert after each reload of the site."""
    return alert.model_dump_json(exclude={"place": True, "quiet": {"__all__": {"place"}}})
