"""`gloaming new`: a person at a real terminal, options without one, and a site that runs at once."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gloaming.shows.rig.load import load_rig
from tests.api.evening import evening_apart, gloaming
from tests.tools import needs
from tests.waiting import wait_until

QUAY = ("--timezone", "Europe/London", "--place", "54.486,-0.613")


class Terminal:
    """A program at a pseudo-terminal, and what a person sees there."""

    def __init__(self, command: list[str], **more: str) -> None:
        ours, theirs = pty.openpty()
        env = {**os.environ, "COLUMNS": "120", **more}
        self.process = subprocess.Popen(
            command, stdin=theirs, stdout=theirs, stderr=theirs, env=env, start_new_session=True
        )
        os.close(theirs)
        self.screen, self._ours = "", ours
        self._typed = 0  # how much of the screen was there when the last line was typed

    def read(self) -> bool:
        """Read what has come; whether anything has."""
        if not select.select([self._ours], [], [], 0)[0]:
            return False
        try:
            data = os.read(self._ours, 4096)
        except OSError:  # the program has ended, and closed its side
            return False
        self.screen += data.decode().replace("\r\n", "\n")
        return True

    def waits_for(self, prompt: str) -> None:
        """Wait for a new prompt at the end of the screen."""

        def there() -> bool:
            return not self.read() and self.screen[self._typed :].endswith(prompt)

        wait_until(there, f"{prompt!r} at the end of {self.screen!r}")

    def types(self, prompt: str, text: str) -> None:
        """Wait for a prompt, and type a line."""
        self.waits_for(prompt)
        self._typed = len(self.screen)
        os.write(self._ours, f"{text}\n".encode())

    def ends(self) -> int:
        wait_until(lambda: self.read() or self.process.poll() is not None, f"an end; {self.screen!r}")
        wait_until(lambda: not self.read(), "all output")
        code = self.process.wait()
        while self.read():
            pass
        return code


def new(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "gloaming.api.cli.main", "new", *map(str, words)]


@contextmanager
def terminal(*words: str | Path, **more: str) -> Iterator[Terminal]:
    found = Terminal(new(*words), TZ="Europe/London", **more)
    try:
        yield found
    finally:
        found.process.kill()
        found.process.wait()
        os.close(found._ours)


@needs("ip")
def test_a_person_answers_at_a_terminal_and_the_site_plays_light_to_a_receiver(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The transcript is printed, with how long it took. `sacn` reads what is sent."""
    folder, begins = tmp_path / "pier-road", time.monotonic()
    with terminal(folder) as person:
        person.types("name [Pier road]: ", "Pier Road boathouse")
        person.types("timezone [Europe/London]: ", "")
        person.types("place [51.508, -0.125]: ", "54°29'10\"N 0°36'47\"W")
        person.types("dark [22:30-07:00]: ", "")
        person.types("season [11-27..01-06]: ", "")
        person.types("opens [sunset + 20 min]: ", "")
        person.types("closes [22:00]: ", "")
        person.types("controller [left]: ", "left")
        person.types("host [multicast]: ", "127.0.0.1")
        person.types("protocol [e131]: ", "")
        person.types("pixels [150]: ", "150,100")
        person.types("universes [1-2]: ", "")
        person.types("one more [no]: ", "")
        assert person.ends() == 0, person.screen
    made_s = time.monotonic() - begins
    assert f"gloaming run    {folder}" in person.screen
    with evening_apart(folder, "127.0.0.1", "1-2") as evening:
        evening.move_to("2026-12-12T18:00")
        _listen_here(folder)
        with evening.reader("127.0.0.1") as reader, evening.running():
            lit = reader.wait_for(lambda seen: {one.universe for one in seen if not one.black} == {1, 2}, "light")
            light_s = time.monotonic() - begins
            assert evening.now()["piece"] == "first-light"
    assert max(max(one.slots) for one in lit) <= 0.6 * 0.6 * 255 + 1
    with capsys.disabled():
        print(f"\n{person.screen}\n(made in {made_s:.1f} s, light after {light_s:.1f} s)")


