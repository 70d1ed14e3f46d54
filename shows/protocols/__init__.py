"""Packet protocols, one package each: its numbers, reading packets, building packets."""
