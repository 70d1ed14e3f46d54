"""Checks passcodes (stored as argon2id), tokens (stored as hashes) and links that work once; limits wrong guesses."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import secrets
import time
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from gloaming.api.http.addresses import on_own_link
from gloaming.daemon.planner.clock_trust import FIRST_NS
from gloaming.daemon.planner.store import DeviceStore
from gloaming.daemon.service.private_file import write_private
from gloaming.shows.time_units import DAY_NS, HOUR_NS

LOCAL_DEVICE = "this machine"
"""The device of commands on the board itself. No other device may have the name."""
PASSCODE_FACT = "passcode_argon2id"
PASSCODE_CHARACTERS_MIN = 8
COMMON = ("password", "passwort", "passcode", "gloaming", "qwertyui", "letmein", "iloveyou", "christmas", "abcabc")
"""Parts of the commonest passcodes (common practice, no source)."""
IDLE_NS = 400 * DAY_NS
"""A device that is not used for this time is signed out: a season and some weeks."""
SEEN_EVERY_NS = HOUR_NS
"""The time at which a device was last seen is stored at most this often, to spare the card."""
LINK_S = 600.0
LINKS_MAX = 20
FREE_GUESSES = 3
"""After this many wrong passcodes an address must wait: 1 s, 2 s, 4 s, and so on."""
SHUT_GUESSES = 10
SHUT_S = 900.0
"""How long an address must wait after `SHUT_GUESSES`."""
ALL_GUESSES = 50
ALL_S = 3600.0
"""After `ALL_GUESSES` wrong passcodes within this time, from all addresses together, nobody signs in by passcode. That
many guesses find one passcode of eight digits in two million. Phones that are signed in, and links, still work."""
KNOWN_S = 60.0
"""How long an address that has signed in before must wait after the last of all those wrong passcodes."""
KNOWN_MAX = 256


class DeviceKind(StrEnum):
    """What a device may do: a viewer looks; an operator runs the show, too; an owner changes the set-up, too."""

    OWNER = "owner"
    OPERATOR = "operator"
    VIEWER = "viewer"


@dataclass(frozen=True, slots=True)
class AuthenticatedDevice:
    """A signed-in device."""

    id: int
    name: str
    kind: DeviceKind

    @property
    def local(self) -> bool:
        """Whether this is a command on the board itself."""
        return self.name == LOCAL_DEVICE


class TooManyGuessesError(Exception):
    """Too many wrong passcodes; the next one is accepted after `wait_s`."""

    def __init__(self, wait_s: float) -> None:
        links = "a link still works at once: from a phone that is signed in (Devices), or from gloaming pair"
        super().__init__(f"too many wrong passcodes: wait {wait_s:.0f} s; {links}")
        self.wait_s = wait_s


@dataclass
class Guesses:
    """Wrong passcodes, by address. `known` has the addresses from which somebody has signed in, the newest last.
    `at_s` is any clock that only goes forward."""

    wrong: dict[str, list[float]] = field(default_factory=dict)
    known: dict[str, None] = field(default_factory=dict)

    def wait_s(self, address: str, at_s: float) -> float:
        """How long an address must wait before its next try; 0 for none."""
        for who, each in list(self.wrong.items()):
            self.wrong[who] = [guess for guess in each if at_s - guess < ALL_S]
            if not self.wrong[who]:
                del self.wrong[who]
        everyone = sorted(guess for each in self.wrong.values() for guess in each)
        shut_until_s = own_until_s = at_s
        if len(everyone) >= ALL_GUESSES:
            shut_until_s = everyone[-1] + KNOWN_S if address in self.known else everyone[-ALL_GUESSES] + ALL_S
        recent = [guess for guess in self.wrong.get(address, []) if at_s - guess < SHUT_S]
        if len(recent) >= FREE_GUESSES:
            pause_s = SHUT_S if len(recent) >= SHUT_GUESSES else 2.0 ** (len(recent) - FREE_GUESSES)
            own_until_s = recent[-1] + pause_s
        return max(0.0, shut_until_s - at_s, own_until_s - at_s)

    def add(self, address: str, at_s: float) -> None:
        self.wrong.setdefault(address, []).append(at_s)

    def know(self, address: str) -> None:
        """Note that somebody has signed in from an address."""
        self.known.pop(address, None)
        self.known[address] = None
        if len(self.known) > KNOWN_MAX:
            del self.known[next(iter(self.known))]

    def take_back(self, address: str, at_s: float) -> None:
        self.wrong[address].remove(at_s)


@dataclass
class Authenticator:
    """Checks passcodes, links and tokens. `at_s` is any clock that only goes forward, `now_ns` the wall clock."""

    store: DeviceStore
    hasher: PasswordHasher = field(default_factory=lambda: PasswordHasher(time_cost=4, memory_cost=9216, parallelism=1))
    guesses: Guesses = field(default_factory=Guesses)
    passcode_file: Path | None = None
    _links: dict[str, tuple[DeviceKind, float]] = field(default_factory=dict)
    _one_at_a_time: asyncio.Lock = field(default_factory=asyncio.Lock)

    def first_passcode(self, folder: Path) -> Path:
        """Make a passcode if there is none yet; the path of its file."""
        self.passcode_file = path = folder / "passcode"
        if self.store.fact(PASSCODE_FACT) is None:
            write_private(path, self.new_passcode() + "\n")
        return path

    def new_passcode(self) -> str:
        """Make a random passcode, valid from now."""
        passcode = ""
        while weakness(passcode):
            passcode = "-".join(f"{secrets.randbelow(10_000):04}" for _ in range(2))
        self.set_passcode(passcode)
        return passcode

    def forget_first_passcode(self) -> None:
        """Delete the file of the first passcode, once there is another passcode."""
        if self.passcode_file:
            self.passcode_file.unlink(missing_ok=True)

    def set_passcode(self, passcode: str, site_name: str = "") -> None:
        """Set a passcode, valid from now. ValueError for one that is easily guessed."""
        if problem := weakness(passcode, site_name):
            raise ValueError(problem)
        self.store.set_fact(PASSCODE_FACT, self.hasher.hash(plain(passcode)))

    def local_token(self, folder: Path, now_ns: int) -> Path:
        """The file with a token for commands on this machine; only its owner may read it. A valid token of an earlier
        planner stays, so that a command that has just read it can use it.

        OSError where the file cannot be written; then the token before stays valid.
        """
        path, token = folder / "token", secrets.token_urlsafe(32)
        if self._is_valid(path):
            return path
        write_private(path, token + "\n")
        self.store.drop_devices(LOCAL_DEVICE, now_ns)
        self.store.add_device(_hash(token), LOCAL_DEVICE, DeviceKind.OWNER, now_ns)
        return path

    def _is_valid(self, path: Path) -> bool:
        """Whether a file has a valid token that only its owner could read."""
        try:
            device = self.store.device(_hash(path.read_text().strip()))
            return device is not None and device[1] == LOCAL_DEVICE and path.stat().st_mode & 0o077 == 0
        except (OSError, ValueError):
            return False

    async def sign_in(self, passcode: str, name: str, address: str, at_s: float, now_ns: int) -> str | None:
        """A token for an owner's device; None for a wrong passcode. TooManyGuessesError after too many.

        A guess counts as wrong until it is checked, so that guesses at the same time count too.
        """
        address = network_of(address)
        wait_s = self.guesses.wait_s(address, at_s)
        if wait_s > 0:
            raise TooManyGuessesError(max(1.0, wait_s))
        self.guesses.add(address, at_s)
        async with self._one_at_a_time:
            right = await asyncio.to_thread(self._is_right, self.store.fact(PASSCODE_FACT) or "", plain(passcode))
        if not right:
            return None
        self.guesses.take_back(address, at_s)
        return self._issue(name_of(name), DeviceKind.OWNER, now_ns)

    def _is_right(self, stored: str, passcode: str) -> bool:
        try:
            return self.hasher.verify(stored, passcode)
        except (VerificationError, InvalidHashError):
            return False

    def make_link(self, kind: DeviceKind, at_s: float) -> str:
        """A code that signs one device in, once, within ten minutes."""
        self._links = {code: link for code, link in self._links.items() if link[1] > at_s}
        while len(self._links) >= LINKS_MAX:
            del self._links[next(iter(self._links))]
        code = secrets.token_urlsafe(16)
        self._links[_hash(code)] = (kind, at_s + LINK_S)
        return code

    def use_link(self, code: str, name: str, at_s: float, now_ns: int) -> str | None:
        """A token for a device with a link's code; None for a code that was used, is too old or unknown."""
        kind, until_s = self._links.pop(_hash(code), (DeviceKind.VIEWER, at_s))
        return self._issue(name_of(name), kind, now_ns) if until_s > at_s else None

    def device(self, token: str, now_ns: int | None = None) -> AuthenticatedDevice | None:
        """The device of a token. `now_ns` is given if the clock is trusted: then the device is noted as seen, and one
        that was not used for `IDLE_NS` is signed out."""
        found = self.store.device(_hash(token)) if token else None
        if found is None:
            return None
        id, name, kind, seen_ns = found
        if now_ns is not None:
            if (
                FIRST_NS < seen_ns < now_ns - IDLE_NS and name != LOCAL_DEVICE
            ):  # the clock was set when it was last seen
                self.store.revoke_device(id, now_ns)
                return None
            if abs(now_ns - seen_ns) > SEEN_EVERY_NS:
                self.store.note_seen(id, now_ns)
        return AuthenticatedDevice(id, name, DeviceKind(kind))

    def sign_out_others(self, device: AuthenticatedDevice, now_ns: int) -> list[int]:
        """Sign out all devices except one and the board itself; their ids."""
        others = [id for id, name, *_ in self.store.devices() if id != device.id and name != LOCAL_DEVICE]
        for id in others:
            self.store.revoke_device(id, now_ns)
        return others

    def is_local(self, id: int) -> bool:
        """Whether a device is the board itself."""
        return any(each[0] == id and each[1] == LOCAL_DEVICE for each in self.store.devices())

    def _issue(self, name: str, kind: DeviceKind, now_ns: int) -> str:
        token = secrets.token_urlsafe(32)
        self.store.add_device(_hash(token), name, kind, now_ns)
        return token


