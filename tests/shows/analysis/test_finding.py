"""Findings: each code is used, and equal codes mean equal kinds."""

from __future__ import annotations

import re

from gloaming.daemon.reports.survey import config_finding
from gloaming.daemon.reports.survey_power import LIMITS
from gloaming.daemon.reports.survey_texts import ALIKE_MAX, thinned
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode
from tests.places import TOP

BY_KIND = {
    *(f"flashing-{kind}" for kind in ("rig", "group", "view", "string")),
    *(f"{kind}-{load}" for kind in LIMITS for load in ("loaded", "overloaded")),
}
"""Codes that are composed at run time."""


def test_every_code_is_used_once_or_more() -> None:
    source = "".join(path.read_text() for folder in ("daemon", "shows") for path in (TOP / folder).rglob("*.py"))
    named = {FindingCode[name] for name in re.findall(r"FindingCode\.([A-Z0-9_]+)", source)}
    assert named | {FindingCode(code) for code in BY_KIND} == set(FindingCode)


def test_findings_of_one_code_are_thinned_out_whatever_their_words() -> None:
    found = tuple(
        Finding(FindingCode.CONTROLLER_SILENT, "warning", f"rig.toml:{number}", f"{'abcdefg'[number]} is silent")
        for number in range(ALIKE_MAX + 2)
    )
    shown = list(thinned(found))
    assert [finding.place for finding, _ in shown] == [f"rig.toml:{number}" for number in range(ALIKE_MAX)]
    assert [more for _, more in shown] == [*[0] * (ALIKE_MAX - 1), 2]


def test_findings_that_read_alike_but_are_not_the_same_stay() -> None:
    codes = (FindingCode.NO_FUSE, FindingCode.NO_SUPPLY)
    found = tuple(Finding(code, "fact", "rig.toml", "it is not named") for code in codes for _ in range(ALIKE_MAX - 1))
    assert len(list(thinned(found))) == len(found)


def test_mistakes_are_alike_where_they_have_the_same_key_in_one_table_after_the_other() -> None:
    keys = [*(f"string[{number}].fuse_a" for number in range(7)), "site.latitude", "site.longitude", "phone.bind"]
    errors = [ConfigError("rig.toml", 9, key, "-1 is too little", None, ConfigErrorCode.INVALID) for key in keys]
    shown = [finding.key for finding, _ in thinned(tuple(map(config_finding, errors)))]
    assert shown == ["string.fuse_a"] * ALIKE_MAX + keys[7:]
