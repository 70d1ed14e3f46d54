"""A model refuses a request with one line: the key, what is wrong, what to do."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from gloaming.api.http.schemas.answers import Answer, JournalLine, NightAhead, SeasonReport
from gloaming.api.http.schemas.overrides import override_request
from gloaming.api.http.schemas.requests import rig_check_request
from gloaming.api.http.schemas.rig import CircuitListed, FixtureListed, PortListed, RigListed, SupplyListed
from gloaming.api.http.schemas.states import Explanation, Now, Telemetry
from gloaming.daemon.direction.overrides import ASKED
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.errors import ConfigErrorCode, InputError
from gloaming.shows.rig.model import Circuit, Fixture, Port, Supply
from tests.api.house import house, run
from tests.places import TOP


@pytest.mark.parametrize(
    ("request_", "key", "wrong", "right"),
    [
        ({}, "kind", "missing", ", ".join(ASKED)),
        ({"kind": "light"}, "kind", "'light' is not a kind", "pause, dark"),
        ({"kind": "rig-check"}, "kind", "'rig-check' is not a kind", "pause, dark"),
        ({"kind": ["pause"]}, "kind", "not a kind", "pause"),
        ({"kind": "pause", "minutes": 0}, "minutes", "0 is not a number of minutes", "as 15"),
        ({"kind": "pause", "minutes": -5}, "minutes", "-5 is not", "as 15"),
        ({"kind": "pause", "minutes": "15"}, "minutes", "'15' is not", "as 15"),
        ({"kind": "pause", "minutes": True}, "minutes", "True is not", "as 15"),
        ({"kind": "pause", "minutes": 1e300}, "minutes", "is not a number of minutes", "as 15"),
        ({"kind": "pause", "minutes": float("nan")}, "minutes", "nan is not", "as 15"),
        ({"kind": "pause", "minutes": 11_000}, "minutes", "up to 10080", "as 15"),
        ({"kind": "call", "show": "evening", "minutes": 1500}, "minutes", "up to 1440", "as 15"),
        ({"kind": "pause", "minutes": 5, "until": "22:00"}, "until", "it cannot go with minutes", "one of the two"),
        ({"kind": "pause", "until": "25:00"}, "until", "'25:00' cannot be read", '"22:15"'),
        ({"kind": "pause", "until": "later"}, "until", "'later' cannot be read", '"22:15"'),
        ({"kind": "pause", "until": 2215}, "until", "2215 cannot be read", '"22:15"'),
        ({"kind": "pause", "until": "2026-12-24T22:15:00"}, "until", "cannot be read", "+00:00"),
        ({"kind": "pause", "show_continues": "yes"}, "show_continues", "neither true nor false", "as true"),
        ({"kind": "pause", "level": 0.5}, "level", "a pause has no such key", "show_continues"),
        ({"kind": "dim"}, "level", "missing", "as 0.4"),
        ({"kind": "dim", "level": 1.5}, "level", "1.5 is not a brightness", "as 0.4"),
        ({"kind": "dim", "level": -0.1}, "level", "-0.1 is not a brightness", "as 0.4"),
        ({"kind": "dim", "level": "half"}, "level", "'half' is not a brightness", "as 0.4"),
        ({"kind": "dim", "level": True}, "level", "True is not a brightness", "as 0.4"),
        ({"kind": "call"}, "show", "missing", "give show or piece"),
        ({"kind": "call", "after": True}, "show", "missing", "give show or piece"),
        ({"kind": "call", "show": "evening", "piece": "bells"}, "piece", "cannot go with show", "one of the two"),
        ({"kind": "call", "show": "evening", "after": True}, "after", "cannot go with show", "one of the two"),
        ({"kind": "call", "piece": "bells", "minutes": 5}, "minutes", "cannot go with piece", "one of the two"),
        ({"kind": "call", "piece": "bells", "after": 1}, "after", "1 is neither true nor false", "as true"),
        ({"kind": "call", "show": 3}, "show", "no show 3", "a show of the site"),
        ({"kind": "skip", "minutes": 3}, "minutes", "a skip has no such key", "kind"),
        ({"kind": "mute", "colour": "red"}, "colour", "a mute has no such key", "minutes"),
        ({"kind": "pause", "minutes": None}, "minutes", "None is not a number of minutes", "as 15"),
        ({"kind": "dark", "until": "2026-02-30"}, "until", "'2026-02-30' cannot be read", "2026-12-19"),
        ({"kind": "dark", "until": "2026-W51-6"}, "until", "'2026-W51-6' cannot be read", "2026-12-19"),
        ({"kind": "dark", "zone": None}, "zone", "there is no zone None", 'as "roof"'),
        ({"kind": "pause", "zone": "roof"}, "zone", "a pause is for the whole rig", "leave the zone out"),
        ({"kind": "out-of-service"}, "zone", "missing", "string, fixture or controller"),
        ({"kind": "out-of-service", "zone": "roof", "why": "a\nb"}, "why", "not one line of up to 200", "flickers"),
        ({"kind": "out-of-service", "zone": "roof", "why": "a" * 201}, "why", "not one line of up to 200", "flickers"),
        ({"kind": "out-of-service", "zone": "roof", "level": 1}, "level", "an out-of-service has no such key", "why"),
        ({"kind": "out-of-service", "zone": "roof", "minutes": 600_000}, "minutes", "up to 576000", "as 15"),
    ],
)
def test_a_wrong_request_for_an_override_is_reported_with_its_key_and_an_example(
    request_: dict[str, object], key: str, wrong: str, right: str
) -> None:
    with pytest.raises(InputError) as error:
        override_request(request_)
    (config_error,) = error.value.errors
    assert (config_error.file, config_error.key) == ("request", key)
    assert wrong in config_error.problem
    assert right in (config_error.hint or "")
    assert "\n" not in str(config_error)


@pytest.mark.parametrize(
    ("request_", "reported"),
    [
        ({"pattern": "disco"}, "there is no pattern 'disco'; use colour, colours, pixel"),
        ({"pattern": "walk", "strings": "ridge"}, "this is not a list of strings"),
        ({"pattern": "walk", "controller": "left", "string": "ridge"}, "controller: it cannot go with string"),
        ({"pattern": "pixel"}, "number: missing; as 37"),
        ({"pattern": "pixel", "number": True}, "True is not a number"),
        ({"pattern": "walk", "number": 3}, "number: a rig check has no such key"),
        ({"pattern": "colour", "colour": "mauve"}, "there is no colour 'mauve'; use red, green"),
        ({"level": 0}, "0 is not a number from 0.01 to 1"),
        ({"level": float("nan")}, "nan is not a number from 0.01 to 1"),
        ({"minutes": 11}, "11 is not a number from 0.017 to 10"),
        ({"strings": [1]}, "this is not a list of strings"),
        ({"brightness": 1}, "a rig check has no such key; it may have colour"),
    ],
)
def test_a_wrong_request_for_a_rig_check_is_reported_on_one_line(request_: dict[str, object], reported: str) -> None:
    with pytest.raises(InputError) as caught:
        rig_check_request(request_)
    assert len(caught.value.errors) == 1
    assert reported in str(caught.value)


def test_only_the_given_keys_are_passed_on() -> None:
    assert override_request({"kind": "pause"}) == {"kind": "pause"}
    assert override_request({"kind": "dim", "level": 1, "until": "tonight"}) == {
        "kind": "dim",
        "level": 1,
        "until": "tonight",
    }
    assert rig_check_request({"pattern": "pixel", "number": 5.0}) == {"pattern": "pixel", "number": 5}
    assert rig_check_request({}) == {}


def test_the_answers_have_everything_that_the_planner_reports(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            for body in (
                {"kind": "pause", "show_continues": True},
                {"kind": "dim", "level": 0.5},
                {"kind": "call", "show": "short"},
                {"kind": "out-of-service", "zone": "railing", "why": "it flickers"},
            ):
                assert (await client.post("/api/overrides", json=body)).status_code == 201
            assert (await client.post("/api/rig-check", json={"string": "ridge"})).status_code == 201
            planner = home.planner
            for model, reported in (
                (Now, planner.now()),
                (RigListed, planner.rig()),
                (Explanation, planner.decision().as_json(planner.site.timezone)),
                (JournalLine, planner.journal(1)[0]),
                (NightAhead, planner.nights(None, 7)[0]),
                (SeasonReport, (await client.get("/api/report")).json()),
            ):
                assert model.model_validate(reported).model_dump(mode="json", exclude_unset=True) == json_of(reported)

    run(work())


@pytest.mark.parametrize(
    ("table", "answer", "more"),
    [
        (Circuit, CircuitListed, set()),
        (Supply, SupplyListed, set()),
        (Port, PortListed, {"name", "strings"}),
        (Fixture, FixtureListed, set()),
    ],
)
def test_the_answer_on_the_rig_has_every_key_of_its_tables(
    table: type[Table], answer: type[Answer], more: set[str]
) -> None:
    assert set(answer.model_fields) == set(table.model_fields) - {"place"} | more


def json_of(value: object) -> object:
    return json.loads(json.dumps(value))


def test_the_answers_have_every_figure_of_the_telemetry() -> None:
    text = (TOP / "daemon" / "transmitter" / "PROTOCOL.md").read_text(encoding="utf-8")
    (block,) = re.findall(r'^    (\{"op": "telemetry".*?)\n\n', text, re.DOTALL | re.MULTILINE)
    schema = Telemetry.model_json_schema()
    modelled = {key for each in (schema, *schema["$defs"].values()) for key in each.get("properties", ())}
    assert modelled == set(re.findall(r'"(\w+)":', block))


@pytest.mark.parametrize(
    ("method", "path", "body", "detail"),
    [
        ("GET", "/api/nights?days=0", None, "request: days: '0' is not a number of days from 1 to 180; as days=7"),
        ("GET", "/api/report?days=x", None, "request: days: 'x' is not a number of days from 1 to 400; as days=60"),
        ("GET", "/api/nights?from=31.12.26", None, "request: from: '31.12.26' is not a date; as 2026-12-24"),
        ("GET", "/api/why?at=5", None, "request: at: '5' is not an instant; as 2026-12-24T17:05:00+00:00"),
        ("GET", "/api/journal?before=0", None, "request: before: '0' is not the id of a line; as 812"),
        ("DELETE", "/api/overrides/x", None, "request: id: 'x' is not the id of an override; GET /api/now has the ids"),
        ("POST", "/api/overrides", b"{", 'request: this is not JSON; as {"kind": "pause"}'),
        ("POST", "/api/overrides", b"", 'request: it has no body; as {"kind": "pause"}'),
        ("POST", "/api/overrides", b"[]", 'request: this is not an object; as {"kind": "pause"}'),
        (
            "POST",
            "/api/overrides",
            b'{"kind": "light"}',
            "request: kind: 'light' is not a kind of override; use pause, ",
        ),
        ("POST", "/api/links", b'{"kind": "guest"}', "request: kind: there is no kind 'guest'; use owner, operator"),
        ("POST", "/api/sign-in", b'{"passcode": 5}', "request: passcode: this is not a passcode; "),
        ("POST", "/api/clock", b'{"utc": "2026-12-12T17:30"}', "is not an instant with its offset; as "),
    ],
)
def test_what_a_model_refuses_is_a_problem_of_one_line(
    method: str, path: str, body: bytes | None, detail: str, tmp_path: Path
) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            answer = await client.request(method, path, content=body, headers={"Content-Type": "application/json"})
            assert answer.status_code == 422
            assert answer.headers["content-type"] == "application/problem+json"
            assert detail in answer.json()["detail"]
            assert "\n" not in answer.json()["detail"]
            assert answer.json()["code"] in set(ConfigErrorCode)
            assert (answer.json()["code"] == "missing") == (body == b"")

    run(work())


def test_dates_out_of_range_have_a_code(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home, home.client(home.token) as client:
            answer = await client.get("/api/nights?from=2101-01-01")
            assert (answer.status_code, answer.json()["code"]) == (404, "dates-not-served")

    run(work())
