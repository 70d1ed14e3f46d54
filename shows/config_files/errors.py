"""The errors that a person can cause. Each names the place and the problem, and gives a hint."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class ConfigErrorCode(StrEnum):
    """The kind of problem, for programs."""

    INVALID = "invalid"
    MISSING = "missing"
    UNKNOWN_KEY = "unknown-key"
    WRONG_TYPE = "wrong-type"
    DATES_NOT_SERVED = "dates-not-served"
    UNIVERSE_WITHOUT_CONTROLLER = "universe-without-controller"
    NOT_IN_PROTOCOL = "not-in-protocol"


@dataclass(frozen=True, slots=True)
class ConfigError:
    """One problem in one place, as one line: `site.toml:12: neighbours.dark[0].from: ...; write ...`."""

    file: Path | str
    line: int | None
    key: str | None
    problem: str
    hint: str | None = None
    code: ConfigErrorCode = ConfigErrorCode.INVALID

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else f"{self.file}"
        text = ": ".join(part for part in (place, self.key, self.problem) if part)
        text = f"{text}; {self.hint}" if self.hint else text
        return " ".join(text.split())


class InputError(Exception):
    """One or more errors in a person's files or command. A command prints each on its own line and exits with 2."""

    def __init__(self, *errors: ConfigError) -> None:
        super().__init__(*errors)
        self.errors = errors

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


def input_error(place: Path | str, problem: str, hint: str | None = None) -> InputError:
    return InputError(ConfigError(place, None, None, problem, hint))


class WrongValueError(ValueError):
    """A person's value that cannot be read: the problem and a hint."""

    def __init__(self, problem: str, hint: str) -> None:
        super().__init__(f"{problem}; {hint}")
        self.problem, self.hint = problem, hint
