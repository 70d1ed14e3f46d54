"""Commands to the running daemon, over HTTP: now, pause, resume, dark, call, dim, mute, skip, undo."""

from __future__ import annotations

import argparse
import json
import os
import re
import ssl
import stat
import sys
import urllib.error
import urllib.request
from http.client import HTTPException, InvalidURL
from pathlib import Path
from typing import Any

from gloaming.api.cli.run import NO_PAGE, state_folder
from gloaming.daemon.direction.overrides import ASKED, LIGHTS_OFF, TERMS
from gloaming.shows.config_files.errors import ConfigError, InputError

TIMEOUT_S = 10
UNITS_MIN = {
    **dict.fromkeys(("", "m", "min", "minute", "minutes"), 1.0),
    **dict.fromkeys(("h", "hour", "hours"), 60.0),
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1 / 60),
}
"""Minutes in each unit of a length on the command line."""
NO_CHECK_TIME = ssl.VerifyFlags(0x200000)
"""X509_V_FLAG_NO_CHECK_TIME (openssl/x509_vfy.h; X509_VERIFY_PARAM_set_flags(3)), which Python has no name for."""
SERVICE_STATE = Path("/var/lib/gloaming")
"""Where the installed service keeps its state: asked where no site is named and none is here."""


FIRST: dict[str | None, tuple[str, type, str]] = {"show": ("show", str, "SHOW"), "level": ("level", float, "LEVEL")}
"""What a command takes first, by the key that it is in the request."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add this family's commands."""
    now = _command(subparsers, "now", "what is happening now, and why", show_now)
    now.add_argument("--json", action="store_true", help="the whole answer as one object")
    for kind in ASKED:
        terms = TERMS[kind]
        command = _command(subparsers, kind, terms.help, ask, first=FIRST.get(terms.key), lasting=terms.lasts)
        if terms.key == "show_continues":
            command.add_argument(
                "--show-continues", action="store_const", const=True, help="the show continues behind the dark"
            )
    _command(subparsers, "resume", "end every pause and every dark", resume, lasting=False)
    end = _command(subparsers, "undo", "end what was asked for by hand: the latest, or ID", undo, lasting=False)
    end.add_argument("id", nargs="?", type=int, metavar="ID", help="its number, as `gloaming now` shows it")


def _command(
    subparsers: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    help: str,
    handler: Any,
    first: tuple[str, type, str] | None = None,
    lasting: bool = True,
) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(name, help=help)
    if first:
        parser.add_argument(first[0], type=first[1], metavar=first[2])
    if lasting and name != "now":
        parser.add_argument(
            "minutes", nargs="?", type=read_minutes, metavar="MINUTES", help='as 15, 15m or "1 h 30 min"'
        )
        parser.add_argument("--until", metavar="TIME", help='"22:15", "tonight", or an instant')
    add_where(parser)
    parser.set_defaults(handler=handler, kind=name)
    return parser


def read_minutes(text: str) -> float:
    """Minutes as a person types them: 15, 15m, 90s, "1 h 30 min"."""
    parts = re.findall(r"(\d+(?:\.\d+)?)\s*([a-z]*)", text.lower())
    known = parts and all(unit in UNITS_MIN for _, unit in parts)
    if not known or "".join(number + unit for number, unit in parts) != re.sub(r"\s", "", text.lower()):
        raise argparse.ArgumentTypeError(f'{text!r} is not a length; as 15, 15m or "1 h 30 min"')
    return sum(float(number) * UNITS_MIN[unit] for number, unit in parts)


def add_where(parser: argparse.ArgumentParser, positional: bool = False) -> None:
    """Add what says which daemon is meant, and with which token."""
    if positional:
        parser.add_argument("site", nargs="?", type=Path, default=Path(), metavar="SITE")
    else:
        parser.add_argument("--site", type=Path, default=Path(), help="the site's folder (default: here)")
    parser.add_argument("--state", type=Path, help="its state directory (default: SITE/state)")
    parser.add_argument("--url", help="the daemon's address (default: as the state directory says)")
    parser.add_argument("--token-file", type=Path, help="a file with a token (default: in the state directory)")


