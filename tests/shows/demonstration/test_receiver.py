"""The counting receiver, against packets of an independent E1.31 sender (library sacn) and ANSI E1.31-2018, 6.7.2."""

from __future__ import annotations

import random
import socket
import threading
import time

import pytest
from sacn.messages.data_packet import DataPacket

from gloaming.shows.demonstration.receiver import DemoReceiver, ReceivedCounts
from gloaming.shows.protocols.e131 import PORT

ADDRESS = "127.0.61.1"


def packet(universe: int, sequence: int, levels: tuple[int, ...] = (1, 2, 3), start_code: int = 0) -> bytes:
    made = DataPacket((7,) * 16, "Pier Road boathouse", universe, levels, sequence=sequence)
    made.dmxStartCode = start_code
    return bytes(made.getBytes())


def counted(sequences: list[int]) -> ReceivedCounts:
    counts = ReceivedCounts()
    for sequence in sequences:
        counts.take(packet(1, sequence))
    return counts


def test_a_whole_stream_loses_nothing_when_its_numbers_wrap() -> None:
    counts = counted([number & 0xFF for number in range(250, 250 + 600)])
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (600, 0, 0)


def test_missing_numbers_are_lost_packets() -> None:
    counts = counted([10, 11, 14, 15, 25])
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (5, 2 + 9, 0)


def test_a_number_lost_where_they_wrap_is_lost() -> None:
    assert counted([254, 1]).lost == 2


@pytest.mark.parametrize("back", range(0, 20))
def test_up_to_nineteen_back_is_out_of_sequence(back: int) -> None:
    """6.7.2: with B - A <= 0 and B - A > -20 the packet is out of sequence and discarded."""
    counts = counted([100, (100 - back) & 0xFF, 101])
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (3, 0, 1)


@pytest.mark.parametrize("back", [20, 21, 100, 127])
def test_twenty_back_and_more_is_a_source_that_began_anew(back: int) -> None:
    counts = counted([150, 150 - back, 151 - back])
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (3, 0, 0)


def test_packets_out_of_sequence_change_no_level() -> None:
    counts = ReceivedCounts()
    counts.take(packet(3, 50, (9, 9, 9)))
    counts.take(packet(3, 49, (1, 1, 1)))
    assert counts.levels[3][:3] == bytes((9, 9, 9))


def test_universes_are_counted_apart() -> None:
    counts = ReceivedCounts()
    for sequence in range(40):
        for universe in (1, 2, 63_999):
            if (universe, sequence) != (2, 20):
                counts.take(packet(universe, sequence))
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (119, 1, 0)
    assert set(counts.levels) == {1, 2, 63_999}


def test_a_stream_that_ends_is_noticed() -> None:
    made = DataPacket((7,) * 16, "Pier Road boathouse", 1, (0,) * 512, sequence=3)
    made.option_StreamTerminated = True
    counts = ReceivedCounts()
    counts.take(bytes(made.getBytes()))
    assert counts.terminated == 1


def test_other_start_codes_and_other_packets_are_ignored() -> None:
    """Alternate start codes (E1.11) may share a universe with levels, and other datagrams may come."""
    counts = ReceivedCounts()
    counts.take(packet(1, 1, start_code=0xDD))
    whole = packet(1, 2)
    for length in range(126):
        counts.take(whole[:length])
    chance = random.Random(1)
    for _ in range(500):
        counts.take(chance.randbytes(chance.randrange(0, 700)))
    assert counts == ReceivedCounts()


def test_all_packets_of_a_socket_are_counted() -> None:
    receiver = DemoReceiver(ADDRESS)
    receiver.start()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for sequence in range(100):
            for universe in range(1, 6):
                sock.sendto(packet(universe, sequence, (sequence, universe)), (ADDRESS, PORT))
            deadline = time.monotonic() + 20
            while receiver.counts.packets < 5 * (sequence + 1) and time.monotonic() < deadline:
                time.sleep(0.0005)
    counts = receiver.stop()
    assert (counts.packets, counts.lost, counts.out_of_sequence) == (500, 0, 0)
    assert {universe: data[:2] for universe, data in counts.levels.items()} == {
        universe: bytes((99, universe)) for universe in range(1, 6)
    }


def test_a_second_receiver_on_an_address_is_refused() -> None:
    receiver = DemoReceiver("127.0.61.2")
    receiver.start()
    with pytest.raises(OSError):
        DemoReceiver("127.0.61.2")
    assert receiver.stop().packets == 0


def test_an_endless_sender_does_not_delay_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gloaming.shows.demonstration.receiver.PARTING_S", 0.2)
    receiver, over = DemoReceiver(ADDRESS), threading.Event()

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            while not over.wait(0.005):
                sock.sendto(packet(1, 1), (ADDRESS, PORT))

    sending = threading.Thread(target=send, daemon=True)
    sending.start()
    receiver.start()
    stopping = threading.Thread(target=receiver.stop, daemon=True)
    stopping.start()
    stopping.join(30)
    over.set()
    assert not stopping.is_alive()
