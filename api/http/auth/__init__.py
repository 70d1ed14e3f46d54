"""Passcodes, links, tokens, and the routes that sign devices in and out."""
