"""What the survey finds: one thing worth knowing before the season, with the place it is found in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "fact"]


@dataclass(frozen=True, slots=True)
class Finding:
    """An error keeps the season from being given as written, a warning may, a fact is only worth knowing.

    `place` is where it stands ("site.toml:12"), `todo` what would mend it.
    """

    severity: Severity
    place: str
    text: str
    todo: str | None = None
