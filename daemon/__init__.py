"""When, what and why, and now. May import `gloaming.shows`, never `gloaming.api`."""