def _listen_here(folder: Path) -> None:
    """The page listens to this machine alone, on any port, as the tests' other sites do."""
    text = (folder / "site.toml").read_text(encoding="utf-8")
    assert text.count('listen = "0.0.0.0:8080"') == 1
    (folder / "site.toml").write_text(text.replace("0.0.0.0:8080", "127.0.0.1:0"), encoding="utf-8")


def test_a_wrong_answer_gets_one_line_and_is_asked_again(tmp_path: Path) -> None:
    wrong = {
        "timezone [Europe/London]: ": ("Europe/Lodnon", "there is no time zone 'Europe/Lodnon'; did you mean"),
        "place [51.508, -0.125]: ": ("by the quay", "'by the quay' is not a place; latitude first"),
        "dark [22:30-07:00]: ": ("late", "'late' are no hours; as 22:30-07:00"),
        "season [11-27..01-06]: ": ("winter", "'winter' is not a season"),
        "opens [sunset + 20 min]: ": ("25:00", "'25:00' is not a time of day"),
        "closes [22:00]: ": ("ten", "'ten' is not a time"),
        "controller [left]: ": ("", ""),
        "host [multicast]: ": ("300.1.1.1", "'300.1.1.1' is not an IP address or a host name"),
        "pixels [150]: ": ("many", "'many' are no numbers of pixels; as 150,100"),
        "universes [1]: ": ("70000", "universe 70000 does not exist"),
    }
    with terminal(tmp_path / "site") as person:
        person.types("name [Site]: ", "")
        for prompt, (text, line) in wrong.items():
            person.types(prompt, text)
            if line:
                person.waits_for(prompt)
                shown = person.screen.removesuffix(prompt).splitlines()[-2:]
                assert shown[0] == f"{prompt}{text}"
                assert shown[1].startswith(line)
                person.types(prompt, "")
        person.types("one more [no]: ", "left")
        person.types("one more [no]: ", "no")
        assert "the name 'left' is used twice" in person.screen
        assert person.ends() == 0, person.screen


def test_a_controller_of_art_net_is_asked_for_its_port_addresses_and_one_of_ddp_for_nothing(tmp_path: Path) -> None:
    """What its page says: Art-Net, net 0, sub-net 0, universe 0."""
    with terminal(tmp_path / "site") as person:
        for prompt in ("name [Site]", "timezone [Europe/London]", "place [51.508, -0.125]", "dark [22:30-07:00]"):
            person.types(f"{prompt}: ", "")
        for prompt in ("season [11-27..01-06]", "opens [sunset + 20 min]", "closes [22:00]"):
            person.types(f"{prompt}: ", "")
        person.types("controller [left]: ", "left")
        person.types("host [multicast]: ", "192.0.2.21")
        person.types("protocol [e131]: ", "dmx")
        person.types("protocol [e131]: ", "Art-Net")
        person.types("pixels [150]: ", "150,100")
        person.types("universes [1-2]: ", "")
        person.types("port_addresses [0:0:1-0:0:2]: ", "0:0:0")
        person.types("port_addresses [0:0:1-0:0:2]: ", "0:0:0-0:0:1")
        person.types("one more [no]: ", "right")
        person.types("host [multicast]: ", "192.0.2.22")
        person.types("protocol [e131]: ", "DDP")
        person.types("pixels [150]: ", "60")
        person.types("one more [no]: ", "no")
        assert person.ends() == 0, person.screen
    assert "'dmx' is not a protocol; as \"e131\"" in person.screen
    assert '1 port-address for 2 universes; give one for each universe, in order, as "0:0:0-0:0:1"' in person.screen
    left, right = load_rig(tmp_path / "site" / "rig.toml").controller
    assert (left.protocol, left.host, left.port_address_of) == ("artnet", "192.0.2.21", {1: 0, 2: 1})
    assert (right.protocol, right.host, right.universes) == ("ddp", "192.0.2.22", (3,))


