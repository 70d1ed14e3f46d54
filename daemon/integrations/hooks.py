"""Hooks: which messages are due at an instant of the nights, the calls and the show on the wire. Each is sent once.

Of several boards, one sends them. The others remember what was due for some seconds, in case that one is lost then.
"""

from __future__ import annotations

import json
import os
import pwd
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

from gloaming.daemon.direction.moments import At, Moment, OnWire
from gloaming.daemon.integrations.delivery import Message, Messenger, load_mqtt, post, publish, run_command
from gloaming.daemon.integrations.hook_moments import LATE_NS, HookMoments
from gloaming.daemon.planner.acting_board import HAND_OVER_NS
from gloaming.daemon.planner.show_moments import Followed
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.placeholders import NAMES, filled, filled_text, filled_url, is_json, one_line
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.shows.time_units import DAY_NS

LOOK_BACK_NS = DAY_NS
PLANNED = ("opening", "closing")
"""The moments that the timetable and the calls give. The others are those of the wire."""
AT = tuple(At)
NOTHING = Followed()
COMMANDS = "hook_commands"
"""The fact with the commands that the journal has named."""


class Times(NamedTuple):
    """A performance or call: its opening, its closing and its show."""

    opens_ns: int
    closes_ns: int
    show: str = ""

    def moment(self, hook: Hook) -> Moment:
        """The opening or the closing."""
        if hook.at == "opening":
            return Moment(self.opens_ns, At.SHOW_BEGINS, self.show, None, OnWire())
        return Moment(self.closes_ns, At.SHOW_ENDS, self.show, None, OnWire())


def user_name() -> str:
    """The user that commands run as."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return f"user {os.geteuid()}"


def runs_as(command: tuple[str, ...]) -> str:
    """As which user a command runs, for the journal and for the terminal of `gloaming run`."""
    return f"the command {' '.join(command)} runs as {user_name()}, without access to Gloaming's state"


def name_of(hook: Hook) -> str:
    """A hook's name in the journal."""
    parts = urlsplit(hook.url or hook.mqtt or "")
    what = hook.command[0] if hook.command else f"{parts.scheme}://{parts.hostname}"
    return f"hook {what} at {hook.at}"


def instants(hook: Hook, times: Iterable[Times], lead_ns: int = 0) -> dict[int, Moment]:
    """When a hook of openings or closings is due, in order, and for what.

    A closing hook is left out where another performance or call is open by then, or opens within `lead_ns`: its opening
    hook is out already, and its supplies stay on.
    """
    times = tuple(times)
    moments = {one.moment(hook).at_ns + max(0, hook.shift_ns): one.moment(hook) for one in times}
    return {
        moments[end].at_ns + hook.shift_ns: moments[end]
        for end in sorted(moments)
        if hook.at == "opening" or not any(one.opens_ns - lead_ns <= end < one.closes_ns for one in times)
    }


class Due(NamedTuple):
    """A hook that is to be sent, by the name of its fact, and the moment that it is for."""

    due_ns: int
    fact: str
    moment: Moment


