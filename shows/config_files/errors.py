"""The errors a person can cause. Every one names the place, what is wrong, and what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class MistakeCode(StrEnum):
    """What is wrong, for programs."""

    INVALID = "invalid"
    MISSING = "missing"
    UNKNOWN_KEY = "unknown-key"
    WRONG_TYPE = "wrong-type"
    UNIVERSE_WITHOUT_CONTROLLER = "universe-without-controller"


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing wrong in one place, on one line: `site.toml:12: neighbours.dark[0].from: ...; write ...`."""

    file: Path | str
    line: int | None
    key: str | None
    wrong: str
    right: str | None = None
    code: MistakeCode = MistakeCode.INVALID

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else f"{self.file}"
        text = ": ".join(part for part in (place, self.key, self.wrong) if part)
        text = f"{text}; {self.right}" if self.right else text
        return " ".join(text.split())


class MistakeError(Exception):
    """One or more mistakes found in a person's files or call. Commands print each on a line and exit 2."""

    def __init__(self, *mistakes: Mistake) -> None:
        super().__init__(*mistakes)
        self.mistakes = mistakes

    def __str__(self) -> str:
        return "\n".join(str(mistake) for mistake in self.mistakes)


def mistake(place: Path | str, wrong: str, right: str | None = None) -> MistakeError:
    return MistakeError(Mistake(place, None, None, wrong, right))
