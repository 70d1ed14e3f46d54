"""`gloaming completion`: what a shell needs to complete `gloaming` with the TAB key, made from the parser."""

from __future__ import annotations

import argparse
from pathlib import Path

from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, argument, commands_of

SHELLS = ("bash", "zsh", "fish")
WHERE = """\
The Debian package and systemd/install have done this already. Otherwise
write what it prints to the file where your shell looks:
  bash  ~/.local/share/bash-completion/completions/gloaming
  zsh   ~/.zfunc/_gloaming; ~/.zshrc needs `fpath+=~/.zfunc` before `compinit`
  fish  ~/.config/fish/completions/gloaming.fish"""
FOLDERS = ("DIR", "FOLDER", "SITE")
"""What stands for a folder in the help."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `completion`."""
    add_command(
        commands,
        "completion",
        "print what a shell needs to complete gloaming with the TAB key",
        print_completion,
        argument("shell", "your shell", "bash", choices=SHELLS, metavar="SHELL"),
        examples=("completion bash",),
        group=Group.ACCESS,
        json_help=None,
        epilog=WHERE,
    )


def print_completion(args: argparse.Namespace) -> int:
    """`gloaming completion`."""
    from gloaming.api.cli.main import build_parser

    print(completion(build_parser(), args.shell), end="")
    return 0


def completion(parser: Parser, shell: str) -> str:
    """What a shell of `SHELLS` reads. It names commands, options, choices, files and folders; nothing runs at a TAB."""
    import shtab

    _mark_files(parser)
    text: str = shtab.complete(parser, shell)
    return text


def _mark_files(parser: Parser) -> None:
    """Note which arguments are files or folders."""
    from shtab import DIRECTORY, FILE

    for command in commands_of(parser).values():
        _mark_files(command)
    for action in parser._actions:
        before_site = parser.names and not action.option_strings and action.nargs == "?" and not action.choices
        if action.type is Path or before_site:  # a word that may be left out may be followed by SITE, or be SITE
            folder = before_site or action.metavar in FOLDERS
            kind = DIRECTORY if folder and parser.names != SiteWord.RIG else FILE
            action.complete = kind  # type: ignore[attr-defined]  # shtab reads it; argparse has no such field
