"""A push of a site to some boards: all take it over at the same instant, or none.

First every board gets what it does not have, and checks the site as its own. Only when all are ready, all are asked to
take it over at an instant a few seconds ahead. If one does not agree in time, all are told to drop it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from gloaming.api.cli.other_boards import AwayError, BoardError, OtherBoard
from gloaming.api.cli.progress import NamedProgress
from gloaming.api.http.middleware import PUSH, PUSHED_FILES
from gloaming.daemon.site.editing import Files, digest
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import PushedFile
from gloaming.shows.config_files.file_stamp import FileStamp, file_stamp
from gloaming.shows.time_units import SECOND_NS

LEAD_S = 5.0
"""So long ahead is the instant at which the boards take a site over."""
MARGIN_S = 2.0
"""So long before it each must have agreed."""
CLOCKS_S = 1.0
"""So far may the clocks of the boards be apart."""
TAKEN_S = 30.0
POLL_S, QUICK_POLL_S = 1.0, 0.2
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Content:
    """What is pushed. `places` has the files of the pieces by their hash, and the stamp that each had when it was
    read."""

    site: Site
    files: Files
    pushed: tuple[PushedFile, ...]
    places: dict[str, tuple[Path, FileStamp]]

    def check_unchanged(self) -> None:
        """BoardError once a file was changed."""
        for path, stamp in self.places.values():
            if file_stamp(path) != stamp:
                raise BoardError(f"{path.name} was changed while it was pushed: push again")


@dataclass
class PushTarget:
    """A board to which a site is pushed: its push there, and how it ended."""

    board: OtherBoard
    id: str = ""
    error: str = ""
    taken_ns: int | None = None
    taken: str = ""
    """How it took the site over, for people."""
    agreed: bool = False
    """It has agreed to take the site over, or may have: its answer did not come."""

    def ask(self, method: str, path: str = "", body: object = None, **how: Any) -> Any:
        """A request about the push; the answer. BoardError where it is refused."""
        status, found = self.board.ask(method, f"{PUSH}/{self.id}{path}", body, **how)
        if status >= 400:
            raise BoardError(found["detail"])
        return found


@contextmanager
def noting(target: PushTarget) -> Iterator[None]:
    """Note why a board cannot do its part."""
    try:
        yield
    except BoardError as error:
        target.error = "\n".join(filter(None, (target.error, str(error))))
    except OSError as error:  # of a file of this machine
        target.error = f"{error.filename or 'this machine'}: {error.strerror or error}"


class PushToBoards:
    """One push to some boards, on each in a thread of its own."""

    def __init__(self, content: Content, targets: list[PushTarget], say: Say) -> None:
        self._content, self._targets, self._say = content, targets, say
        self._progress: NamedProgress = lambda *_: None
        self._stopped, self._all_ready = threading.Event(), threading.Event()
        self._lock, self._to_send, self._sent = threading.Lock(), 0, 0
        self._waiting = len(targets)
        self._at_ns, self._decided = 0, False

    def contact(self) -> None:
        """See that all boards answer, before anybody types a passcode."""
        for target in self._targets:
            with noting(target):
                target.board.ask("GET", "/healthz", tries=1)

    def go(self, progress: NamedProgress) -> None:
        """Prepare all boards; then let all take the site over. What fails is noted at each board."""
        self._progress = progress
        if not self.failed:
            self._each(self._prepare)
        if not self.failed:
            self._take_over()

    @contextmanager
    def ended(self) -> Iterator[None]:
        """However it ends, by Ctrl-C too: no board waits for what nobody sends."""
        try:
            yield
        finally:
            self._stopped.set()
            if not self._decided:
                self._each(self._drop)

    @property
    def failed(self) -> bool:
        """Whether a board cannot do its part."""
        return any(target.error for target in self._targets)

    def _each(self, work: Callable[[PushTarget], None]) -> None:
        """Do some work for all boards at once. What one cannot do is noted, and stops the others."""

        def guarded(target: PushTarget) -> None:
            with noting(target):
                work(target)
            if target.error:
                self._stopped.set()

        with ThreadPoolExecutor(len(self._targets)) as threads:
            try:
                for done in [threads.submit(guarded, target) for target in self._targets]:
                    done.result()
            except BaseException:  # Ctrl-C
                self._stopped.set()
                raise

    def _prepare(self, target: PushTarget) -> None:
        """Send what a board does not have, and wait until it and all others are ready."""
        found = self._wait(target, "comparing")
        if found:
            self._send(target, found)
        if not self._stopped.is_set():
            self._content.check_unchanged()
            target.ask("POST", "/check")
        if self._wait(target, "checking"):
            self._say(f"{target.board.name}: ready")
            with self._lock:
                self._waiting -= 1
                if not self._waiting:
                    self._all_ready.set()
        while not self._stopped.is_set() and not self._all_ready.wait(POLL_S):
            target.ask("GET")  # a board forgets a push that nobody asks about

    def _wait(self, target: PushTarget, state: str) -> Any:
        """What a push says once it has left a state. None once another board has failed. BoardError if refused."""
        pause_s = QUICK_POLL_S
        while not self._stopped.is_set():
            found = target.ask("GET")
            if found["state"] == "refused":
                raise BoardError(_lines(found["errors"]))
            if found["state"] != state:
                return found
            if found["of"]:
                self._progress(f"{target.board.name} {state}", found["done"], found["of"])
            time.sleep(pause_s)
            pause_s = min(POLL_S, 1.5 * pause_s)
        return None

    def _send(self, target: PushTarget, found: Any) -> None:
        arrived = {one["file"]: one for one in found["uploads"]}
        lengths = {one.sha256: one.length for one in self._content.pushed}
        left = sum(lengths[name] - arrived.get(name, {"offset": 0})["offset"] for name in found["wanted"])
        files = len(found["wanted"])
        self._say(f"{target.board.name}: {files} of {len(lengths)} files to send, {left:,} bytes")
        with self._lock:
            self._to_send += left
        for name in found["wanted"]:
            before = arrived.get(name)
            if before:
                at, offset = f"{PUSHED_FILES}/{before['id']}", before["offset"]
            else:
                at, offset = target.board.begin_upload(PUSHED_FILES, name, lengths[name]), 0
            path, _ = self._content.places[name]
            target.board.send(at, path, offset, self._stopped.is_set, self._add_sent)

    def _add_sent(self, more: int) -> None:
        with self._lock:
            self._sent += more
        self._progress("sending", self._sent, self._to_send)

    # all at once

    def _take_over(self) -> None:
        """Ask all to take the site over at one instant. If one does not agree in time, all are asked to drop it."""
        fastest_ns = self._fastest_clock()
        if fastest_ns is None:
            return
        self._at_ns = at_ns = fastest_ns + time.monotonic_ns() + int(LEAD_S * SECOND_NS)
        agree_by_s = time.monotonic() + LEAD_S - MARGIN_S
        self._each(lambda target: self._agree(target, at_ns, agree_by_s))
        if self.failed:
            return
        self._decided = True
        self._say(f"all take it over at {self._clock(at_ns)[:8]}")
        self._each(lambda target: self._await_taken(target, agree_by_s + MARGIN_S + TAKEN_S))

    def _fastest_clock(self) -> int | None:
        """How far the fastest clock of the boards is ahead of the monotonic clock here. None if that is no use."""
        found = dict[str, tuple[int, int]]()

        def look(target: PushTarget) -> None:
            self._content.check_unchanged()
            before_ns = time.monotonic_ns()
            push = target.ask("GET", tries=2)
            after_ns = time.monotonic_ns()
            if not push["trusted"]:
                raise BoardError("its clock is not trusted, so it cannot take a site over at an instant: set it first")
            found[target.board.name] = push["now_ns"] - (before_ns + after_ns) // 2, (after_ns - before_ns) // 2

        self._each(look)
        if self.failed:
            return None
        slow, fast = min(found, key=lambda name: found[name]), max(found, key=lambda name: found[name])
        apart_s = (found[fast][0] - found[slow][0] - found[fast][1] - found[slow][1]) / SECOND_NS
        if apart_s > CLOCKS_S:
            target = next(target for target in self._targets if target.board.name == fast)
            target.error = f"its clock is {apart_s:.1f} s ahead of that of {slow}: set the wrong one, then push again"
            return None
        return found[fast][0]

    def _agree(self, target: PushTarget, at_ns: int, until_s: float) -> None:
        """Ask a board to agree, until it answers or the time is over. BoardError."""
        while (left_s := until_s - time.monotonic()) > 0 and not self._stopped.is_set():
            try:
                target.ask("POST", "/take-over", {"at_ns": at_ns}, tries=1, timeout_s=left_s)
                target.agreed = True
                return
            except AwayError:  # its answer may be lost
                target.agreed = True
                time.sleep(QUICK_POLL_S)
        if not self._stopped.is_set():
            raise BoardError("it did not agree in time")

    def _await_taken(self, target: PushTarget, until_s: float) -> None:
        """Wait until a board that has agreed says that it uses the site. BoardError if it does not say so."""
        while time.monotonic() < until_s:
            with suppress(AwayError):
                status, found = target.board.ask("GET", f"{PUSH}/{target.id}", tries=1)
                if status == 200 and found["state"] == "taken":
                    target.taken_ns = found["taken_ns"]
                    target.taken = f"took it over at {self._clock(found['taken_ns'])}"
                    return
                if status == 200 and found["state"] == "refused":
                    raise BoardError(_lines(found["errors"]))
                if status == 404 and self._has_it(target):  # it has started again meanwhile
                    target.taken = "took it over, and has started again since"
                    return
            time.sleep(QUICK_POLL_S)
        raise BoardError(
            "it agreed, and has not said since that it uses the site. It does so as soon as it can: look there"
        )

    def _has_it(self, target: PushTarget) -> bool:
        status, found = target.board.ask("GET", "/api/setup/site", tries=1)
        return status == 200 and bool(found["version"] == digest(self._content.files))

    def _drop(self, target: PushTarget) -> None:
        """Tell a board to drop the push. BoardError where it may take the site over all the same."""
        if not target.id:
            return
        at = self._clock(self._at_ns)[:8]
        alone = f"it may use the new site from {at} on, and the others do not: when it answers, push again"
        try:
            status, _ = target.board.ask("DELETE", f"{PUSH}/{target.id}", tries=2 if target.agreed else 1, timeout_s=1)
        except AwayError:
            if target.agreed:
                raise BoardError(f"it could not be told to stop. So {alone}") from None
            return
        if status != 200 and target.agreed:
            raise BoardError(f"it could not stop any more. So {alone}")

    def _clock(self, at_ns: int) -> str:
        return f"{datetime.fromtimestamp(at_ns / SECOND_NS, self._content.site.timezone):%H:%M:%S.%f}"[:-3]


def _lines(errors: list[str]) -> str:
    return "\n".join(errors)