def test_ctrl_c_in_the_middle_leaves_nothing_behind(tmp_path: Path) -> None:
    with terminal(tmp_path / "pier-road") as person:
        person.types("name [Pier road]: ", "")
        person.waits_for("timezone [Europe/London]: ")
        os.killpg(person.process.pid, signal.SIGINT)  # as the terminal does for Ctrl-C
        assert person.ends() == 130
    assert "Traceback" not in person.screen
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_empty_is_refused_before_the_first_question(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("what Anna wrote")
    with terminal(tmp_path) as person:
        assert person.ends() == 2
    assert person.screen == f"{tmp_path}: this folder is not empty, and nothing is overwritten; name a new folder\n"
    assert (tmp_path / "site.toml").read_text() == "what Anna wrote"


def test_without_a_terminal_a_missing_answer_is_one_line_with_its_option(tmp_path: Path) -> None:
    done = gloaming("new", tmp_path / "site", *QUAY, "--name", "Quay", stdin=subprocess.DEVNULL)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "--dark: it is missing; as --dark 22:30-07:00, or answer at a terminal\n"
    assert list(tmp_path.iterdir()) == []


def test_every_answer_is_an_option_and_the_survey_finds_no_error(tmp_path: Path) -> None:
    site = tmp_path / "pier road"
    controllers = (
        "left host=127.0.0.1 pixels=150,100 universes=3-4",
        "right pixels=50",
        "mast host=127.0.0.1 protocol=ddp",
        "quay host=127.0.0.1 protocol=Art-Net pixels=170,170 port_addresses=0:0:0-0:0:1",
        "jetty broadcast=true protocol=artnet port_addresses=0:1:0",
    )
    words = ["--name", "Pier Road boathouse", *QUAY, "--dark", "sunset + 5 h to 07:00", "--season", "12-01..12-26"]
    words += ["--opens", "17:00", "--closes", "21:30"]
    for text in controllers:
        words += ["--controller", text]
    done = gloaming("new", site, *words, stdin=subprocess.DEVNULL)
    assert (done.returncode, done.stderr) == (0, "")
    assert f"gloaming run    '{site}'" in done.stdout
    survey = gloaming("survey", site, "--json", "--ask-nobody")
    assert survey.returncode == 0
    assert json.loads(survey.stdout)["errors"] == 0


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--timezone", "Mars/Olympus"), "--timezone: there is no time zone 'Mars/Olympus'"),
        (("--controller", "left 192.0.2.21"), "--controller: 'left 192.0.2.21' is not a controller; as \"left host="),
        (("--controller", "left", "--controller", "left"), "--controller: the name 'left' is used twice"),
        (("--controller", "left pixels=600 universes=1"), "--controller: its slots run into universe 2, which left"),
        (
            ("--controller", "left protocol=artnet"),
            "--controller: Art-Net is sent to an address, not by",
        ),
        (
            ("--controller", "left protocol=artnet broadcast=1"),
            "--controller: broadcast=1 is not known; as broadcast=true",
        ),
        (("--controller", "left host=broadcast"), "--controller: 'broadcast' is not the address of one controller"),
        (("--controller", "left port_addresses=0"), "--controller: E1.31 has no port-addresses, Art-Net has"),
        (("--place", "91,0"), "--place: '91,0' is no place"),
    ],
)
def test_a_wrong_option_is_one_line_and_nothing_is_made(words: tuple[str, ...], line: str, tmp_path: Path) -> None:
    done = gloaming("new", tmp_path / "site", *QUAY, *words, "--yes")
    assert done.returncode == 2
    assert re.fullmatch(rf"{re.escape(line)}.*\n", done.stderr)
    assert list(tmp_path.iterdir()) == []


def test_where_the_machine_runs_in_utc_the_place_must_be_given(tmp_path: Path) -> None:
    done = gloaming("new", tmp_path / "site", "--yes", "--timezone", "Etc/UTC")
    assert done.returncode == 2
    assert done.stderr == "--place: it is missing; as --place 54.486,-0.613, or answer at a terminal\n"
