"""How far the frames move to follow the sound: smooth, bounded, and constant while there is no sound."""

from __future__ import annotations

from gloaming.shows.time_units import SECOND_NS

SLEW = 0.01
"""The most that the frames may move in each second: nobody sees one part in a hundred."""
FRESH_NS = SECOND_NS
ASIDE_NS = 2 * SECOND_NS
"""How long an earlier key is kept: controllers with a lead reach the next key sooner than others."""
FURTHEST_NS = 5 * SECOND_NS
"""The frames do not follow a sound that is further off than this."""

Key = tuple[str, int, int]


class Follower:
    """Turns reports of the sound process into a shift for the player.

    A key names one turn of a sound at one place of a score.
    """

    def __init__(self) -> None:
        self._key: Key | None = None
        self._heard: tuple[Key, int, int, float] | None = None
        self._shifts: dict[Key | None, tuple[float, int]] = {}
        """Of each key: how far its frames are moved, and when that was last asked."""
        self.last_ns = 0

    @property
    def lead(self) -> tuple[Key | None, int]:
        """The key that is followed, and how far: a sound that resumes must start there."""
        return self._key, self.last_ns

    def heard(self, key: Key, at_ns: int, shift_ns: int, slope: float) -> None:
        """Take a report: at `at_ns` the sound led the score by `shift_ns`, growing by `slope` each second."""
        self._heard = (key, at_ns, shift_ns, slope)

    def following(self, monotonic_ns: int) -> bool:
        """Whether the frames follow a fresh report."""
        heard = self._heard
        return heard is not None and heard[0] == self._key and monotonic_ns - heard[1] < FRESH_NS

    def shift_ns(self, key: Key | None, monotonic_ns: int) -> int:
        """By how much the frames of a key lead the score at an instant. A new key begins at 0."""
        if key != self._key:
            self._key = key
            self._shifts = {one: shift for one, shift in self._shifts.items() if monotonic_ns - shift[1] < ASIDE_NS}
        found_ns, asked_ns = self._shifts.get(key, (0.0, monotonic_ns))
        aim = found_ns
        if self.following(monotonic_ns):
            assert self._heard
            _, at_ns, shift_ns, slope = self._heard
            if abs(shift_ns) < FURTHEST_NS:
                aim = shift_ns + (monotonic_ns - at_ns) * slope
        reach = SLEW * max(0, monotonic_ns - asked_ns)
        found_ns += max(-reach, min(reach, aim - found_ns))
        self._shifts[key] = found_ns, monotonic_ns
        self.last_ns = round(found_ns)
        return self.last_ns
