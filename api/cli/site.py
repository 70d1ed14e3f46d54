"""`gloaming site schema`: the JSON Schema of site.toml or rig.toml, for editors that complete and check."""

from __future__ import annotations

import argparse
import json


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `site schema`."""
    site = subparsers.add_parser("site", help="what a site's files may hold")
    verbs = site.add_subparsers(metavar="VERB", required=True)
    text = "print the JSON Schema of site.toml, for editors that complete and check"
    schema = verbs.add_parser("schema", help=text, description=text)
    schema.add_argument("--rig", action="store_true", help="that of rig.toml")
    schema.set_defaults(handler=print_schema)


def print_schema(args: argparse.Namespace) -> int:
    """`gloaming site schema`."""
    from gloaming.daemon.site.schema import SiteFile
    from gloaming.shows.config_files.table_schema import file_schema
    from gloaming.shows.rig.model import Rig

    print(json.dumps(file_schema(Rig if args.rig else SiteFile), indent=2, ensure_ascii=False))
    return 0
