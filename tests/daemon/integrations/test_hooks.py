"""Hooks: in time, once, by web, command and MQTT. A failure is tried again with bounds, and reported."""

from __future__ import annotations

import json
import os
import pwd
import resource
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.integrations import delivery as outside
from gloaming.daemon.integrations import hidden_folders
from gloaming.daemon.integrations.delivery import DeliveryError, Message, Messenger, publish, run_command
from gloaming.daemon.integrations.hooks import Hooks, Times
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.placeholders import NAMES
from gloaming.daemon.site.schema_delivery import Hook
from tests.daemon.webhook import WebhookServer
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import wait_until

S = 1_000_000_000
OPENS, CLOSES = 1_796_155_200 * S, 1_796_166_000 * S
NIGHT = (Times(OPENS, CLOSES),)
NEXT = (*NIGHT, Times(OPENS + 86_400 * S, CLOSES + 86_400 * S))


class Given:
    """Hooks whose messages are kept instead of sent."""

    def __init__(self, store: Store, *tables: dict[str, Any], acts: Callable[[int], bool] = lambda at_s: True) -> None:
        """`acts` says whether the board sends hooks at an instant."""
        self.names: list[tuple[str, int]] = []
        self.now_s = 0
        self.hooks = Hooks(
            [Hook.model_validate(table) for table in tables],
            store,
            lambda message, wrong: None,
            acts=lambda hook: acts(self.now_s),
        )
        for messenger in self.hooks._messengers.values():
            messenger.send = self._keep  # type: ignore[method-assign]  # nothing is to go out here

    def _keep(self, message: Message) -> None:
        self.names.append((message.name, self.now_s))

    def watch(self, from_s: int, until_s: int, times: tuple[Times, ...] = NIGHT) -> list[tuple[str, int]]:
        """Look each second, told from the opening; what was given, and when."""
        self.names.clear()
        for self.now_s in range(from_s, until_s):
            self.hooks.look(times, OPENS + self.now_s * S)
        return self.names.copy()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    found = Store(tmp_path / "state", OPENS)
    yield found
    found.close()


ON = {"at": "opening", "before": "10 min", "url": "http://192.0.2.5/on"}
OFF = {"at": "closing", "after": "5 min", "url": "http://192.0.2.6/off"}
NAME_ON, NAME_OFF = "hook http://192.0.2.5 at opening", "hook http://192.0.2.6 at closing"


def test_the_supplies_go_on_before_the_opening_and_off_after_the_closing_once_each(store: Store) -> None:
    length_s = (CLOSES - OPENS) // S
    assert Given(store, ON, OFF).watch(-1200, length_s + 900) == [(NAME_ON, -600), (NAME_OFF, length_s + 300)]


def test_a_restart_sends_no_hook_twice_and_sends_one_late_that_became_due_meanwhile(store: Store) -> None:
    assert Given(store, ON).watch(-700, -590) == [(NAME_ON, -600)]
    assert Given(store, ON).watch(-500, -400) == []
    assert Given(store, ON, OFF).watch(0, 10) == []
    after = (CLOSES - OPENS) // S + 400
    assert Given(store, ON, OFF).watch(after, after + 10) == [(NAME_OFF, after)]


def test_a_hook_of_hours_ago_is_left_out(store: Store) -> None:
    assert Given(store, ON).watch(7200, 7210) == []


def test_after_a_power_cut_the_last_hook_is_sent_again(store: Store) -> None:
    on, off = {**ON, "again_at_start": True}, {**OFF, "again_at_start": True}
    assert Given(store, on, off).watch(-700, 100) == [(NAME_ON, -600)]
    assert Given(store, on, off).watch(7200, 7300) == [(NAME_ON, 7200)]
    after = (CLOSES - OPENS) // S + 7200
    assert Given(store, on, off).watch(after, after + 20) == [(NAME_OFF, after)]


