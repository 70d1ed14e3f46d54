"""The machine that plays: disk, memory, clock, network, and the controllers that answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from gloaming.daemon.integrations.host_names import HostNames, address_of, host_troubles, where
from gloaming.daemon.planner.clock_trust import Verdict
from gloaming.daemon.planner.health import BoardHealth, read_board, troubles_of
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter.udp_sender import interface_index, source_address
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.model import Controller, Rig

GROUPS_MAX = Path("/proc/sys/net/ipv4/neigh/default/gc_thresh3")
"""The kernel's limit of neighbour entries (arp(7)). Each multicast group that is sent to takes one."""


def near_rig(site: Site) -> Rig:
    """What this machine is to reach: its part of the rig if it is one of the boards, else all of it."""
    return site.part if site.board else site.rig


def machine_findings(
    site: Site, answers: Mapping[str, bool] | None, clock: Verdict, names: HostNames | None = None
) -> tuple[Finding, ...]:
    """The findings about the machine. `answers` says which controllers answer, `names` knows their host names; None if
    nobody was asked. `clock` is the verdict of a planner that starts now."""
    names = names or HostNames({})
    board = read_board(site.folder)
    leads = (*_synchronization(site), *_art_sync(site))
    network = (*_network(site, names), *_groups(site), *leads, *_controllers(site, answers))
    return (*_board(board), *_clock(clock), *network)


def _board(board: BoardHealth) -> Iterator[Finding]:
    for trouble in troubles_of(board):
        yield Finding(trouble.code, "warning", "board", trouble.text, trouble.do)
    if board.disk_free_bytes is not None:
        yield Finding(
            FindingCode.DISK_FREE, "fact", "disk", f"{board.disk_free_bytes / 1e9:.1f} GB are free on the site's disk"
        )
    if board.memory_free_bytes is not None:
        yield Finding(FindingCode.MEMORY_FREE, "fact", "memory", f"{board.memory_free_bytes / 1e6:.0f} MB are free")


def _clock(clock: Verdict) -> Iterator[Finding]:
    if not clock.trusted:
        text = f"{clock.text}: after a start the show stays dark until the clock is trusted"
        hint = 'let the board reach a time server, or give it the time from a phone, or set [clock] trust = "plausible"'
        yield Finding(FindingCode.CLOCK_UNTRUSTED, "warning", "clock", text, hint)
    elif clock.by == "plausible":
        yield Finding(FindingCode.CLOCK_GUESSED, "warning", "clock", clock.text, "let the board reach a time server")
    else:
        yield Finding(FindingCode.CLOCK, "fact", "clock", clock.text)


def _network(site: Site, names: HostNames) -> Iterator[Finding]:
    interface, own = site.interface, site.board
    written = (own.place, "board.interface") if own and own.interface else (site.output.place, "output.interface")
    place = f"{written[0] or 'site.toml'} {written[1]}"
    for controller, trouble in host_troubles(near_rig(site), names):
        yield Finding(trouble.code, "warning", controller.place, trouble.text, trouble.do)
    if interface is not None:
        try:
            interface_index(interface)
        except OSError as error:
            text = f"{interface}: {error.strerror or error}"
            yield Finding(
                FindingCode.INTERFACE_UNKNOWN,
                "error",
                place,
                text,
                "name an interface of this machine, or one of its addresses",
            )
            return
        yield Finding(FindingCode.WAY_OUT, "fact", "network", f"packets leave by {interface}")
        return
    sources: dict[str, list[str]] = {}
    for controller in near_rig(site).controller:
        address = address_of(controller, names.addresses)
        source = source_address(address) if address else None
        if address and source is None:
            text = f"there is no route to controller {controller.name} ({where(controller.host, address)})"
            yield Finding(
                FindingCode.CONTROLLER_UNREACHABLE,
                "error",
                controller.place,
                text,
                "give the board an address in its network",
            )
        elif source:
            sources.setdefault(source, []).append(where(controller.host, address))
    for source, hosts in sources.items():
        yield Finding(FindingCode.WAY_OUT, "fact", "network", f"packets for {listed(hosts)} leave by {source}")
    for name, anybody in (("multicast", _by_multicast(site)), ("broadcast", _by_broadcast(site))):
        if anybody:
            text = f"the routing table chooses the interface for {name}: set interface in [output] to be sure"
            yield Finding(FindingCode.WAY_OUT, "fact", "network", text)


def _by_multicast(site: Site) -> list[Controller]:
    """The controllers that receive multicast."""
    return [one for one in near_rig(site).controller if one.by_multicast]


def _by_broadcast(site: Site) -> list[Controller]:
    """The controllers to which something is sent by broadcast: their data, or ArtSync."""
    artnet = [one for one in near_rig(site).controller if one.protocol is ProtocolName.ARTNET]
    return [one for one in artnet if one.broadcast or site.output.art_sync]


def _groups(site: Site) -> Iterator[Finding]:
    """Whether the kernel has room for an entry for each group. Otherwise it makes a new one for each packet."""
    controllers = _by_multicast(site) if site.output.multicast != "ipv6" else []
    groups = sum(len(one.universes) for one in controllers)
    try:
        most = int(GROUPS_MAX.read_text())
    except (OSError, ValueError):  # a network namespace other than the machine's has no such file
        return
    if groups >= most:
        text = (
            f"{groups} universes are sent by multicast, and this machine has room for {most} groups "
            "(net.ipv4.neigh.default.gc_thresh3): each packet costs about 50 % more"
        )
        hint = "copy /usr/share/doc/gloaming/multicast.conf to /etc/sysctl.d/ and run sysctl --system; or set hosts"
        yield Finding(FindingCode.MULTICAST_GROUPS, "warning", _first(controllers), text, hint)


def _synchronization(site: Site) -> Iterator[Finding]:
    """Warn of different leads: a synchronization address has one group (E1.31 9.3), and all in it obey its packets."""
    controllers = _by_multicast(site)
    if site.output.synchronization and len({one.lead for one in controllers}) > 1:
        text = "controllers with multicast have different leads, but one synchronization packet is for all of them"
        hint = "give them the same lead, or hosts without multicast"
        yield Finding(FindingCode.SYNCHRONIZATION_LEADS, "warning", _first(controllers), text, hint)


def _art_sync(site: Site) -> Iterator[Finding]:
    """Warn of different leads: all nodes obey each ArtSync, which goes to the whole network."""
    controllers = [one for one in near_rig(site).controller if one.protocol is ProtocolName.ARTNET]
    if site.output.art_sync and len({one.lead for one in controllers}) > 1:
        text = "controllers with Art-Net have different leads, but each ArtSync is for all of them"
        hint = "give them the same lead, or remove art_sync"
        yield Finding(FindingCode.ART_SYNC_LEADS, "warning", _first(controllers), text, hint)


def _controllers(site: Site, answers: Mapping[str, bool] | None) -> Iterator[Finding]:
    if answers is None:
        return
    there = [name for name, answered in answers.items() if answered]
    if there:
        yield Finding(FindingCode.CONTROLLERS_ANSWER, "fact", "network", f"these controllers answer: {listed(there)}")
    silent = [controller for controller in near_rig(site).controller if not controller.host]
    if silent:
        yield Finding(
            FindingCode.CONTROLLERS_UNASKED,
            "fact",
            _first(silent),
            f"controllers without a host cannot be asked: {listed(one.name for one in silent)}",
        )


def _first(controllers: list[Controller]) -> str:
    return controllers[0].place
