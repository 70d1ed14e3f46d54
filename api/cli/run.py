"""`gloaming run`: runs planner and transmitter on a site until a signal ends them."""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
from pathlib import Path

from gloaming.api.cli.parser import STATE, Commands, Group, Parser, SiteWord, add_command
from gloaming.api.cli.where import site_of, state_folder

NO_PAGE = "no-page"
"""The file in the state folder with the reason why the page cannot be reached: it has no port, or no certificate."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `run`."""
    add_command(
        commands,
        "run",
        "play a site until Ctrl-C",
        run_site,
        STATE,
        examples=("run", "run boathouse"),
        group=Group.PLAY,
        site=SiteWord.FOLDER,
        json_help=None,
    )


def run_site(args: argparse.Namespace) -> int:
    """Check the site in a process that ends again, to save memory. Then run both processes."""
    from gloaming.api.supervisor import EXIT_CONFIG_ERROR, Supervisor

    site = site_of(args)
    state = state_folder(site, args.state)
    checked = subprocess.run([sys.executable, "-m", "gloaming.api.cli.run", str(site), str(state)], check=False)
    if checked.returncode:
        return EXIT_CONFIG_ERROR
    try:
        supervisor = Supervisor(site.absolute(), state)
    except OSError as error:
        print(f"{state}: {error.strerror or error}", file=sys.stderr)
        return EXIT_CONFIG_ERROR
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: supervisor.stop())
    signal.signal(signal.SIGHUP, lambda *_: supervisor.reload())
    return supervisor.run()


def _check() -> int:
    """Print every mistake in the site, and what happens tonight."""
    from datetime import datetime

    from gloaming.daemon.direction.decide import decide, instant
    from gloaming.daemon.direction.score import State
    from gloaming.daemon.integrations.hooks import runs_as
    from gloaming.daemon.planner.clock import Clock
    from gloaming.daemon.planner.clock_trust import verdict_at_a_start
    from gloaming.daemon.site.board_name import unknown_board
    from gloaming.daemon.site.load import load_site
    from gloaming.daemon.site.versions import Versions
    from gloaming.shows.config_files.errors import ConfigError, InputError

    clock, state = Clock(), Path(sys.argv[2])
    Versions(state).finish(Path(sys.argv[1]))
    now = datetime.fromtimestamp(clock.now_ns() / 1e9).astimezone()
    site = load_site(Path(sys.argv[1]), now)
    if unknown := unknown_board(site.board_name, site.boards):
        raise InputError(ConfigError(site.folder / "site.toml", None, "board", *unknown))
    for warning in site.notices:
        print(f"warning: {warning}", file=sys.stderr)
    trust = verdict_at_a_start(state, clock, site.clock.trust)
    if trust.trusted:
        decision = decide(instant(now), site)
        print(f"{site.name}: {decision.state} now; {decision.reasons[0].text}" if decision.reasons else site.name)
        if decision.next_ns is not None:
            at = datetime.fromtimestamp(decision.next_ns / 1e9, site.timezone)
            print(f"next: {decision.next_state} at {at:%A %d %B %H:%M:%S}")
    else:
        print(f"{site.name}: {State.NO_CLOCK} now; {trust.text}; the show stays dark until the clock is right")
    for hook in site.hooks:
        if hook.command:
            print(f"{hook.place}: {runs_as(hook.command)}")
    print(f"the page listens on {site.phone.listen}; the passcode is in {state}/passcode", flush=True)
    return 0


if __name__ == "__main__":
    from gloaming.api.cli.main import exit_code_of

    sys.exit(exit_code_of(_check))
