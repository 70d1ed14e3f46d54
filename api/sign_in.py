"""Who may ask: a passcode kept as argon2id, tokens kept as hashes, wrong guesses slowed down and then shut out."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from gloaming.daemon.state import State

LOCAL_DEVICE = "this machine"
FREE_GUESSES = 5
SHUT_S = 300.0


@dataclass(frozen=True, slots=True)
class Device:
    """A signed-in device: an operator may do everything, a viewer sees."""

    id: int
    name: str
    kind: str


@dataclass
class Doorkeeper:
    """Checks passcodes and tokens. `at_s` is any clock that only goes forward."""

    store: State
    guesses: dict[str, list[float]] = field(default_factory=dict)
    hasher: PasswordHasher = field(default_factory=lambda: PasswordHasher(time_cost=2, memory_cost=8192, parallelism=1))

    def first_passcode(self, folder: Path) -> Path:
        """Make a passcode where there is none yet; the file it stands in."""
        path = folder / "passcode"
        if self.store.fact("passcode_argon2id") is None or not path.exists():
            passcode = "-".join(f"{secrets.randbelow(10_000):04}" for _ in range(2))
            self.store.set_fact("passcode_argon2id", self.hasher.hash(passcode))
            write_private(path, passcode + "\n")
        return path

    def local_token(self, folder: Path, now_ns: int) -> Path:
        """A fresh token for commands on this machine, in a file that its owner alone may read."""
        path = folder / "token"
        self.store.drop_devices(LOCAL_DEVICE, now_ns)
        write_private(path, self._issue(LOCAL_DEVICE, now_ns) + "\n")
        return path

    def sign_in(self, passcode: str, name: str, address: str, at_s: float, now_ns: int) -> str | None:
        """A token for a device, None for a wrong passcode. TooManyGuessesError after too many of those."""
        recent = [guess for guess in self.guesses.get(address, []) if at_s - guess < SHUT_S]
        everyone = sum(len(each) for each in self.guesses.values())
        if len(recent) >= FREE_GUESSES or everyone >= 20 * FREE_GUESSES:
            self.guesses = {who: [g for g in each if at_s - g < SHUT_S] for who, each in self.guesses.items()}
            raise TooManyGuessesError(SHUT_S)
        try:
            self.hasher.verify(self.store.fact("passcode_argon2id") or "", passcode.strip())
        except (VerifyMismatchError, InvalidHashError):
            self.guesses[address] = [*recent, at_s]
            return None
        return self._issue(name, now_ns)

    def device(self, token: str) -> Device | None:
        """The device that a token belongs to."""
        found = self.store.device(_hash(token))
        return Device(*found) if found else None

    def _issue(self, name: str, now_ns: int) -> str:
        token = secrets.token_urlsafe(32)
        self.store.add_device(_hash(token), name, "operator", now_ns)
        return token


class TooManyGuessesError(Exception):
    """Too many wrong passcodes; the argument is how long to wait, in seconds."""


def _hash(token: str) -> str:
    return sha256(token.encode()).hexdigest()


def write_private(path: Path, text: str) -> None:
    """A file that its owner alone may read, whole or not at all."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w") as file:
        file.write(text)
    fresh.rename(path)
