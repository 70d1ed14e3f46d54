"""Hours that the neighbours were promised are compared by their effect on each slot."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.daemon.planner.messages import windows_of
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.promised_hours import Promise, RefusedCode, new_commands, refusals
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.rules import rule_id
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.time_units import DAY_NS, HOUR_NS, MINUTE_NS
from tests.daemon.quay_site import PLACE, TABLES, ns, performance, place, write

NOW_NS = ns("2026-11-27T12:00:00")
NIGHT = performance('from = "17:00"\nto = "22:00"', "turn of the year")
CONTROLLER = '[[controller]]\nname = "left"\nhost = "127.0.66.1"\nuniverses = "1-4"\n'
LAMP = (
    '\n[[fixture]]\nname = "lamp"\ncontroller = "left"\nuniverse = 3\nslot = 1\nchannels = ["dimmer", "red", "green"]\n'
)


def string(name: str, universe: int, slot: int = 1, more: str = "") -> str:
    place = f'controller = "left"\nuniverse = {universe}\nslot = {slot}\npixels = 10'
    return f'\n[[string]]\nname = "{name}"\n{place}\n{more}\n'


def zone(name: str, *strings: str, kind: str = "strings") -> str:
    return f'\n[[zone]]\nname = "{name}"\n{kind} = [{", ".join(f"{chr(34)}{one}{chr(34)}" for one in strings)}]\n'


RIDGE, EAVES, RAILING = string("ridge", 1), string("eaves", 1, 31), string("railing", 2)
RIG = CONTROLLER + RIDGE + EAVES + RAILING + LAMP + zone("roof", "ridge", "eaves")


def hours(text: str) -> str:
    return f"\n[neighbours]\n{text}\n"


class Sites:
    """Sites in one folder, which has the frame files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, *tables: str, rig: str = RIG, at: str = PLACE) -> Promise:
        return Promise.of(self.site(*tables, rig=rig, at=at))

    def site(self, *tables: str, rig: str = RIG, at: str = PLACE) -> Site:
        write(self.folder, TABLES, NIGHT, *tables, place=at, rig=rig)
        return load_site(self.folder, datetime(2026, 11, 27, tzinfo=UTC))


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Sites:
    return Sites(tmp_path_factory.mktemp("promises"))


def texts(old: Promise, new: Promise, held: tuple[tuple[str, int, int], ...] = ()) -> list[str]:
    return [one.text for one in refusals(old, new, NOW_NS, held)]


def rule(kind: str, begins: str, ends: str, more: str = "") -> str:
    return f'{kind} = [{{ from = "{begins}", to = "{ends}"{", " if more else ""}{more} }}]'


DARK, ROOF_DARK = rule("dark", "22:30", "07:00"), rule("dark", "22:30", "07:00", 'zone = "roof"')
DIM, QUIET = rule("dim", "21:00", "23:00", "brightness = 0.4"), rule("quiet", "21:00", "09:00", "volume = 0.3")
DIMMEST = rule("dim", "21:00", "23:00", "brightness = 0.02")
TWO = 'dark = [{ from = "20:00", to = "23:00" }, { from = "23:00", to = "08:00" }]'
BY_SUN = 'dark = [{ from = "sunset + 3 h", to = "sunrise" }, { from = "22:29", to = "07:00" }]'
ONCE = rule("dark", "20:00", "21:00", 'dates = ["2044-12-24"]')
FROM_A_DATE = rule("dark", "20:00", "21:00", 'rrule = "DTSTART:20300101\\nRRULE:FREQ=YEARLY;INTERVAL=2"')
TO_A_DATE = rule("dark", "22:00", "07:00", 'rrule = "FREQ=DAILY;UNTIL=20360101"')
KEPT = {
    "the same": (DARK, DARK),
    "longer": (DARK, rule("dark", "22:00", "07:30")),
    "two rules that cover it": (DARK, TWO),
    "dark in place of dim": (DIM, rule("dark", "21:00", "23:00")),
    "dimmer": (DIM, DIMMEST),
    "all, no longer a zone": (ROOF_DARK, DARK),
    "quieter": (QUIET, rule("quiet", "21:00", "09:00")),
    "dark hours are quiet": (rule("quiet", "22:30", "07:00"), DARK),
    "a rig check that is refused": (f"rig_check = 0.2\n{DARK}", DARK),
    "more hours, by the sun": (DARK, BY_SUN),
    "dates that are over": (rule("dark", "20:00", "21:00", 'dates = ["2026-11-20"]'), ""),
    "a rule with a first date that stays": (FROM_A_DATE, FROM_A_DATE),
}
BROKEN = {
    "shorter at its end": (DARK, rule("dark", "22:30", "06:59"), "from 06:59"),
    "removed": (DARK, "", "from 22:30 on 27 November 2026 to 07:00 on 28 November 2026"),
    "lighter": (DARK, rule("dim", "22:30", "07:00", "brightness = 0.1"), "more light"),
    "brighter": (DIM, DIM.replace("0.4", "0.5"), "dim hours"),
    "only a zone": (DARK, ROOF_DARK, "railing, lamp"),
    "not on one day of the week": (DARK, rule("dark", "22:30", "07:00", 'days = "mon-sat"'), "29 November"),
    "not on one date": (DARK, rule("dark", "22:30", "07:00", 'except = ["2027-12-31"]'), "31 December 2027"),
    "up to a date": (DARK, rule("dark", "22:30", "07:00", 'season = "2026-01-01..2031-05-01"'), "May 2031"),
    "a far date": (ONCE, "", "24 December 2044"),
    "a rule with a first date": (FROM_A_DATE, "", "DTSTART"),
    "a rule with a last date in its place": (DARK, TO_A_DATE, "from 22:30"),
    "louder": (QUIET, QUIET.replace("0.3", "0.4"), "more sound"),
    "a brighter rig check": (f"rig_check = 0.2\n{DARK}", f"rig_check = 0.3\n{DARK}", "a rig check would be brighter"),
    "dark, with a rig check, in place of dim": (
        f"rig_check = 0.3\n{DIMMEST}",
        f"rig_check = 0.3\n{rule('dark', '21:00', '23:00')}",
        "a rig check would be brighter",
    ),
    "it begins with the sun": (DARK, rule("dark", "sunset + 3 h", "07:00"), "from 22:30 on"),
}


