"""The bundle for a helper: what a friend needs to see, and nothing that is private.

A last look searches all of it for everything private that is known. Whatever the parts have overlooked, a bundle with
a secret in it is not written.
"""

from __future__ import annotations

import json
import os
import platform
import re
import sqlite3
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import asdict
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

from gloaming.daemon.backup.archive import ABOUT_MEMBER
from gloaming.daemon.backup.contents import DATABASE, PASSCODE
from gloaming.daemon.backup.private_values import PrivateValues
from gloaming.daemon.planner.health import read_board
from gloaming.daemon.planner.state_file import read_facts, read_only
from gloaming.daemon.reports.journal_lines import newest
from gloaming.daemon.site.last_good import FILES
from gloaming.daemon.site.last_good import FOLDER as LAST_GOOD
from gloaming.daemon.site.schema import SiteFile
from gloaming.daemon.site.versions import FOLDER as SITE_VERSIONS
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.config_files.toml_lines import decoded
from gloaming.shows.rig.model import Rig

MODELS: Mapping[str, type[Table]] = dict(zip(FILES, (SiteFile, Rig), strict=True))
LINES_MAX = 20_000
"""So many of the journal's newest lines."""
TOKEN = "token"
_HASH = re.compile(r"\$argon2\S+|[0-9a-f]{64}")
_KEY_LINE = re.compile(r"[A-Za-z0-9+/=]{16,}")
QUOTING = frozenset({"hook", "alert"})
"""The kinds of lines and troubles that may quote what a command of the site has printed."""
QUOTED = "left out, since it may quote what a command has printed"
NEVER = (
    "addresses, commands and bodies of alerts, hooks, triggers, holds and brokers, and other names of the board",
    "the passcode, devices and their names, tokens, certificates and keys",
    "comments in site.toml and rig.toml, and the exact position",
    "names that other machines announce in the network",
    "pieces, overrides, and all else of the state",
)
"""What a bundle never has."""


def known_privacy(site: Path, state: Path, own: str) -> PrivateValues:
    """Everything private that a site and its state know, also earlier versions of the site. `own` is the name of the
    board itself among the devices."""
    private = PrivateValues()
    for folder in (site, state / LAST_GOOD, *sorted((state / SITE_VERSIONS).glob("[0-9]*"))):
        for name, model in MODELS.items():
            with suppress(OSError, InputError, tomllib.TOMLDecodeError):
                text = _text(folder / name)
                private.take_in(model, text, current=folder == site)
                for line in _key_lines(site, text):
                    private.add_secret(line)
    for secret in (*_own_secrets(state), *_hashes(state)):
        private.add_secret(secret)
    for name in {
        *_column(state, "device", "name"),
        *_column(state, "override", "who"),
        *_column(state, "journal", "who"),
    }:
        if name != own and not private.is_public(name):
            private.add_name(name, "a device")
    return private


def help_bundle(
    site: Path, state: Path, reports: Mapping[str, str], private: PrivateValues
) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """The members of a bundle, and what it leaves out. `reports` are texts that others have made, by their names.

    InputError if something private would be in it.
    """
    left_out = list(NEVER)
    members: dict[str, str] = {}
    for name, model in MODELS.items():
        try:
            members[name] = private.redacted(model, _text(site / name))
        except (OSError, InputError, tomllib.TOMLDecodeError) as error:
            left_out.append(f"{name}, which cannot be read: {private.cleaned(str(error))}")
    members["journal.jsonl"] = "".join(journal(state, private))
    reports = {"versions.json": json.dumps(versions(state), indent=1), **reports}
    members |= {name: private.cleaned(text) for name, text in reports.items()}
    for name, text in {**members, ABOUT_MEMBER: "\n".join(left_out)}.items():
        if what := private.found_in(text):
            problem = f"it has the same text as {what}, which is private: the bundle is not written"
            raise input_error(name, problem, "use another password there, or report this as a mistake of Gloaming")
    return {name: text.encode() for name, text in sorted(members.items())}, tuple(left_out)


def journal(state: Path, private: PrivateValues) -> Iterator[str]:
    """The newest lines of the journal as JSON, a line each, the oldest first."""
    database = read_only(state / DATABASE) if (state / DATABASE).exists() else None
    if database is None:
        return
    with closing(database):
        for row in reversed(newest(database, 1 << 62, LINES_MAX)):
            if {row["kind"], row["data"].get("kind")} & QUOTING:
                row["text"] = QUOTED
            yield private.cleaned(json.dumps(without_names(row, private), ensure_ascii=False)) + "\n"


def without_names(answer: Any, private: PrivateValues) -> Any:
    """An answer without the names of those who asked for something, also in the texts beside them."""
    if isinstance(answer, list):
        return [without_names(one, private) for one in answer]
    if not isinstance(answer, dict):
        return answer
    who = str(answer.get("who") or "")
    label = private.label_of(who)
    changed = {key: without_names(value, private) for key, value in answer.items()}
    if label != who:
        whole = re.compile(rf"(?<!\w){re.escape(who)}(?!\w)")
        changed = {key: whole.sub(label, one) if isinstance(one, str) else one for key, one in changed.items()}
    return changed


def now_report(now: dict[str, Any], private: PrivateValues) -> str:
    """The answer of GET /api/now, without names, and without what commands of the site have printed."""
    for trouble in now["health"]["troubles"]:
        if trouble["kind"] in QUOTING:
            trouble["text"] = QUOTED
    return json.dumps(without_names(now, private), indent=1, ensure_ascii=False)


def network_report(found: dict[str, Any]) -> str:
    """The answer of GET /api/network, without the names of machines, which may be those of people."""
    return json.dumps({key: value for key, value in found.items() if key != "names"}, indent=1, ensure_ascii=False)


def versions(state: Path) -> dict[str, Any]:
    """The versions of everything, and the figures of the board."""
    board = asdict(read_board(state))
    with suppress(OSError):
        board["model"] = Path("/proc/device-tree/model").read_text().rstrip("\0")
    system = os.uname()
    return {
        "python": platform.python_version(),
        "kernel": f"{system.sysname} {system.release} {system.machine}",
        "libraries": {one.name: one.version for one in sorted(distributions(), key=lambda one: one.name)},
        "board": board,
    }


def _text(path: Path) -> str:
    return decoded(path, path.read_bytes())


def _own_secrets(state: Path) -> Iterator[str]:
    """The passcode, with and without its hyphen, and the token of this machine."""
    for name in (PASSCODE, TOKEN):
        with suppress(OSError):
            secret = (state / name).read_text().strip()
            yield from (secret, secret.replace("-", ""))


def _hashes(state: Path) -> Iterator[str]:
    """The hashes of the passcode and of all tokens."""
    yield from (value for value in read_facts(state / DATABASE).values() if _HASH.fullmatch(value))
    yield from _column(state, "device", "token_sha256")


def _column(state: Path, table: str, column: str) -> list[str]:
    """The different values of a column in the state's database."""
    if (state / DATABASE).exists() and (database := read_only(state / DATABASE)) is not None:
        with closing(database), suppress(sqlite3.Error):
            return [str(value) for (value,) in database.execute(f"SELECT DISTINCT {column} FROM {table}")]
    return []


def _key_lines(site: Path, text: str) -> list[str]:
    """The lines of the key that a site.toml names (PEM, RFC 7468)."""
    with suppress(OSError, KeyError, TypeError, ValueError):  # there is none
        return _KEY_LINE.findall((site / tomllib.loads(text)["phone"]["key"]).read_text())
    return []
