"""Reads E1.31 with the `sacn` library's receiver and writes what it hands over to a file: a process of its own.

    python sacn_reader.py FILE ADDRESS unicast|multicast UNIVERSE...

A record is 523 bytes: monotonic ns (8), universe (2), sequence (1), 512 slots.
"""

from __future__ import annotations

import os
import struct
import sys
import time

import sacn

RECORD = struct.Struct("<QHB512s")


def main() -> None:
    path, address, way, *universes = sys.argv[1:]
    receiver = sacn.sACNreceiver(bind_address=address)
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)

    def take(packet: sacn.DataPacket) -> None:
        os.write(file, RECORD.pack(time.monotonic_ns(), packet.universe, packet.sequence, bytes(packet.dmxData)))

    receiver.start()
    for universe in map(int, universes):
        receiver.register_listener("universe", take, universe=universe)
        if way == "multicast":
            receiver.join_multicast(universe)
    print("ready", flush=True)
    sys.stdin.read()
    receiver.stop()


if __name__ == "__main__":
    main()
