"""What answers on the network, held against rig.toml. `network_look` asks and listens."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.integrations.host_names import Addresses, address_of, where
from gloaming.daemon.integrations.network_look import NetworkLook, look
from gloaming.daemon.reports.survey_machine import near_rig
from gloaming.daemon.site.load import Site
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.wiring import listed, numbered, ranges
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import as_written
from gloaming.shows.protocols.artnet.poll import ArtNode
from gloaming.shows.rig.model import Controller, Rig

NOTHING = NetworkLook(0, (), (), (), (), 0)
"""The look of one who has not looked."""
EMPTY: Mapping[str, bool | None] = {}
Nodes = Mapping[str, Sequence[ArtNode]]
"""The Art-Net nodes of each controller, by its name."""


LISTEN_S = 11.0
"""E1.31 sources name themselves every 10 s (ANSI E1.31-2018, 8.1)."""


def by_art_net(rig: Rig) -> bool:
    """Whether any of its controllers gets Art-Net."""
    return any(one.protocol == ProtocolName.ARTNET for one in rig.controller)


async def take_a_look(site: Site, addresses: Addresses, at_ns: int, seconds: float) -> NetworkLook:
    """Ask the Art-Net nodes, if the site has it so, and listen for the others."""
    asked = [
        address
        for one in near_rig(site).controller
        if one.protocol == ProtocolName.ARTNET and (address := address_of(one, addresses)) and ":" not in address
    ]
    return await look(asked, site.interface, art_poll=site.output.art_poll, seconds=seconds, at_ns=at_ns)


def differences(
    site: Site,
    addresses: Addresses,
    look: NetworkLook,
    answers: Mapping[str, bool | None] = EMPTY,
    sent: Collection[int] = (),
) -> tuple[Finding, ...]:
    """Where rig.toml and the network differ: first each controller that is near, then what rig.toml does not have.

    `addresses` are those of host names, `answers` says which controllers answer an echo request, `sent` are the
    universes that this machine sends now. A fact asks for nothing to be done.
    """
    nodes = nodes_of(site.rig, addresses, look)
    near = (
        finding
        for one in near_rig(site).controller
        for finding in controller_findings(site, one, addresses, look, nodes[one.name], answers.get(one.name), sent)
    )
    return (*near, *_unknown(nodes, look))


def nodes_of(rig: Rig, addresses: Addresses, look: NetworkLook) -> dict[str, list[ArtNode]]:
    """The Art-Net nodes of each controller: that at its address. Data by broadcast are for each node that outputs one
    of the port-addresses, if it is at no controller's address."""
    places = {address_of(one, addresses): one.name for one in rig.controller}
    found: dict[str, list[ArtNode]] = {one.name: [] for one in rig.controller}
    for node in look.nodes:
        takers = [one.name for one in rig.controller if one.broadcast and _outputs([node]) & _sent_as(one)]
        for name in [places[node.address]] if node.address in places else takers:
            found[name].append(node)
    return found


def node_text(node: ArtNode, controller: Controller | None = None) -> str:
    """What a node says of itself, in one line; that of an Art-Net controller in the universes of rig.toml."""
    said = [node.long_name or node.name or "an Art-Net node", f"firmware {node.firmware}"]
    if controller is None:
        said.append(f"expects port-addresses {_written(node.port_addresses)}" if node.port_addresses else "no outputs")
    elif controller.protocol == ProtocolName.ARTNET:
        said.append(f"expects {_expected(controller, node.port_addresses)}")
        said.append(f"receives {_expected(controller, node.receives)}")
        if node.by_e131:
            said.append(f"takes {_expected(controller, node.by_e131)} by E1.31 instead of Art-Net")
    if controller and node.merges:
        said.append(f"merges two sources on {_expected(controller, node.merges)}")
    return ", ".join(said)


def controller_findings(
    site: Site,
    one: Controller,
    addresses: Addresses,
    look: NetworkLook,
    own: Sequence[ArtNode],
    answers: bool | None = None,
    sent: Collection[int] = (),
) -> Iterator[Finding]:
    """Where a controller, with its `own` nodes, and its table differ."""
    address = address_of(one, addresses)
    art_net = one.protocol == ProtocolName.ARTNET
    if answers is False:
        strings = listed(string.name for string in site.rig.strings_of[one.name]) or "no string"
        text = f"controller {one.name} ({where(one.host, address)}) does not answer: {strings}"
        hint = "check its power, its cable and its address"
        yield Finding(FindingCode.CONTROLLER_SILENT, "warning", one.place, text, hint)
    elif art_net and site.output.art_poll and not own:
        yield _silent(one, address)
    yield from _elsewhere(one, address, look)
    if art_net and own:
        yield from _outputs_differ(site.rig, one, own)
        yield from _by_e131(one, own)
        yield from _unfed(one, own, sent)
    for node in own:
        if node.merges:
            text = f"{one.name} ({node.address}) merges two sources on {_expected(one, node.merges)}"
            hint = "stop the other source, or give it other port-addresses"
            yield Finding(FindingCode.NODE_MERGES, "warning", one.place, text, hint)
    yield from _sources(one, look, site.source_name)


