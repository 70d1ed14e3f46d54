"""The backup of a site, its restoring, and the bundle for a helper."""
