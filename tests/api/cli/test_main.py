"""Commands under bad conditions: a closed pipe, a full disk, a plain terminal, closed streams, a wrong address, another
server. Each reports it on one line and by its exit code."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli.live import read_minutes
from gloaming.api.cli.main import main
from tests.api.house import write_site

ENVIRONMENT = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
"""As in a person's shell: Python buffers its output."""
COMMAND = f"{sys.executable} -m gloaming.api.cli.main"


def by_shell(words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a call with redirections to its end."""
    env = {**ENVIRONMENT, **environment}
    return subprocess.run(["sh", "-c", words], capture_output=True, text=True, timeout=120, check=False, env=env)


def test_a_closed_pipe_is_no_error(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    for call in (["--help"], ["nights", str(write_site(tmp_path / "site")), "--days", "2"]):
        command = [sys.executable, "-m", "gloaming.api.cli.main", *call]
        done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, check=False, env=ENVIRONMENT)
        assert (done.stderr, done.returncode) == (b"", 0)
    os.close(writing)


def test_a_full_disk_is_reported_on_one_line() -> None:
    done = by_shell(f"{COMMAND} --help >/dev/full")
    assert (done.stderr, done.returncode) == ("gloaming: No space left on device\n", 2)


def test_closed_streams_are_opened_on_dev_null(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    assert by_shell(f"{COMMAND} nights {site} --days 2 >&- 2>&- <&-").returncode == 0
    asked = by_shell(f"{COMMAND} passcode --choose {site} <&-")
    assert asked.returncode == 2 and len(asked.stderr.splitlines()) == 1
    # child processes get them, too: none of their files takes their number
    inside = "import subprocess; from gloaming.api.cli.main import _ready_streams as ready; ready(); "
    inside += "print(subprocess.run(['sh', '-c', 'readlink /proc/self/fd/1'], stderr=-1, check=True))"
    done = by_shell(f'{sys.executable} -c "{inside}" >&-')
    assert (done.stderr, done.returncode) == ("", 0)


def test_letters_that_a_terminal_does_not_know_are_printed_as_numbers(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    words = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(words.replace("Pier Road", "Kai Möwe ⚓"), encoding="utf-8")
    done = by_shell(f"{COMMAND} nights {site} --days 2", PYTHONIOENCODING="ascii")
    assert (done.stderr, done.returncode) == ("", 0)
    assert done.stdout.startswith("Kai M\\xf6we \\u2693 boathouse, ")


def test_json_is_readable_in_a_terminal_that_knows_few_letters(tmp_path: Path) -> None:
    site = write_site(tmp_path / "site")
    words = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(words.replace('"evening"', '"Kai Möwe ⚓"'), encoding="utf-8")
    done = by_shell(f"{COMMAND} nights {site} --days 2 --json", PYTHONIOENCODING="ascii")
    assert (done.stderr, done.returncode) == ("", 0)
    assert json.loads(done.stdout)[0]["show"] == "Kai Möwe ⚓"


@pytest.mark.parametrize("call", [("why",), ("nights",), ("survey",), ("run",), ("now",), ("pair",)])
def test_a_name_that_is_too_long_is_reported_on_one_line(
    call: tuple[str, ...], capfd: pytest.CaptureFixture[str]
) -> None:
    assert main([*call, "A" * 300]) == 2
    said = capfd.readouterr().err
    assert "File name too long" in said and len(said.splitlines()) == 1


def test_a_state_folder_of_another_user_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def locked(path: Path, **_: object) -> str:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_text", locked)  # as root, nothing is locked
    assert main(["now", "--state", str(tmp_path)]) == 2
    right = "call it as root, or as the user that runs Gloaming"
    assert capfd.readouterr().err == f"{tmp_path / 'address'}: Permission denied; {right}\n"


@pytest.mark.parametrize("url", ["board", "http://[::1", "http://a b", "http://127.0.0.1:abc", "http://127.0.0.1/ö"])
def test_a_wrong_address_is_reported(url: str, token: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["now", "--url", url, "--token-file", str(token)]) == 2
    assert capfd.readouterr().err == f"--url: {url!r} is no address; as http://board:8080\n"


@pytest.mark.parametrize("words", [b"", b"\x7fELF\xff\xfe\x00", "möwe".encode(), b"two\nlines\n"])
def test_a_file_without_a_token_is_reported_and_its_content_is_not_shown(
    words: bytes, token: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    token.write_bytes(words)
    assert main(["now", "--url", "http://127.0.79.9:1", "--token-file", str(token)]) == 2
    right = "name a file with a token: --token-file FILE"
    assert capfd.readouterr().err == f"{token}: there is no token in it; {right}\n"


def test_the_token_goes_only_to_the_planner_past_proxies_and_redirects(
    board: Any, token: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("http_proxy", board.url)
    call = ["pause", "5", "--token-file", str(token), "--url"]
    assert main([*call, "http://127.0.79.8:1"]) == 2
    assert "Gloaming does not answer" in capfd.readouterr().err
    assert board.asked == []
    board.answer = lambda path: (302, {"Location": f"{board.url}/elsewhere"}, b"")
    assert main([*call, board.url]) == 2
    assert capfd.readouterr().err == f"{board.url}: something else than Gloaming answers there (302)\n"
    assert board.asked == [("POST", "/api/overrides", "Bearer quay-7")]


def test_another_server_at_the_address_is_reported(board: Any, token: Path, capfd: pytest.CaptureFixture[str]) -> None:
    board.answer = lambda path: (200, {"Content-Type": "text/html"}, b"<h1>router</h1>")
    assert main(["now", "--token-file", str(token), "--url", f"{board.url}/"]) == 2
    assert capfd.readouterr().err == f"{board.url}: something else than Gloaming answers there\n"
    board.answer = lambda path: (200, {"Content-Type": "application/json", "Content-Length": "99"}, b"{}")
    assert main(["now", "--token-file", str(token), "--url", board.url]) == 2
    assert "Gloaming does not answer" in capfd.readouterr().err


@pytest.mark.parametrize(("call", "kind"), [(["resume"], "pause"), (["rig-check", "end"], "rig-check")])
def test_a_refused_end_is_reported(
    call: list[str], kind: str, board: Any, token: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    refusal = board.json(403, "problem+json", detail="this device may only look")
    standing, none = board.json(200, overrides=[{"id": 7, "kind": kind}]), board.json(200, overrides=[])
    where = ["--token-file", str(token), "--url", board.url]
    board.answer = lambda path: standing if path == "/api/now" else refusal
    assert main([*call, *where]) == 1
    said = capfd.readouterr()
    assert (said.out, said.err) == ("", "this device may only look\n")
    answers = iter([standing, board.json(404, "problem+json", detail="gone"), none])
    board.answer = lambda path: next(answers)
    assert main([*call, *where]) == 0  # it has ended by itself meanwhile
    assert capfd.readouterr().out == f"{kind.replace('-', ' ')} 7 ended\n"
    board.answer = lambda path: refusal
    assert main([*call, *where]) == 2
    assert "it answers 403: this device may only look" in capfd.readouterr().err


STANDING: list[dict[str, object]] = [
    {"id": 5, "kind": "storm-hold"},
    {"id": 1, "kind": "dark"},
    {"id": 2, "kind": "dark", "zone": "roof"},
    {"id": 3, "kind": "out-of-service", "zone": "roof"},
    {"id": 4, "kind": "out-of-service", "zone": "ridge", "why": "it flickers"},
]


@pytest.mark.parametrize(
    ("call", "ended", "printed"),
    [
        (["resume"], [1, 2], "dark 1 ended, on the wire: black\ndark 2 for roof ended, on the wire: black\n"),
        (["resume", "--zone", "roof"], [2], "dark 2 for roof ended, on the wire: black\n"),
        (["in-service", "ridge"], [4], "out of service 4 for ridge ended, on the wire: black\n"),
        (["resume", "--zone", "path"], [], "path is not dark by hand\n"),
        (["in-service", "path"], [], "path is not out of service; see gloaming now\n"),
    ],
)
def test_an_end_may_be_for_one_zone_and_resume_does_not_end_what_is_out_of_service(
    call: list[str], ended: list[int], printed: str, board: Any, token: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    left = [{**one, "who": "Ada", "until": "2026-12-19T12:00:00+00:00"} for one in STANDING]

    def answer(path: str) -> Any:
        if path == "/api/now":
            return board.json(200, overrides=left)
        left[:] = [one for one in left if path != f"/api/overrides/{one['id']}"]
        return board.json(200, on_the_wire=True, wire="black")

    board.answer = answer
    assert main([*call, "--token-file", str(token), "--url", board.url]) == (0 if ended else 1)
    assert [path for method, path, _ in board.asked if method == "DELETE"] == [f"/api/overrides/{id}" for id in ended]
    said = capfd.readouterr()
    assert (said.out + said.err).startswith(printed)
    still = "still holds: out of service 4 for ridge by Ada until 2026-12-19T12:00:00: it flickers\n"
    assert (still in said.out) == (call[0] == "resume" and bool(ended))


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("15", 15),
        ("15m", 15),
        ("1.5", 1.5),
        ("90s", 1.5),
        ("1h", 60),
        ("1 h 30 min", 90),
        ("2 hours", 120),
        ("3 days", 4320),
    ],
)
def test_minutes_are_read_as_people_type_them(text: str, minutes: float) -> None:
    assert read_minutes(text) == pytest.approx(minutes)


@pytest.mark.parametrize("text", ["", "soon", "15 parsecs", "15m!", "m", "-5", "1,5"])
def test_a_wrong_length_is_reported_with_an_example(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="15m"):
        read_minutes(text)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("dim 50%", "gloaming dim: argument LEVEL: '50%' is not a number; as 12 or 0.5; see gloaming dim --help"),
        ("devices --revoke anna", "'anna' is not a whole number; as 12; see gloaming devices --help"),
        ("devices --site quay", "unrecognized arguments: --site; see gloaming devices --help"),
        ("pause 15 quay 20", "gloaming pause: unrecognized arguments: 20; see gloaming pause --help"),
        ("now quay pier", "gloaming now: unrecognized arguments: pier; see gloaming now --help"),
        ("frames info one.frames --loud", "unrecognized arguments: --loud; see gloaming frames info --help"),
        ("pause 15 --untl 22:15", "unrecognized arguments: --untl 22:15; did you mean --until?; see gloaming pause"),
        (
            "dark tonight",
            "'tonight' is not a length; as 15, 15m or \"1 h 30 min\"; or --until tonight; see gloaming dark",
        ),
        ("pause 22:15 quay", "'22:15' is not a length; as 15, 15m or \"1 h 30 min\"; or --until 22:15; see gloaming"),
        ("paus 15", "there is no 'paus' here; did you mean pause?"),
        ("frames inf one.frames", "there is no 'inf' here; did you mean info?"),
        ("zzz", "gloaming: argument COMMAND: there is no 'zzz' here; see gloaming --help"),
        ("darc", "there is no 'darc' here; did you mean dark?"),
        ("frames zzz", "there is no 'zzz' here; use info, verify, import"),
        ("help zzz", "there is no 'zzz' here; see gloaming --help"),
        ("help frames inf", "there is no 'inf' here; did you mean info?"),
    ],
)
def test_a_wrong_call_is_reported_in_plain_words(words: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(words.split())
    line = capsys.readouterr().err
    assert told in line
    assert line.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("dim 2", "request: level: 2.0 is not a brightness from 0 to 1; as 0.4"),
        ("pause 0", "request: minutes: 0.0 is not a number of minutes above 0 and up to 10080; as 15"),
        ("pause 5 --until 22:00", "request: until: it cannot go with minutes; give one of the two"),
        ("dark --until later", 'request: until: \'later\' cannot be read; "22:15", "tonight", a day as "saturday"'),
        ("out-of-service ridge --until later", "request: until: 'later' cannot be read"),
        ("out-of-service ridge 401d", "minutes: 577440.0 is not a number of minutes above 0 and up to 576000"),
        ("rig-check pixel", "request: number: missing; as 37"),
    ],
)
def test_a_command_refuses_what_http_would_refuse_without_a_request(
    words: str, line: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """No planner runs here."""
    assert main([*words.split(), "--state", str(tmp_path), "--url", "http://127.0.0.1:9"]) == 2
    assert line in capfd.readouterr().err
