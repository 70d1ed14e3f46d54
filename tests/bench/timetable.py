"""`python -m tests.bench.timetable`: what timetable and direction cost in CPU time, as shares of what is allowed.

Each line stands beside a yardstick of the same run: the time in which this machine hashes 1 MiB (SHA-256) so often.
"""

from __future__ import annotations

import tempfile
import tracemalloc
from collections.abc import Callable
from datetime import date, timedelta
from hashlib import sha256
from itertools import count
from pathlib import Path
from random import Random
from time import process_time

from gloaming.daemon.direction import decide as deciding
from gloaming.daemon.direction.decide import decide, score
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.running_order import rundown
from gloaming.daemon.reports.nights import season
from gloaming.daemon.reports.rehearsal import rehearse
from gloaming.daemon.reports.survey_energy import energy
from gloaming.daemon.reports.survey_schedule import survey_schedule
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable import nights as timetable
from gloaming.daemon.timetable import rules, sun
from gloaming.shows.rig.draw import MainsWatts
from tests.daemon.direction.test_turns import site_of as piece_sites
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, ns, performance, site_of

TIMES = ("sunset + 20 min", "dusk", "sun at -4", "17:00")
NEIGHBOURS = """
[neighbours]
dark = [{ days = "mon-thu,sun", from = "22:30", to = "07:00" }, { days = "fri,sat", from = "23:00", to = "sunrise" }]
quiet = [{ from = "21:00", to = "09:00" }]
dim = [{ from = "21:30", to = "23:00", brightness = 0.5 }]
"""
ALL_DAY = 'from = "00:00"\nto = "23:59"'
KINDS = (Kind.PAUSE, Kind.DIM, Kind.MUTE, Kind.DARK, Kind.SKIP)


def cpu_s(work: Callable[[], object], times: int = 1) -> float:
    """The least CPU time of three runs, each of `times` calls, for one call."""
    best = 1e9
    for _ in range(3):
        begin = process_time()
        for _ in range(times):
            work()
        best = min(best, (process_time() - begin) / times)
    return best


def forget() -> None:
    """Empty every cache: what follows is worked out anew."""
    for cached in (
        timetable._on,
        timetable._by_themselves,
        sun.sun_event,
        sun.solar_noon,
        rules._window,
        deciding._cached_plans,
        rundown,
    ):
        cached.cache_clear()


def main() -> None:
    folder = Path(tempfile.mkdtemp(prefix="bench-"))
    many = [
        performance(f'from = "{TIMES[number % 4]}"\nto = "{22 + number // 6}:{number % 6}0"\nrank = {number}')
        for number in range(12)
    ]
    twelve = site_of(folder / "twelve", NEIGHBOURS, TABLES, *many)
    evening = site_of(folder / "evening", NEIGHBOURS, TABLES, EVENING)
    at_ns = ns("2026-12-18T20:00")
    overrides = tuple(
        Override(
            number + 1,
            KINDS[number % len(KINDS)],
            at_ns - (200 - number) * 100 * SECOND_NS,
            at_ns - (200 - number) * 100 * SECOND_NS + 50 * SECOND_NS,
            level=0.5 if KINDS[number % len(KINDS)] == Kind.DIM else None,
        )
        for number in range(200)
    )

    def year() -> None:
        forget()
        timetable.nights(twelve, date(2026, 1, 1), date(2026, 12, 31))

    def season() -> None:
        forget()
        rehearse(evening, date(2026, 11, 27), date(2026, 11, 27) + timedelta(days=44))

    def cold() -> None:
        forget()
        decide(at_ns, evening, overrides)

    asked = count()

    def one_more() -> None:
        more = Override(201, Kind.DIM, at_ns, at_ns + 900 * SECOND_NS, who=str(next(asked)), level=0.5)
        decide(at_ns, evening, (*overrides, more))

    def anew() -> None:
        deciding._cached_plans.cache_clear()
        rundown.cache_clear()
        decide(at_ns, evening, overrides)

    chance = Random(1)
    begins = [at_ns + chance.randrange(-20 * 86_400, 20 * 86_400) * SECOND_NS for _ in range(200)]
    spread = tuple(
        Override(number + 1, KINDS[number % len(KINDS)], begin, begin + 900 * SECOND_NS, level=0.5)
        for number, begin in enumerate(sorted(begins))
    )
    instants = [at_ns + chance.randrange(-20 * 86_400, 20 * 86_400) * SECOND_NS for _ in range(200)]

    def anywhere() -> None:
        forget()
        for instant_ns in instants:
            decide(instant_ns, evening, spread)

    block = bytes(1 << 20)
    yard_s = cpu_s(lambda: sha256(block).digest(), 20)
    decide(at_ns, evening, overrides)
    lines = [
        ("365 nights x 12 performances", 1.0, cpu_s(year)),
        ("45 nights, minute by minute", 10.0, cpu_s(season)),
        ("one decide, 200 overrides of that evening", 0.002, cpu_s(lambda: decide(at_ns, evening, overrides), 200)),
        ("one decide anywhere in 40 days, 200 overrides in them", 0.002, cpu_s(anywhere) / len(instants)),
        ("the first decide after a 201st is asked for that evening", 0.02, cpu_s(one_more, 50)),
        ("the same, worked out from the beginning", 0.1, cpu_s(anew)),
        ("the same, nothing known of the timetable either", 0.1, cpu_s(cold)),
        ("load_site, 12 performances", 3.0, cpu_s(lambda: load_site(folder / "twelve"))),
    ]
    print("| what | CPU time | of what is allowed | in hashes of 1 MiB |")
    print("| --- | --- | --- | --- |")
    for what, allowed_s, took_s in lines:
        print(f"| {what} | {took_s * 1000:.2f} ms | {took_s / allowed_s:.1%} | {took_s / yard_s:.1f} |")
    turns(folder)


def turns(folder: Path) -> None:
    """What the length of a piece costs: the first decision and score of an evening, and a survey of a year."""
    sites = {
        "one piece of 4 minutes": piece_sites(folder / "long", {"tide": 9600}),
        "a still": piece_sites(folder / "still", {"look": 1}),
        "ten seconds, all day": piece_sites(folder / "day", {"tide": 400}, times=ALL_DAY),
        "two of 18 s: 1,000 a night": piece_sites(folder / "two", {"flood": 720, "ebb": 720}),
        "the same, shuffled": piece_sites(folder / "mixed", {"flood": 720, "ebb": 720}, 'play = "shuffled"'),
    }
    at_ns, first = ns("2026-12-18T20:00"), date(2026, 11, 27)
    print("\n| an evening of 5 hours | first decision and score | memory | a survey's year | of the first line's |")
    print("| --- | --- | --- | --- | --- |")
    base_s = 0.0
    for what, site in sites.items():

        def answer(site: Site = site) -> None:
            forget()
            decide(at_ns, site)
            score(at_ns, at_ns + 1800 * SECOND_NS, site)

        def year(site: Site = site) -> None:
            forget()
            rows = season(site, first, first + timedelta(days=365))
            energy(site, {name: {"ridge": MainsWatts(10.0, 0.0)} for name in site.pieces}, rows)
            survey_schedule(site, first, first + timedelta(days=365))

        tracemalloc.start()
        answer()
        memory = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        answer_s, begin = cpu_s(answer), process_time()
        year()
        year_s = process_time() - begin
        base_s = base_s or year_s
        print(f"| {what} | {answer_s * 1000:.2f} ms | {memory:.2f} MB | {year_s:.2f} s | {year_s / base_s:.2f} |")


if __name__ == "__main__":
    main()
