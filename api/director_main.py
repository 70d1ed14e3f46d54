"""The director's main: reads a site, opens the port, serves until told to stop."""

from __future__ import annotations

import argparse
import asyncio
import errno
import os
import signal
import socket
import ssl
import sys
import time
from pathlib import Path

import uvicorn

from gloaming.api.announce import announce
from gloaming.api.connections import Crowd, Entrance, protocol_class
from gloaming.api.events import Streams
from gloaming.api.http import make_app
from gloaming.api.keeper import AGAIN
from gloaming.api.names import is_everywhere, lan_addresses, page_addresses
from gloaming.api.sign_in import Doorkeeper
from gloaming.daemon.clock import Clock
from gloaming.daemon.director import Director
from gloaming.daemon.last_good import keep_good, load_good
from gloaming.daemon.notify import Notifier, managed, watchdog_s
from gloaming.daemon.private_file import write_private
from gloaming.daemon.service_log import ERROR, LOG, open_log
from gloaming.daemon.site import Site, load_site
from gloaming.shows.mistake import Mistake, MistakeError

FREEBIND = {socket.AF_INET: (socket.IPPROTO_IP, 15), socket.AF_INET6: (socket.IPPROTO_IPV6, 78)}
"""IP_FREEBIND (ip(7)), IPV6_FREEBIND (linux/in6.h): bind to an address that is not there yet."""
GRACE_S = 2
AGAIN_S = 2.0
"""A director that cannot begin tries again after so long."""
SAID_S = 60.0
"""And says why no sooner than after so long."""
HEAD_BYTES_MAX = 16_384
BACKLOG = 128
"""How many may knock at once: they are let in together, and each has a file open."""
CONNECTIONS_MAX = 600
"""A last bound: silent connections make room for each other long before (connections.py)."""


def open_port(listen: str, place: Path) -> socket.socket:
    """The listening socket, bound before anything else. MistakeError where the port is taken or not ours.

    At boot an address may arrive late: no reason for a service to stay dark.
    """
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        try:
            sock.bind((host, int(port)))
        except OSError as error:
            if error.errno != errno.EADDRNOTAVAIL or not managed():
                raise
            level, option = FREEBIND[family]
            sock.setsockopt(level, option, 1)
            sock.bind((host, int(port)))
            LOG.complain(f"{host} is no address of this board yet; the page is there as soon as it is", kind="network")
        sock.listen(BACKLOG)
    except OSError as error:
        sock.close()
        right = 'as listen = "0.0.0.0:8081"'
        raise MistakeError(Mistake(place, None, "phone.listen", f"{listen}: {error.strerror}", right)) from None
    return sock


def serve(folder: Path, state: Path, listen: str | None, transmitter: Path | None = None) -> None:
    """Run the director on a site until SIGTERM or SIGINT; `transmitter` is its socket, else one in the state folder."""
    site, refused = _site(folder, state)
    certificate, key = _certificate(site)
    with open_port(listen or site.phone.listen, folder / (site.phone.place or "site.toml")) as sock:
        clock = Clock()
        director = Director(site, state, clock)
        if refused:
            director.attendant.refused = refused
            text = f"the site has a mistake, and is given as it was before: {refused.mistakes[0]}"
            director.store.note(clock.now_ns(), "site", text)
        else:
            keep_good(folder, state)
        director.link.path = transmitter or director.link.path
        doorkeeper = Doorkeeper(director.store)
        host, port = sock.getsockname()[:2]
        _leave_word(doorkeeper, director, state, host, port, certificate)
        announced = site.phone.announce and (is_everywhere(host) or bool(lan_addresses(host)))
        app = make_app(
            director, doorkeeper, addresses=lambda: page_addresses(host, port, certificate is not None, announced)
        )
        crowd = Crowd()
        config = uvicorn.Config(
            app,
            http=protocol_class(crowd),
            ws="none",
            log_config=None,
            log_level="warning",
            access_log=False,
            backlog=BACKLOG,
            server_header=False,
            proxy_headers=False,
            h11_max_incomplete_event_size=HEAD_BYTES_MAX,
            limit_concurrency=CONNECTIONS_MAX,
            ssl_certfile=certificate,
            ssl_keyfile=key,
            timeout_graceful_shutdown=GRACE_S,
            lifespan="on",
        )
        server = Server(config, app.state.streams)
        asyncio.run(_serve(server, Entrance(sock, crowd) if certificate else sock, director, announced))