def test_a_clock_set_forward_over_the_opening_sends_the_hook(store: Store) -> None:
    given = Given(store, {**ON, "again_at_start": True})
    assert given.watch(-3600, -3500) == []
    assert given.watch(1800, 1900) == [(NAME_ON, 1800)]


def test_the_next_evening_has_its_own(store: Store) -> None:
    given = Given(store, ON)
    assert [at for _, at in given.watch(-700, 0, NEXT) + given.watch(85_000, 86_500, NEXT)] == [-600, 85_800]


@pytest.mark.parametrize(
    ("lost_s", "back_s", "first", "second"),
    [
        (-700, 9999, [], [-600]),  # the first board is lost before
        (-600, 9999, [], [-593]),  # in that second: the other one knows it 7 s later
        (-599, 9999, [-600], [-592]),  # just after: twice is better than never
        (-580, 9999, [-600], []),
        (-700, -590, [-590], [-600]),  # and back soon: it does not know of the other's
        (9999, 9999, [-600], []),
    ],
)
def test_of_two_boards_one_sends_a_hook_and_the_other_one_where_that_is_lost(
    tmp_path: Path, lost_s: int, back_s: int, first: list[int], second: list[int]
) -> None:
    def off(at_s: int) -> bool:
        return lost_s <= at_s < back_s

    boards = [
        Given(Store(tmp_path / "first", OPENS), ON, acts=lambda at_s: not off(at_s)),
        Given(Store(tmp_path / "second", OPENS), ON, acts=lambda at_s: off(at_s - 7)),
    ]
    assert [[at_s for _, at_s in each.watch(-1200, 0)] for each in boards] == [first, second]


def test_a_hook_by_web_arrives_with_its_body(store: Store) -> None:
    told: list[tuple[str, str | None]] = []
    with WebhookServer("127.0.74.42") as webhook:
        hook = Hook(at="opening", url=f"{webhook.url}/relay", body="on")
        hooks = Hooks([hook], store, lambda message, wrong: told.append((message.name, wrong)))
        hooks.look(NIGHT, OPENS)
        wait_until(lambda: told, "its line in the journal")
        assert webhook.got == [("/relay", "on")]
        assert told == [("hook http://127.0.74.42 at opening", None)]
        hooks.close()


