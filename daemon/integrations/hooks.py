"""Hooks: which messages are due at an instant of the nights and the calls. Each is sent once."""

from __future__ import annotations

import json
import os
import pwd
from collections.abc import Callable, Iterable
from functools import partial
from hashlib import sha256
from pathlib import Path
from urllib.parse import urlsplit

from gloaming.daemon.integrations.delivery import Message, Messenger, post, publish, run_command
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.shows.time_units import DAY_NS, SECOND_NS

LATE_NS = 900 * SECOND_NS
"""A hook that is later than this, because the board was off, is left out; but not one with `again_at_start`."""
LOOK_BACK_NS = DAY_NS
COMMANDS = "hook_commands"
"""The fact with the commands that the journal has named."""
Times = tuple[int, int]
"""A performance or call: `(opens_ns, closes_ns)`."""


def user_name() -> str:
    """The user that commands run as."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return f"user {os.geteuid()}"


def name_of(hook: Hook) -> str:
    """A hook's name in the journal."""
    parts = urlsplit(hook.url or hook.mqtt or "")
    what = hook.command[0] if hook.command else f"{parts.scheme}://{parts.hostname}"
    return f"hook {what} at {hook.at}"


def instants(hook: Hook, times: Iterable[Times], lead_ns: int = 0) -> list[int]:
    """When a hook is due, in order.

    A closing hook is left out where another performance or call is open by then, or opens within `lead_ns`: its opening
    hook is out already, and its supplies stay on.
    """
    times = tuple(times)
    if hook.at == "opening":
        return sorted(opens + hook.shift_ns for opens, _ in times)
    ends = {closes + max(0, hook.shift_ns): closes + hook.shift_ns for _, closes in times}
    return sorted(
        due for end, due in ends.items() if not any(opens - lead_ns <= end < closes for opens, closes in times)
    )


class Hooks:
    """Sends the hooks that are due. What was sent is a stored fact, so that no restart sends it twice."""

    def __init__(
        self,
        hooks: Iterable[Hook],
        store: Store,
        delivered: Callable[[Message, str | None], None],
        hidden: Callable[[], tuple[Path, ...]] = tuple,
        read_only: Callable[[], tuple[Path, ...]] = tuple,
    ) -> None:
        """`hidden` returns the folders that no command may reach, `read_only` those that none may write."""
        self._store, self._delivered, self._hidden, self._read_only = store, delivered, hidden, read_only
        self._messengers: dict[str, Messenger] = {}
        self._sent: dict[str, int] = {}
        self._looked_ns: int | None = None
        self.adopt(hooks)

    def adopt(self, hooks: Iterable[Hook]) -> None:
        """Use other hooks from now on. One that stays keeps its messages under way."""
        self.hooks = {_fact(hook): hook for hook in hooks}
        for fact in [fact for fact in self._messengers if fact not in self.hooks]:
            self._messengers.pop(fact).close()
        for fact in self.hooks:
            self._messengers.setdefault(fact, Messenger(self._delivered, name="hook"))

    def look(self, times: tuple[Times, ...], now_ns: int) -> None:
        """Send every hook that is due by an instant of the wall clock."""
        self._name_commands(now_ns)
        begins = self._looked_ns is None or now_ns - self._looked_ns > LATE_NS  # also if the clock was behind
        self._looked_ns = now_ns
        lead_ns = max((-hook.shift_ns for hook in self.hooks.values() if hook.at == "opening"), default=0)
        all_due = {
            fact: [at for at in instants(hook, times, lead_ns) if now_ns - LOOK_BACK_NS < at <= now_ns]
            for fact, hook in self.hooks.items()
        }
        latest = self._latest_again(all_due) if begins else None
        for fact, due in all_due.items():
            if not due:
                continue
            if fact not in self._sent:
                self._sent[fact] = int(self._store.fact(fact) or "0")
            sent_ns = self._sent[fact] if self._sent[fact] <= now_ns else 0  # sent while the clock was ahead
            fresh = due[-1] > sent_ns and now_ns - due[-1] <= LATE_NS
            if fresh or latest == fact:
                if due[-1] > sent_ns:
                    self._sent[fact] = due[-1]
                    self._store.set_fact(fact, str(due[-1]))
                self._send(fact, self.hooks[fact], due[-1])

    def close(self) -> None:
        for messenger in self._messengers.values():
            messenger.close()

    def _name_commands(self, now_ns: int) -> None:
        """Name each command in the journal before its first run, with the user that it runs as."""
        commands = {fact: hook.command for fact, hook in self.hooks.items() if hook.command}
        known = json.loads(self._store.fact(COMMANDS) or "[]")
        for fact in [fact for fact in commands if fact not in known]:
            text = f"the command {' '.join(commands[fact])} runs as {user_name()}, without access to Gloaming's state"
            self._store.note(now_ns, "hook", text)
        if sorted(commands) != sorted(known):
            self._store.set_fact(COMMANDS, json.dumps(sorted(commands)))

    def _latest_again(self, all_due: dict[str, list[int]]) -> str | None:
        """After a power cut a relay's state is unknown. Of the hooks to be sent again, the one that was due last."""
        again = [(due[-1], fact) for fact, due in all_due.items() if due and self.hooks[fact].again_at_start]
        return max(again, key=lambda one: one[0])[1] if again else None

    def _send(self, fact: str, hook: Hook, due_ns: int) -> None:
        if hook.url is not None:
            body = hook.body or json.dumps({"at": hook.at, "due_ns": due_ns})
            do = partial(post, hook.url, body.encode(), "text/plain" if hook.body else "application/json")
        elif hook.mqtt is not None:
            do = partial(publish, hook.mqtt, hook.body or hook.at)
        else:
            more = {"GLOAMING_HOOK": hook.at, "GLOAMING_BODY": hook.body}
            do = partial(run_command, hook.command or (), more, self._hidden(), self._read_only())
        self._messengers[fact].send(Message("hook", name_of(hook), do))


def _fact(hook: Hook) -> str:
    """The name of the fact with the time when a hook was last sent. A hook with other keys is another hook."""
    return f"hook_{sha256(hook.model_dump_json(exclude={'place'}).encode()).hexdigest()[:16]}"
