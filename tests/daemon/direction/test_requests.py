"""What somebody asks for by hand: each kind, how it shows, how it ends by itself, and that it can be undone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.api.http.schemas.overrides import override_request
from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.overrides import Override, after_step
from gloaming.daemon.direction.requests import SOUND_AHEAD_NS, UNDO_SKIP_NS, Refusal, ask
from gloaming.daemon.direction.score import ReasonCode, State
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError
from tests.daemon.quay_site import SECOND_NS, TABLES, local, ns, performance, site_of

S, MIN = SECOND_NS, 60 * SECOND_NS
HOURS = """
[neighbours]
dark = [{ from = "22:30", to = "07:00" }]
quiet = [{ from = "21:00", to = "09:00" }]
dim = [{ from = "21:30", to = "22:30", brightness = 0.5 }]
"""
AT = ns("2026-12-14T18:00:50")
"""In the middle of the first bells."""
BELLS = 100


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_of(tmp_path, HOURS, TABLES, performance('from = "18:00"\nto = "22:00"'))


def made(site: Site, at_ns: int = AT, *, id: int = 7, others: tuple[Override, ...] = (), **request: object) -> Override:
    return replace(ask(override_request(request), at_ns, site, others, "the porch"), id=id)


def undone(override: Override, at_ns: int) -> Override:
    return replace(override, ended_ns=at_ns)


def piece_and_frame(site: Site, at_ns: int, *overrides: Override) -> tuple[str | None, int | None]:
    decision = decide(at_ns, site, overrides)
    return decision.piece, decision.frame


def test_a_pause_stays_at_its_frame_and_ends_by_itself(site: Site) -> None:
    pause = made(site, kind="pause", minutes=15)
    assert local(pause.until_ns, site) == "2026-12-14T18:15:50+0000"
    within = decide(AT + 5 * MIN, site, (pause,))
    assert (within.state, within.brightness, within.sound) == (State.PAUSED, 0, False)
    assert within.next_ns == pause.until_ns
    assert within.reasons[0].rule == "override 7 pause"
    assert within.reasons[0].text == "paused by the porch at 18:00:50 until 18:15:50"
    held = piece_and_frame(site, AT + S)
    assert held == ("bells", 102)
    assert piece_and_frame(site, AT + S, pause) == piece_and_frame(site, pause.until_ns, pause) == held
    assert decide(pause.until_ns, site, (pause,)).state == State.PLAYING
    assert decide(pause.until_ns + S, site, (pause,)).brightness == 1


def test_a_pause_lasts_fifteen_minutes_by_default(site: Site) -> None:
    assert made(site, kind="pause").until_ns == AT + 15 * MIN


def test_a_pause_that_lets_the_show_continue_comes_back_further_on(site: Site) -> None:
    pause = made(site, kind="pause", minutes=0.5, show_continues=True)
    assert decide(AT + 20 * S, site, (pause,)).brightness == 0
    assert piece_and_frame(site, AT + 30 * S, pause) == piece_and_frame(site, AT + 30 * S) == ("bells", 160)


def test_after_an_undone_pause_the_show_continues_from_there(site: Site) -> None:
    pause = undone(made(site, kind="pause", minutes=15), AT + 2 * MIN)
    assert decide(AT + 2 * MIN - 1, site, (pause,)).state == State.PAUSED
    assert decide(AT + 2 * MIN, site, (pause,)).state == State.PLAYING
    assert piece_and_frame(site, AT + 2 * MIN, pause) == ("bells", 102)


def test_dark_until_a_time_and_dark_for_tonight(site: Site) -> None:
    dark = made(site, kind="dark", until="20:15")
    assert local(dark.until_ns, site) == "2026-12-14T20:15:00+0000"
    within = decide(AT + MIN, site, (dark,))
    assert (within.state, within.brightness, within.next_ns) == (State.DARK, 0, dark.until_ns)
    assert within.reasons[0].text == "dark by the porch at 18:00:50 until 20:15"
    after = decide(dark.until_ns + S, site, (dark,))
    assert (after.state, after.piece) == (decide(dark.until_ns + S, site).state, decide(dark.until_ns + S, site).piece)
    tonight = made(site, kind="dark")
    assert local(tonight.until_ns, site) == "2026-12-15T12:00:00+0000"
    assert made(site, kind="dark", until="tonight") == tonight
    assert made(site, kind="dark", until="17:59").until_ns == ns("2026-12-15T17:59")
    assert made(site, kind="dark", until="2026-12-14T21:15:00+01:00").until_ns == ns("2026-12-14T20:15")
    lit = undone(tonight, AT + MIN)
    assert decide(AT + 2 * MIN, site, (lit,)).brightness == 1


@pytest.mark.parametrize(
    ("until", "at", "end"),
    [
        ("saturday", "2026-12-14T18:00:50", "2026-12-19T12:00:00+0000"),
        ("Saturday", "2026-12-19T11:59:59", "2026-12-19T12:00:00+0000"),
        ("monday", "2026-12-14T18:00:50", "2026-12-21T12:00:00+0000"),
        ("monday", "2026-12-14T11:00:00", "2026-12-14T12:00:00+0000"),
        ("2026-12-19", "2026-12-14T18:00:50", "2026-12-19T12:00:00+0000"),
        ("sunday", "2026-10-24T18:00:00", "2026-10-25T12:00:00+0000"),  # the clocks go back in between
    ],
)
def test_a_day_as_an_end_is_noon_of_that_day(site: Site, until: str, at: str, end: str) -> None:
    assert local(made(site, ns(at), kind="dark", until=until).until_ns, site) == end


ROOF = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 2
pixels = 50
group = "roof"
"""


