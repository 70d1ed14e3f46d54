"""Instants and lengths of time are whole nanoseconds: so many have a second, a minute, an hour and a day."""

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS
