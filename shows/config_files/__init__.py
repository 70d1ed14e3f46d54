"""Files that a person writes: TOML with line numbers, and errors that name file, line and key."""
