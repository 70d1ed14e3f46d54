"""`gloaming sound`: its verbs and their arguments. The work is in sound_verbs, imported when one is called."""

from __future__ import annotations

import argparse
from importlib import import_module
from pathlib import Path


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `sound devices` and `sound test`."""
    sound = subparsers.add_parser("sound", help="list sound devices; test the delay of sound")
    verbs = sound.add_subparsers(metavar="VERB", required=True)
    devices = verbs.add_parser(
        "devices", help="list the sound devices of this machine, with their names for [sound] device"
    )
    devices.add_argument("--json", action="store_true", help="print a JSON list")
    devices.set_defaults(handler=_handler, verb="list_devices")
    test = verbs.add_parser("test", help="a click and a flash each second, to set the delay by ear and eye")
    test.add_argument("site", nargs="?", type=Path, default=Path(), metavar="SITE")
    test.add_argument(
        "--for", dest="seconds", type=float, default=30.0, metavar="SECONDS", help="5 to 300 (default: 30)"
    )
    test.add_argument("--delay", metavar="LENGTH", help='"120 ms" or "-40 ms", to try (default: the one in site.toml)')
    test.add_argument(
        "--state", type=Path, metavar="DIR", help="where the site's state is stored (default: SITE/state)"
    )
    test.set_defaults(handler=_handler, verb="click_and_flash")


def _handler(args: argparse.Namespace) -> int:
    code: int = getattr(import_module("gloaming.api.cli.sound_verbs"), args.verb)(args)
    return code