def show_now(args: argparse.Namespace) -> int:
    """`gloaming now`."""
    from gloaming.daemon.planner.confirmation import light

    now = _now(args)
    if args.json:
        print(json.dumps(now, indent=2))
        return 0
    piece = f" {now['piece']}, frame {now['frame']}," if now["piece"] else ""
    print(f"{now['at'][:19]} {now['site']}: {now['state']}{piece} at {now['brightness']:.0%}")
    for reason in now["reasons"]:
        print(f"  {reason['text']}  [{reason['rule']}]")
    wire = now["health"]["transmitter"]
    print(f"  on the wire: {light(wire) if wire else 'not known, the transmitter does not answer'}")
    for override in now["overrides"]:
        print(f"  {_standing(override)}")
    for trouble in now["health"]["troubles"]:
        named = "" if Path(trouble["subject"]).name in trouble["text"] else f"{trouble['subject']}: "
        print(f"  trouble: {named}{trouble['text']}")
    if now["next"]:
        print(f"  next: {now['next']['state']} at {now['next']['at'][:19]}")
    return 0


def ask(args: argparse.Namespace) -> int:
    """An override; exit 1 where it is refused. InputError."""
    from gloaming.api.http.schemas.overrides import OVERRIDE_REQUESTS, override_request

    given = {key: getattr(args, key, None) for key in OVERRIDE_REQUESTS[args.kind].model_fields}
    request = override_request({key: value for key, value in given.items() if value is not None})
    code, answer = call(args, "POST", "/api/overrides", request)
    if code != 201:
        print(answer["detail"], file=sys.stderr)
        return 2 if code == 422 else 1
    tell_taken(answer, answer["kind"])
    return 0


def tell_taken(answer: Any, what: str) -> None:
    """What has come of something that was asked for by hand."""
    for one in answer["ended"]:
        print(f"{_kind(one)} ended")
    print(f"{what} until {answer['until'][:19]}, {_wire(answer)}")


def _wire(answer: Any) -> str:
    return (
        f"on the wire: {answer['wire']}" if answer["on_the_wire"] else f"stored, but not on the wire: {answer['wire']}"
    )


def _kind(override: Any) -> str:
    return f"{override['kind'].replace('-', ' ')} {override['id']}"


def _standing(override: Any) -> str:
    """An override in words."""
    what = {
        "dim": f" to {override.get('level', 1):.0%} of the brightness that is set",
        "call": f" of {override.get('show')}",
    }
    more = what.get(override["kind"], f", {override['check']}" if "check" in override else "")
    return f"{_kind(override)}{more} by {override['who']} until {override['until'][:19]}"


def resume(args: argparse.Namespace) -> int:
    """End every pause and dark that stands, and say what still holds; exit 1 where there is none."""
    code = end_all(args, LIGHTS_OFF, "nothing is paused or dark by hand")
    if code == 0:
        for override in _now(args)["overrides"]:
            print(f"still holds: {_standing(override)}")
    return code


def undo(args: argparse.Namespace) -> int:
    """End an override: the one named, or the latest; exit 1 where there is none."""
    id = args.id
    if id is None:
        standing = _now(args)["overrides"]
        if not standing:
            print("nothing that was asked for by hand stands", file=sys.stderr)
            return 1
        id = max(override["id"] for override in standing)
    code, answer = call(args, "DELETE", f"/api/overrides/{id}")
    if code != 200:
        print(answer["detail"], file=sys.stderr)
        return 1
    print(f"{_kind(answer)} ended, {_wire(answer)}")
    return 0


def end_all(args: argparse.Namespace, kinds: tuple[str, ...], none: str) -> int:
    """End every override of some kinds that stands; exit 1 where there is none, or it may not be."""
    standing = [override for override in _now(args)["overrides"] if override["kind"] in kinds]
    for override in standing:
        code, answer = call(args, "DELETE", f"/api/overrides/{override['id']}")
        if code not in (200, 404):  # 404: it has ended meanwhile
            print(answer["detail"], file=sys.stderr)
            return 1
        print(f"{_kind(override)} ended" + (f", {_wire(answer)}" if code == 200 else ""))
    if not standing:
        print(none, file=sys.stderr)
    return 0 if standing else 1


def _now(args: argparse.Namespace) -> Any:
    code, answer = call(args, "GET", "/api/now")
    if code != 200:
        raise InputError(ConfigError(args.url or "the daemon", None, None, f"it answers {code}: {answer['detail']}"))
    return answer


def call(args: argparse.Namespace, method: str, path: str, body: dict[str, object] | None = None) -> tuple[int, Any]:
    """One request; the status and the answer. InputError where nobody answers, or the token is not known."""
    code, answer = _request(args, method, path, body, "application/json")
    return code, json.loads(answer)


