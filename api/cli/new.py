"""`gloaming new`: makes a site that runs at once, from a few answers."""

from __future__ import annotations

import argparse
import shlex
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.api.cli.new_questions import (
    FIRST_CONTROLLER,
    OF_A_CONTROLLER,
    ONE_MORE,
    QUESTIONS,
    WHOLE_CONTROLLER,
    Question,
)
from gloaming.api.cli.parser import Argument, Commands, Group, Parser, add_command, argument
from gloaming.shows.config_files.errors import InputError, input_error

if TYPE_CHECKING:
    from gloaming.daemon.site.new_site import NewSite
    from gloaming.daemon.site.site import Site

NEXT = {
    "nights": "shows every night of the season",
    "survey": "checks the rig; write your fuses and supplies into rig.toml first",
    "run": "plays, until Ctrl-C",
    "pair": "in a second terminal: a QR code that signs a phone in",
}
"""The commands that come next."""
YEAR = timedelta(days=366)


def add_parser(commands: Commands[Parser]) -> None:
    """Add `new`."""
    text = "make a site from a few answers: a folder that runs at once"
    add_command(
        commands,
        "new",
        text,
        make_new,
        argument("site", "the folder to make", "pier-road", type=Path, metavar="SITE"),
        *map(_option, (*QUESTIONS, WHOLE_CONTROLLER)),
        argument("--yes", "ask nothing: take the first guess of what no option answers", action="store_true"),
        examples=("new pier-road", "new pier-road --place 54.486,-0.613 --yes"),
        group=Group.BEFORE,
        json_help=None,
        description=f"{text}. It asks for what no option answers.",
    )


def _option(one: Question) -> Argument:
    action = "append" if one is WHOLE_CONTROLLER else "store"
    return argument(
        f"--{one.key}",
        one.about.removesuffix("."),
        one.example,
        "it is asked for",
        action=action,
        metavar=one.key.upper(),
    )


def make_new(args: argparse.Namespace) -> int:
    """Ask, make the site, and print what comes next."""
    from gloaming.daemon.site.new_site import before_answers, make_site, refuse_taken

    refuse_taken(args.site)
    new = before_answers(args.site)
    asks = sys.stdin.isatty() and not args.yes
    if asks:
        print(f"A new site in {args.site}. Enter takes what is in brackets. Ctrl-C ends this, and nothing is made.")
    for question in QUESTIONS:
        given = getattr(args, question.key)
        new = _ask(question, new) if asks and given is None else _given(question, new, given, args.yes)
    if asks and not args.controller:
        new = _ask_controllers(new)
    else:
        for text in args.controller or [None]:
            new = _given(WHOLE_CONTROLLER, new, text, args.yes)
    _report(args.site, make_site(args.site, new))
    return 0


def _given(question: Question, new: NewSite, text: str | None, yes: bool) -> NewSite:
    """The site with the answer of an option, or with the first guess. InputError where neither is there."""
    option = f"--{question.key}"
    if text is None and (text := question.guess(new) if yes else None) is None:
        raise input_error(option, "it is missing", f"as {option} {question.example}, or answer at a terminal")
    return question.answered(new, text, option)


def _ask(question: Question, new: NewSite) -> NewSite:
    """The site with a typed answer. A wrong one gets one line and is asked again."""
    guess = question.guess(new)
    print(f"\n{question.about}")
    while True:
        try:
            text = input(f"{question.key} [{guess}]: " if guess else f"{question.key}: ").strip().strip('"') or guess
        except EOFError:  # Ctrl-D
            print()
            raise KeyboardInterrupt from None
        try:
            return question.answered(new, text or "", "")
        except InputError as error:
            found = error.errors[0]
            print("; ".join(part for part in (found.problem, found.hint) if part))


def _ask_controllers(new: NewSite) -> NewSite:
    question = FIRST_CONTROLLER
    while (found := _ask(question, new)) is not new:
        for question in OF_A_CONTROLLER:
            if question.asked(found):
                found = _ask(question, found)
        new, question = found, ONE_MORE
    return new


def _report(folder: Path, site: Site) -> None:
    """What was made, when it opens, and what to do next."""
    from gloaming.daemon.reports.survey_texts import plural
    from gloaming.daemon.timetable.nights import nights

    for warning in site.notices:
        print(f"warning: {warning}", file=sys.stderr)
    rig = site.rig
    pixels = plural(sum(one.pixels for one in rig.string), "pixel")
    print(f"\n{folder}: {site.name}")
    print("  site.toml: the place, the hours promised, the show and its season")
    print(f"  rig.toml: {plural(len(rig.controller), 'controller')}, {plural(len(rig.string), 'string')}, {pixels}")
    print("  pieces/first-light.frames: a quiet test piece of a minute")
    now = datetime.now(site.timezone)
    coming = [one for one in nights(site, now.date(), now.date() + YEAR) if one.opens_ns > now.timestamp() * 1e9]
    if coming:
        opens, closes = (
            datetime.fromtimestamp(at / 1e9, site.timezone) for at in (coming[0].opens_ns, coming[0].to_ns)
        )
        print(f"It opens next on {opens:%A %d %B %Y at %H:%M}, and closes at {closes:%H:%M}.")
    print("\nNext:")
    for command, what in NEXT.items():
        print(f"  gloaming {command:<6} {shlex.quote(str(folder))}   # {what}")
