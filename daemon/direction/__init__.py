"""What is to be shown, and why: `decide` and `score`, pure functions of time, site and overrides. No I/O, no clock."""
