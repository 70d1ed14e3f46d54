"""Recording: E1.31 packets, off the wire or out of a capture file, become frames. Protocol first, sockets last.

arbiter (which source counts), assembler (fields to frames), census and rhythm (what time they have) and recorder
(frames to a file) know neither sockets nor clocks. capture, order and links read files; sockets and receive hear the
network. The fields of packets come from `shows/protocols/e131/parse.py`.
"""
