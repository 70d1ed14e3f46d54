"""Units of time in nanoseconds, and the limits of a piece's frame rate and length."""

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS
DAY_S = 86_400
FPS_MAX = 1000
FRAMES_MAX = 1 << 40
