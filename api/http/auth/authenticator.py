"""Who may ask: a passcode kept as argon2id, tokens kept as hashes, links that work once, wrong guesses shut out."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import secrets
import time
from dataclasses import dataclass, field
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
"""The device of commands on the board itself; nobody else may bear the name."""
PASSCODE_FACT = "passcode_argon2id"
PASSCODE_CHARACTERS_MIN = 8
COMMON = ("password", "passwort", "passcode", "gloaming", "qwertyui", "letmein", "iloveyou", "christmas", "abcabc")
"""What people think of first (common practice, no source)."""
IDLE_NS = 400 * DAY_NS
"""A device that has not asked for so long is signed out: a season and some weeks."""
SEEN_EVERY_NS = HOUR_NS
"""How exactly it is kept when a device was last seen: the card is spared."""
LINK_S = 600.0
LINKS_MAX = 20
FREE_GUESSES = 3
"""Wrong passcodes from one address before it has to wait: 1 s, 2 s, 4 s, and so on."""
SHUT_GUESSES = 10
SHUT_S = 900.0
"""How long an address is shut out after that many wrong passcodes."""
ALL_GUESSES = 50
ALL_S = 3600.0
"""Wrong passcodes from everywhere within this time before nobody signs in by passcode: about one in two million of a
passcode of eight digits. Phones that are signed in, and links, are not touched by it."""
KNOWN_S = 60.0
"""The same for an address from which somebody has signed in: it waits so long after the last wrong one of them."""
KNOWN_MAX = 256


@dataclass(frozen=True, slots=True)
class AuthenticatedDevice:
    """A signed-in device: an operator may do everything, a viewer sees."""

    id: int
    name: str
    kind: str

    @property
    def local(self) -> bool:
        """Whether this is a command on the board itself."""
        return self.name == LOCAL_DEVICE


class TooManyGuessesError(Exception):
    """Too many wrong passcodes: `wait_s` is how long to wait."""

    def __init__(self, wait_s: float) -> None:
        links = "a link still signs in at once: from a phone that is signed in (Devices), or from gloaming pair"
        super().__init__(f"too many wrong passcodes: wait {wait_s:.0f} s; {links}")
        self.wait_s = wait_s


@dataclass
class Guesses:
    """Wrong passcodes, by address, and the addresses that are `known`: somebody has signed in from there, the last of
    them last. `at_s` is any clock that only goes forward."""

    wrong: dict[str, list[float]] = field(default_factory=dict)
    known: dict[str, None] = field(default_factory=dict)

    def wait_s(self, address: str, at_s: float) -> float:
        """How long an address must wait before it may try; 0 when it may."""
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
        """Somebody has signed in from there."""
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
    _links: dict[str, tuple[str, float]] = field(default_factory=dict)
    _one_at_a_time: asyncio.Lock = field(default_factory=asyncio.Lock)

    def first_passcode(self, folder: Path) -> Path:
        """Make a passcode where there is none yet; the file it stands in."""
        self.passcode_file = path = folder / "passcode"
        if self.store.fact(PASSCODE_FACT) is None:
            write_private(path, self.new_passcode() + "\n")
        return path

    def new_passcode(self) -> str:
        """A passcode that nobody has to think of, in force from now."""
        passcode = ""
        while weakness(passcode):
            passcode = "-".join(f"{secrets.randbelow(10_000):04}" for _ in range(2))
        self.set_passcode(passcode)
        return passcode

    def forget_first_passcode(self) -> None:
        """The file of the first passcode goes once there is another."""
        if self.passcode_file:
            self.passcode_file.unlink(missing_ok=True)

    def set_passcode(self, passcode: str, site_name: str = "") -> None:
        """Another passcode, in force from now. ValueError for one that is easily guessed."""
        if wrong := weakness(passcode, site_name):
            raise ValueError(wrong)
        self.store.set_fact(PASSCODE_FACT, self.hasher.hash(plain(passcode)))

    def local_token(self, folder: Path, now_ns: int) -> Path:
        """A token for commands on this machine, in a file that its owner alone may read. One of an earlier planner
        stays, so that a command that has just read it gets in.

        OSError where it cannot be written; then the one before stays good.
        """
        path, token = folder / "token", secrets.token_urlsafe(32)
        if self._stays(path):
            return path
        write_private(path, token + "\n")
        self.store.drop_devices(LOCAL_DEVICE, now_ns)
        self.store.add_device(_hash(token), LOCAL_DEVICE, "operator", now_ns)
        return path

    def _stays(self, path: Path) -> bool:
        """Whether a token lets in, and nobody else can have read it."""
        try:
            device = self.store.device(_hash(path.read_text().strip()))
            return device is not None and device[1] == LOCAL_DEVICE and path.stat().st_mode & 0o077 == 0
        except (OSError, ValueError):
            return False

    async def sign_in(self, passcode: str, name: str, address: str, at_s: float, now_ns: int) -> str | None:
        """A token for a device, None for a wrong passcode. TooManyGuessesError after too many of those.

        A guess counts as wrong until it has proved right, so that guesses at the same time count too.
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
        return self._issue(name_of(name), "operator", now_ns)

    def _is_right(self, stored: str, passcode: str) -> bool:
        try:
            return self.hasher.verify(stored, passcode)
        except (VerificationError, InvalidHashError):
            return False

    def make_link(self, kind: str, at_s: float) -> str:
        """A code that signs one device in, once, within ten minutes."""
        self._links = {code: link for code, link in self._links.items() if link[1] > at_s}
        while len(self._links) >= LINKS_MAX:
            del self._links[next(iter(self._links))]
        code = secrets.token_urlsafe(16)
        self._links[_hash(code)] = (kind, at_s + LINK_S)
        return code

    def use_link(self, code: str, name: str, at_s: float, now_ns: int) -> tuple[str, str] | None:
        """`(token, kind)` for a device that has a link's code; None where it was used before, is too old or unknown."""
        kind, until_s = self._links.pop(_hash(code), ("", at_s))
        return (self._issue(name_of(name), kind, now_ns), kind) if until_s > at_s else None

    def device(self, token: str, now_ns: int | None = None) -> AuthenticatedDevice | None:
        """The device that a token belongs to. With `now_ns`, a time that is trusted, it is noted as seen; one that has
        not asked for `IDLE_NS` is signed out."""
        found = self.store.device(_hash(token)) if token else None
        if found is None:
            return None
        id, name, kind, seen_ns = found
        if now_ns is not None:
            if FIRST_NS < seen_ns < now_ns - IDLE_NS and name != LOCAL_DEVICE:  # seen by a clock that knew the year
                self.store.revoke_device(id, now_ns)
                return None
            if abs(now_ns - seen_ns) > SEEN_EVERY_NS:
                self.store.note_seen(id, now_ns)
        return AuthenticatedDevice(id, name, kind)

    def sign_out_others(self, device: AuthenticatedDevice, now_ns: int) -> list[int]:
        """Sign out all devices but one, and the board itself; which they were."""
        others = [id for id, name, *_ in self.store.devices() if id != device.id and name != LOCAL_DEVICE]
        for id in others:
            self.store.revoke_device(id, now_ns)
        return others

    def is_local(self, id: int) -> bool:
        """Whether a device is the board itself."""
        return any(each[0] == id and each[1] == LOCAL_DEVICE for each in self.store.devices())

    def _issue(self, name: str, kind: str, now_ns: int) -> str:
        token = secrets.token_urlsafe(32)
        self.store.add_device(_hash(token), name, kind, now_ns)
        return token


