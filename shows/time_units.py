"""Instants and lengths of time are whole nanoseconds: how many a second, a minute, an hour and a day have.

And how fast and how long a piece may be.
"""

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS
DAY_S = 86_400
FPS_MAX = 1000
FRAMES_MAX = 1 << 40
