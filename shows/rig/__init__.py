"""What hangs outside: controllers, strings and supplies, and the patterns of a rig check."""
