"""The site: what its files may say, and what they say. Reads files; imports no direction, no planner."""