class Hooks:
    """Sends the hooks that are due. What was sent is a stored fact, so that no restart sends it twice. For pieces the
    disk gets that within minutes, with other facts: they begin all evening."""

    def __init__(
        self,
        hooks: Iterable[Hook],
        store: Store,
        delivered: Callable[[Message, str | None], None],
        hidden: Callable[[], tuple[Path, ...]] = tuple,
        read_only: Callable[[], tuple[Path, ...]] = tuple,
        values: Callable[[Moment], Mapping[str, str]] = lambda moment: {},
        acts: Callable[[Hook], bool] = lambda hook: True,
    ) -> None:
        """`hidden` returns the folders that no command may reach, `read_only` those that none may write. `values`
        returns what stands for the placeholders at a moment. `acts` says whether this board sends a hook now."""
        self._store, self._delivered, self._hidden, self._read_only = store, delivered, hidden, read_only
        self._values, self._acts = values, acts
        self._waiting: list[tuple[int, Due]] = []
        """What is due, or is another board's, and since when."""
        self._messengers: dict[str, Messenger] = {}
        self._moments: dict[str, HookMoments] = {}
        self._sent: dict[str, int] = {}
        self._looked_ns: int | None = None
        self.adopt(hooks)

    def adopt(self, hooks: Iterable[Hook]) -> None:
        """Use other hooks from now on. One that stays keeps its messages under way."""
        self.hooks = {_fact(hook): hook for hook in hooks}
        on_wire = {fact: hook for fact, hook in self.hooks.items() if hook.at not in PLANNED}
        self._moments = {fact: self._moments.get(fact) or HookMoments(hook) for fact, hook in on_wire.items()}
        addresses = {_address(hook): hook for hook in self.hooks.values()}
        for address in [address for address in self._messengers if address not in addresses]:
            self._messengers.pop(address).close()
        for address, hook in addresses.items():
            if address not in self._messengers:
                self._messengers[address] = messenger = Messenger(self._delivered, name="hook")
                if hook.mqtt:  # to load its library takes longer than to send a message
                    messenger.send(Message("hook", name_of(hook), load_mqtt, routine=True))

    @property
    def lead_ns(self) -> int | None:
        """How long before their moments hooks of the show on the wire are sent; None if there are no such hooks."""
        return max((self.hooks[fact].before for fact in self._moments), default=None)

    def look(self, times: Iterable[Times], now_ns: int, show: Followed = NOTHING) -> int | None:
        """Send every hook that is due by an instant of the wall clock. Returns when the next one is due."""
        self._name_commands(now_ns)
        begins = self._looked_ns is None or now_ns - self._looked_ns > LATE_NS  # also if the clock was behind
        self._looked_ns = now_ns
        lead_ns = max((hook.before for hook in self.hooks.values() if hook.at == "opening"), default=0)
        planned = {fact: instants(hook, times, lead_ns) for fact, hook in self.hooks.items() if hook.at in PLANNED}
        found = [*self._due_planned(planned, now_ns, begins), *self._due_on_wire(show, now_ns)]
        for one in sorted(found, key=lambda one: (one.due_ns, one.moment.at_ns, AT.index(one.moment.at))):
            self._sent[one.fact] = now_ns
            self._store.set_fact(one.fact, str(now_ns), soon=not one.moment.at.of_a_piece)
            self._waiting.append((now_ns, one))
        waiting, self._waiting = self._waiting, []
        for since_ns, one in waiting:
            if one.fact in self.hooks and self._acts(self.hooks[one.fact]):
                self._send(one)
            elif 0 <= now_ns - since_ns < HAND_OVER_NS:
                self._waiting.append((since_ns, one))
        coming = [due_ns for dues in planned.values() for due_ns in dues if due_ns > now_ns]
        coming += [at for moments in self._moments.values() if (at := moments.next_ns(show, now_ns)) is not None]
        return min(coming, default=None)

    def close(self) -> None:
        for messenger in self._messengers.values():
            messenger.close()

    def _due_planned(self, planned: Mapping[str, dict[int, Moment]], now_ns: int, begins: bool) -> Iterator[Due]:
        """The hooks of openings and closings: the last one of each that is due, unless it was sent or is too late."""
        last: dict[str, Due] = {}
        for fact, dues in planned.items():
            if past := [at for at in dues if now_ns - LOOK_BACK_NS < at <= now_ns]:
                last[fact] = Due(past[-1], fact, dues[past[-1]])
        again = self._last_again(last) if begins else ()
        for fact, one in last.items():
            fresh = one.due_ns > self._sent_ns(fact, now_ns) and now_ns - one.due_ns <= LATE_NS
            if fresh or one in again:
                yield one

    def _due_on_wire(self, show: Followed, now_ns: int) -> Iterator[Due]:
        for fact, moments in self._moments.items():
            for moment in moments.due(show, now_ns, self._sent_ns(fact, now_ns)):
                yield Due(moments.due_ns(moment), fact, moment)

    def _sent_ns(self, fact: str, now_ns: int) -> int:
        """When a hook was last sent."""
        if fact not in self._sent:
            self._sent[fact] = int(self._store.fact(fact) or "0")
        return self._sent[fact] if self._sent[fact] <= now_ns else 0  # sent while the clock was ahead

    def _name_commands(self, now_ns: int) -> None:
        """Name each command in the journal before its first run, with the user that it runs as."""
        commands = {fact: hook.command for fact, hook in self.hooks.items() if hook.command}
        known = json.loads(self._store.fact(COMMANDS) or "[]")
        for fact in [fact for fact in commands if fact not in known]:
            self._store.note(now_ns, "hook", runs_as(commands[fact]))
        if sorted(commands) != sorted(known):
            self._store.set_fact(COMMANDS, json.dumps(sorted(commands)))

    def _last_again(self, last: Mapping[str, Due]) -> tuple[Due, ...]:
        """After a power cut a relay's state is unknown. Of the hooks to be sent again, those of the last moment."""
        again = [one for fact, one in last.items() if self.hooks[fact].again_at_start]
        latest = max(again, key=lambda one: one.due_ns, default=None)
        return tuple(one for one in again if latest and one.moment[:2] == latest.moment[:2])

    def _send(self, due: Due) -> None:
        hook = self.hooks[due.fact]
        values = {name: one_line(value) for name, value in self._values(due.moment).items()}
        body = filled(hook.body, values)
        do: Callable[[], None]
        if hook.url is not None:
            said = {"at": hook.at, "due_ns": due.due_ns, **{name: value for name, value in values.items() if value}}
            kind = "application/json" if not hook.body or is_json(hook.body) else "text/plain; charset=utf-8"
            text = body if hook.body else json.dumps(said)
            do = partial(post, filled_url(hook.url, values), text.encode(), kind)
        elif hook.mqtt is not None:
            do = partial(publish, hook.mqtt, body if hook.body else hook.at, hook.retain)
        else:
            more = {f"GLOAMING_{name.upper()}": values.get(name, "") for name in NAMES}
            more |= {"GLOAMING_HOOK": hook.at, "GLOAMING_BODY": body}
            command = tuple(filled_text(part, values) for part in hook.command or ())
            do = partial(run_command, command, more, self._hidden(), self._read_only())
        place = hook.mqtt if hook.mqtt and hook.retain else ""
        routine = due.moment.at.of_a_piece
        self._messengers[_address(hook)].send(Message("hook", name_of(hook), do, place, routine))


def _address(hook: Hook) -> str:
    """Where a hook is sent to. What goes to one address arrives in its order; all of a broker is one address."""
    parts = urlsplit(hook.mqtt or "")
    return f"{parts.scheme}://{parts.netloc}" if hook.mqtt else hook.url or " ".join(hook.command or ())


def _fact(hook: Hook) -> str:
    """The name of the fact with the time when a hook was last sent. A hook with other keys is another hook."""
    return f"hook_{sha256(hook.model_dump_json(exclude={'place'}).encode()).hexdigest()[:16]}"
