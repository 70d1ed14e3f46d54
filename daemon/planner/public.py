"""What everybody may know now: looked up at each change, for those who listen by HTTP and for an MQTT topic."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import datetime
from functools import partial
from urllib.parse import urlsplit

from gloaming.daemon.integrations.delivery import Message, Messenger, publish
from gloaming.daemon.planner.acting_board import ActingBoard
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.reports.public import OpeningTimes, PublicNow, opening_times, public_now
from gloaming.daemon.site.site import Site


class PublicLookup:
    """`wake_at` is called with the instant of the machine's clock at which `look` is due; None: at once.

    Of several boards, the acting one sends the topic.
    """

    def __init__(self, situation: Situation, acting: ActingBoard, wake_at: Callable[[datetime | None], None]) -> None:
        self._situation, self._acting, self._wake_at = situation, acting, wake_at
        self._facts: tuple[object, ...] = ()
        self._from_ns = 0
        self._now = PublicNow()
        self._times: tuple[Site, int, OpeningTimes] | None = None
        """Of which site they are, and from when on they are known."""
        self._topic: _Topic | None = None
        self.text = "{}"
        """The answer of GET /api/public: JSON."""
        self.changed = asyncio.Event()
        """Is set at each change. There is a new one after it."""

    def look_soon(self) -> None:
        """Look at once, as work of its own. What is shown may have changed."""
        if self._wanted:
            self._wake_at(None)

    def look(self) -> None:
        """Look up what everybody may know now. If that has changed, wake who listens, and send it."""
        if not self._wanted:
            return
        now = self._situation
        at_ns = now.now_ns()
        facts = (now.site, now.overrides, now.held, now.trust.trusted)
        until_ns = self._now.until_ns
        if facts != self._facts or at_ns < self._from_ns or (until_ns is not None and at_ns >= until_ns):
            self._facts, self._from_ns = facts, at_ns
            self._now = self._look_up(at_ns) if now.trust.trusted else PublicNow()
            text = json.dumps(self._now.as_json(now.site))
            if text != self.text:
                self.text = text
                self.wake()
        if self._now.until_ns is not None:
            self._wake_at(now.clock.due(self._now.until_ns))
        self._send(now.site.public.mqtt if self._acting.acts() else None)

    def wake(self) -> None:
        """Wake who listens."""
        self.changed.set()
        self.changed = asyncio.Event()

    def troubles(self) -> list[Trouble]:
        topic = self._topic
        return [Trouble(TroubleCode.PUBLIC, topic.name, topic.problem)] if topic and topic.problem else []

    def close(self) -> None:
        self._send(None)

    @property
    def _wanted(self) -> bool:
        table = self._situation.site.public
        return table.stream or table.mqtt is not None or self._topic is not None

    def _look_up(self, at_ns: int) -> PublicNow:
        now = self._situation
        site, from_ns, times = self._times or (None, 0, None)
        if times is None or site is not now.site or not from_ns <= at_ns < times.until_ns:
            times = opening_times(at_ns, now.site)
            self._times = now.site, at_ns, times
        return public_now(at_ns, now.site, times, now.overrides, now.held)

    def _send(self, url: str | None) -> None:
        if self._topic and self._topic.url != url:
            self._topic.messenger.close()
            self._topic = None
        if url and self._topic is None:
            self._topic = _Topic(url)
        if self._topic:
            self._topic.send(self.text)


class _Topic:
    """A retained topic. Of the texts for a broker that is away, only the newest waits."""

    def __init__(self, url: str) -> None:
        self.url = url
        parts = urlsplit(url)
        self.name = f"{parts.scheme}://{parts.hostname}"
        self.problem: str | None = None
        self.messenger = Messenger(self._delivered, name="public")
        self._loop = asyncio.get_running_loop()
        self._sent = ""

    def send(self, text: str) -> None:
        """Send a text that is another than the last one."""
        if text != self._sent:
            self._sent = text
            do = partial(publish, self.url, text)
            self.messenger.send(Message("public", self.name, do, place=self.url, routine=True))

    def _delivered(self, _: Message, problem: str | None) -> None:
        """Called in the messenger's thread."""
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._done, problem)

    def _done(self, problem: str | None) -> None:
        self.problem = problem
        if problem is not None:
            self._sent = ""  # the next look sends the newest again