def test_a_command_runs_without_a_shell_and_its_failure_is_reported(tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_command(
        ("/usr/bin/env", "sh", "-c", f'echo "$GLOAMING_HOOK $1" > {out}', "x", "a; rm b"), {"GLOAMING_HOOK": "opening"}
    )
    assert out.read_text() == "opening a; rm b\n"
    with pytest.raises(DeliveryError, match="ended with 3: no relay"):
        run_command(("/bin/sh", "-c", "echo no relay >&2; exit 3"), {})
    with pytest.raises(DeliveryError, match="No such file"):
        run_command(("/nowhere/relay",), {})


def test_a_command_is_over_when_it_ends_whatever_it_leaves_behind_it(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    run_command(("/bin/sh", "-c", f"sleep 600 & echo $! > {pid}"), {})
    assert alive(int(pid.read_text()))
    os.kill(int(pid.read_text()), signal.SIGTERM)


def test_a_command_with_endless_output_fills_no_memory(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """It is ended with all that it has begun; while it ran, hundreds of megabytes were said."""
    monkeypatch.setattr(outside, "COMMAND_S", 1.0)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    pid = tmp_path / "pid"
    with pytest.raises(DeliveryError, match="took longer than 1 s"):
        run_command(("/bin/sh", "-c", f"sleep 600 & echo $! > {pid}; yes & yes >&2"), {})
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100 << 10
    wait_until(lambda: not alive(int(pid.read_text())), "the end of what it began")
    with pytest.raises(DeliveryError, match=r"ended with 3: at last$"):
        run_command(("/bin/sh", "-c", "head -c 60000 /dev/zero >&2; echo >&2; echo at last >&2; exit 3"), {})


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_broker_that_never_answers_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outside, "TIMEOUT_S", 0.5)
    with (
        socket.create_server(("127.0.74.43", 0)) as server,
        pytest.raises(DeliveryError, match="the broker does not answer"),
    ):
        publish(f"mqtt://127.0.74.43:{server.getsockname()[1]}/pier/lights", "on")


def test_the_supplies_stay_on_while_another_performance_or_call_goes_on(store: Store) -> None:
    off = {**OFF, "after": "0 s"}
    call = Times(OPENS + 1800 * S, OPENS + 2100 * S)
    length_s = (CLOSES - OPENS) // S
    assert Given(store, off).watch(0, length_s + 10, (*NIGHT, call)) == [(NAME_OFF, length_s)]
    handed_on = (Times(OPENS, OPENS + 3600 * S), Times(OPENS + 3600 * S, CLOSES))
    assert Given(store, OFF).watch(0, length_s + 400, handed_on) == [(NAME_OFF, length_s + 300)]


def test_supplies_that_are_on_for_the_next_opening_do_not_go_off_by_the_last_closing(store: Store) -> None:
    """Off would be five minutes after the first closing, on ten before the second opening: it is that already."""
    length_s = (CLOSES - OPENS) // S
    early = (Times(OPENS, OPENS + 3600 * S), Times(OPENS + 4000 * S, CLOSES))
    found = Given(store, ON, OFF).watch(-700, length_s + 400, early)
    assert found == [(NAME_ON, -600), (NAME_ON, 3400), (NAME_OFF, length_s + 300)]


def test_a_hook_that_was_sent_while_the_clock_was_ahead_is_sent_at_its_right_time_too(store: Store) -> None:
    assert Given(store, ON).watch(85_790, 85_810, NEXT) == [(NAME_ON, 85_800)]
    given = Given(store, ON)
    assert given.watch(-700, -500, NEXT) == [(NAME_ON, -600)]
    assert given.watch(-605, -500, NEXT) == [], "a clock that was five seconds ahead gives nothing twice"


@needs("mosquitto")
def test_a_message_by_mqtt_is_kept_by_the_broker_where_it_is_wanted(tmp_path: Path) -> None:
    """Read back by Debian's mosquitto and paho's own subscriber."""
    with Mosquitto(tmp_path) as broker:
        publish(broker.url("pier/lights"), "on")
        with broker.listen("pier/+") as heard:
            publish(broker.url("pier/button"), "pressed", retain=False)
            wait_until(lambda: len(heard) == 2, "both messages")
            assert [(one.topic, one.payload, one.retain) for one in heard] == [
                ("pier/lights", b"on", True),
                ("pier/button", b"pressed", False),
            ]
        with broker.listen("pier/button") as later, broker.listen("pier/lights") as kept:
            wait_until(lambda: kept, "the message that was kept")
            assert not later
    with pytest.raises(DeliveryError, match="Connection refused"):
        publish(broker.url("pier/lights", secret="user:S3CRET"), "on")


def test_an_old_title_never_arrives_after_a_newer_one() -> None:
    """While the broker is away, the newest text of a place replaces the one that waits. Others keep their order."""
    back, begun, told = threading.Event(), threading.Event(), list[str]()
    reported: list[tuple[str, str | None]] = []

    def deliver(text: str) -> None:
        begun.set()
        if not back.is_set():
            raise DeliveryError("no broker")
        told.append(text)

    messenger = Messenger(lambda message, wrong: reported.append((message.name, wrong)), pauses_s=(600.0,))
    messenger.send(Message("hook", "bells", partial(deliver, "bells"), "sign"))
    assert begun.wait(20)
    for name, place in (("tide", "sign"), ("on", ""), ("lanterns", "sign"), ("off", "")):
        back.set()
        messenger.send(Message("hook", name, partial(deliver, name), place))
    wait_until(lambda: len(told) == 4 or told[-1:] == ["off"], "the last message")
    assert [one for one in told if one in ("on", "off")] == ["on", "off"]
    assert "bells" not in told and [one for one in told if one != "tide"] == ["on", "lanterns", "off"]
    assert ("bells", "no broker") in reported, "that it could not be delivered is known"
    messenger.close()


def test_messages_to_one_broker_share_a_thread_and_others_do_not_wait_for_it(store: Store) -> None:
    title = {"at": "piece-begins", "mqtt": "mqtt://127.0.74.43/sign"}
    tables = (title, {**title, "at": "piece-ends", "body": " "}, {**title, "mqtt": "mqtts://127.0.74.43/sign"}, ON, OFF)
    hooks = Hooks([Hook.model_validate(table) for table in tables], store, lambda message, wrong: None)
    assert len(hooks._messengers) == 4
    hooks.close()


def test_a_command_gets_the_values_as_arguments_and_in_its_environment(store: Store, tmp_path: Path) -> None:
    """A title is no part of a shell's program: it stands in an argument or in the environment."""
    out, title = tmp_path / "out", "; touch /nowhere \n$(id) “tide”"
    shell = 'printf "%s|" "$0" "$GLOAMING_TITLE" "$GLOAMING_NEXT_TITLE" "$GLOAMING_BODY" > '
    command = ("/bin/sh", "-c", f"{shell}{out}.new; mv {out}.new {out}", "{title}")
    hook = Hook(at="opening", command=command, body="now {title}")
    values = dict.fromkeys(NAMES, "") | {"title": title}
    hooks = Hooks([hook], store, lambda message, wrong: None, values=lambda moment: values)
    hooks.look(NIGHT, OPENS)
    wait_until(out.exists, "what the command writes")
    plain = title.replace("\n", " ")
    assert out.read_text() == f"{plain}|{plain}||now {plain}|"
    hooks.close()


def test_a_json_body_is_posted_as_json_and_the_address_is_encoded(store: Store) -> None:
    values = dict.fromkeys(NAMES, "") | {"title": 'a "b"/c?'}
    tables = [{"at": "opening", "body": '{"now": "{title}"}'}, {"at": "closing"}, {"at": "closing", "body": "{next}"}]
    with WebhookServer("127.0.74.42") as webhook:
        hooks = [Hook.model_validate({**table, "url": f"{webhook.url}/x/{{title}}"}) for table in tables]
        found = Hooks(hooks, store, lambda message, wrong: None, values=lambda moment: values)
        found.look(NIGHT, OPENS)
        found.look(NIGHT, CLOSES)
        wait_until(lambda: len(webhook.got) == 3, "the messages")
        found.close()
    path = "/x/a%20%22b%22%2Fc%3F"
    closing = {"at": "closing", "due_ns": CLOSES, "title": 'a "b"/c?'}
    assert {one for one, _ in webhook.got} == {path}
    first, second, third = (body for _, body in webhook.got)
    assert (json.loads(first), json.loads(second), third) == ({"now": 'a "b"/c?'}, closing, "")


def test_both_relays_of_an_opening_are_sent_again_after_a_power_cut(store: Store) -> None:
    both = [{**ON, "again_at_start": True, "url": f"http://192.0.2.{host}/on"} for host in (5, 7)]
    assert Given(store, *both).watch(7200, 7210) == [(NAME_ON, 7200), (NAME_ON.replace(".5", ".7"), 7200)]


def test_a_broken_messenger_thread_does_not_outlive_its_hooks(store: Store) -> None:
    hooks = Hooks([Hook(at="opening", command=("/bin/true",))], store, lambda message, wrong: None)
    hooks.look(NIGHT, OPENS)
    thread = next(iter(hooks._messengers.values()))._thread
    assert thread is not None
    hooks.close()
    begin = time.monotonic()
    thread.join(20)
    assert not thread.is_alive(), f"after {time.monotonic() - begin:.0f} s"


@needs("root")
@pytest.mark.parametrize("user", ["root", pytest.param("nobody", marks=needs("user namespaces"))])
def test_a_command_reaches_neither_the_state_nor_the_socket(user: str) -> None:
    """As the package's service has it: one user owns the state and runs the command. Root may undo what hides it."""
    account = pwd.getpwnam(user)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        state, out = folder / "state", folder / "out"
        state.mkdir(mode=0o700)
        (state / "token").write_text("S3CRET")
        for path in (folder, state, state / "token"):
            os.chown(path, account.pw_uid, account.pw_gid)
        again = f"umount {state}; cat {state}/token" if user == "nobody" else "true"
        look = f"(ls {state}; cat {state}/token; {again}; id -un) > {out} 2>&1"
        if user == "root":
            run_command(("/bin/sh", "-c", look), {}, (state,))
        else:  # a copy, by Debian's Python: that user may not enter root's own folders, where the project may stand
            copy = shutil.copy(hidden_folders.__file__, folder)
            call = ["/usr/bin/python3", copy, str(state), "--read-only", "--", "/bin/sh", "-c", look]
            subprocess.run(call, user=user, group=account.pw_gid, extra_groups=[], check=True, timeout=60)
        told = out.read_text()
        assert "S3CRET" not in told
        assert told.splitlines()[-1] == user
        lost = told.count("token: No such file") + told.count("token: Permission denied")
        assert lost == (2 if user == "nobody" else 1)
        assert (state / "token").read_text() == "S3CRET"


@needs("root")
@pytest.mark.parametrize("user", ["root", pytest.param("nobody", marks=needs("user namespaces"))])
def test_a_command_reads_the_site_and_writes_nothing_there(user: str) -> None:
    """As on a board: the site belongs to the user of the service, who also runs the command."""
    account = pwd.getpwnam(user)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        site, out = folder / "site", folder / "out"
        (site / "pieces").mkdir(parents=True)
        (site / "site.toml").write_text("as it was")
        for path in (folder, site, site / "pieces", site / "site.toml"):
            os.chown(path, account.pw_uid, account.pw_gid)
        tries = f"echo other > {site}/site.toml; touch {site}/pieces/new; mv {site}/site.toml {site}/gone"
        look = f"({tries}; cat {site}/site.toml; touch {folder}/elsewhere && echo ' elsewhere') > {out} 2>&1"
        program = ("/bin/sh", "-c", look)
        if user == "root":
            run_command(program, {}, (), (site,))
        else:
            copy = shutil.copy(hidden_folders.__file__, folder)
            call = ["/usr/bin/python3", copy, "--read-only", str(site), "--", *program]
            subprocess.run(call, user=user, group=account.pw_gid, extra_groups=[], check=True, timeout=60)
        told = out.read_text()
        assert told.count("Read-only file system") == 3, told
        assert told.endswith("as it was elsewhere\n")
        assert sorted(path.name for path in site.rglob("*")) == ["pieces", "site.toml"]
        assert (site / "site.toml").read_text() == "as it was"


def test_a_command_that_cannot_be_kept_from_the_state_is_not_run(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="cannot be hidden from it"):
        run_command(("/bin/touch", str(tmp_path / "run")), {}, (tmp_path / "no such folder",))
    assert not (tmp_path / "run").exists()


def test_a_command_is_named_at_its_first_run_with_its_user(store: Store) -> None:
    relay = {"at": "opening", "command": ["/usr/local/bin/relay", "on"]}
    for _ in range(2):
        hooks = Hooks([Hook.model_validate(relay)], store, lambda message, wrong: None)
        hooks.look((), OPENS)
        hooks.look((), OPENS + S)
        hooks.close()
    user = pwd.getpwuid(os.geteuid()).pw_name
    text = f"the command /usr/local/bin/relay on runs as {user}, without access to Gloaming's state"
    assert [row["text"] for row in store.journal(10)] == [text]
