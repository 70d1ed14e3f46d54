"""The planner's main: reads a site, starts the show, and serves the page until SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import sys
import time
from pathlib import Path

from gloaming.api.http.server import PageServer
from gloaming.api.supervisor import RESTARTED
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.service.log import ERROR, LOG, open_log
from gloaming.daemon.service.notify import Notifier, managed, watchdog_s
from gloaming.daemon.site.last_good import load_good, store_good
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import finish_take_over
from gloaming.daemon.site.versions import Versions
from gloaming.shows.config_files.errors import InputError

RETRY_S = 2.0
"""After this time a planner that cannot start tries again."""


def serve(site: Site, refused: InputError | None, args: argparse.Namespace) -> None:
    """Run the planner on a site until SIGTERM or SIGINT; `refused` has the mistakes in its files."""
    folder, state = args.site.absolute(), args.state.absolute()
    planner = Planner(site, state, Clock(), args.transmitter, refused)
    if not refused:
        store_good(folder, state)
    asyncio.run(_run(planner, state, args.listen))


async def _run(planner: Planner, state: Path, listen: str | None) -> None:
    """Start the show, then the page, and run until a signal ends both. SIGHUP reloads the site."""
    loop, stopping = asyncio.get_running_loop(), asyncio.Event()
    reloads: set[asyncio.Task[InputError | None]] = set()

    def reload() -> None:
        task = asyncio.create_task(planner.reload("asked by a signal"), name="reload")
        reloads.add(task)
        task.add_done_callback(reloads.discard)

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopping.set)
    loop.add_signal_handler(signal.SIGHUP, reload)
    page = PageServer(planner, state, listen)
    planner.add_troubles(page.troubles)
    manager, every_s = Notifier(), watchdog_s()
    # sent from the loop that plans: if it hangs, the service manager restarts it
    alive = [] if every_s is None else [(every_s, "notify the service manager", lambda: manager.notify("WATCHDOG=1"))]
    await planner.start(*alive)
    manager.notify("READY=1", "STATUS=the show is on")
    serving = asyncio.create_task(page.run(), name="page")
    await stopping.wait()
    page.stop()
    await serving
    await planner.stop()


def _site(folder: Path, state: Path) -> tuple[Site, InputError | None]:
    """The site. Where nobody reads the terminal, a site with a mistake gives the last good site, and the mistake."""
    try:
        if finish_take_over(folder, state):
            LOG.line("site", "the take-over of a pushed site that was interrupted is completed")
        if Versions(state).finish(folder):
            LOG.line("site", "a save of the site that was interrupted is completed")
        return load_site(folder, strict=False), None
    except InputError as error:
        if not _unattended():
            raise
        try:
            return load_good(folder, state), error
        except InputError:  # there is no good site: a person can correct only the mistake in the site itself
            raise error from None


def main() -> int:
    """`python -m gloaming.api.serve SITE --state DIR`."""
    parser = argparse.ArgumentParser(prog="planner")
    parser.add_argument("site", type=Path)
    parser.add_argument("--state", type=Path, required=True)
    parser.add_argument("--listen")
    parser.add_argument("--transmitter", type=Path, metavar="SOCKET", help="where the transmitter listens")
    args = parser.parse_args()
    open_log("gloaming-planner")
    manager = Notifier()
    while True:
        try:
            found = _site(args.site.absolute(), args.state.absolute())
            break
        except InputError as error:
            LOG.complain(str(error), ERROR, "fault")
            if not _unattended():
                return 2
            manager.notify("READY=1", "WATCHDOG=1", f"STATUS=waits for a site without a mistake: {error.errors[0]}")
        time.sleep(RETRY_S)
    serve(*found, args)
    return 0


def _unattended() -> bool:
    """Whether nobody reads the terminal: a service manager runs this, or the supervisor has restarted it."""
    return managed() or RESTARTED in os.environ


if __name__ == "__main__":
    sys.exit(main())