def plain(passcode: str) -> str:
    """A passcode without hyphens and blanks."""
    return re.sub(r"[\s-]", "", passcode)


def weakness(passcode: str, site_name: str = "") -> str | None:
    """Why a passcode is easily guessed; None if it is not."""
    text = plain(passcode).casefold()
    steps = {ord(after) - ord(one) for one, after in pairwise(text)}
    if len(text) < PASSCODE_CHARACTERS_MIN:
        return f"a passcode has at least {PASSCODE_CHARACTERS_MIN} characters, not counting hyphens and blanks"
    if any(text == (text[:length] * len(text))[: len(text)] for length in range(1, len(text) // 2 + 1)):
        return "this passcode repeats itself: take another"
    if steps in ({1}, {-1}):
        return "this passcode is a simple sequence: take another"
    if any(word in text for word in COMMON):
        return "this passcode has a very common word in it: take another"
    if text in plain(site_name).casefold():
        return "this passcode is a part of the site's name: take another"
    return None


def name_of(name: str) -> str:
    """The name of a device: on one line, and never the board's own."""
    shown = " ".join("".join(letter if letter.isprintable() else " " for letter in name).split())[:60]
    return f"a device that says {shown}" if shown.casefold() == LOCAL_DEVICE else shown or "a phone"


def network_of(address: str) -> str:
    """The address that a guess counts for: an IPv4 address; an IPv6 address on the board's own link, where each machine
    has one; otherwise an IPv6 network of 64 bits, since one house has all of its addresses."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped:
            return str(found.ipv4_mapped)
        if not on_own_link(found, time.monotonic()):
            return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


def _hash(token: str) -> str:
    return sha256(token.encode(errors="replace")).hexdigest()
