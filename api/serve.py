"""The planner's main: reads a site, begins the show, serves its page until told to stop."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import sys
import time
from pathlib import Path

from gloaming.api.http.server import PageServer
from gloaming.api.supervisor import AGAIN
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.service.log import ERROR, LOG, open_log
from gloaming.daemon.service.notify import Notifier, managed, watchdog_s
from gloaming.daemon.site.last_good import load_good, store_good
from gloaming.daemon.site.load import Site, load_site
from gloaming.shows.config_files.errors import InputError

RETRY_START_S = 2.0
"""A planner that cannot begin tries again after so long."""


def serve(site: Site, refused: InputError | None, args: argparse.Namespace) -> None:
    """Run the planner on a site until SIGTERM or SIGINT; `refused` are the mistakes that its files have now."""
    folder, state = args.site.absolute(), args.state.absolute()
    planner = Planner(site, state, Clock(), args.transmitter, refused)
    if not refused:
        store_good(folder, state)
    asyncio.run(_run(planner, state, args.listen))


async def _run(planner: Planner, state: Path, listen: str | None) -> None:
    """The show first, then the page; until told to stop. SIGHUP reloads."""
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
    # from the loop that decides: one that hangs is started anew
    alive = [] if every_s is None else [(every_s, "tell the service manager", lambda: manager.notify("WATCHDOG=1"))]
    await planner.start(*alive)
    manager.notify("READY=1", "STATUS=the show is on")
    serving = asyncio.create_task(page.run(), name="page")
    await stopping.wait()
    page.stop()
    await serving
    await planner.stop()


def _site(folder: Path, state: Path) -> tuple[Site, InputError | None]:
    """The site; with nobody there to read that it has a mistake, the site as it was before, and the mistake."""
    try:
        return load_site(folder, strict=False), None
    except InputError as error:
        if not _nobody_there():
            raise
        try:
            return load_good(folder, state), error
        except InputError:  # there is nothing good: what is wrong with the site itself is what can be put right
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
            if not _nobody_there():
                return 2
            manager.notify("READY=1", "WATCHDOG=1", f"STATUS=waits for a site without a mistake: {error.errors[0]}")
        time.sleep(RETRY_START_S)
    serve(*found, args)
    return 0


def _nobody_there() -> bool:
    """Whether nobody reads at a terminal what is wrong: a service manager or the supervisor has started this again."""
    return managed() or AGAIN in os.environ


if __name__ == "__main__":
    sys.exit(main())