def plain(passcode: str) -> str:
    """A passcode without its hyphens and blanks, which nobody has to type."""
    return re.sub(r"[\s-]", "", passcode)


def weakness(passcode: str, site_name: str = "") -> str | None:
    """Why a passcode is easily guessed; None where it is not."""
    text = plain(passcode).casefold()
    steps = {ord(after) - ord(one) for one, after in pairwise(text)}
    if len(text) < PASSCODE_CHARACTERS_MIN:
        return f"a passcode has {PASSCODE_CHARACTERS_MIN} characters at least, hyphens and blanks not counted"
    if any(text == (text[:length] * len(text))[: len(text)] for length in range(1, len(text) // 2 + 1)):
        return "this passcode repeats itself: take another"
    if steps in ({1}, {-1}):
        return "this passcode is a run of neighbours: take another"
    if any(word in text for word in COMMON):
        return "this passcode is one of the first that are tried: take another"
    if text in plain(site_name).casefold():
        return "this passcode is a part of the site's name: take another"
    return None


def name_of(name: str) -> str:
    """What a device is called: on one line, and never as the board itself."""
    shown = " ".join("".join(letter if letter.isprintable() else " " for letter in name).split())[:60]
    return f"a device that says {shown}" if shown.casefold() == LOCAL_DEVICE else shown or "a phone"


def network_of(address: str) -> str:
    """Whom a guess is laid to: an IPv4 address; an IPv6 address on a link of the board's own, where each neighbour has
    one; else an IPv6 network of 64 bits, since a house has all of that."""
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
