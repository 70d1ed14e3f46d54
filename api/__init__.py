"""HTTP, the page, the `gloaming` command and the supervisor. HTTP uses the planner through its facade alone."""
