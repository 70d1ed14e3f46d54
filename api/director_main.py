"""The director's main: reads a site, opens the port, serves until told to stop."""

from __future__ import annotations

import argparse
import asyncio
import signal
import socket
import sys
from pathlib import Path

import uvicorn

from gloaming.api.http import make_app
from gloaming.api.sign_in import Doorkeeper, write_private
from gloaming.daemon.clock import Clock
from gloaming.daemon.director import Director
from gloaming.daemon.notify import Notifier, watchdog_s
from gloaming.daemon.site import load_site
from gloaming.shows.mistake import Mistake, MistakeError

GRACE_S = 2


def open_port(listen: str, place: Path) -> socket.socket:
    """The listening socket, bound before anything else. MistakeError where the port is taken or not ours."""
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, int(port)))
        sock.listen(128)
    except OSError as error:
        sock.close()
        right = 'as listen = "0.0.0.0:8081"'
        raise MistakeError(Mistake(place, None, "phone.listen", f"{listen}: {error.strerror}", right)) from None
    return sock


def serve(folder: Path, state: Path, listen: str | None, transmitter: Path | None = None) -> None:
    """Run the director on a site until SIGTERM or SIGINT; `transmitter` is its socket, else one in the state folder."""
    site = load_site(folder, strict=False)
    sock = open_port(listen or site.phone.listen, folder / (site.phone.place or "site.toml"))
    clock = Clock()
    director = Director(site, state, clock)
    director.link.path = transmitter or director.link.path
    doorkeeper = Doorkeeper(director.store)
    doorkeeper.first_passcode(state)
    doorkeeper.local_token(state, clock.now_ns())
    host, port = sock.getsockname()[:2]
    shown = "127.0.0.1" if host in ("0.0.0.0", "::") else f"[{host}]" if ":" in host else host
    write_private(state / "address", f"http://{shown}:{port}\n")
    config = uvicorn.Config(
        make_app(director, doorkeeper),
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
        lifespan="on",
    )
    server = uvicorn.Server(config)
    asyncio.run(_serve(server, sock, director))


async def _serve(server: uvicorn.Server, sock: socket.socket, director: Director) -> None:
    """Serve until told to stop; tell the service manager when it has begun, and that it lives. SIGHUP reloads."""
    reloads: set[asyncio.Task[bool]] = set()

    def reload() -> None:
        task = asyncio.create_task(director.attendant.reload("asked by a signal"), name="reload")
        reloads.add(task)
        task.add_done_callback(reloads.discard)

    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, reload)
    beating = asyncio.create_task(_beat(server), name="watchdog")
    await server.serve(sockets=[sock])
    beating.cancel()
    await asyncio.gather(beating, return_exceptions=True)


async def _beat(server: uvicorn.Server) -> None:
    """From the loop that decides: a loop that hangs is a director that hangs, and is started anew."""
    manager, every_s = Notifier(), watchdog_s()
    while not server.started:
        await asyncio.sleep(0.05)
    manager.say("READY=1")
    while every_s is not None:
        manager.say("WATCHDOG=1")
        await asyncio.sleep(every_s)


def main() -> int:
    """`python -m gloaming.api.director_main SITE --state DIR`."""
    parser = argparse.ArgumentParser(prog="director")
    parser.add_argument("site", type=Path)
    parser.add_argument("--state", type=Path, required=True)
    parser.add_argument("--listen")
    parser.add_argument("--transmitter", type=Path, metavar="SOCKET", help="where the transmitter listens")
    args = parser.parse_args()
    try:
        serve(args.site.absolute(), args.state.absolute(), args.listen, args.transmitter)
    except MistakeError as error:
        print(error, file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{args.state}: {error.strerror or error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
