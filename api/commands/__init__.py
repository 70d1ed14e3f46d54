"""One module for each family of `gloaming` commands."""
