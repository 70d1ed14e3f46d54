"""Areas: slots with segments of their own, and windows of a zone. No process, no sockets, no disk.

Slots 1 to 5 are the roof, 6 to 10 the path, 11 to 20 the rest. Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.score.protocol import Black
from gloaming.daemon.transmitter import output as output_module
from tests.daemon.transmitter.player_harness import FRAMES, MS, UTC_NS, A, B, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, fading, segment, universe

S = SECOND_NS
ROOF, PATH = [[1, 1, 5]], [[1, 6, 10]]
PARTS = {"roof": slice(126, 131), "path": slice(131, 136), "rest": slice(136, 146)}
BELLS = np.arange(250, 50, -1, dtype=np.uint8)[:, None].repeat(20, axis=1)
Packets = list[tuple[int, str, bytes]]


def seen(packets: Packets, part: str) -> list[tuple[int, int]]:
    """When each packet left, and the level of a part's slots, which are alike."""
    found = [(at_ns, set(packet[PARTS[part]])) for at_ns, _, packet in packets]
    assert all(len(levels) == 1 for _, levels in found), "the slots of an area are alike"
    return [(at_ns, levels.pop()) for at_ns, levels in found]


def bells(from_ns: int, until_ns: int, level: tuple[float, float] = (1, 1), **more: Any) -> dict[str, Any]:
    return segment(from_ns, until_ns, level, **{"path": "/bells", "piece": "bells", "frames": 200, **more})


def harness_of(sender: FakeSender, *universes: dict[str, Any], **more: Any) -> PlayerHarness:
    harness = PlayerHarness(sender, *universes, **more)
    harness.read_ahead.pictures["/bells"] = BELLS
    return harness


def longest_ns(packets: Packets, until_ns: int) -> int:
    times = [at_ns for at_ns, _, _ in packets]
    return max(after - before for before, after in pairwise([*times, until_ns]))


