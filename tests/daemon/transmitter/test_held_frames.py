"""The wire while the disk delays a frame. Section numbers are those of ANSI E1.31-2018."""

from __future__ import annotations

from itertools import pairwise

from tests.daemon.transmitter.player_harness import MS, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, fading


def test_while_a_disk_stalls_the_last_frame_is_kept_alive_and_the_stall_reported_and_counted(
    sender: FakeSender,
) -> None:
    """6.7.1: a receiver waits 2.5 s, so the last frame is sent again before that."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 60 * SECOND_NS))
    harness.play(SECOND_NS)
    harness.read_ahead.gone.add("/film")
    packets = harness.play(4 * SECOND_NS)
    assert {data[126] for _, _, data in packets} == {40}
    assert all(after - before <= SECOND_NS for before, after in pairwise([at for at, _, _ in packets]))
    assert {said[0] for said in harness.troubles} == {"disk"}
    harness.read_ahead.gone.clear()
    harness.troubles.clear()
    packets = harness.play(5 * SECOND_NS)
    assert packets[0][2][126] == 161 and len(packets) == 40
    assert not harness.troubles
    frames = harness.player.frames
    assert (frames.due, frames.sent, frames.dropped, frames.unread) == (200, 80, 120, 120)


def at_level(level: float, value: int) -> int:
    """A slot's value at a level in 256ths, rounded."""
    return (value * int(level * 256) + 127) >> 8


def test_a_pause_while_the_disk_stalls_fades_the_held_frame_to_black(sender: FakeSender) -> None:
    """The score fades from 2 s to 3 s and then pauses. Black stays until frames come."""
    harness = PlayerHarness(sender)
    harness.score(
        film(0, 2 * SECOND_NS),
        film(2 * SECOND_NS, 3 * SECOND_NS, (1.0, 0.0), zero_ns=0),
        film(3 * SECOND_NS, 6 * SECOND_NS, (0.0, 0.0), zero_ns=0, still=119),
        film(6 * SECOND_NS, 7 * SECOND_NS, (0.0, 1.0), zero_ns=3 * SECOND_NS),
        film(7 * SECOND_NS, 60 * SECOND_NS, zero_ns=3 * SECOND_NS),
    )
    harness.play(SECOND_NS)
    harness.read_ahead.gone.add("/film")
    harness.play(2 * SECOND_NS)
    fade = harness.play(3 * SECOND_NS)
    assert len(fade) >= 38  # as often as in any fade
    assert all(data[126] == at_level(3 - at / SECOND_NS, 40) for at, _, data in fade)
    assert {data[126] for _, _, data in harness.play(6 * SECOND_NS)} == {0}
    again = harness.play(9 * SECOND_NS)
    assert {data[126] for _, _, data in again} == {0}, "the wire was black and no frame has come"
    harness.read_ahead.gone.clear()
    assert harness.play(10 * SECOND_NS)[-1][2][126] == (10 - 3) * 40 - 200  # it has begun again


def test_while_a_disk_stalls_a_strobe_and_fog_do_not_go_on(sender: FakeSender) -> None:
    """Slot 1 is a strobe. A stall is longer than a quarter of a second; the frame is then sent three times (6.6.2)."""
    harness = PlayerHarness(sender, unscaled=[[1, 1, 1]])
    harness.score(film(0, 60 * SECOND_NS))
    harness.play(SECOND_NS)
    harness.read_ahead.gone.add("/film")
    packets = harness.play(4 * SECOND_NS)
    assert {data[127] for _, _, data in packets} == {40}
    assert {data[126] for at, _, data in packets if at > SECOND_NS + 300 * MS} == {0}
    harness.read_ahead.gone.clear()
    assert {data[126] - data[127] for _, _, data in harness.play(5 * SECOND_NS)} == {0}


def test_dim_hours_that_begin_while_the_disk_stalls_dim_the_held_frame(sender: FakeSender) -> None:
    """Unchanged data are sent three times, then every 800 to 1000 ms (6.6.2)."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 3 * SECOND_NS), film(3 * SECOND_NS, 60 * SECOND_NS, (0.5, 0.5), zero_ns=0))
    harness.play(SECOND_NS)
    harness.read_ahead.gone.add("/film")
    packets = harness.play(8 * SECOND_NS)
    assert {data[126] for at, _, data in packets if at < 3 * SECOND_NS} == {40}
    low = [(at, data[126]) for at, _, data in packets if at >= 3 * SECOND_NS]
    assert low[0][0] <= 3 * SECOND_NS + 25 * MS and {value for _, value in low} == {20}
    gaps = [after - before for (before, _), (after, _) in pairwise(low)]
    assert all(gap < 50 * MS for gap in gaps[:2]) and all(800 * MS <= gap <= SECOND_NS for gap in gaps[2:])


def test_a_held_frame_of_another_piece_never_becomes_brighter(sender: FakeSender) -> None:
    """A piece fades in, but its frames do not come. The fade must not show the previous piece again."""
    harness = PlayerHarness(sender)
    harness.score(
        film(0, SECOND_NS, (0.5, 0.5)),
        film(SECOND_NS, 2 * SECOND_NS, (0.2, 1.0), path="/other", zero_ns=SECOND_NS),
        film(2 * SECOND_NS, 60 * SECOND_NS, path="/other", zero_ns=SECOND_NS),
    )
    harness.read_ahead.gone.add("/other")
    harness.play(SECOND_NS)
    held = [data[126] for _, _, data in harness.play(5 * SECOND_NS)]
    assert set(held) <= {at_level(level / 1000, 40) for level in range(200, 230)}
    harness.read_ahead.gone.clear()
    before_ns = sender.left[-1][0]
    came = harness.play(6 * SECOND_NS)
    assert came[0][2][126] == 160 + 1
    assert came[0][0] - before_ns >= SECOND_NS // 45  # 6.6.1


def test_a_held_cross_fade_dims_both_pictures(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    other = fading(-(10**15), 10**15 + 9 * SECOND_NS, "/other", frames=200, still=199)  # at half throughout
    harness.score(film(0, SECOND_NS, mix=other), film(SECOND_NS, 9 * SECOND_NS, (0.5, 0.5), zero_ns=0, mix=other))
    harness.play(SECOND_NS)
    harness.read_ahead.gone.add("/film")
    assert {data[126] for _, _, data in harness.play(2 * SECOND_NS)} == {(40 * 64 + 200 * 64 + 127) >> 8}
