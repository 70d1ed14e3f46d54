"""What answers on the network, held against rig.toml. `network_look` asks and listens."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.integrations.e131_sources import E131Source
from gloaming.daemon.integrations.host_names import Addresses, address_of, where
from gloaming.daemon.integrations.network_look import NetworkLook, look
from gloaming.daemon.reports.survey_machine import near_rig
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.wiring import listed, ranges
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import as_written
from gloaming.shows.protocols.artnet.poll import ArtNode
from gloaming.shows.rig.model import Controller, Rig

LISTEN_S = 11.0
"""E1.31 sources name themselves every 10 s (ANSI E1.31-2018, appendix A)."""
NOTHING = NetworkLook(0, (), (), (), (), 0)
"""The look of one who has not looked."""
NOT_ASKED: Mapping[str, bool | None] = {}


def by_art_net(rig: Rig) -> bool:
    """Whether any of its controllers gets Art-Net."""
    return any(one.protocol == ProtocolName.ARTNET for one in rig.controller)


async def take_a_look(site: Site, addresses: Addresses, at_ns: int) -> NetworkLook:
    """Ask the Art-Net nodes, if the site has it so, and listen for the others."""
    asked = [
        address
        for one in near_rig(site).controller
        if one.protocol == ProtocolName.ARTNET and (address := address_of(one, addresses)) and ":" not in address
    ]
    return await look(asked, site.interface, art_poll=site.output.art_poll, seconds=LISTEN_S, at_ns=at_ns)


class NetworkComparison:
    """A look, and where it differs from the rig of a site.

    `addresses` are those of host names, `answers` says which controllers answer an echo request, `sent` are the
    universes that this machine sends now. `nodes` has the Art-Net nodes of each controller, by its name.
    """

    def __init__(
        self,
        site: Site,
        addresses: Addresses,
        found: NetworkLook,
        answers: Mapping[str, bool | None] = NOT_ASKED,
        sent: Collection[int] = (),
    ) -> None:
        self._site, self._addresses, self._found, self._answers, self._sent = site, addresses, found, answers, sent
        places = {address_of(one, addresses): one.name for one in site.rig.controller}
        broadcast = [(one.name, _sent_as(one)) for one in site.rig.controller if one.broadcast]
        self.nodes: dict[str, list[ArtNode]] = {one.name: [] for one in site.rig.controller}
        self.other_nodes: list[ArtNode] = []
        """The nodes that rig.toml does not have."""
        for node in found.nodes:
            takers = [name for name, sent_as in broadcast if not sent_as.isdisjoint(node.port_addresses)]
            owners = [places[node.address]] if node.address in places else takers
            for own in [self.nodes[name] for name in owners] or [self.other_nodes]:
                own.append(node)
        self._at_name: dict[str, list[str]] = defaultdict(list)
        """The addresses at which a name is found: that of a node; that of a host by mDNS, whole and its first label."""
        names = [(one.address, (one.name, one.long_name)) for one in found.nodes]
        names += [(one.address, (one.name, one.name.partition(".")[0])) for one in found.names]
        for address, of_one in names:
            for name in {_folded(name) for name in of_one}:
                self._at_name[name].append(address)
        self._polled = site.output.art_poll and not found.unheard
        """Whether a node that gives no reply would have been heard."""
        self._sources: dict[int, list[E131Source]] = defaultdict(list)
        """The E1.31 sources of each universe. The boards of a site have one source name, and are left out."""
        for source in found.sources:
            for universe in () if self._is_own(source) else source.universes:
                self._sources[universe].append(source)

    def _is_own(self, source: E131Source) -> bool:
        """Whether a source is a board of this site, by its name."""
        return _folded(source.name) == _folded(self._site.source_name)

    def findings(self) -> tuple[Finding, ...]:
        """First each controller that is near, then what rig.toml does not have. A fact asks for nothing to be done."""
        near = (finding for one in near_rig(self._site).controller for finding in self.of_controller(one))
        return (*near, *self._unknown())

    def of_controller(self, one: Controller) -> Iterator[Finding]:
        """Where a controller and its table differ."""
        own = self.nodes[one.name]
        yield from list(self._elsewhere(one)) or self._silent(one)
        if one.protocol == ProtocolName.ARTNET and own:
            yield from self._outputs_differ(one, own)
            yield from self._by_e131(one, own)
            yield from self._unfed(one, own)
        for node in own:
            if node.merges:
                text = f"{one.name} ({node.address}) merges two sources on {_expected(one, node.merges)}"
                hint = "stop the other source, or give it other port-addresses"
                yield Finding(FindingCode.NODE_MERGES, "warning", one.place, text, hint)
        if one.protocol == ProtocolName.E131:
            yield from self._other_sources(one)

    def as_json(self, looking: bool = False) -> dict[str, Any]:
        """The answer of GET /api/network. `looking` is whether the next look is under way."""
        found = self._found
        looked = found is not NOTHING
        return {
            "at": isoformat(found.at_ns, self._site.timezone) if looked else None,
            "looking": looking,
            "art_poll": self._site.output.art_poll,
            "controllers": [
                {
                    "name": one.name,
                    "address": (address := address_of(one, self._addresses)),
                    "way": one.way(address),
                    "answers": self._answers.get(one.name),
                    "nodes": [node_json(node, one) for node in self.nodes[one.name]],
                }
                for one in near_rig(self._site).controller
            ],
            "other_nodes": [node_json(node) for node in self.other_nodes],
            "sources": [{**asdict(one), "own": self._is_own(one)} for one in found.sources],
            "names": [asdict(one) for one in found.names],
            "notes": list(found.notes),
            "malformed": found.malformed,
            "findings": [asdict(one) for one in self.findings()] if looked else [],
        }

    def _elsewhere(self, one: Controller) -> Iterator[Finding]:
        """A controller's name at another address, unless it is at its own address too. Names have IPv4 alone."""
        address = address_of(one, self._addresses)
        others = dict.fromkeys((*self._at_name.get(_folded(one.name), ()), *self._at_name.get(one.host or "", ())))
        if one.host is None or not others or address in others or ":" in (address or ""):
            return
        now = "".join(f"; {node.name} answers there" for node in self.nodes[one.name][:1] if node.name)
        text = f"{one.name} is at {listed(others)} by its name; rig.toml has it at {where(one.host, address)}{now}"
        hint = "correct host in rig.toml; or correct the address or the name on the controller's own page"
        yield Finding(FindingCode.NODE_ELSEWHERE, "warning", one.place, text, hint, "controller.host")

    def _silent(self, one: Controller) -> Iterator[Finding]:
        """A controller that does not answer, or not to ArtPoll."""
        address = address_of(one, self._addresses)
        if self._answers.get(one.name) is False:
            strings = listed(string.name for string in self._site.rig.strings_of[one.name]) or "no string"
            text = f"controller {one.name} ({where(one.host, address)}) does not answer: {strings}"
            hint = "check its power, its cable and its address"
            yield Finding(FindingCode.CONTROLLER_SILENT, "warning", one.place, text, hint)
        elif one.protocol == ProtocolName.ARTNET and self._polled and not self.nodes[one.name]:
            hint = "check its power and its address; on its own page, set its protocol to Art-Net"
            if one.broadcast:
                text = f"{one.name}: no Art-Net node has one of its port-addresses ({_written(_sent_as(one))})"
            elif address is None:
                text = f"{one.name}: nobody knows the address of {one.host}, so no Art-Net node was asked there"
                hint = "check its name; or write its address as host"
            else:
                text = f"{one.name} gives no answer to ArtPoll at {where(one.host, address)}"
            yield Finding(FindingCode.NODE_SILENT, "warning", one.place, text, hint)

    def _outputs_differ(self, one: Controller, own: Collection[ArtNode]) -> Iterator[Finding]:
        """Universes that the nodes do not expect. What they expect beyond those of rig.toml is a fact."""
        has, sent = _outputs(own), _sent_as(one)
        text = f"{one.name} answers at {listed(node.address for node in own)} and expects {_expected(one, has)}"
        text += f"; rig.toml sends {_sends(one, has)}"
        if sent < has:
            yield Finding(FindingCode.NODE_OUTPUTS_UNUSED, "fact", one.place, text)
        if sent <= has:
            return
        missing = {universe for universe, address in one.port_address_of.items() if address not in has}
        strings = self._site.rig.strings_of[one.name]
        dark = [string.name for string in strings if any(span[0] in missing for span in string.spans())]
        hint = f"on the controller's own page, set port-addresses {_written(sent)}"
        if len(has) == len(sent):
            hint += f'; or write port_addresses = "{ranges(has, as_written, ",")}" in its table'
        else:
            hint += "; or correct universes in its table"
        text += f". Dark with it: {listed(dark)}" if dark else ""
        yield Finding(FindingCode.NODE_DIFFERS, "warning", one.place, text, hint, "controller.universes")

    def _by_e131(self, one: Controller, own: Collection[ArtNode]) -> Iterator[Finding]:
        """Universes that the nodes take by E1.31, although Art-Net is sent."""
        if others := {address for node in own for address in node.by_e131} & _sent_as(one):
            text = f"{one.name} takes {_expected(one, others)} by E1.31, by its own word; rig.toml sends Art-Net"
            hint = (
                'on the controller\'s own page, set these outputs to Art-Net; or write protocol = "e131" in its table'
            )
            yield Finding(FindingCode.NODE_BY_E131, "warning", one.place, text, hint, "controller.protocol")

    def _unfed(self, one: Controller, own: Collection[ArtNode]) -> Iterator[Finding]:
        """Universes that this machine sends, and of which a node says that no data arrive."""
        has = _outputs(own) - {address for node in own for address in node.by_e131}
        fed = {address for node in own for address in node.receives}
        ours = {address for universe, address in one.port_address_of.items() if universe in self._sent}
        if unfed := ours & has - fed:
            text = f"{one.name} says that no data arrive for {_expected(one, unfed)}, which this machine sends"
            hint = "check the cables and the network between them; some controllers never report data"
            yield Finding(FindingCode.NODE_UNFED, "warning", one.place, text, hint)

    def _other_sources(self, one: Controller) -> Iterator[Finding]:
        """Other E1.31 sources on a controller's universes."""
        shared: dict[E131Source, list[int]] = {}
        for universe in one.universes:
            for source in self._sources.get(universe, ()):
                shared.setdefault(source, []).append(universe)
        for source, universes in shared.items():
            text = f"{one.name}: {source.name} at {source.address} sends {_numbered(universes)} too, by E1.31"
            hint = "stop the other source, or give it another priority or other universes"
            yield Finding(FindingCode.OTHER_SOURCE, "warning", one.place, text, hint)

    def _unknown(self) -> Iterator[Finding]:
        """Nodes that rig.toml does not have. One without outputs is no controller; one with the name of a controller
        has its finding there."""
        names = {_folded(one.name) for one in self._site.rig.controller}
        for node in self.other_nodes:
            if node.port_addresses and names.isdisjoint((_folded(node.name), _folded(node.long_name))):
                said = f"{node.name or 'an Art-Net node'} answers at {node.address}, firmware {node.firmware}"
                expected = f"expects port-addresses {_written(node.port_addresses)}"
                text = f"{said}, and {expected}; rig.toml has no controller there"
                hint = "add a [[controller]] table, correct its host, or leave it if it is somebody else's"
                yield Finding(FindingCode.NODE_UNKNOWN, "warning", "rig.toml", text, hint)


