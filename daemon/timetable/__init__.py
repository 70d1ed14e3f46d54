"""Days, dates, the sun, neighbours' hours, the nights of a season. Pure: no I/O, no clock."""
