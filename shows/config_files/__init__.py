"""Files that a person writes: TOML with its line numbers, and errors that name file, line and key."""