def test_a_string_is_out_of_service_for_four_hundred_days_or_until_a_time(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, rig=ROOF)
    request = {"kind": "out-of-service", "zone": "ridge", "why": "it flickers"}
    found = ask(request, AT, site, who="Ada")
    assert (found.zone, found.why, found.until_ns) == ("ridge", "it flickers", AT + 400 * 24 * 60 * MIN)
    assert ask({**request, "until": "2026-12-19T12:00:00+00:00"}, AT, site).until_ns == ns("2026-12-19T12:00")
    assert decide(AT, site, (replace(found, zone=None),)).reasons[0].text == (
        "out of service by Ada at 18:00:50 on 14 December 2026 until 18:00:50 on 18 January 2028: it flickers"
    )


@pytest.mark.parametrize(
    ("request_", "problem", "hint"),
    [
        ({"kind": "dark", "zone": "rof"}, "there is no zone 'rof'", "did you mean roof?"),
        ({"kind": "dim", "level": 0.5, "zone": "path"}, "there is no zone 'path'", "use left, ridge, roof"),
        ({"kind": "pause", "zone": "roof"}, "a pause is for the whole rig", "leave the zone out"),
        ({"kind": "mute", "zone": "roof"}, "a mute is for the whole rig", "leave the zone out"),
        ({"kind": "skip", "zone": "roof"}, "a skip is for the whole rig", "leave the zone out"),
        ({"kind": "out-of-service"}, "missing", 'as "roof"'),
    ],
)
def test_a_zone_that_does_not_exist_or_does_not_belong_is_one_line(
    request_: dict[str, object], problem: str, hint: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as error:
        ask(override_request(request_), AT, site_of(tmp_path, TABLES, rig=ROOF))
    (found,) = error.value.errors
    assert (found.key, found.problem) == ("zone", problem)
    assert hint in str(found)


def test_an_override_takes_the_place_of_one_of_its_kind_for_the_same_part(site: Site) -> None:
    whole, again = made(site, kind="dark"), made(site, kind="dark")
    roof = replace(whole, zone="roof")
    assert again.replaces(whole) and roof.replaces(roof)
    assert not roof.replaces(whole) and not whole.replaces(roof)
    assert not made(site, kind="dim", level=0.5).replaces(whole)


def test_a_call_gives_a_show_now_until_a_time_and_never_into_dark_hours(site: Site) -> None:
    at = ns("2026-12-14T16:00")
    assert decide(at, site).show is None
    call = made(site, at, kind="call", show="turn of the year", minutes=20)
    within = decide(at + 5 * MIN, site, (call,))
    assert (within.state, within.show, within.piece) == (State.PLAYING, "turn of the year", "lanterns")
    assert decide(at + 20 * MIN, site, (call,)).show is None
    assert decide(at + 10 * MIN, site, (undone(call, at + 9 * MIN),)).show is None
    late = made(site, ns("2026-12-14T22:10"), kind="call", show="evening", until="23:00")
    assert decide(ns("2026-12-14T22:20"), site, (late,)).brightness == 0.5
    assert decide(ns("2026-12-14T22:30") - 1, site, (late,)).brightness < 0.01
    assert decide(ns("2026-12-14T22:30"), site, (late,)).state == State.DARK
    assert decide(ns("2026-12-14T22:45"), site, (late,)).brightness == 0
    assert made(site, at, kind="call", show="evening").until_ns == at + 30 * MIN


def test_a_call_in_dark_hours_is_refused_with_the_rule(site: Site) -> None:
    for when in ("2026-12-14T22:30", "2026-12-15T03:00", "2026-12-15T06:59:59"):
        with pytest.raises(Refusal) as refusal:
            made(site, ns(when), kind="call", show="evening")
        (reason,) = refusal.value.reasons
        assert reason.rule == "site.toml:8 neighbours.dark"
        assert reason.text == "dark hours 22:30 to 07:00: no light"
        assert str(refusal.value) == "dark hours 22:30 to 07:00: no light (site.toml:8 neighbours.dark)"
    assert made(site, ns("2026-12-15T07:00"), kind="call", show="evening").show == "evening"


def test_a_dim_lowers_the_light_and_cannot_raise_it(site: Site) -> None:
    dim = made(site, kind="dim", level=0.3, minutes=10)
    assert decide(AT + MIN, site, (dim,)).brightness == pytest.approx(0.3)
    assert decide(AT + MIN, site, (dim,)).state == State.PLAYING
    assert decide(dim.until_ns + S, site, (dim,)).brightness == 1
    assert decide(AT + MIN, site, (undone(dim, AT + 30 * S),)).brightness == 1
    bright = made(site, ns("2026-12-14T21:40"), kind="dim", level=1)
    assert decide(ns("2026-12-14T21:50:40"), site, (bright,)).brightness == 0.5
    two = (dim, made(site, kind="dim", level=0.6, minutes=10, id=8))
    assert decide(AT + MIN, site, two).brightness == pytest.approx(0.3)


def test_a_dim_is_a_share_of_the_brightness_that_is_set_and_the_ceiling_of_dim_hours_is_none(tmp_path: Path) -> None:
    evening = performance('from = "18:00"\nto = "22:00"')
    site = site_of(tmp_path, HOURS, TABLES, evening, "[output]\nbrightness = 0.8\n")
    early, late = AT + MIN, ns("2026-12-14T21:40:50")
    for level, early_level, late_level in ((1, 0.8, 0.5), (0.75, 0.6, 0.5), (0.5, 0.4, 0.4), (0.1, 0.08, 0.08)):
        dim = made(site, kind="dim", level=level)
        assert decide(early, site, (dim,)).brightness == pytest.approx(early_level)
        assert decide(late, site, (dim,)).brightness == pytest.approx(late_level)
        text = f"dimmed by the porch at 18:00:50 until 12:00, to {level:.0%} of the brightness that is set"
        assert text in [reason.text for reason in decide(early, site, (dim,)).reasons]


def test_a_mute_takes_the_sound_and_leaves_the_light(site: Site) -> None:
    mute = made(site, kind="mute", minutes=10)
    at = AT + 30 * S
    assert decide(at, site).sound
    assert not decide(at, site, (mute,)).sound
    assert decide(at, site, (mute,)).brightness == 1
    assert decide(at, site, (mute,)).reasons[-2].code == ReasonCode.MUTE
    assert decide(mute.until_ns + 5 * MIN, site, (mute,)).sound == decide(mute.until_ns + 5 * MIN, site).sound
    assert decide(at, site, (undone(mute, AT + 5 * S),)).sound


def test_a_skip_begins_the_next_piece_and_can_be_undone_for_a_minute(site: Site) -> None:
    skip = made(site, kind="skip")
    assert skip.until_ns == AT + UNDO_SKIP_NS == AT + MIN
    assert piece_and_frame(site, skip.at_ns, skip) == ("tide", 0)
    assert piece_and_frame(site, skip.at_ns + 10 * S, skip) == ("tide", 20)
    back = undone(skip, AT + 10 * S)
    assert piece_and_frame(site, AT + 10 * S, back) == piece_and_frame(site, AT + 10 * S) == ("bells", 120)
    with pytest.raises(Refusal, match="evening opens"):
        made(site, ns("2026-12-14T12:00"), kind="skip")
    with pytest.raises(Refusal, match="dark hours"):
        made(site, ns("2026-12-14T23:00"), kind="skip")


@pytest.mark.parametrize(
    ("request_", "key", "problem", "hint"),
    [
        ({"kind": "pause", "until": "2020-12-24T22:15:00+00:00"}, "until", "is not within the next 168", '"22:15"'),
        ({"kind": "pause", "until": "9999-12-24T22:15:00+00:00"}, "until", "is not within the next 168", '"22:15"'),
        (
            {"kind": "call", "show": "evening", "until": "2026-12-16T22:15:00+00:00"},
            "until",
            "is not within the next 24",
            '"22:15"',
        ),
        ({"kind": "call", "show": "matinee"}, "show", "no show 'matinee'", "evening"),
        ({"kind": "dark", "until": "2026-12-14"}, "until", "is not within the next 168 hours", '"saturday"'),
        ({"kind": "dark", "until": "2026-12-22"}, "until", "is not within the next 168 hours", '"saturday"'),
        ({"kind": "dark", "until": "0001-01-01"}, "until", "is not within the next 168 hours", '"saturday"'),
        ({"kind": "dark", "until": "9999-12-31"}, "until", "is not within the next 168 hours", '"saturday"'),
        (
            {"kind": "out-of-service", "zone": "left", "until": "2028-01-19"},
            "until",
            "is not within the next 400 days",
            '"saturday"',
        ),
    ],
)
def test_an_invalid_request_is_reported_with_its_key_and_an_example(
    site: Site, request_: dict[str, object], key: str, problem: str, hint: str
) -> None:
    with pytest.raises(InputError) as error:
        ask(override_request(request_), AT, site)
    (config_error,) = error.value.errors
    assert (config_error.file, config_error.key) == ("request", key)
    assert problem in config_error.problem
    assert hint in (config_error.hint or "")
    assert "\n" not in str(config_error)


def test_the_shortest_pause_is_a_second(site: Site) -> None:
    assert made(site, kind="pause", minutes=1e-9).until_ns == AT + S


@pytest.mark.parametrize("kind", ["pause", "dark", "dim"])
@pytest.mark.parametrize("step", [-10 * MIN, 10 * MIN, -26 * 60 * MIN, 26 * 60 * MIN, 400 * 24 * 60 * MIN])
def test_an_override_from_before_a_clock_step_keeps_its_length(site: Site, kind: str, step: int) -> None:
    """After a minute the clock is set: fourteen minutes are left."""
    asked = made(site, at_ns=AT + 1, kind=kind, minutes=15, **({"level": 0.5} if kind == "dim" else {}))
    now = AT + 1 + MIN + step
    found = after_step(asked, now, step)
    assert found.in_force_at(now) and found.end_ns == now + 14 * MIN


def test_an_end_by_the_clock_stays_when_the_clock_is_set(site: Site) -> None:
    dark = made(site, kind="dark", until="18:30")
    back, on = after_step(dark, AT - 10 * MIN, -10 * MIN), after_step(dark, AT + 10 * MIN, 10 * MIN)
    assert back.in_force_at(AT - 10 * MIN) and on.in_force_at(AT + 10 * MIN)
    assert local(back.end_ns, site) == local(on.end_ns, site) == "2026-12-14T18:30:00+0000"
    late = after_step(dark, AT + 60 * MIN, 60 * MIN)
    assert not late.in_force_at(AT + 60 * MIN)


@pytest.mark.parametrize("hours", [-49, -26, -23, 22, 26, 48])
def test_an_end_by_a_clock_that_was_on_another_day_is_on_the_right_one(site: Site, hours: int) -> None:
    """Dark until 23:30 means tonight, even if the date of the board was wrong."""
    dark = made(site, kind="dark", until="23:30")
    now = AT + hours * 60 * MIN
    found = after_step(dark, now, hours * 60 * MIN)
    assert found.in_force_at(now)
    assert local(found.end_ns, site)[11:16] == "23:30" and found.end_ns - now < 9 * 60 * MIN


def test_a_skip_waits_only_for_the_next_sound(site: Site) -> None:
    assert made(site, kind="skip").at_ns == AT + SOUND_AHEAD_NS
    quiet = replace(site, pieces={name: replace(piece, sound=None) for name, piece in site.pieces.items()})
    assert made(quiet, kind="skip").at_ns == AT
    ends_ns = AT + 50 * S  # bells lasts 100 s, and is 50 s old at AT
    for at_ns in (ends_ns - SOUND_AHEAD_NS // 2, ends_ns + 4 * S - SOUND_AHEAD_NS // 2):
        assert made(site, at_ns, kind="skip").at_ns == at_ns, "otherwise it would skip the piece that just begins"


def test_an_override_that_is_over_does_not_return_when_the_clock_is_set_back(site: Site) -> None:
    paused = undone(made(site, kind="pause", minutes=15), AT + 2 * MIN)
    skipped = made(site, kind="skip")
    now = AT - 5 * MIN
    for each in (paused, skipped):
        assert after_step(each, now, -10 * MIN).at_ns < now
    assert after_step(paused, now, -10 * MIN).end_ns < now
    assert after_step(paused, AT + 20 * MIN, 10 * MIN) == paused
    asked_since = made(site, at_ns=now + S, kind="pause")
    assert after_step(asked_since, now + 2 * S, 10 * MIN) == asked_since


def test_a_call_for_a_zone_is_refused_in_dark_hours_of_all_its_slots_and_where_the_show_has_none(
    tmp_path: Path,
) -> None:
    hours = '[neighbours]\ndark = [{ zone = "roof", from = "17:00", to = "07:00" }]\n'
    site = site_of(tmp_path, hours, TABLES, rig=ZONES)
    for zone in ("roof", "ridge"):
        with pytest.raises(Refusal, match="roof: dark hours 17:00 to 07:00: no light"):
            made(site, kind="call", show="evening", zone=zone)
    assert made(site, kind="call", show="evening", zone="left").zone == "left"  # it has more than the roof
    assert made(site, kind="call", show="evening").zone is None
    with pytest.raises(InputError) as error:
        made(site, kind="call", show="evening", zone="eaves")
    assert str(error.value.errors[0]) == (
        "request: zone: no piece of evening has a slot of eaves; name something else, or leave the zone out"
    )


ZONES = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 1
group = "roof"

[[string]]
name = "eaves"
controller = "left"
universe = 2
pixels = 1
"""
