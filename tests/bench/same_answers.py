"""Whether a change of the code changes what is shown, or what is said of it: answers saved before it, compared after.

    python -m tests.bench.same_answers save FILE
    python -m tests.bench.same_answers compare FILE [--rename OLD=NEW ...] [--ignore KEY ...]

The answers are of the demonstration season and of ten drawn sites, at 2,000 instants in all. Of each instant: what
`gloaming why --json` prints, the decision with overrides in force, and the packets of a quarter of a second, one hash a
universe. Of each site: what `gloaming nights --json` prints for 430 dates. FILE holds one JSON object a line. `compare`
asks again at the instants in FILE. A word that was renamed on purpose is brought up to date by --rename. A key
that was added to the answers since is left out by --ignore.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib.metadata import entry_points
from pathlib import Path
from random import Random
from typing import Any, cast
from unittest.mock import patch
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np

from gloaming.daemon.direction.decide import decide, score
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.planner.messages import setup_of, windows_of
from gloaming.daemon.score.score import Score
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.readahead import FrameCache, ReadAhead, Want
from gloaming.shows.demonstration.season import make_season
from gloaming.shows.framefile.reader import FrameReader
from tests.daemon.transmitter.player_harness import FakeSender

S = 1_000_000_000
INSTANTS, DRAWN = 2000, 10
NIGHTS_FROM, NIGHTS_DAYS = "2026-10-01", 430
PLAYED_NS = S // 4
SHOWN = 10
CID = "5f2b7c1e0a3d4e6f8091a2b3c4d5e6f7"
PLACES = (
    (54.486, -0.613, "Europe/London"),
    (69.65, 18.96, "Europe/Oslo"),
    (-31.5, 159.1, "Australia/Lord_Howe"),
    (40.7, -74.0, "America/New_York"),
    (64.84, -147.72, "America/Anchorage"),
    (-54.8, -68.3, "America/Argentina/Ushuaia"),
    (27.7, 85.3, "Asia/Kathmandu"),
)
SUNS = ("sunset", "sunset + 20 min", "dusk", "sun at -4 - 30 min", "dawn - 8 h", "sunrise + 9 h", "sun at -12")
SHOWS = ("evening", "turn of the year")
DAILY = ('days = "daily"',)
ON = (
    'days = "mon-thu,sun"\nexcept = ["12-24..12-26", "easter - 2 days"]',
    'season = "11-27..01-06"',
    'dates = ["holidays of GB-ENG", "12-01..01-31", "orthodox easter + 1 day"]',
    'rrule = "DTSTART:20261002\\nRRULE:FREQ=DAILY;INTERVAL=2"',
    'rrule = "FREQ=YEARLY;BYMONTH=11,12,1;BYDAY=FR,SA,SU;UNTIL=20270601"',
)
RIG = """
[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1-3"

[[controller]]
name = "right"
host = "192.0.2.22"
universes = "4-5"
lead = "40 ms"
spread = "10 ms"
"""


def gloaming(*words: str) -> str:
    """What the command prints, wherever it is in this tree. Exit code 1 only means that there is no night."""
    (command,) = entry_points(group="console_scripts", name="gloaming")
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = command.load()(words)
    if code not in (0, 1):
        raise SystemExit(f"gloaming {' '.join(words)}: {err.getvalue()}")
    return out.getvalue()


def write_drawn(folder: Path, number: int) -> None:
    """A site of its own place, rates, neighbours' hours and performances, with five universes of drawn frames."""
    chance = Random(number)
    (folder / "pieces").mkdir(parents=True)
    tables = []
    for name in ("bells", "tide", "lanterns", "swell"):
        array, frames = folder / f"{name}.npy", folder / "pieces" / f"{name}.frames"
        size = (chance.randrange(20, 900), 60)
        np.save(array, np.random.default_rng(chance.randrange(1 << 30)).integers(0, 256, size, np.uint8))
        fps = chance.choice(("40", "25", "30000/1001", "10", "2"))
        gloaming("frames", "import", str(array), str(frames), "--fps", fps, "--slots", "12", "--universes", "1-5")
        tables.append(f'[[piece]]\nname = "{name}"\nframes = "pieces/{name}.frames"\n')

    def span(more: str = "") -> str:
        hour = chance.randrange(24)
        begin, end = (f"{at % 24:02}:{chance.choice((0, 15, 50)):02}" for at in (hour, hour + chance.randint(1, 4)))
        return f'{{ from = "{chance.choice((begin, begin, chance.choice(SUNS)))}", to = "{end}"{more} }}'

    latitude, longitude, zone = PLACES[number % len(PLACES)]
    hours = {"dark": "", "quiet": chance.choice(("", ", volume = 0.3")), "dim": ", brightness = 0.5"}
    neighbours = (
        f"{kind} = [{', '.join(span(more) for _ in range(chance.randrange(3)))}]\n" for kind, more in hours.items()
    )
    performances = (
        f'[[performance]]\nshow = "{chance.choice(SHOWS)}"\n{chance.choice(ON if rank else DAILY)}\n'
        f'from = "{chance.choice((*SUNS, "17:30"))}"\nto = "{chance.choice(("22:00", "23:59", "01:30"))}"\n'
        f'at_close = "{chance.choice(("finish", "cut"))}"\ngrace = "2 min"\nrank = {rank}\n'
        for rank in range(chance.randint(1, 3))
    )
    brightness, fade, fades = chance.choice((1.0, 0.35)), chance.choice((0, 1, 3)), chance.choice((0, 2))
    play = chance.choice(("in-order", "shuffled"))
    (folder / "rig.toml").write_text(RIG)
    (folder / "site.toml").write_text(
        f'[site]\nname = "Pier Road boathouse"\nlatitude = {latitude}\nlongitude = {longitude}\ntimezone = "{zone}"\n'
        f'if_no_sunset = "16:00"\n[neighbours]\n{"".join(neighbours)}\n'
        f'[output]\nbrightness = {brightness}\nfade = "{fade} s"\n{"".join(tables)}\n'
        f'[[show]]\nname = "evening"\norder = ["bells", "tide", "lanterns"]\nplay = "{play}"\n'
        f'gap = "4 s"\ncross_fade = "{fades} s"\n'
        '[[show]]\nname = "turn of the year"\norder = ["lanterns", "bells"]\nbetween = "swell"\ngap = "30 s"\n'
        f"{''.join(performances)}"
    )


def folders(below: Path) -> dict[str, Path]:
    """The sites by their names."""
    found = {"demonstration": below / "demonstration"}
    make_season(found["demonstration"], "127.0.0.1", "127.0.0.1:0")
    for number in range(DRAWN):
        found[f"drawn {number}"] = folder = below / f"drawn-{number}"
        write_drawn(folder, number)
    return found


def drawn_instants(name: str, zone: ZoneInfo, count: int) -> Iterator[int]:
    """Instants within a year, most of them of an evening, some within half a second of a minute by the clock."""
    chance = Random(name)
    for _ in range(count):
        day = datetime(2026, 10, 1, tzinfo=zone) + timedelta(
            days=chance.choice((chance.randrange(110), chance.randrange(365)))
        )
        minutes = chance.randrange(15 * 60, 26 * 60) if chance.random() < 0.8 else chance.randrange(24 * 60)
        at_ns = int((day + timedelta(minutes=minutes)).astimezone(UTC).timestamp()) * S
        yield (
            at_ns
            + (chance.choice((-500_000, 0, 500_000)) if chance.random() < 0.3 else chance.randrange(60_000_000)) * 1000
        )


def drawn_overrides(at_ns: int, shows: list[str]) -> tuple[Override, ...]:
    """What people may have asked for around an instant."""
    chance = Random(at_ns)
    found = []
    for id_ in range(1, chance.choice((1, 2, 3, 5))):
        kind = Kind(chance.choice(("pause", "dark", "call", "call", "dim", "mute", "skip")))
        begin_ns, lasts_ns = at_ns - chance.randrange(1200 * S), chance.choice((60, 900, 3600)) * S
        found.append(
            Override(
                id_,
                kind,
                begin_ns,
                begin_ns + lasts_ns,
                show=chance.choice(shows) if kind == "call" else None,
                level=chance.random() if kind == "dim" else None,
                ended_ns=begin_ns + chance.randrange(lasts_ns) if chance.random() < 0.2 else None,
            )
        )
    return tuple(found)


class FakeReadAhead:
    """Frames of real files, there at once: the transmitter's own reading ahead takes the time that a disk takes."""

    def __init__(self) -> None:
        self._readers: dict[str, FrameReader] = {}

    def want(self, *wanted: Want) -> None: ...

    def damaged_after(self, path: str, frame: int) -> None: ...

    def get(self, path: str, frame: int) -> FrameCache:
        if path not in self._readers:
            self._readers[path] = FrameReader(path)
        reader = self._readers[path]
        return FrameCache(reader.frame(frame), reader.info)


def passed(value: Setup | Score | Windows) -> Any:
    """What comes of a value on its way from process to process."""
    return json.loads(json.dumps(value.to_json()))


def packets(site: Site, at_ns: int, overrides: tuple[Override, ...], shelf: FakeReadAhead) -> dict[str, str]:
    """A hash of what each universe is sent: when, where to, and the slots. Messages go through the score protocol."""
    sender, begin_ns = FakeSender(now_ns=1000 * S), 1000 * S
    told = Score(1, at_ns - begin_ns, 0, score(at_ns - S, at_ns + 30 * S, site, overrides))
    windows = windows_of(site, at_ns - 86_400 * S, at_ns + 86_400 * S)
    with patch.object(output_module, "UdpSender", lambda *options: sender):
        output = Output(Setup.from_json(passed(setup_of(site, UUID(CID), None, {}))))
    player = Player(cast(ReadAhead, shelf), lambda *said: None)
    player.use(output)
    player.score = Score.from_json(passed(told))
    player.windows = Windows.from_json(passed(windows))
    while sender.now_ns < begin_ns + PLAYED_NS:
        sender.now_ns = max(sender.now_ns + 1, player.tick(sender.now_ns, at_ns + sender.now_ns - begin_ns))
    hashes: dict[str, Any] = {}
    for sent_ns, address, data in sender.left:
        universe = int.from_bytes(data[113:115], "big")
        hashes.setdefault(str(universe), sha256()).update(f"{sent_ns - begin_ns} {address} ".encode() + data[126:])
    return {universe: one.hexdigest()[:16] for universe, one in hashes.items()}


@dataclass
class Asked:
    """A site that is asked."""

    name: str
    folder: Path

    def __post_init__(self) -> None:
        self.site, self.read_ahead = load_site(self.folder), FakeReadAhead()

    def nights(self) -> Iterator[dict[str, Any]]:
        words = ("nights", str(self.folder), "--from", NIGHTS_FROM, "--days", str(NIGHTS_DAYS), "--json")
        for night in json.loads(gloaming(*words)):
            yield {"site": self.name, "key": f"{night['show']} opens {night['opens']}", "nights": night}

    def at(self, at_ns: int) -> dict[str, Any]:
        text = datetime.fromtimestamp(at_ns // S, UTC).replace(microsecond=at_ns % S // 1000).isoformat()
        overrides = drawn_overrides(at_ns, sorted(self.site.shows))
        return {
            "site": self.name,
            "key": at_ns,
            "why": json.loads(gloaming("why", str(self.folder), text, "--json")),
            "asked": decide(at_ns, self.site, overrides).as_json(self.site.timezone),
            "packets": packets(self.site, at_ns, overrides, self.read_ahead),
        }


def save(path: Path) -> None:
    count = INSTANTS // (DRAWN + 1)
    with tempfile.TemporaryDirectory(prefix="answers-") as below, path.open("w") as file:
        for name, folder in folders(Path(below)).items():
            asked = Asked(name, folder)
            more = INSTANTS % (DRAWN + 1) if name == "demonstration" else 0
            instants = sorted(drawn_instants(name, asked.site.timezone, count + more))
            for line in (*asked.nights(), *map(asked.at, instants)):
                print(json.dumps(line), file=file)


def differences(before: Any, now: Any, at: str = "") -> Iterator[str]:
    """Where two answers differ, key by key."""
    if isinstance(before, dict) and isinstance(now, dict):
        for key in {**before, **now}:
            yield from differences(before.get(key), now.get(key), f"{at}.{key}" if at else key)
    elif before != now:
        yield f"{at}: {json.dumps(before)} was, {json.dumps(now)} is"


def without(answer: Any, keys: set[str]) -> Any:
    """An answer without some keys, however deep they lie."""
    if isinstance(answer, dict):
        return {key: without(value, keys) for key, value in answer.items() if key not in keys}
    return [without(one, keys) for one in answer] if isinstance(answer, list) else answer


def compare(path: Path, renamed: list[str], ignored: set[str]) -> int:
    text = path.read_text()
    for old, _, new in (one.partition("=") for one in renamed):
        text = text.replace(old, new)
    lines = [json.loads(line) for line in text.splitlines()]
    told: list[str] = []
    parts: Counter[str] = Counter()
    equal: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="answers-") as below:
        for name, folder in folders(Path(below)).items():
            asked = Asked(name, folder)
            before = {line["key"]: line for line in lines if line["site"] == name}
            now = {line["key"]: line for line in asked.nights()}
            now |= {key: asked.at(key) for key in before if isinstance(key, int)}
            for key in {**before, **now}:
                first, second = before.get(key, {}), now.get(key, {})
                for part in ({**first, **second}).keys() - {"site", "key"}:
                    before_it, now_it = (without(one.get(part), ignored) for one in (first, second))
                    found = list(differences(before_it, now_it, part))
                    parts[part] += 1
                    equal[part] += not found
                    told += [f"{name}, {key}: {one}" for one in found]
    print(", ".join(f"{part}: {equal[part]} of {count} equal" for part, count in sorted(parts.items())))
    print("\n".join(told[:SHOWN]))
    return 1 if told else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("work", choices=("save", "compare"))
    parser.add_argument("file", type=Path)
    parser.add_argument(
        "--rename", action="append", default=[], metavar="OLD=NEW", help="a word of FILE, and what it is now"
    )
    parser.add_argument(
        "--ignore", action="append", default=[], metavar="KEY", help="a key of the answers that FILE does not have"
    )
    args = parser.parse_args()
    if args.work == "compare":
        return compare(args.file, args.rename, set(args.ignore))
    save(args.file)
    return 0


if __name__ == "__main__":
    sys.exit(main())