@pytest.mark.parametrize("case", sorted(KEPT))
def test_hours_that_are_as_strict_or_stricter_are_taken(sites: Sites, case: str) -> None:
    old, new = (sites(hours(text)) for text in KEPT[case])
    assert texts(old, new) == []


@pytest.mark.parametrize("case", sorted(BROKEN))
def test_hours_that_are_shorter_or_lighter_are_refused_with_what_is_cut(sites: Sites, case: str) -> None:
    old, new, wanted = BROKEN[case]
    found = texts(sites(hours(old)), sites(hours(new)))
    assert any(wanted in text for text in found), found
    assert all("That takes the file on the board itself" in text for text in found)


ROOF = zone("roof", "ridge", "eaves")
IN_A_GROUP = string("ridge", 1, more='group = "roof"') + string("eaves", 1, 31, 'group = "roof"')
RIGS = {
    "the same": (RIG, True),
    "a string that is gone, and its slots are sent": (RIG.replace(RIDGE, "").replace('"ridge", ', ""), False),
    "a string that is gone with its universe": (RIG.replace(RAILING, "").replace("1-4", "1,3-4"), True),
    "a string that is no longer in the zone": (RIG.replace(ROOF, zone("roof", "eaves")), False),
    "another name on the same slots": (RIG.replace("ridge", "gable"), True),
    "another name on the same slots, outside the zone": (
        RIG.replace(RIDGE, string("gable", 1)).replace(ROOF, zone("roof", "eaves")), False),
    "a string in another universe, where the zone follows": (RIG.replace(RIDGE, string("ridge", 4)), False),
    "strings in another order": (CONTROLLER + RAILING + EAVES + RIDGE + LAMP + ROOF, True),
    "two strings that exchange their slots": (
        CONTROLLER + string("railing", 1) + EAVES + string("ridge", 2) + LAMP + ROOF, False),
    "a group in place of the zone": (CONTROLLER + IN_A_GROUP + RAILING + LAMP, True),
    "more in the zone": (RIG.replace(ROOF, zone("roof", "ridge", "eaves", "railing")), True),
    "a longer string": (RIG.replace("slot = 31\npixels = 10", "slot = 31\npixels = 20"), True),
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(RIGS))
def test_a_change_of_the_rig_may_not_take_a_string_or_its_slots_out_of_hours(sites: Sites, case: str) -> None:
    rig, kept = RIGS[case]
    found = texts(sites(hours(ROOF_DARK)), sites(hours(ROOF_DARK), rig=rig))
    assert (found == []) == kept, found


def test_a_string_keeps_its_hours_in_another_universe_or_goes_with_its_own(sites: Sites) -> None:
    """Nothing is sent to its old slots any more, so they do not count."""
    old = sites(hours(ROOF_DARK), rig=RIG.replace(ROOF, zone("roof", "railing")))
    gone = RIG.replace("1-4", "1,3-4").replace(ROOF, zone("roof", "eaves"))
    assert texts(old, sites(hours(ROOF_DARK), rig=gone.replace(RAILING, ""))) == []
    moved = gone.replace(RAILING, string("railing", 4))
    assert "railing: there would be more light" in str(texts(old, sites(hours(ROOF_DARK), rig=moved)))
    followed = moved.replace(zone("roof", "eaves"), zone("roof", "railing"))
    assert texts(old, sites(hours(ROOF_DARK), rig=followed)) == []


