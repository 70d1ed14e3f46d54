"""The troubles that a transmitter reports. Each lasts until the transmitter reports its end."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.shows.config_files.file_stamp import FileStamp, file_stamp

Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class NetworkTrouble:
    """What the transmitter reported of an address last, and whether it stands."""

    at_ns: int
    text: str
    stands: bool


class TransmitterTroubles:
    """Keeps them by kind and subject, and writes the beginning and the end of each to the journal."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._texts: dict[Key, str] = {}
        self._stamps: dict[Key, FileStamp] = {}
        self.network: dict[str, NetworkTrouble] = {}
        """The last trouble with each address to which it could not send, by address."""

    def __contains__(self, key: object) -> bool:
        return key in self._texts

    def standing(self) -> list[Trouble]:
        return [Trouble(TroubleCode(kind), subject, text, kind) for (kind, subject), text in self._texts.items()]

    def report(self, message: dict[str, Any], now_ns: int, covered: Collection[Key] = ()) -> None:
        """Take a message `trouble` of the transmitter. The journal gets no line if another trouble covers it."""
        key, text, over = (message["kind"], message["subject"]), message["text"], message["over"]
        known = self._texts.get(key) == text
        if key[0] == "network":
            last = self.network.get(key[1])
            if not over:
                since_ns = last.at_ns if last and last.stands else now_ns
                self.network[key[1]] = NetworkTrouble(since_ns, text, True)
            elif last:
                self.network[key[1]] = replace(last, stands=False)
        if over:
            self._texts.pop(key, None)
        else:
            self._texts[key] = text
            if key[0] == "frames":
                self._stamps[key] = file_stamp(Path(key[1]))
        if not known and key not in covered:
            about: dict[str, object] = {name: message[name] for name in ("subject", "piece", "over") if name in message}
            prefix = "over: " if over else ""
            self._store.note_seldom(now_ns, "trouble", f"{prefix}{key[1]}: {text}", prefix + "".join(key), about)

    def forget_replaced(self) -> None:
        """Forget the troubles of frame files that were replaced."""
        for key in [key for key in self._texts if key[0] == "frames"]:
            if self._stamps[key] != file_stamp(Path(key[1])):
                del self._texts[key]