def node_json(node: ArtNode, controller: Controller | None = None) -> dict[str, Any]:
    """What a node says of itself, and the same as a text: that of an Art-Net controller in universes of rig.toml."""
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
    return {**asdict(node), "text": ", ".join(said)}


def _folded(name: str) -> str:
    """A name as it is compared."""
    return name.strip().rstrip(".").casefold()


def _outputs(nodes: Iterable[ArtNode]) -> set[int]:
    return {address for node in nodes for address in node.port_addresses}


def _sent_as(one: Controller) -> set[int]:
    """The port-addresses that a controller's universes are sent to."""
    return set(one.port_address_of.values())


def _plain(one: Controller, addresses: Collection[int]) -> bool:
    """Whether universes and port-addresses have the same numbers."""
    return not one.port_addresses and 0 not in addresses


def _expected(one: Controller, addresses: Collection[int]) -> str:
    """Port-addresses as universes of rig.toml, with the port-addresses where they differ; alone where rig.toml has no
    universe for one of them."""
    if not addresses:
        return "no universe"
    if _plain(one, addresses):
        return _numbered(addresses)
    universe_of = {address: universe for universe, address in one.port_address_of.items()}
    universes = [universe_of[address] for address in addresses if address in universe_of]
    beside = f"port-addresses {_written(addresses)}"
    return f"{_numbered(universes)} ({beside})" if len(universes) == len(addresses) else beside


def _sends(one: Controller, beside: Collection[int]) -> str:
    """The universes of a controller, in the terms of the port-addresses beside which they are read."""
    text = listed(ranges(one.universes).split(", "))
    return text if _plain(one, beside) else f"{text} as port-addresses {_written(_sent_as(one))}"


def _numbered(universes: Collection[int]) -> str:
    return f"universe{'s' if len(universes) > 1 else ''} {listed(ranges(universes).split(', '))}"


def _written(addresses: Iterable[int]) -> str:
    return listed(ranges(addresses, as_written).split(", "))
