"""Recording: E1.31 packets, off the wire or out of a capture file, become frames. Protocol first, sockets last.

packets (bytes to fields), arbiter (which source counts), assembler (fields to frames), census and rhythm (what time
they have), recorder (frames to a file) know neither sockets nor clocks; capture, order and links read files, sockets
and receive the wire.
"""
