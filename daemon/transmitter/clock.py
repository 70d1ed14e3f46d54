"""Statistics of how late frames leave. Reads no clock."""

from __future__ import annotations

FINE_US, COARSE_US, HIGHEST_US = 1000, 50, 100_000
EDGES_US = (50, 100, 200, 300, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)


class Lateness:
    """A histogram of lateness since the process began: steps of 1 us up to 1 ms, then of 50 us up to 100 ms."""

    def __init__(self) -> None:
        self.counts = [0] * (FINE_US + (HIGHEST_US - FINE_US) // COARSE_US + 1)
        self.total, self.highest_us = 0, 0

    def add(self, late_ns: int) -> None:
        late_us = min(max(0, late_ns // 1000), HIGHEST_US)
        self.counts[_bucket(late_us)] += 1
        self.total += 1
        self.highest_us = max(self.highest_us, late_us)

    def figures(self) -> dict[str, int]:
        """The percentiles p50, p99 and p999, and the maximum, in us."""
        found = {"p50": 0, "p99": 0, "p999": 0, "max": self.highest_us}
        wanted = [("p50", 0.5), ("p99", 0.99), ("p999", 0.999)]
        seen = 0
        for bucket in range(_bucket(self.highest_us) + 1):
            seen += self.counts[bucket]
            while wanted and seen >= wanted[0][1] * self.total:
                edge_us = bucket if bucket < FINE_US else FINE_US + (bucket - FINE_US + 1) * COARSE_US - 1
                found[wanted.pop(0)[0]] = min(edge_us, self.highest_us)
            if not wanted:
                break
        return found

    def buckets(self) -> list[list[int]]:
        """`[edge in us, number of frames below it]`, cumulative."""
        found, seen, at = [], 0, 0
        for edge_us in EDGES_US:
            seen += sum(self.counts[at : _bucket(edge_us)])
            at = _bucket(edge_us)
            found.append([edge_us, seen])
        return found


def _bucket(late_us: int) -> int:
    return late_us if late_us < FINE_US else FINE_US + (late_us - FINE_US) // COARSE_US
