"""The `gloaming` command: one module for each family of subcommands."""