def call_for(args: argparse.Namespace, path: str, kind: str) -> bytes:
    """What stands at a path, in the kind asked for. InputError where it is not to be had."""
    code, answer = _request(args, "GET", path, None, kind)
    if code != 200:
        raise InputError(ConfigError(args.url or "the daemon", None, None, str(json.loads(answer)["detail"])))
    return answer


def _request(
    args: argparse.Namespace, method: str, path: str, body: dict[str, object] | None, kind: str
) -> tuple[int, bytes]:
    state = state_folder(args.site, args.state)
    if args.state is None and args.site == Path() and not state.exists() and SERVICE_STATE.exists():
        state = SERVICE_STATE
    elif args.state is None:
        _refuse_a_strangers(state)
    url = (args.url or _address(state)).rstrip("/")
    token = _token(args.token_file or state / "token")
    data = None if body is None else json.dumps(body).encode()
    try:
        request = urllib.request.Request(f"{url}{path}", data, method=method)
        request.add_header("Authorization", f"Bearer {token}")
        request.add_header("Content-Type", "application/json")
        request.add_header("Accept", kind)
        opener = straight(None if args.url else _own_certificate(state))
        with opener.open(request, timeout=TIMEOUT_S) as answer:
            if answer.headers.get_content_type() != kind:
                raise InputError(ConfigError(url, None, None, "it answers, but not as a daemon does"))
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        if error.code == 401:
            raise InputError(ConfigError(url, None, None, "the token is not known there", "sign in again")) from None
        if error.headers.get_content_type() != "application/problem+json":
            raise InputError(ConfigError(url, None, None, f"it answers {error.code}, not as a daemon does")) from None
        return error.code, error.read()
    except (InvalidURL, ValueError):
        raise InputError(ConfigError("--url", None, None, f"{url!r} is no address", "as http://board:8080")) from None
    except (OSError, HTTPException) as error:
        reason = getattr(error, "reason", error)
        right = "is the daemon running? gloaming run SITE starts it"
        raise InputError(ConfigError(url, None, None, f"no daemon answers ({reason})", right)) from None


class _Stays(urllib.request.HTTPRedirectHandler):
    """A token goes to nobody but the daemon, wherever an answer would send it."""

    def redirect_request(self, *_: Any) -> None:
        return None


def straight(trusted: ssl.SSLContext | None = None) -> urllib.request.OpenerDirector:
    """What asks a daemon and nobody else: a proxy that the environment names knows no board, and is told no token."""
    proxies, secure = urllib.request.ProxyHandler({}), urllib.request.HTTPSHandler(context=trusted)
    return urllib.request.build_opener(proxies, secure, _Stays)


def _refuse_a_strangers(state: Path) -> None:
    """A state that nobody named is told tokens and passcodes, so it must be the caller's or root's. InputError."""
    if not state.exists():
        return  # whoever reads it says so
    found = state.stat()
    if found.st_uid not in (os.geteuid(), 0) or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        wrong = "this folder belongs to somebody else, or others can write to it"
        raise InputError(ConfigError(state, None, None, wrong, "if you trust it, name it: --state DIR"))


def _address(state: Path) -> str:
    """Where the daemon here is asked. InputError where it has no page."""
    if (state / NO_PAGE).exists():
        wrong = f"the show goes on, but nobody can ask the daemon: {_read(state / NO_PAGE, '')}"
        raise InputError(ConfigError("no page", None, None, wrong, "mend it; it is tried again every few seconds"))
    return _read(state / "address", "is the daemon running? gloaming run SITE starts it")


def _own_certificate(state: Path) -> ssl.SSLContext | None:
    """Trust in the very certificate that the daemon here has, whatever name stands in it, expired or not."""
    path = state / "certificate"
    if not path.exists():
        return None
    context = ssl.create_default_context(cafile=str(path))
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN | NO_CHECK_TIME
    return context


def _token(path: Path) -> str:
    right = "name a file with a token: --token-file FILE"
    token = _read(path, right)
    if not token.isascii() or len(token.split()) != 1:
        raise InputError(ConfigError(path, None, None, "there is no token in it", right))
    return token


def _read(path: Path, right: str) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError as error:
        right = "ask as root, or as who runs the daemon" if isinstance(error, PermissionError) else right
        raise InputError(ConfigError(path, None, None, error.strerror or str(error), right)) from None