def test_by_a_clock_that_a_person_has_set_no_year_is_over(sites: Sites) -> None:
    old, new = sites(hours(rule("dark", "20:00", "21:00", 'season = "2027-01-01..2027-12-31"'))), sites()
    later_ns = ns("2040-06-01T12:00:00")
    assert list(refusals(old, new, later_ns)) == []
    assert list(refusals(old, new, later_ns, since_ns=NOW_NS))


def test_a_channel_that_dim_hours_scaled_stays_one_of_light(sites: Sites) -> None:
    dim = hours('dim = [{ from = "21:00", to = "23:00", brightness = 0.4 }]')
    other = RIG.replace('"dimmer", "red"', '"other", "red"')
    assert texts(sites(dim), sites(dim, rig=other))
    assert texts(sites(hours(DARK)), sites(hours(DARK), rig=other)) == [], "dark hours are dark on every channel"


def test_a_zone_of_any_name_has_its_hours(sites: Sites) -> None:
    name = "slots that brightness does not scale"
    rig = RIG.replace("roof", name)
    dark = hours(ROOF_DARK.replace("roof", name))
    assert texts(sites(dark, rig=rig), sites(dark, rig=rig.replace(ROOF.replace("roof", name), zone(name, "eaves"))))
    assert texts(sites(dark, rig=rig), sites(rig=rig))


def test_hours_that_hold_for_a_zone_that_is_gone_stay_until_they_end(sites: Sites) -> None:
    old = sites(hours(ROOF_DARK))
    held = ((rule_id(old.neighbours.dark[0], old.spot), NOW_NS - HOUR_NS, NOW_NS + HOUR_NS),)
    write(sites.folder, TABLES, NIGHT, hours(ROOF_DARK), rig=RIG.replace(ROOF, ""))
    mistaken = Promise.read(sites.folder)
    assert texts(old, mistaken, held)
    assert list(refusals(mistaken, old, NOW_NS, held)) == []


def test_the_place_and_the_zone_count_by_what_they_do(sites: Sites) -> None:
    old, by_sun = sites(hours(DARK)), hours('dark = [{ from = "sunset", to = "sunrise" }]')
    assert texts(old, sites(hours(DARK), at=place(53.0, -0.613, "Europe/London"))) == []
    assert texts(old, sites(hours(DARK), at=place(54.486, -0.613, "Europe/Paris")))
    assert texts(sites(by_sun), sites(by_sun, at=place(53.0, -0.613, "Europe/London")))


def test_windows_that_hold_across_a_step_of_the_clock_keep_their_rule(sites: Sites) -> None:
    old, same, longer = (
        sites(hours(text))
        for text in (ROOF_DARK, ROOF_DARK, 'dark = [{ from = "22:00", to = "07:00", zone = "roof" }]')
    )
    held = ((rule_id(old.neighbours.dark[0], old.spot), NOW_NS - HOUR_NS, NOW_NS + HOUR_NS),)
    assert texts(old, same, held) == []
    assert texts(old, longer) == []
    (text,) = texts(old, longer, held)
    assert "stay as they are until 13:00" in text
    over = ((held[0][0], NOW_NS - 2 * HOUR_NS, NOW_NS - HOUR_NS),)
    assert texts(old, longer, over) == []


def test_a_clock_that_guesses_and_a_new_command_are_refused(sites: Sites) -> None:
    hook = '\n[[hook]]\nat = "opening"\ncommand = ["/usr/local/bin/relay", "{}"]\n'
    old, guesses = sites(), sites('\n[clock]\ntrust = "plausible"\n')
    assert [one.code for one in refusals(old, guesses, NOW_NS)] == [RefusedCode.CLOCK_TRUST]
    assert list(refusals(guesses, old, NOW_NS)) == []
    on, off = sites(hook.format("on")), sites(hook.format("off"))
    assert [one.code for one in new_commands([old], on)] == [RefusedCode.HOOK_COMMAND]
    assert [one.code for one in new_commands([on], off)] == [RefusedCode.HOOK_COMMAND]
    assert list(new_commands([old, on], on)) == []
    assert list(new_commands([on], old)) == []


def test_a_promise_is_read_from_a_file_with_a_mistake_elsewhere(sites: Sites) -> None:
    old = sites(hours(DARK))
    write(sites.folder, TABLES, NIGHT.replace("turn of", "tern of"), hours(DARK), rig=RIG)
    assert texts(old, Promise.read(sites.folder)) == []
    write(sites.folder, TABLES, NIGHT.replace("turn of", "tern of"), rig=RIG)
    assert texts(old, Promise.read(sites.folder))
    write(sites.folder, TABLES, NIGHT, hours('dark = "all night"'), rig=RIG)
    with pytest.raises(InputError):
        Promise.read(sites.folder)


