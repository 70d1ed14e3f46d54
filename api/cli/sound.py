"""`gloaming sound`: its verbs and their arguments. The work is in sound_verbs, imported when one is called."""

from __future__ import annotations

from gloaming.api.cli.parser import STATE, Commands, Group, Parser, SiteWord, add_command, add_family, argument


def add_parser(commands: Commands[Parser]) -> None:
    """Add `sound devices` and `sound test`."""
    verbs = add_family(commands, "sound", "list sound devices; test the delay of sound", Group.BEFORE)
    add_command(
        verbs,
        "devices",
        "list the sound devices of this machine, with their names for [sound] device",
        "sound_verbs.list_devices",
        examples=("sound devices",),
        json_help="print a JSON list",
    )
    add_command(
        verbs,
        "test",
        "a click and a flash each second, to set the delay by ear and eye",
        "sound_verbs.click_and_flash",
        argument("--for", "how long, 5 to 300", "60", dest="seconds", type=float, default=30, metavar="SECONDS"),
        argument("--delay", "a delay to try", '"120 ms"', "the one in site.toml", metavar="LENGTH"),
        STATE,
        examples=("sound test", 'sound test boathouse --delay "-40 ms"'),
        site=SiteWord.FOLDER,
        json_help=None,
    )
