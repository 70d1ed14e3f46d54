"""Commands that sign devices in and out: a link as a QR code, the list of devices, a new passcode."""

from __future__ import annotations

import argparse
import getpass
import json
import re
import sys
from collections.abc import Callable
from contextlib import suppress

from gloaming.api.cli.live import add_where, call
from gloaming.shows.config_files.errors import ConfigError, InputError

KINDS = {"owner": "an owner", "operator": "an operator", "viewer": "a viewer"}


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `pair`, `devices` and `passcode`."""
    pair = _command(subparsers, "pair", "a QR code that signs one phone in, once, within ten minutes", show_link)
    kinds = pair.add_mutually_exclusive_group()
    kinds.add_argument("--owner", action="store_true", help="for a device that may change the set-up, too")
    kinds.add_argument("--viewer", action="store_true", help="for a phone that may look and change nothing")
    pair.add_argument("--address", help="the address in the link, as http://192.0.2.4:8080 (default: the best known)")
    devices = _command(
        subparsers, "devices", "list the devices that are signed in, sign one out, or change its kind", show_devices
    )
    end = devices.add_mutually_exclusive_group()
    end.add_argument("--revoke", type=int, metavar="ID", help="sign this one out for good")
    end.add_argument("--revoke-all", action="store_true", help="sign out every device but the board itself")
    for kind, what in KINDS.items():
        end.add_argument(f"--{kind}", type=int, metavar="ID", help=f"make this one {what}")
    devices.add_argument("--json", action="store_true", help="the whole answer as one object")
    passcode = _command(
        subparsers, "passcode", "make a new passcode and print it; signed-in phones stay so", set_passcode
    )
    passcode.add_argument("--choose", action="store_true", help="use one that you type")


def _command(
    subparsers: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    help: str,
    handler: Callable[[argparse.Namespace], int],
) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(name, help=help)
    add_where(parser, positional=True)
    parser.set_defaults(handler=handler)
    return parser


def show_link(args: argparse.Namespace) -> int:
    """`gloaming pair`."""
    import segno

    if args.address and not re.fullmatch(r"https?://[^\s/]{1,253}/?", args.address, re.ASCII):
        problem = f"{args.address!r} is not an address"
        raise InputError(ConfigError("--address", None, None, problem, "as http://192.0.2.4:8080"))
    kind = "owner" if args.owner else "viewer" if args.viewer else "operator"
    code, answer = call(args, "POST", "/api/links", {"kind": kind})
    if code != 201:
        return _refused(answer)
    link = f"{args.address.rstrip('/')}/#{answer['code']}" if args.address else answer["link"]
    with suppress(UnicodeEncodeError):  # a terminal without these letters shows only the link
        "▀▄█".encode(sys.stdout.encoding or "ascii")
        segno.make(link, error="m").terminal(compact=True)
    print(f"\n{link}")
    for other in answer["other_links"] if not args.address else ():
        print(f"if the phone does not find that name: {other}")
    print(f"It signs one phone in, as {answer['kind']}, once, until {answer['until'][11:16]}.")
    return 0


def show_devices(args: argparse.Namespace) -> int:
    """`gloaming devices`."""
    if args.revoke is not None:
        code, answer = call(args, "DELETE", f"/api/devices/{args.revoke}")
        if code != 200:
            return _refused(answer)
        print(f"device {args.revoke} is signed out")
        return 0
    if args.revoke_all:
        code, answer = call(args, "DELETE", "/api/devices")
        if code != 200:
            return _refused(answer)
        print(f"devices signed out: {len(answer)}")
        return 0
    for kind, what in KINDS.items():
        if (id := getattr(args, kind)) is not None:
            code, answer = call(args, "PUT", f"/api/devices/{id}", {"kind": kind})
            if code != 200:
                return _refused(answer)
            print(f"device {id} is now {what}")
            return 0
    code, answer = call(args, "GET", "/api/devices")
    if code != 200:
        return _refused(answer)
    if args.json:
        print(json.dumps(answer, indent=2))
        return 0
    for device in answer:
        this = " (this one)" if device["this"] else ""
        since, seen = device["since"][:10], device["seen"][:16].replace("T", " ")
        print(f"{device['id']:>4}  {device['name']}{this}: {device['kind']}, since {since}, last seen {seen}")
    return 0


def set_passcode(args: argparse.Namespace) -> int:
    """`gloaming passcode`."""
    from gloaming.api.http.auth.authenticator import weakness

    passcode: str | None = None
    if args.choose:
        try:
            passcode = getpass.getpass("New passcode: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")
            again = getpass.getpass("Once more: ") if sys.stdin.isatty() else passcode
        except EOFError:  # Ctrl-D
            passcode = again = ""
        if again != passcode:
            print("the two are not the same; nothing has changed", file=sys.stderr)
            return 2
        if problem := weakness(passcode):
            print(f"{problem}; nothing has changed", file=sys.stderr)
            return 2
    code, answer = call(args, "PUT", "/api/passcode", {"passcode": passcode} if passcode else {})
    if code != 200:
        return _refused(answer)
    print("the passcode is changed" if args.choose else answer["passcode"])
    return 0


def _refused(answer: dict[str, str]) -> int:
    print(answer["detail"], file=sys.stderr)
    return 1