def _site(folder: Path, state: Path) -> tuple[Site, MistakeError | None]:
    """The site; with nobody there to read that it has a mistake, the site as it was before, and the mistake."""
    try:
        return load_site(folder, strict=False), None
    except MistakeError as error:
        if not (managed() or AGAIN in os.environ):
            raise
        try:
            return load_good(folder, state), error
        except MistakeError:  # there is nothing good: what is wrong with the site itself is what can be put right
            raise error from None


class Server(uvicorn.Server):
    """Ends the streams of events first: they would end by themselves only when the phones go."""

    def __init__(self, config: uvicorn.Config, streams: Streams) -> None:
        super().__init__(config)
        self.streams = streams

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.streams.end_all()
        await super().shutdown(sockets)


def _certificate(site: Site) -> tuple[Path | None, Path | None]:
    """The site's own certificate and its key, if it has one. MistakeError where they cannot be used."""
    phone = site.phone
    if phone.certificate is None or phone.key is None:
        return None, None
    certificate, key = site.folder / phone.certificate, site.folder / phone.key
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        wrong = f"{phone.certificate} and {phone.key} cannot be used: {error.strerror or error}"
        right = "give a certificate chain and its key, both PEM, the key without a passphrase"
        raise MistakeError(Mistake(site.folder / phone.place, None, "phone.certificate", wrong, right)) from None
    return certificate, key


def _leave_word(
    doorkeeper: Doorkeeper, director: Director, state: Path, host: str, port: int, certificate: Path | None
) -> None:
    """Passcode, token and address for whoever may read the state folder; a disk that takes nothing stops no show."""
    shown = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(host, f"[{host}]" if ":" in host else host)
    scheme = "http" if certificate is None else "https"
    try:
        (state / "certificate").unlink(missing_ok=True)
        if certificate is not None:
            write_private(state / "certificate", certificate.read_text())
        doorkeeper.first_passcode(state)
        doorkeeper.local_token(state, director.clock.now_ns())
        write_private(state / "address", f"{scheme}://{shown}:{port}\n")
    except OSError as error:
        wrong = director.store.fault or f"{state}: {error.strerror or error}"
        LOG.complain(f"{wrong}; the show goes on, but commands on this machine may not get in", kind="state")


async def _serve(server: uvicorn.Server, sock: socket.socket, director: Director, announced: bool) -> None:
    """Serve until told to stop; tell the service manager when it has begun, and that it lives. SIGHUP reloads."""
    reloads: set[asyncio.Task[bool]] = set()

    def reload() -> None:
        task = asyncio.create_task(director.attendant.reload("asked by a signal"), name="reload")
        reloads.add(task)
        task.add_done_callback(reloads.discard)

    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, reload)
    beside = [asyncio.create_task(_beat(server), name="watchdog")]
    if announced:
        work = announce(director.site.name, *sock.getsockname()[:2])
        beside.append(asyncio.create_task(work, name="announce"))
    await server.serve(sockets=[sock])
    for task in beside:
        task.cancel()
    await asyncio.gather(*beside, return_exceptions=True)


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
    open_log("gloaming-director")
    while (wrong := _serve_until_told(args)) is not None:
        if not (
            (managed() or AGAIN in os.environ)
            and _said_just_now(args.state if args.transmitter is None else args.transmitter.parent, wrong)
        ):
            LOG.complain(wrong, ERROR, "fault")
            return 2
        time.sleep(AGAIN_S)
    return 0


def _serve_until_told(args: argparse.Namespace) -> str | None:
    """What is wrong where it cannot begin, None at the end."""
    try:
        serve(args.site.absolute(), args.state.absolute(), args.listen, args.transmitter)
    except MistakeError as error:
        return str(error)
    except OSError as error:
        return f"{args.state}: {error.strerror or error}"
    return None


def _said_just_now(folder: Path, wrong: str) -> bool:
    """Whether a director before this one has said the same within a minute; from now on one has. The service manager,
    or the keeper, starts it again at once, and then it waits here instead of filling the log."""
    said = folder / "refused"
    try:
        if said.read_text() == wrong and abs(time.time() - said.stat().st_mtime) < SAID_S:
            return True
    except (OSError, ValueError):
        pass  # the first time, or nothing that can be read
    try:
        said.write_text(wrong)
    except OSError:
        LOG.complain(wrong, ERROR, "fault")  # no other will know that it was said: wait here as well
        return True
    return False


if __name__ == "__main__":
    sys.exit(main())