def network_json(
    site: Site,
    addresses: Addresses,
    look: NetworkLook | None,
    answers: Mapping[str, bool | None] = EMPTY,
    sent: Collection[int] = (),
    looking: bool = False,
) -> dict[str, Any]:
    """The answer of GET /api/network: what answers, what it says, and where rig.toml differs. Without a look, nobody
    was asked yet. `looking` is whether the next look is under way."""
    found = look or NOTHING
    nodes = nodes_of(site.rig, addresses, found)
    known = [node for own in nodes.values() for node in own]
    return {
        "at": look and isoformat(look.at_ns, site.timezone),
        "looking": looking,
        "art_poll": site.output.art_poll,
        "controllers": [
            {
                "name": one.name,
                "protocol": one.protocol,
                "host": one.host,
                "address": address_of(one, addresses),
                "answers": answers.get(one.name),
                "nodes": [node_json(node, one) for node in nodes[one.name]],
            }
            for one in near_rig(site).controller
        ],
        "other_nodes": [node_json(node) for node in found.nodes if node not in known],
        "sources": [asdict(one) for one in found.sources],
        "names": [asdict(one) for one in found.names],
        "notes": list(found.notes),
        "malformed": found.malformed,
        "findings": [asdict(one) for one in differences(site, addresses, found, answers, sent)] if look else [],
    }


def node_json(node: ArtNode, controller: Controller | None = None) -> dict[str, Any]:
    """What a node says of itself, and the same as a text."""
    return {**asdict(node), "text": node_text(node, controller)}


def _silent(one: Controller, address: str | None) -> Finding:
    if one.broadcast:
        text = f"{one.name}: no Art-Net node has one of its port-addresses ({_written(_sent_as(one))})"
    elif address is None:
        text = f"{one.name}: nobody knows the address of {one.host}, so no Art-Net node was asked there"
    else:
        text = f"{one.name} gives no answer to ArtPoll at {where(one.host, address)}"
    hint = "check its power and its address; on its own page, set its protocol to Art-Net"
    return Finding(FindingCode.NODE_SILENT, "warning", one.place, text, hint)


def _elsewhere(one: Controller, address: str | None, look: NetworkLook) -> Iterator[Finding]:
    """A controller's name at another address, unless it is at its own address too."""
    named = [node.address for node in look.nodes if _same(one.name, node.name) or _same(one.name, node.long_name)]
    called = [
        name.address
        for name in look.names
        if _same(name.name, one.host or "") or _same(name.name.partition(".")[0], one.name)
    ]
    others = dict.fromkeys((*named, *called))
    if address is None or ":" in address or not others or address in others:  # names have IPv4 addresses alone
        return
    there = next((node.name for node in look.nodes if node.address == address), None)
    now = f"; there answers {there}" if there else ""
    text = f"{one.name} is at {listed(others)} by its name; rig.toml has it at {where(one.host, address)}{now}"
    hint = "correct host in rig.toml; or correct the address or the name on the controller's own page"
    yield Finding(FindingCode.NODE_ELSEWHERE, "warning", one.place, text, hint, "controller.host")


def _same(name: str, other: str) -> bool:
    return name.strip().casefold().rstrip(".") == other.strip().casefold().rstrip(".")


def _outputs_differ(rig: Rig, one: Controller, own: Sequence[ArtNode]) -> Iterator[Finding]:
    """Universes that the nodes do not expect. What they expect beyond those of rig.toml is a fact."""
    has, sent = _outputs(own), _sent_as(one)
    begin = f"{one.name} answers at {listed(node.address for node in own)} and expects {_expected(one, has)}"
    if sent <= has:
        if has > sent:
            text = f"{begin}; rig.toml sends {_sends(one, has)}"
            yield Finding(FindingCode.NODE_OUTPUTS_UNUSED, "fact", one.place, text)
        return
    missing = {universe for universe, address in one.port_address_of.items() if address not in has}
    dark = [string.name for string in rig.strings_of[one.name] if missing & {span[0] for span in string.spans()}]
    text = f"{begin}; rig.toml sends {_sends(one, has)}{f'. Dark with it: {listed(dark)}' if dark else ''}"
    hint = f"on the controller's own page, set port-addresses {_written(sent)}"
    if len(has) == len(sent):
        hint += f'; or write port_addresses = "{_written(has, ",")}" in its table'
    else:
        hint += "; or correct universes in its table"
    yield Finding(FindingCode.NODE_DIFFERS, "warning", one.place, text, hint, "controller.universes")


