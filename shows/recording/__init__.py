"""Recording: E1.31 or Art-Net packets from the network or from a capture file become frames.

arbiter (which source counts), assembler (packets to frames), census and rhythm (the times of frames) and recorder
(frames to a file) know neither sockets nor clocks. capture, order and links read files. sockets and receive use the
network. The fields of packets come from a `PacketReader` (`shows/protocols/datagrams.py`).
"""
