"""`gloaming site schema`: the JSON Schema of site.toml or rig.toml, for editors that complete and check."""

from __future__ import annotations

import argparse
import json

from gloaming.api.cli.parser import Commands, Group, Parser, add_command, add_family, argument


def add_parser(commands: Commands[Parser]) -> None:
    """Add `site schema`."""
    verbs = add_family(commands, "site", "what a site's files may hold", Group.BEFORE)
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
