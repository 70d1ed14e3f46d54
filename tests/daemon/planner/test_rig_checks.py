"""Rig checks: their patterns, rendered into files."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, cast

import pytest

from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import Verdict
from gloaming.daemon.planner.commands import Commands, NotStandingError
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.rig_checks import PATTERNS_MAX, RigChecks
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.site.site import Site
from gloaming.shows.framefile.reader import inspect
from gloaming.shows.rig.patterns import Pattern
from tests.daemon.planner.rig_stub import RIG, Stub, other_rig


def care(folder: Path) -> tuple[Any, RigChecks]:
    planner: Any = Stub(folder)
    return planner, RigChecks(planner, folder)


def test_a_pattern_is_rendered_once_and_the_oldest_are_deleted(tmp_path: Path) -> None:
    _, of = care(tmp_path)

    async def ask(minutes: float) -> Override:
        return await of.check({"pattern": "walk", "string": "ridge", "minutes": minutes}, "Nan")

    first = asyncio.run(ask(2))
    assert first.check
    info = inspect(first.check.path)
    assert (info.frames, info.fps, first.check.text) == (200, 2, "walk, white of string ridge")
    written = Path(first.check.path).stat().st_ino
    assert asyncio.run(ask(2)).check == first.check
    assert Path(first.check.path).stat().st_ino == written
    for pace in range(3, 30):
        asyncio.run(ask(200 / pace / 60))
    assert len(list((tmp_path / "rig-check").iterdir())) == PATTERNS_MAX


def test_the_file_of_a_burn_in_is_not_deleted_while_others_are_rendered(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    burn_in = asyncio.run(of.check({"pattern": "ramp", "hours": 24}, "Nan"))
    planner.overrides = (burn_in,)
    for pace in range(2, 30):
        asyncio.run(of.check({"pattern": "walk", "minutes": 200 / pace / 60}, "Nan"))
    assert burn_in.check
    assert inspect(burn_in.check.path).frames == burn_in.check.frames
    assert burn_in.kind == Kind.BURN_IN
    assert of.dim_windows() == []


def test_a_check_whose_file_is_lost_is_asked_for_again_with_what_is_left_of_it(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    request = {"pattern": "pixel", "number": 3, "strings": ["ridge", "loose"], "colour": "red", "level": 0.5}
    burn_in = asyncio.run(of.check({**request, "hours": 24}, "Nan"))
    check = asyncio.run(of.check({"pattern": "ends", "controller": "left", "minutes": 5}, "Nan"))
    planner.overrides = (burn_in, check)
    assert of.changed_checks() == []
    for path in of.folder.iterdir():
        path.unlink()
    planner.at_ns += 60 * 10**9
    assert of.changed_checks() == [
        (burn_in, {**request, "hours": pytest.approx(24 - 1 / 60)}),
        (
            check,
            {"pattern": "ends", "controller": "left", "colour": "white", "level": 0.3, "minutes": pytest.approx(4)},
        ),
    ]


def test_a_button_that_is_held_renders_one_file_for_all_pixels_of_a_string(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    written = set()
    for number in range(1, 30):
        check = asyncio.run(of.check({"pattern": "pixel", "string": "ridge", "number": number}, "Nan")).check
        assert check and (check.still, check.text) == (number - 1, f"pixel {number}, white of string ridge")
        written.add((Path(check.path).stat().st_ino, Path(check.path).stat().st_size, check.piece))
    assert len(written) == len(list((tmp_path / "rig-check").iterdir())) == 1


def test_a_pattern_that_is_damaged_on_the_disk_is_rendered_again(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    first = asyncio.run(of.check({"pattern": "walk"}, ""))
    assert first.check
    Path(first.check.path).write_bytes(b"damaged")
    assert asyncio.run(of.check({"pattern": "walk"}, "")).check == first.check
    assert inspect(first.check.path).frames == 200


def test_a_state_directory_that_takes_nothing_is_an_error_of_the_system(tmp_path: Path) -> None:
    _, of = care(tmp_path)
    (tmp_path / "rig-check").write_text("in the way")
    with pytest.raises(OSError, match=r"the pattern cannot be written to .*/rig-check: File exists"):
        asyncio.run(of.check({"pattern": "walk"}, ""))


def test_a_pattern_that_cannot_be_written_is_no_input_error(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    of.folder.mkdir()
    of._path(Pattern("walk"), planner.site).mkdir()
    with pytest.raises(OSError, match=r"the pattern cannot be written to .*/rig-check: this is a folder"):
        asyncio.run(of.check({"pattern": "walk"}, ""))


def test_a_rig_that_is_read_again_while_a_pattern_is_rendered_has_its_own_pattern(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planner, of = care(tmp_path)
    render = of._render

    def rendered(pattern: Pattern, site: Site) -> Check:
        if site.rig.string[0].pixels == 200:
            other_rig(planner, RIG.replace("pixels = 200", "pixels = 180"))
        return render(pattern, site)

    monkeypatch.setattr(of, "_render", rendered)
    found = asyncio.run(of.check({"pattern": "walk"}, "Nan")).check
    assert found and found.frames == 180


def test_a_rig_check_under_way_follows_a_rig_that_has_changed_or_ends(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    asked: list[Override] = []
    undone: list[int] = []

    async def check_rig(request: Any, who: str, follows: Override) -> None:
        assert follows is planner.overrides[0]
        asked.append(await of.check(request, who))

    async def undo(id: int, who: str) -> None:
        undone.append(id)

    commands: Any = Commands(planner, of, cast(ScoreSender, None), cast(Holds, None), cast(SharedFacts, None))
    commands.check_rig, commands.undo = check_rig, undo
    request = {"pattern": "pixel", "number": 37, "string": "ridge", "level": 0.5, "minutes": 4}
    planner.overrides = (asyncio.run(of.check(request, "Nan")),)
    other_rig(planner, "# a remark\n" + RIG)
    asyncio.run(commands.follow_rig())
    assert not asked  # the same pixels
    planner.at_ns += 60 * 10**9
    other_rig(planner, RIG.replace("pixels = 200", 'pixels = 198\norder = "GRB"\nslot = 4'))
    asyncio.run(commands.follow_rig())
    (again,) = asked
    assert again.check and again.check != planner.overrides[0].check
    assert (again.until_ns, again.level, again.who) == (planner.overrides[0].until_ns, 0.5, "Nan")
    planner.overrides = (again,)
    other_rig(planner, RIG.replace("pixels = 200", "pixels = 20"))
    asyncio.run(commands.follow_rig())
    assert (len(asked), undone) == (1, [again.id])
    assert planner.noted[-1][1].startswith("pixel 37, white of string ridge ends, as the rig has changed")


def test_lights_that_are_turned_off_while_a_pattern_is_rendered_stay_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planner, of = care(tmp_path)
    render, pause = of._render, Override(7, Kind.PAUSE, planner.at_ns, planner.at_ns + 900 * 10**9, "Nan")

    def rendered(pattern: Pattern, site: Site) -> Check:
        planner.overrides = (pause,)
        return render(pattern, site)

    monkeypatch.setattr(of, "_render", rendered)
    with pytest.raises(Refusal, match="a pause was asked for after this rig check"):
        asyncio.run(of.check({"pattern": "colours"}, "Huw"))
    assert asyncio.run(of.check({"pattern": "colours"}, "Huw")), "whoever asks now knows of the pause"


def test_a_rig_check_that_is_ended_while_it_follows_a_rig_does_not_come_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of, _ = care(tmp_path)
    planner = Planner(of.site, tmp_path, Clock(0, lambda: of.at_ns, lambda: 50 * 10**9))
    asked = asyncio.run(planner._parts.rig_checks.check({"pattern": "colours"}, "Nan"))
    check, rig_check = planner._parts.situation.add(asked), planner._parts.rig_checks.check

    async def rendered(request: Any, who: str) -> Override:
        planner._parts.store.end(check.id, of.at_ns + 1)
        of.at_ns += 10**9
        planner._parts.situation.read_overrides()
        return await rig_check(request, who)

    monkeypatch.setattr(planner._parts.rig_checks, "check", rendered)
    planner._parts.situation.trust.verdict = Verdict(True, "synchronised", "")
    with pytest.raises(NotStandingError):
        asyncio.run(planner._parts.commands.check_rig({"pattern": "walk"}, "Nan", follows=check))
    assert not planner._parts.situation.standing(of.at_ns)
    planner._parts.close()


def test_the_check_in_force_is_reported_with_its_frame(tmp_path: Path) -> None:
    planner, of = care(tmp_path)
    planner.overrides = (asyncio.run(of.check({"pattern": "walk", "string": "ridge"}, "Nan")),)
    planner.at_ns += 5 * 10**9 + 1
    shown = of.shown()
    assert shown
    assert (shown["frame"], shown["text"]) == (11, "walk, white of string ridge")