def test_an_area_shows_segments_of_its_own_beside_the_rest(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(film(0, 4 * S), areas=[(ROOF, [bells(0, 4 * S, (0.5, 0.5))]), (PATH, [segment(0, 4 * S, look=80)])])
    packets = harness.play(2 * S)
    assert [at_ns for at_ns, _, _ in packets] == [number * S // 40 for number in range(80)], "the rest keeps its clock"
    assert [level for _, level in seen(packets, "rest")] == list(range(1, 81))
    assert [level for _, level in seen(packets, "roof")] == [((250 - number) * 128 + 127) >> 8 for number in range(80)]
    assert {level for _, level in seen(packets, "path")} == {80}


@pytest.mark.parametrize(
    ("rest", "roof"), [((25, 1), (40, 1)), ((40, 1), (25, 1)), ((30, 1), (1, 3)), ((1, 2), (40, 1))]
)
def test_pieces_of_different_rates_play_beside_each_other(
    sender: FakeSender, rest: tuple[int, int], roof: tuple[int, int]
) -> None:
    """At no instant is a picture older than an interval of the faster one. No packet comes too soon (6.6.1)."""
    harness = harness_of(sender, universe(1, A, slots=512))
    harness.score(film(0, 9 * S, fps=rest), areas=[(ROOF, [bells(0, 9 * S, fps=roof)])])
    packets = harness.play(8 * S)
    slower_ns = S * min(rest[1] / rest[0], roof[1] / roof[0])
    for part, (numerator, denominator), picture in (("rest", rest, FRAMES), ("roof", roof, BELLS)):
        levels = seen_parts(packets, part)
        for at_ns in range(S // 2, 8 * S, 3 * MS):
            on_the_wire = max(one for one in levels if one[0] <= at_ns)[1]
            frames = {max(0, at) * numerator // (denominator * S) for at in (at_ns, round(at_ns - slower_ns))}
            assert on_the_wire in {picture[frame % 200][0] for frame in range(min(frames), max(frames) + 1)}
    times = [at_ns for at_ns, _, _ in packets]
    assert all(after - before >= S // 45 for before, after in pairwise(times))


def seen_parts(packets: Packets, part: str) -> list[tuple[int, int]]:
    """As `seen`, of a universe with more slots than the frames have."""
    return [(at_ns, packet[PARTS[part]][0]) for at_ns, _, packet in packets]


def test_while_the_rest_is_black_the_frames_of_an_area_leave_when_they_are_due(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(segment(0, 9 * S), areas=[(ROOF, [film(0, 9 * S)])])
    packets = harness.play(2 * S)
    assert [(at_ns, level) for at_ns, level in seen(packets, "roof")] == [(n * S // 40, n + 1) for n in range(80)]
    assert {level for part in ("path", "rest") for _, level in seen(packets, part)} == {0}
    assert harness.player.black_by() is Black.SCORE
    assert harness.player.area_figures() == [{"piece": "film", "level": 1.0, "black": None}]


def test_while_the_rest_is_paused_the_area_plays_on(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(film(0, S), film(S, 9 * S, still=39), areas=[(ROOF, [film(0, 9 * S)])])
    packets = [one for one in harness.play(3 * S) if one[0] >= S]
    assert [level for _, level in seen(packets, "roof")] == list(range(41, 121))
    assert {level for _, level in seen(packets, "rest")} == {40}


def test_a_still_rest_and_a_still_area_leave_three_times_and_then_as_keep_alive(sender: FakeSender) -> None:
    """6.6.2. Areas repeat together, however many there are."""
    harness = harness_of(sender)
    harness.score(
        segment(0, 60 * S, look=9), areas=[(ROOF, [segment(0, 60 * S, look=7)]), (PATH, [segment(0, 60 * S)])]
    )
    times = [at_ns for at_ns, _, _ in harness.play(20 * S)]
    gaps = [after - before for before, after in pairwise(times)]
    assert all(gap < 50 * MS for gap in gaps[:2])
    assert all(800 * MS <= gap <= S for gap in gaps[2:])


def test_a_fade_in_an_area_leaves_40_times_a_second_while_the_rest_is_still(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(segment(0, 9 * S, look=50), areas=[(ROOF, [segment(0, S, (1, 0), look=200), segment(S, 9 * S)])])
    levels = [level for at_ns, level in seen(harness.play(2 * S), "roof") if at_ns < S]
    assert len(levels) >= 39 and levels == sorted(levels, reverse=True) and levels[-1] < 10


def test_a_cross_fade_in_an_area_adds_its_two_pieces(sender: FakeSender) -> None:
    harness = harness_of(sender)
    mix = fading(0, S, "/bells", frames=200)
    harness.score(film(0, 9 * S), areas=[(ROOF, [film(0, S, (0.5, 0.5), mix=mix), film(S, 9 * S, zero_ns=0)])])
    packets = harness.play(S)
    for number, (_, level) in enumerate(seen(packets, "roof")):
        share = int(128 * (1 - number / 40))
        assert abs(level - (((number + 1) * (128 - share) + (250 - number) * share + 127) >> 8)) <= 1
    assert [level for _, level in seen(packets, "rest")] == list(range(1, 41))


def test_areas_of_one_picture_at_levels_of_their_own(sender: FakeSender) -> None:
    """With a cross-fade in all of them. A strobe in an area at level 0 is 0; in a lit one it is as the frame has it."""
    harness = harness_of(sender, unscaled=[[1, 5, 6]])
    mix = fading(0, 2 * S, "/bells", frames=200)
    own = [(ROOF, [film(0, 9 * S, (0.001, 0.001), mix=None)]), (PATH, [film(0, 9 * S, (0.25, 0.25))])]
    harness.score(film(0, 9 * S), areas=own)
    for number, (_, _, packet) in enumerate(harness.play(S)):
        frame = number + 1
        assert list(packet[126:146]) == [0] * 5 + [frame] + [(frame * 64 + 127) >> 8] * 4 + [frame] * 10
    own = [(ROOF, [film(0, 2 * S, (0.5, 0.5), mix=mix)]), (PATH, [film(0, 2 * S, (0.25, 0.25), mix=mix)])]
    harness.score(film(0, 2 * S, mix=mix), areas=own)
    for number, (_, _, packet) in enumerate(harness.play(2 * S), 40):
        share = (2 - number / 40) / 2
        levels = list(packet[126:146])
        expected = [((number + 1) * (1 - share) + (250 - number) * share) * level for level in (0.5, 0.25, 1)]
        assert np.abs(np.subtract((levels[0], levels[8], levels[15]), expected)).max() <= 2
        assert levels[4] == levels[5] == (number + 1 if share <= 0.5 else 250 - number)


def test_a_damaged_file_in_an_area_is_black_there_and_reported(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.read_ahead.damaged.add("/bells")
    harness.score(film(0, 9 * S), areas=[(ROOF, [bells(0, 9 * S)])])
    packets = harness.play(2 * S)
    assert {level for _, level in seen(packets, "roof")} == {0}
    assert [level for _, level in seen(packets, "rest")] == list(range(1, 81))
    assert [said[:3] for said in harness.troubles] == [("frames", "/bells", "it is damaged")]
    assert harness.player.area_figures() == [{"piece": None, "level": 0.0, "black": Black.DAMAGED}]
    harness.read_ahead.damaged.clear()
    harness.player.look_again()
    assert {level for _, level in seen(harness.play(3 * S), "roof")} >= set(range(131, 169))


def test_while_the_disk_is_late_an_area_keeps_its_last_frame(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(film(0, 20 * S), areas=[(ROOF, [bells(0, 20 * S)])])
    harness.play(S)
    harness.read_ahead.gone = {"/bells"}
    packets = harness.play(2 * S)
    assert {level for _, level in seen(packets, "roof")} == {250 - 39}
    assert [level for _, level in seen(packets, "rest")] == list(range(41, 81))
    assert ("disk", "/bells") in {said[:2] for said in harness.troubles}
    harness.read_ahead.gone = set()
    assert [level for _, level in seen(harness.play(3 * S), "roof")][-1] == 250 - 119


def test_while_the_disk_is_late_another_picture_never_becomes_brighter(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.read_ahead.gone = {"/bells"}
    own = [(spans, [film(0, S, (0.25, 0.25)), bells(S, 9 * S)]) for spans in (ROOF, PATH)]
    harness.score(film(0, 9 * S), areas=own)
    packets = [one for one in harness.play(3 * S) if one[0] >= S]
    for part in ("roof", "path"):
        assert {level for _, level in seen(packets, part)} == {10}, "the last frame of the film, as bright as it was"


def test_changes_of_pictures_in_areas_keep_to_the_rate_of_a_dmx512_line(sender: FakeSender) -> None:
    """6.6.1: looks that follow each other every 10 ms, in two areas by turns."""
    harness = harness_of(sender, universe(1, A, slots=512))
    looks = [segment(n * 10 * MS, (n + 1) * 10 * MS, look=n + 1) for n in range(200)]
    later = [segment((n * 10 + 5) * MS, (n * 10 + 15) * MS, look=n + 1) for n in range(200)]
    harness.score(*looks, areas=[(ROOF, later)])
    times = [at_ns for at_ns, _, _ in harness.play(2 * S)]
    assert all(after - before >= S // 45 for before, after in pairwise(times))
    assert len(times) > 60


def test_while_the_disk_is_late_for_the_rest_an_area_plays_on(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(film(0, 20 * S), areas=[(ROOF, [bells(0, 20 * S, fps=(25, 1))])])
    harness.play(S)
    harness.read_ahead.gone = {"/film"}
    packets = harness.play(2 * S)
    assert {level for _, level in seen(packets, "rest")} == {40}
    assert [level for _, level in seen(packets, "roof")][-1] == 250 - 49
    assert len({level for _, level in seen(packets, "roof")}) >= 25


def test_each_lead_has_its_areas(sender: FakeSender) -> None:
    far = universe(2, B, slots=20, lead_ns=15 * MS)
    harness = harness_of(sender, universe(1, A, slots=20), far)
    harness.score(
        film(0, 9 * S), areas=[([[2, 1, 20]], [segment(0, S), segment(S, 9 * S, look=70)]), (ROOF, [bells(0, 9 * S)])]
    )
    packets = harness.play(2 * S)
    assert next(at_ns for at_ns, to, packet in packets if to == B and packet[126] == 70) == S - 15 * MS
    near = [one for one in packets if one[1] == A]
    assert [level for _, level in seen(near, "roof")][:3] == [250, 249, 248]


def test_streams_end_between_performances_only_when_nothing_is_lit(sender: FakeSender) -> None:
    harness = harness_of(sender, between_performances="release")
    own = [
        (ROOF, [film(0, 2 * S), segment(2 * S, 3 * S, show=None), film(3 * S, 4 * S), segment(4 * S, 9 * S, show=None)])
    ]
    harness.score(film(0, S), segment(S, 9 * S, show=None), areas=own)
    packets = harness.play(9 * S)
    ended = [at_ns for at_ns, _, packet in packets if packet[112] & 0x40]
    assert len(ended) == 6 and 2 * S <= ended[0] <= ended[2] < 3 * S and 4 * S <= ended[3] <= ended[5] < 5 * S
    before = [packet[112] & 0x40 for at_ns, _, packet in packets if 2 * S <= at_ns < 3 * S]
    assert before == [0, 0, 0, 64, 64, 64]
    lit = [level for at_ns, level in seen(packets, "roof") if 3 * S <= at_ns < 4 * S]
    assert lit == list(range(1, 41))


def test_a_dark_window_of_a_zone_is_black_to_the_instant_whatever_the_score(sender: FakeSender) -> None:
    """A forged score without areas: full light in every slot."""
    harness = harness_of(sender)
    harness.windows((S + 7 * MS, 3 * S + 7 * MS, 0.0, ROOF))
    harness.score(film(0, 9 * S))
    packets = harness.play(5 * S)
    dark = [at_ns for at_ns, level in seen(packets, "roof") if not level]
    assert dark[0] == S + 7 * MS, "at once, between two frames"
    assert dark == [at_ns for at_ns, _, _ in packets if S + 7 * MS <= at_ns < 3 * S + 7 * MS]
    assert [level for at_ns, level in seen(packets, "rest") if at_ns % (S // 40) == 0] == [*range(1, 201)][: 5 * 40]


def test_a_dim_window_of_a_zone_binds_a_look_a_still_and_a_slow_piece_at_once(sender: FakeSender) -> None:
    for shown in (segment(0, 9 * S, look=200), film(0, 9 * S, still=199), film(0, 9 * S, fps=(1, 4), zero_ns=-796 * S)):
        sender.now_ns = 0
        harness = harness_of(sender)
        harness.windows((S, 3 * S, 0.25, ROOF))
        harness.score(shown)
        packets = harness.play(3900 * MS)
        assert {level for at_ns, level in seen(packets, "roof") if S <= at_ns < 3 * S} == {50}
        assert S in {at_ns for at_ns, _, _ in packets}, "at once, though no frame is due"
        assert {level for at_ns, level in seen(packets, "roof") if not S <= at_ns < 3 * S + 30 * MS} == {200}
        assert {level for _, level in seen(packets, "path")} == {200}


def test_a_window_may_cover_a_part_of_an_area(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.windows((0, 9 * S, 0.0, [[1, 4, 12]]), (0, 9 * S, 0.5, [[1, 12, 14]]))
    harness.score(segment(0, 9 * S, look=100), areas=[(ROOF, [segment(0, 9 * S, look=60)])])
    levels = {tuple(packet[126:]) for _, _, packet in harness.play(S)}
    assert levels == {(60, 60, 60, *[0] * 9, 50, 50, *[100] * 6)}
    assert harness.player.area_figures() == [{"piece": None, "level": 1.0, "black": None}]


def test_an_area_that_the_setup_does_not_have_changes_nothing(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.windows((0, 9 * S, 0.0, [[7, 1, 512], [1, 21, 512]]))
    harness.score(film(0, 9 * S), areas=[([[9, 1, 100]], [segment(0, 9 * S)])])
    packets = harness.play(2 * S)
    assert [packet[126:] for _, _, packet in packets] == [bytes([number + 1] * 20) for number in range(80)]
    assert harness.player.area_figures() == [{"piece": None, "level": 0.0, "black": Black.UNIVERSES}]


@pytest.mark.parametrize("step_s", [-7200, 7200])
def test_a_window_of_a_zone_that_has_begun_holds_over_a_step_of_the_clock(sender: FakeSender, step_s: int) -> None:
    harness = harness_of(sender)
    harness.windows((S, 600 * S, 0.0, ROOF), rules=("rule 0",))
    harness.score(film(-9000 * S, 9000 * S))
    harness.play(2 * S)
    assert harness.player.score
    harness.player.score = replace(harness.player.score, offset_ns=UTC_NS + step_s * S)
    harness.wall_ns += step_s * S
    assert {level for _, level in seen(harness.play(60 * S), "roof")} == {0}
    held = harness.player.holds.held
    assert [(one.rule, one.spans) for one in held] == [("rule 0", ((1, 1, 5),))]
    packets = harness.play(605 * S)
    assert {bool(level) for at_ns, level in seen(packets, "roof") if at_ns < 600 * S} == {False}
    assert {bool(level) for at_ns, level in seen(packets, "roof") if at_ns >= 600 * S + 25 * MS} == {True}


def test_a_zone_is_dark_while_the_wall_clock_is_in_its_hours(sender: FakeSender) -> None:
    """By the score's time they are an hour away."""
    harness = harness_of(sender)
    harness.windows((3600 * S, 7200 * S, 0.0, ROOF))
    harness.score(film(0, 9 * S))
    harness.play(S + 5 * MS)
    harness.wall_ns += 4000 * S
    packets = harness.play(2 * S)
    assert packets[0][0] == S + 5 * MS, "at once"
    assert {level for _, level in seen(packets, "roof")} == {0} and all(level for _, level in seen(packets, "path"))


def test_the_frames_of_an_area_follow_its_sound_and_no_other(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.player.shift = lambda segment, turn, at_ns: 50 * MS
    harness.player.use(harness.player.output)
    harness.score(film(0, 9 * S), areas=[(ROOF, [bells(0, 9 * S, sound_path="/bells.flac")])])
    packets = harness.play(S)
    assert [level for _, level in seen(packets, "rest")] == list(range(1, 41))
    assert [level for _, level in seen(packets, "roof")][-1] == 250 - 39 - 2


def test_a_new_transmitter_holds_the_windows_of_zones_that_the_planner_holds(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.windows(rules=("rule 0",), held=[[5 * S, 0.0, 1.0, "rule 0", ROOF]])
    harness.score(film(0, 9 * S))
    packets = harness.play(8 * S)
    assert {level for at_ns, level in seen(packets, "roof") if at_ns < 5 * S} == {0}
    assert all(level for at_ns, level in seen(packets, "roof") if at_ns > 5 * S + 25 * MS)
    assert all(level for _, level in seen(packets, "path"))


def test_a_zone_that_grows_holds_its_new_slots_too(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.windows((0, 5 * S, 0.0, ROOF), rules=("rule 0",))
    harness.score(film(0, 9 * S))
    harness.play(S)
    harness.windows((0, 5 * S, 0.0, [[1, 3, 8]]), rules=("rule 0",))
    packets = harness.play(2 * S)
    assert not any(any(packet[126:134]) for _, _, packet in packets[1:])
    assert all(packet[134] for _, _, packet in packets)


def test_a_zone_that_shrinks_gives_its_slots_back_to_the_rest(sender: FakeSender) -> None:
    """The rest then has the first slot of the rig. What is reported of the rest stays that of the rest."""
    harness = harness_of(sender)
    harness.score(film(0, 9 * S), areas=[(ROOF, [segment(0, 9 * S, look=7)])])
    harness.play(S)
    harness.score(film(0, 9 * S), areas=[([[1, 4, 5]], [segment(0, 9 * S, look=7)])])
    packets = harness.play(2 * S)
    assert {tuple(packet[126:130]) for _, _, packet in packets} == {(n, n, n, 7) for n in range(41, 81)}
    assert (harness.player.shown.piece, harness.player.shown.frame) == ("film", 79)
    assert harness.player.area_figures() == [{"piece": None, "level": 1.0, "black": None}]


def test_when_the_areas_end_the_whole_rig_goes_on_and_is_sent_at_once(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(segment(0, 60 * S, look=9), areas=[(ROOF, [segment(0, 60 * S, look=7)])])
    harness.play(S)
    harness.score(segment(0, 60 * S, look=9))
    packets = harness.play(S + 5 * MS)
    assert [tuple(packet[126:]) for _, _, packet in packets] == [(9,) * 20]
    assert not harness.player.areas
    harness.score(segment(0, 60 * S), areas=[(ROOF, [segment(0, 60 * S, look=7)])])
    harness.play(2 * S)
    harness.score(segment(0, 60 * S))
    assert [tuple(packet[126:]) for _, _, packet in harness.play(2 * S + 5 * MS)] == [(0,) * 20]


def test_when_areas_begin_the_rest_goes_on_without_a_break(sender: FakeSender) -> None:
    harness = harness_of(sender)
    harness.score(film(0, 9 * S))
    harness.play(S)
    harness.score(film(0, 9 * S), areas=[(ROOF, [film(0, 9 * S, (0.5, 0.5))])])
    packets = harness.play(2 * S)
    assert [at_ns for at_ns, _, _ in packets if at_ns % (S // 40) == 0] == [
        number * S // 40 for number in range(40, 80)
    ]
    assert [level for at_ns, level in seen(packets, "rest") if at_ns % (S // 40) == 0] == list(range(41, 81))
    assert all(level for _, level in seen(packets, "path"))


def test_an_area_that_joins_a_still_picture_shows_it_at_once(sender: FakeSender) -> None:
    harness = harness_of(sender)
    own = [(ROOF, [bells(0, S, still=3), film(S, 9 * S, still=9, zero_ns=0)])]
    harness.score(film(0, 9 * S, still=9), areas=own)
    packets = harness.play(2 * S)
    assert {level for at_ns, level in seen(packets, "roof") if at_ns < S} == {247}
    assert (S, 10) in seen(packets, "roof")


def test_areas_share_a_picture_once_they_show_the_same(sender: FakeSender) -> None:
    """Whatever was shown before, ten areas of one picture cost one look-up of its frames."""
    harness = harness_of(sender)
    own = [
        ([[1, slot, slot]], [bells(0, slot * S // 10), film(slot * S // 10, 9 * S, (0.5, 0.5), zero_ns=0)])
        for slot in range(1, 10)
    ]
    harness.score(film(0, 9 * S), areas=own)
    harness.play(3 * S)
    assert len(harness.player.areas[0].players) == 1
    assert [packet[126:137] for _, _, packet in harness.play(3 * S + 10 * MS)] == [bytes([60] * 9 + [121] * 2)]


STEP = 50 * MS
"""Segments, windows and disks change at multiples of this."""
kinds = st.sampled_from(["black", "look", "still", "film", "bells", "mix"])
levels = st.sampled_from([0.0, 0.3, 1.0])
stretches = st.lists(st.tuples(st.integers(1, 30), kinds, levels, levels), min_size=1, max_size=4)
slots = st.tuples(st.integers(1, 20), st.integers(1, 20)).map(sorted)
zones = st.lists(slots, min_size=1, max_size=3)
windows = st.lists(
    st.tuples(st.integers(0, 70), st.integers(1, 40), st.sampled_from([0.0, 0.3]), st.none() | zones), max_size=4
)


def segments_of(parts: list[tuple[int, str, float, float]]) -> list[dict[str, Any]]:
    made: list[dict[str, Any]] = []
    at_ns = 0
    for steps, kind, begin, end in parts:
        until_ns = at_ns + steps * STEP
        if kind in ("black", "look"):
            made.append(segment(at_ns, until_ns, (begin, end), look=0 if kind == "black" else 200))
        else:
            more: dict[str, Any] = {
                "still": {"still": 3},
                "mix": {"mix": fading(at_ns, until_ns, "/bells", frames=200)},
            }.get(kind, {})
            make = bells if kind == "bells" else film
            made.append(make(at_ns, until_ns, (begin, end), zero_ns=0, **more))
        at_ns = until_ns
    return made


def right_level(segments: list[dict[str, Any]], at_ns: int, ceiling: float) -> float:
    """The level of a slot at an instant, worked out from the score's fields alone."""
    one = next((one for one in segments if one["from_ns"] <= at_ns < one["until_ns"]), None)
    if one is None:
        return 0.0
    done = (at_ns - one["from_ns"]) / (one["until_ns"] - one["from_ns"])
    begin, end = (min(level, ceiling) for level in one["level"])
    level = begin + (end - begin) * done

    def of(picture: dict[str, Any]) -> float:
        frame = 3 if picture["still"] is not None else at_ns * 40 // S % 200
        return float((BELLS if picture["path"] == "/bells" else FRAMES)[frame][0])

    if one["picture"] is None:
        return level * one["look"]
    if one["mix"]:
        return level * (of(one["mix"]["picture"]) * (1 - done) + of(one["picture"]) * done)
    return level * of(one["picture"])


Part = tuple[int, str, float, float]
Zones = list[list[int]]
Phase = tuple[list[Part], list[tuple[Zones, list[Part]]], list[tuple[int, int, float, Zones | None]]]
phases = st.lists(
    st.tuples(stretches, st.lists(st.tuples(zones, stretches), max_size=3), windows), min_size=1, max_size=3
)
PHASE = 27 * STEP


class Expected:
    """What a slot is to show by one score and its windows, worked out for each slot alone."""

    def __init__(self, phase: Phase) -> None:
        rest, own, hours = phase
        self.score, self.areas = segments_of(rest), [(spans, segments_of(parts)) for spans, parts in own]
        self.hours = [(begin * STEP, (begin + length) * STEP, light, spans) for begin, length, light, spans in hours]
        self.edges = {edge for begin, end, _, _ in self.hours for edge in (begin, end)}
        for segments in (self.score, *(mine for _, mine in self.areas)):
            self.edges |= {one[key] for one in segments for key in ("from_ns", "until_ns")}

    def give(self, harness: PlayerHarness) -> None:
        harness.windows(*((*one[:3], one[3] and [[1, *span] for span in one[3]]) for one in self.hours))
        harness.score(*self.score, areas=[([[1, *span] for span in spans], mine) for spans, mine in self.areas])

    def ceiling(self, slot: int, at_ns: int) -> float:
        binding = (light for begin, end, light, spans in self.hours if begin <= at_ns < end and has(spans, slot))
        return min(binding, default=1.0)

    def level(self, slot: int, at_ns: int) -> float:
        mine = next((mine for spans, mine in self.areas if has(spans, slot)), self.score)
        return right_level(mine, at_ns, self.ceiling(slot, at_ns))


def has(spans: Zones | None, slot: int) -> bool:
    return spans is None or any(first <= slot <= last for first, last in spans)


@settings(max_examples=100, deadline=None)
@given(phases, st.sampled_from([0, 2 * MS]), st.lists(st.integers(0, 80), max_size=2), st.sampled_from([20, 512]))
def test_every_slot_is_as_the_score_and_the_windows_have_it(
    given_phases: list[Phase], late_ns: int, stalls: list[int], slots: int
) -> None:
    """Against a look-up for each slot. No packet breaks a window. Where the disk is in time, what a receiver has is
    right at any instant, but for a frame. Each score comes with windows of its own."""
    sender = FakeSender()
    expected = [Expected(phase) for phase in given_phases]
    end_ns = len(expected) * PHASE
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(output_module, "UdpSender", lambda *options: sender)
        harness = harness_of(sender, universe(1, A, slots=slots))
        changes = sorted(
            [(stall * STEP, None) for stall in stalls if stall * STEP < end_ns]
            + [(n * PHASE, one) for n, one in enumerate(expected)],
            key=lambda one: one[0],
        )
        for at_ns, phase in changes:
            harness.play(at_ns, late_ns)
            if phase:
                phase.give(harness)
            else:
                harness.read_ahead.gone ^= {"/bells"}
        harness.play(end_ns, late_ns)
    edges = {n * PHASE for n in range(len(expected))}.union(*(one.edges for one in expected))

    for at_ns, _, packet in sender.left:
        for slot in range(1, 21):
            most = expected[at_ns // PHASE].ceiling(slot, at_ns)
            assert packet[125 + slot] <= round(250 * most) + 1, (slot, at_ns)
    times = [at_ns for at_ns, _, _ in sender.left]
    assert all(after - before <= S + 41 * MS for before, after in pairwise([*times, end_ns]))
    for at_ns in range(60 * MS, 0 if stalls else end_ns, 37 * MS):
        if any(0 <= at_ns - edge < 60 * MS for edge in edges):
            continue
        packet = max((one for one in sender.left if one[0] <= at_ns), key=lambda one: one[0])[2]
        for slot in range(1, 21):
            around = [expected[at_ns // PHASE].level(slot, at_ns - ago_ns) for ago_ns in range(0, 55 * MS, 6 * MS)]
            assert min(around) - 3 <= packet[125 + slot] <= max(around) + 3, (slot, at_ns)
