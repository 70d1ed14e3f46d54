"""What a survey finds: one thing, at one place, with what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "fact"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found. `place` says where ("rig.toml:12", "tide at 2:36"), `todo` what to do, None where nothing is."""

    severity: Severity
    place: str
    text: str
    todo: str | None = None
