"""DDP, the Distributed Display Protocol: its numbers. No sockets, no state.

They come from memory of its public specification: "Distributed Display Protocol (DDP)", http://www.3waylabs.com/ddp/.
"""

from __future__ import annotations

PORT = 4048
HEAD_BYTES = 10
"""A packet up to its data, without a timecode."""
DATA_MAX = 1440
"""The most bytes of data in a packet: 480 pixels of 3 colours, 360 of 4."""
VERSION, PUSH = 0x40, 0x01
"""Flags: version 1; the controller shows what it has."""
SEQUENCE_MAX = 15
"""Packets are numbered from 1 to 15; 0 means that they have no number."""
DEFAULT_OUTPUT = 1
"""The destination that every controller has."""
UNDEFINED = 0
DATA_TYPES = {3: 0x0B, 4: 0x1B}
"""The data type of pixels with so many slots: RGB, or RGBW, of 8 bits each."""