def _by_e131(one: Controller, own: Sequence[ArtNode]) -> Iterator[Finding]:
    """Universes that the nodes take by E1.31, although Art-Net is sent."""
    if others := {address for node in own for address in node.by_e131} & _sent_as(one):
        text = f"{one.name} takes {_expected(one, others)} by E1.31, by its own word; rig.toml sends Art-Net"
        hint = 'on the controller\'s own page, set these outputs to Art-Net; or write protocol = "e131" in its table'
        yield Finding(FindingCode.NODE_BY_E131, "warning", one.place, text, hint, "controller.protocol")


def _unfed(one: Controller, own: Sequence[ArtNode], sent: Collection[int]) -> Iterator[Finding]:
    """Universes that this machine sends, and of which a node says that no data arrive."""
    has = _outputs(own) - {address for node in own for address in node.by_e131}
    fed = {address for node in own for address in node.receives}
    ours = {address for universe, address in one.port_address_of.items() if universe in sent}
    if unfed := ours & has - fed:
        text = f"{one.name} says that no data arrive for {_expected(one, unfed)}, which this machine sends"
        hint = "check the cables and the network between them; some controllers never report data"
        yield Finding(FindingCode.NODE_UNFED, "warning", one.place, text, hint)


def _sources(one: Controller, look: NetworkLook, own: str) -> Iterator[Finding]:
    """Other E1.31 sources on a controller's universes. The boards of a site have one source name."""
    for source in look.sources:
        shared = sorted(set(source.universes) & set(one.universes))
        if one.protocol == ProtocolName.E131 and shared and not _same(source.name, own):
            text = f"{source.name} at {source.address} sends {numbered('universe', shared)} too, by E1.31"
            hint = "stop the other source, or give it another priority or other universes"
            yield Finding(FindingCode.OTHER_SOURCE, "warning", one.place, f"{one.name}: {text}", hint)


def _unknown(nodes: Nodes, look: NetworkLook) -> Iterator[Finding]:
    """Nodes that rig.toml does not have. One without outputs is no controller."""
    known = {node.address for own in nodes.values() for node in own}
    for node in look.nodes:
        if node.address not in known and node.port_addresses:
            text = (
                f"{node.name or 'an Art-Net node'} answers at {node.address}, firmware {node.firmware}, and expects "
                f"port-addresses {_written(node.port_addresses)}; rig.toml has no controller there"
            )
            hint = "add a [[controller]] table, correct its host, or leave it if it is somebody else's"
            yield Finding(FindingCode.NODE_UNKNOWN, "warning", "rig.toml", text, hint)


def _outputs(nodes: Iterable[ArtNode]) -> set[int]:
    return {address for node in nodes for address in node.port_addresses}


def _sent_as(one: Controller) -> set[int]:
    """The port-addresses that a controller's universes are sent to."""
    return set(one.port_address_of.values())


def _universe_of(one: Controller, addresses: Collection[int]) -> dict[int, int] | None:
    """The universe of each port-address, by the mapping of rig.toml. None if one has none."""
    found = {address: universe for universe, address in one.port_address_of.items()}
    if not one.port_addresses:
        found |= {address: address for address in addresses if address}
    return {address: found[address] for address in addresses} if found.keys() >= set(addresses) else None


def _plain(one: Controller, addresses: Collection[int]) -> bool:
    """Whether universes and port-addresses have the same numbers."""
    return not one.port_addresses and 0 not in addresses


def _expected(one: Controller, addresses: Collection[int]) -> str:
    """Port-addresses as universes of rig.toml, with the port-addresses where they differ."""
    if not addresses:
        return "no universe"
    universe_of = _universe_of(one, addresses)
    if universe_of is None:
        return f"port-addresses {_written(addresses)}"
    text = numbered("universe", sorted(universe_of.values()))
    return text if _plain(one, addresses) else f"{text} (port-addresses {_written(addresses)})"


def _sends(one: Controller, beside: Collection[int]) -> str:
    """The universes of a controller, in the terms of the port-addresses beside which they are read."""
    text = ranges(one.universes)
    return text if _plain(one, beside) else f"{text} as port-addresses {_written(_sent_as(one))}"


def _written(addresses: Iterable[int], between: str = ", ") -> str:
    return ranges(addresses, as_written, between)
