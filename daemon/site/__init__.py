"""The site: the schema of its files, and their contents. Reads files; imports no direction, no planner."""