# whatever is taken: what was dark, dim or quiet is so after

TIMES = st.sampled_from(["20:00", "21:30", "22:30", "23:00", "01:00", "06:30", "07:00", "sunset + 4 h", "sunrise"])
SEASONS = ('days = "fri-sun", ', 'season = "11-27..01-06", ', 'dates = ["12-24..12-26"], ')
DAYS = st.sampled_from(["", *SEASONS, 'season = "2026-01-01..2027-06-30", '])
ZONES = st.sampled_from(["", ', zone = "roof"', ', zone = "ridge"', ', zone = "left"'])
LEVELS = st.sampled_from([0.0, 0.2, 0.5])
MOVED = CONTROLLER + string("ridge", 2) + string("eaves", 1) + string("railing", 3) + ROOF
ZONED = (RIG.replace(ROOF, zone("roof", *names)) for names in (("ridge",), ("eaves", "railing")))
FORMS = st.sampled_from([RIG, RIG, RIG, *ZONED, MOVED])
EARLIER = 'dark = [{ from = "19:00", to = "08:00" }, {'


@st.composite
def rules(draw: st.DrawFn) -> str:
    kinds = {"dark": "", "dim": ", brightness = {}", "quiet": ", volume = {}"}
    lines = []
    for kind, more in kinds.items():
        found = []
        for _ in range(draw(st.integers(0, 2))):
            at, until = draw(TIMES), draw(TIMES)
            part = "" if kind == "quiet" else draw(ZONES)
            found.append(f'{{ {draw(DAYS)}from = "{at}", to = "{until}"{more.format(draw(LEVELS))}{part} }}')
        lines.append(f"{kind} = [{', '.join(found)}]")
    level = draw(st.sampled_from(["", "rig_check = 0.1", "rig_check = 0.4"]))
    return hours("\n".join([level, *lines]))


@st.composite
def changes(draw: st.DrawFn) -> tuple[str, str, str, str]:
    """Rules and a rig before, and after. Often the later ones are the earlier ones, and something more or other."""
    before = draw(rules())
    stricter = before.replace("22:30", "22:00"), before.replace("dark = [{", EARLIER)
    after = draw(st.one_of(st.just(before), rules(), *map(st.just, stricter)))
    return before, draw(FORMS), after, draw(FORMS)


def limits(site: Site, at_ns: int) -> Iterator[tuple[tuple[object, int], float, float, float]]:
    """By the transmitter's windows: how bright each slot may be, and in a rig check; and the sound of all. The slots of
    strings and fixtures by their names, and some of each universe, whatever they are for."""
    found = windows_of(site, at_ns - DAY_NS, at_ns + DAY_NS).in_force(at_ns)
    check = site.neighbours.rig_check or 0.0
    parts: dict[object, list[tuple[int, int]]] = {
        number: [(number, slot) for slot in (1, 30, 31, 60, 512)] for number in site.rig.controller_of
    }
    for one in (*site.rig.string, *site.rig.fixture):
        parts[one.name] = [(universe, slot) for universe, first, last in one.spans() for slot in range(first, last + 1)]
    for name, slots in parts.items():
        for number_of_slot, (number, slot) in enumerate(slots):
            here = [
                window.light
                for window in found
                if window.spans is None or any(u == number and a <= slot <= b for u, a, b in window.spans)
            ]
            rig_check = min((level or check for level in here), default=1.0)
            yield (name, number_of_slot), min(here, default=1.0), rig_check, 0.0
    whole = [window.sound for window in found if window.spans is None]
    yield ("sound", 0), 0.0, 0.0, min(whole, default=1.0)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(drawn=changes(), minutes=st.lists(st.integers(0, 2 * 365 * 24 * 60), min_size=5, max_size=40))
def test_whatever_is_taken_leaves_no_instant_lighter_or_louder(
    sites: Sites, drawn: tuple[str, str, str, str], minutes: list[int]
) -> None:
    before, rig, after, other = drawn
    try:
        old, new = sites.site(before, rig=rig), sites.site(after, rig=other)
    except InputError:
        return
    if list(refusals(Promise.of(old), Promise.of(new), NOW_NS)):
        return
    for at_ns in (NOW_NS + minute * MINUTE_NS for minute in minutes):
        was = {one[0]: one[1:] for one in limits(old, at_ns)}
        would = {one[0]: one[1:] for one in limits(new, at_ns)}
        for slot in was.keys() & would.keys():
            assert all(now <= then for now, then in zip(would[slot], was[slot], strict=True)), (slot, at_ns)
