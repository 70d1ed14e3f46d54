"""The page's server: its port, certificate and announcement, and the files by which commands on the board find it.

The show does not depend on it. A failure here is a trouble, and is tried again every few seconds.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn

from gloaming.api.cli.run import NO_PAGE
from gloaming.api.http.addresses import is_everywhere, lan_addresses, page_addresses
from gloaming.api.http.announce import announce
from gloaming.api.http.app import make_app
from gloaming.api.http.auth.authenticator import Authenticator
from gloaming.api.http.certificate import Certificate
from gloaming.api.http.connections import ConnectionLimit, CountingListener, protocol_class
from gloaming.api.http.streams import OpenStreams
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.troubles import DO, Trouble, TroubleCode
from gloaming.daemon.service.log import LOG
from gloaming.daemon.service.private_file import why_closed, write_private

GRACE_S = 2
RETRY_PAGE_S = 2.0
"""How often a port is tried again, and the certificate and the site's [phone] table are checked."""
HEAD_BYTES_MAX = 16_384
BACKLOG = 128
"""How many connections may wait: they are accepted together, and each has an open file."""
CONNECTIONS_MAX = 600
"""A last limit. connections.py closes silent connections long before."""


class PageServer:
    """Serves the page of a planner until `stop`, and tries again after every failure."""

    def __init__(self, planner: Planner, state: Path, listen: str | None) -> None:
        self.planner, self.state, self.listen = planner, state, listen
        self.authenticator = Authenticator(planner.device_store)
        self.addresses: list[str] = []
        self.app = make_app(planner, self.authenticator, addresses=lambda: self.addresses)
        self.problem = ""
        self.certificate: Certificate | None = None
        self._stopping = asyncio.Event()

    def troubles(self) -> list[Trouble]:
        """Why there is no page; what is wrong with its certificate, if the clock is trusted."""
        found = [Trouble(TroubleCode.PAGE, "page", self.problem)] if self.problem else []
        if self.certificate and self.planner.trusted:
            warning = self.certificate.warning(self.planner.now_ns() / 1e9)
            found += [Trouble(TroubleCode.CERTIFICATE, "certificate", warning)] if warning else []
        return found

    def stop(self) -> None:
        self._stopping.set()

    async def run(self) -> None:
        """Serve until `stop`; try again where that fails."""
        while not self._stopping.is_set():
            try:
                await self._serve()
            except ValueError as error:
                self._note_problem(str(error))
            except Exception as error:  # the show must not end with the page
                logging.getLogger(__name__).error("the page failed and is started again", exc_info=error)
                self._note_problem(f"it failed and is started again: {error!r}")
            await self._pause()
        with self._failure_reported():
            self._remove(NO_PAGE)

    async def _pause(self) -> None:
        """Wait a little, or until `stop`."""
        try:
            await asyncio.wait_for(self._stopping.wait(), RETRY_PAGE_S)
        except TimeoutError:
            return

    async def _serve(self) -> None:
        """Open the port and serve until `stop`, or until the site names another port or certificate. ValueError
        where that fails."""
        wanted = self._wanted()
        self.certificate = self._certificate()
        with open_port(wanted[0]) as sock:
            host, port = sock.getsockname()[:2]
            site = self.planner.site
            announced = site.phone.announce and (is_everywhere(host) or bool(lan_addresses(host)))
            secure = self.certificate is not None
            self.addresses = page_addresses(host, port, secure, announced)
            reached = page_addresses(host, port, secure, announced=False) if lan_addresses(host) else [""]
            self.planner.boards.say("address", reached[0])
            self._write_state(host, port)
            server, listener = self._server(sock)
            serving = asyncio.create_task(server.serve(sockets=[listener]), name="page")
            beside = [asyncio.create_task(announce(site.name, host, port), name="announce")] if announced else []
            try:
                while not (serving.done() or self._stopping.is_set()) and self._wanted() == wanted:
                    self.problem = ""
                    if self.certificate and self.certificate.look():
                        self._write_state(host, port)
                        self.planner.note("site", "the page has a renewed certificate")
                    await self._pause()
            finally:
                server.should_exit = True
                for task in beside:
                    task.cancel()
                await asyncio.gather(*beside, return_exceptions=True)
                await serving

    def _wanted(self) -> tuple[str, str | None, str | None, bool]:
        """The site's settings of the page, except its names, which each request reads."""
        table = self.planner.site.phone
        return self.listen or table.listen, table.certificate, table.key, table.announce

    def _certificate(self) -> Certificate | None:
        site = self.planner.site
        if site.phone.certificate is None or site.phone.key is None:
            return None
        return Certificate(site.folder / site.phone.certificate, site.folder / site.phone.key)

    def _server(self, sock: socket.socket) -> tuple[Server, socket.socket]:
        """A server, and the socket that it serves."""
        limit, certificate = ConnectionLimit(), self.certificate
        config = uvicorn.Config(
            self.app,
            http=protocol_class(limit),
            ws="none",
            log_config=None,
            log_level="warning",
            access_log=False,
            backlog=BACKLOG,
            server_header=False,
            proxy_headers=False,
            h11_max_incomplete_event_size=HEAD_BYTES_MAX,
            limit_concurrency=CONNECTIONS_MAX,
            ssl_context_factory=None if certificate is None else lambda *_: certificate.context,
            timeout_graceful_shutdown=GRACE_S,
            lifespan="off",
        )
        return Server(config, self.app.state.streams, self.app.state.strangers), CountingListener(
            sock, limit
        ) if certificate else sock

    def _write_state(self, host: str, port: int) -> None:
        """Write passcode, token, address and certificate into the state folder."""
        shown = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(host, f"[{host}]" if ":" in host else host)
        with self._failure_reported():
            self._remove("certificate", NO_PAGE)
            if self.certificate:
                write_private(self.state / "certificate", self.certificate.own + "\n")
            self.authenticator.first_passcode(self.state)
            self.authenticator.local_token(self.state, self.planner.now_ns())
            scheme = "https" if self.certificate else "http"
            write_private(self.state / "address", f"{scheme}://{shown}:{port}\n")

    def _note_problem(self, problem: str) -> None:
        """Report that there is no page, and remove the address: another program may have the port now, and must not get
        the token of a command."""
        self.certificate = None
        if problem == self.problem:
            return
        self.problem = problem
        site = self.planner.site
        LOG.complain(f"{site.folder / (site.phone.place or 'site.toml')}: {problem}; {DO['page']}", kind="page")
        with self._failure_reported():
            self._remove("address", "certificate")
            write_private(self.state / NO_PAGE, problem + "\n")

    def _remove(self, *names: str) -> None:
        for name in names:
            (self.state / name).unlink(missing_ok=True)

    @contextmanager
    def _failure_reported(self) -> Iterator[None]:
        """Report a disk that cannot be written; the show goes on."""
        try:
            yield
        except OSError as error:
            problem = f"{self.state}: {why_closed(self.state, error)}"
            LOG.complain(f"{problem}; the show plays on, but commands on this machine may not work", kind="state")


class Server(uvicorn.Server):
    """Ends the streams of events first, since they end by themselves only when the phones go. It leaves signals to the
    show."""

    def __init__(self, config: uvicorn.Config, *streams: OpenStreams) -> None:
        super().__init__(config)
        self.streams = streams

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        for streams in self.streams:
            streams.end_all()
        await super().shutdown(sockets)


def open_port(listen: str) -> socket.socket:
    """The listening socket. ValueError where the port is taken, or the address is not the board's (yet)."""
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    sock = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, int(port)))
        sock.listen(BACKLOG)
    except OSError as error:
        sock.close()
        raise ValueError(f"phone.listen: {listen}: {error.strerror}") from None
    return sock
