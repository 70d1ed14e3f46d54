"""The file of facts for `gloaming rehearse --facts`: JSON lines, in any order.

{"at": "2026-12-12T18:04:10", "trigger": "gate"}
{"at": "2026-12-12T18:05:00", "hold": "wind", "reading": 15.2}
{"at": "2026-12-12T18:20:00", "override": {"kind": "pause", "minutes": 5}}
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, StrictFloat, StrictStr, TypeAdapter

from gloaming.api.http.schemas.base import At, Expected, RequestModel, checked
from gloaming.api.http.schemas.overrides import override_request
from gloaming.daemon.direction.decide import instant
from gloaming.daemon.reports.facts import Fact
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.dates import YEARS
from gloaming.shows.config_files.errors import ConfigError, InputError

EXAMPLE = 'as {"at": "2026-12-12T18:04:10", "trigger": "gate"}'
BYTES_MAX = 16 << 20


class FactRequest(RequestModel):
    """A line of the file. Its override is checked by the model of its kind."""

    called = "a fact"
    exclusive = (("trigger", "hold"), ("trigger", "override"), ("hold", "override"), ("override", "reading"))
    one_of = ("trigger", "hold", "override")
    at: At
    trigger: Annotated[str, Expected("{value!r} is not the name of a trigger", 'as "gate"')] = ""
    hold: Annotated[str, Expected("{value!r} is not the name of a hold", 'as "wind"')] = ""
    reading: Annotated[StrictFloat | StrictStr, Expected("{value!r} is not a reading", "give a number or a word")] = ""
    override: Annotated[dict[str, Any], Expected("{value!r} is not a request", 'as {"kind": "pause"}')] = Field(
        default_factory=dict
    )


_FACT: TypeAdapter[FactRequest] = TypeAdapter(FactRequest)


def read_facts(file: Path, site: Site) -> tuple[Fact, ...]:
    """The facts in a file. An instant without an offset is in the site's time. InputError with file and line."""
    try:
        with file.open("rb") as stream:
            data = stream.read(BYTES_MAX + 1)
        if len(data) > BYTES_MAX:
            raise _mistake(file, None, f"it is larger than {BYTES_MAX >> 20} MB", "rehearse a part of it")
        lines = data.decode().splitlines()
    except OSError as error:
        raise _mistake(file, None, error.strerror or "it cannot be read", "give a file of JSON lines") from None
    except UnicodeDecodeError:
        raise _mistake(file, None, "this is no text in UTF-8", f"write JSON lines, {EXAMPLE}") from None
    facts: list[Fact] = []
    errors: list[ConfigError] = []
    for number, line in enumerate(lines, 1):
        if line.strip():
            try:
                facts.append(_fact(line, file, number, site))
            except InputError as error:
                errors += error.errors
    if errors:
        raise InputError(*errors)
    if not facts:
        raise _mistake(file, None, "there is no fact in it", f"write one a line, {EXAMPLE}")
    return tuple(facts)


def _fact(line: str, file: Path, number: int, site: Site) -> Fact:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise _mistake(file, number, "this is not a JSON object", EXAMPLE)
    try:
        given = checked(_FACT, found)
        request = override_request(given["override"]) if "override" in given else None
    except InputError as error:
        raise InputError(*(replace(one, file=file, line=number) for one in error.errors)) from None
    if "hold" in given and "reading" not in given:
        raise _mistake(file, number, "missing", "give a number or a word", "reading")
    if given["at"].year not in YEARS:
        raise _mistake(file, number, f"{given['at'].date()} is not within 1900 to 2100", EXAMPLE, "at")
    at: datetime = given["at"] if given["at"].tzinfo else given["at"].replace(tzinfo=site.timezone)
    return Fact(instant(at), file, number, given.get("trigger"), given.get("hold"), given.get("reading"), request)


def _mistake(file: Path, line: int | None, problem: str, hint: str, key: str | None = None) -> InputError:
    return InputError(ConfigError(file, line, key, problem, hint))
