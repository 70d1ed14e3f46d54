"""Who asks: HTTP and the `gloaming` command. Speaks to the planner through one class."""
