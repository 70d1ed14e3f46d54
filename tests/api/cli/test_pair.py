"""`gloaming pair`, `devices` and `passcode`."""

from __future__ import annotations

import getpass
import json
import os
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli.main import main
from tests.api.daemon import Daemon
from tests.api.evening import gloaming
from tests.tools import needs


def test_a_device_is_signed_in_by_a_link_listed_and_revoked(daemon: Daemon) -> None:
    paired = gloaming("pair", daemon.site)
    assert paired.returncode == 0, paired.stderr
    assert "█" in paired.stdout or "▀" in paired.stdout
    link = next(line for line in paired.stdout.splitlines() if line.startswith("http://"))
    body = json.dumps({"code": link.partition("#")[2], "device": "Anna"}).encode()
    headers = {"Content-Type": "application/json"}
    signed = urllib.request.urlopen(urllib.request.Request(f"{daemon.url}/api/sign-in/link", body, headers), timeout=20)
    token = json.load(signed)["token"]
    listed = json.loads(gloaming("devices", daemon.site, "--json").stdout)
    anna = next(device["id"] for device in listed if device["name"] == "Anna")
    assert gloaming("devices", daemon.site, "--revoke", str(anna)).returncode == 0
    assert "Anna" not in gloaming("devices", daemon.site).stdout
    request = urllib.request.Request(f"{daemon.url}/api/now", headers={"Authorization": f"Bearer {token}"})
    with pytest.raises(urllib.error.HTTPError, match="401"):
        urllib.request.urlopen(request, timeout=20)
    again = gloaming("devices", daemon.site, "--revoke", str(anna))
    assert (again.returncode, again.stderr.strip()) == (1, f"no device {anna} is signed in")


def test_a_device_is_made_an_owner_and_an_operator_again(daemon: Daemon) -> None:
    assert "It signs one phone in, as owner, once" in gloaming("pair", daemon.site, "--owner").stdout
    link = gloaming("pair", daemon.site).stdout.split("/#")[1].split()[0]
    body = json.dumps({"code": link, "device": "Ben"}).encode()
    request = urllib.request.Request(f"{daemon.url}/api/sign-in/link", body, {"Content-Type": "application/json"})
    urllib.request.urlopen(request, timeout=20).close()
    ben = next(
        each["id"] for each in json.loads(gloaming("devices", daemon.site, "--json").stdout) if each["name"] == "Ben"
    )
    for kind, what in (("owner", "an owner"), ("operator", "an operator")):
        assert gloaming("devices", daemon.site, f"--{kind}", str(ben)).stdout == f"device {ben} is now {what}\n"
        assert f"Ben: {kind}, since" in gloaming("devices", daemon.site).stdout
    board = gloaming("devices", daemon.site, "--viewer", "1")
    assert (board.returncode, board.stderr) == (1, "this is the board itself, which is always an owner\n")


def test_the_passcode_is_changed(daemon: Daemon) -> None:
    assert gloaming("passcode", daemon.site, "--choose", input="short\n").returncode == 2
    assert gloaming("passcode", daemon.site, "--choose", input="quay-lantern-7\n").returncode == 0
    made = gloaming("passcode", daemon.site).stdout.strip()
    body, headers = json.dumps({"passcode": made}).encode(), {"Content-Type": "application/json"}
    request = urllib.request.Request(f"{daemon.url}/api/sign-in", body, headers)
    with urllib.request.urlopen(request, timeout=20) as answer:
        assert answer.status == 200


@needs("root")
@pytest.mark.parametrize(("owner", "mode"), [(12_345, 0o700), (os.geteuid(), 0o777)])
def test_no_passcode_goes_to_the_address_in_a_state_that_others_can_write_unless_it_is_named(
    owner: int,
    mode: int,
    board: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Somebody has made a folder `./state` where others work, with an address of their own in it."""
    state = tmp_path / "state"
    state.mkdir()
    (state / "address").write_text(board.url)
    (state / "token").write_text("quay-7")
    state.chmod(mode)
    os.chown(state, owner, owner)
    (tmp_path / "site.toml").touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(getpass, "getpass", lambda *_: "lanterns on the quay")
    board.answer = lambda _: board.json(200, passcode="lanterns on the quay")
    assert main(["passcode"]) == 2
    (said,) = capfd.readouterr().err.splitlines()
    assert said.startswith(f"{state}: this folder belongs to somebody else, or others can write to it")
    assert not board.asked
    main(["passcode", "--state", "state"])
    assert board.asked


def test_a_plain_terminal_shows_the_link_without_its_qr_code(token: Path, board: Any) -> None:
    link = {"code": "c", "link": f"{board.url}/#c", "other_links": [], "kind": "operator", "until": "2026-12-12T18:10"}
    board.answer = lambda path: board.json(201, **link)
    done = gloaming("pair", "--token-file", token, "--url", board.url, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert (done.stderr, done.returncode) == ("", 0)
    assert done.stdout.splitlines()[1] == f"{board.url}/#c" and "\\u" not in done.stdout


def test_ctrl_d_at_the_passcode_changes_nothing(
    board: Any, token: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def ended(_: str) -> str:
        raise EOFError

    monkeypatch.setattr(getpass, "getpass", ended)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    assert main(["passcode", "--choose", "--token-file", str(token), "--url", board.url]) == 2
    assert (
        capfd.readouterr().err
        == "a passcode has at least 8 characters, not counting hyphens and blanks; nothing has changed\n"
    )
    assert board.asked == []


@pytest.mark.parametrize("address", ["board", "ftp://board", "http://a b", "http://" + "a" * 4000])
def test_no_link_is_made_for_a_wrong_address(address: str, board: Any, token: Path) -> None:
    assert main(["pair", "--address", address, "--token-file", str(token), "--url", board.url]) == 2
    assert board.asked == []
