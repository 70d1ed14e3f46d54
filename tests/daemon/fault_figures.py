"""The result of a fault made on purpose, and what every row of the fault table asks of light."""

from __future__ import annotations

from dataclasses import dataclass

from tests.daemon.broken_evening import Broken
from tests.daemon.numbered import FPS, assert_right, is_right


@dataclass(frozen=True)
class Figures:
    """Frames missed, seconds until it was as it must be, and what was said.

    `off` are the frames that were missed because the test itself had ended every process: the power was out.
    """

    missed: int
    recovered_s: float
    said: str
    off: int = 0

    @property
    def frames(self) -> str:
        return f"{self.missed} (and {self.off} by the restart)" if self.off else str(self.missed)


def right_since(broken: Broken, since_ns: int) -> bool:
    """Whether light that is right has come since an instant."""
    site, overrides, offset_ns = broken.site, broken.overrides(), broken.evening.offset_ns
    found = broken.lit(since_ns)
    return bool(found) and is_right(found[-1], found[-1].at_ns + offset_ns, site, overrides)


def all_right(broken: Broken, since_ns: int, every: int = FPS // 2) -> None:
    assert_right(broken.lit(since_ns)[::every], broken.site, broken.overrides(), broken.evening.offset_ns)
