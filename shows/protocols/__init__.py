"""Packet protocols on the wire, one package each: its numbers, how its packets are read, how they are made."""
