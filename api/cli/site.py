"""`gloaming site`: the JSON Schema of a site's files, and their way to the other boards."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, add_family, argument


def add_parser(commands: Commands[Parser]) -> None:
    """Add `site push` and `site schema`."""
    verbs = add_family(commands, "site", "a site's files: to other boards, and what they may hold", Group.BEFORE)
    add_command(
        verbs,
        "push",
        "check the site and copy it to the other boards; all take it over at once, or none",
        "site_push.run_push",
        argument(
            "--to", "push to this one; may be repeated", "east", "all but this one", action="append", metavar="NAME"
        ),
        argument(
            "--passcode-file",
            'a file with a line for each board, as "east 1234-5678"',
            "codes.txt",
            "it asks once for each board",
            type=Path,
            metavar="FILE",
        ),
        argument(
            "--new-certificate",
            "take the certificate that this board has now; may be repeated",
            "east",
            "the one that it had before",
            action="append",
            default=[],
            metavar="NAME",
        ),
        examples=("site push", "site push boathouse --to east"),
        site=SiteWord.FOLDER,
    )
    add_command(
        verbs,
        "schema",
        "print the JSON Schema of site.toml, for editors that complete and check",
        print_schema,
        argument("--rig", "that of rig.toml", action="store_true"),
        examples=("site schema", "site schema --rig"),
        json_help=None,
    )


def print_schema(args: argparse.Namespace) -> int:
    """`gloaming site schema`."""
    from gloaming.daemon.site.schema import SiteFile
    from gloaming.shows.config_files.table_schema import file_schema
    from gloaming.shows.rig.model import Rig

    print(json.dumps(file_schema(Rig if args.rig else SiteFile), indent=2, ensure_ascii=False))
    return 0
