"""Who asks: HTTP and the `gloaming` command. Speaks to the director through one class."""
