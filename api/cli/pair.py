"""Commands that sign devices in and out: a link as a QR code, the list of devices, a new passcode."""

from __future__ import annotations

import argparse
import getpass
import re
import sys
from contextlib import suppress
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import (
    Argument,
    Commands,
    Group,
    Handler,
    OneOf,
    Parser,
    SiteWord,
    add_command,
    answer,
    argument,
    one_of,
)
from gloaming.shows.config_files.errors import ConfigError, InputError

KINDS = {"owner": "an owner", "operator": "an operator", "viewer": "a viewer"}


def add_parser(commands: Commands[Parser]) -> None:
    """Add `pair`, `devices` and `passcode`."""

    def add(name: str, help: str, handler: Handler, *arguments: Argument | OneOf, examples: tuple[str, ...]) -> None:
        add_command(
            commands, name, help, handler, *arguments, examples=examples, group=Group.ACCESS, site=SiteWord.PLANNER
        )

    add(
        "pair",
        "a QR code that signs one phone in, once, within ten minutes",
        show_link,
        one_of(
            argument("--owner", "for a device that may change the set-up, too", action="store_true"),
            argument("--viewer", "for a phone that may look and change nothing", action="store_true"),
        ),
        argument("--address", "the address in the link", "http://192.0.2.4:8080", "the best known", metavar="URL"),
        examples=("pair", "pair boathouse --viewer"),
    )
    add(
        "devices",
        "list the devices that are signed in, sign one out, or change its kind",
        show_devices,
        one_of(
            argument("--revoke", "sign this one out for good", "3", "only list them", type=int, metavar="ID"),
            argument("--revoke-all", "sign out every device but the board itself", action="store_true"),
            *(
                argument(f"--{kind}", f"make this one {what}", "3", "only list them", type=int, metavar="ID")
                for kind, what in KINDS.items()
            ),
        ),
        examples=("devices", "devices --revoke 3"),
    )
    add(
        "passcode",
        "make a new passcode and print it; signed-in phones stay so",
        set_passcode,
        argument("--choose", "use one that you type", action="store_true"),
        examples=("passcode", "passcode --choose"),
    )


def show_link(args: argparse.Namespace) -> int:
    """`gloaming pair`."""
    import segno

    if args.address and not re.fullmatch(r"https?://[^\s/]{1,253}/?", args.address, re.ASCII):
        problem = f"{args.address!r} is not an address"
        raise InputError(ConfigError("--address", None, None, problem, "as http://192.0.2.4:8080"))
    kind = "owner" if args.owner else "viewer" if args.viewer else "operator"
    code, made = call(args, "POST", "/api/links", {"kind": kind})
    if code != 201:
        return refused(code, made)
    if args.address:
        made |= {"link": f"{args.address.rstrip('/')}/#{made['code']}", "other_links": []}
    if not args.json:
        with suppress(UnicodeEncodeError):  # a terminal without these letters shows only the link
            "▀▄█".encode(sys.stdout.encoding or "ascii")
            segno.make(made["link"], error="m").terminal(compact=True)
    others = (f"if the phone does not find that name: {other}" for other in made["other_links"])
    until = f"It signs one phone in, as {made['kind']}, once, until {made['until'][11:16]}."
    answer(args, made, f"\n{made['link']}", *others, until)
    return 0


def show_devices(args: argparse.Namespace) -> int:
    """`gloaming devices`."""
    if args.revoke is not None:
        code, found = call(args, "DELETE", f"/api/devices/{args.revoke}")
        lines = [f"device {args.revoke} is signed out"]
    elif args.revoke_all:
        code, found = call(args, "DELETE", "/api/devices")
        lines = [f"devices signed out: {len(found)}"]
    elif changed := [kind for kind in KINDS if getattr(args, kind) is not None]:
        id = getattr(args, changed[0])
        code, found = call(args, "PUT", f"/api/devices/{id}", {"kind": changed[0]})
        lines = [f"device {id} is now {KINDS[changed[0]]}"]
    else:
        code, found = call(args, "GET", "/api/devices")
        lines = [_device(device) for device in found] if code == 200 else []
    if code != 200:
        return refused(code, found)
    answer(args, found, *lines)
    return 0


def _device(device: dict[str, Any]) -> str:
    this = " (this one)" if device["this"] else ""
    since, seen = device["since"][:10], device["seen"][:16].replace("T", " ")
    return f"{device['id']:>4}  {device['name']}{this}: {device['kind']}, since {since}, last seen {seen}"


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
    code, taken = call(args, "PUT", "/api/passcode", {"passcode": passcode} if passcode else {})
    if code != 200:
        return refused(code, taken)
    answer(args, taken, "the passcode is changed" if args.choose else taken["passcode"])
    return 0
