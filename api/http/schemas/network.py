"""Answers on the network: what answers there, and where rig.toml differs."""

from typing import Annotated, Literal

from pydantic import Field

from gloaming.api.http.schemas.answers import Answer, Instant


class NodeFound(Answer):
    """What an Art-Net node says of itself. Its port-addresses are those of its outputs, as numbers."""

    address: str
    name: str
    long_name: str
    firmware: str
    report: Annotated[str, Field(description="its own status")]
    port_addresses: list[int]
    receives: Annotated[list[int], Field(description="those at which data arrive")]
    merges: Annotated[list[int], Field(description="those at which it merges two sources")]
    by_e131: Annotated[list[int], Field(description="those that take E1.31 instead of Art-Net")]
    text: Annotated[str, Field(description="the same in words; of a controller, in the universes of rig.toml")]


class NetworkController(Answer):
    """A controller of rig.toml, and the Art-Net nodes that answer for it."""

    name: str
    address: Annotated[str | None, Field(description="null: it has no host, or nobody knows the address of its name")]
    way: Annotated[str, Field(description="how its data go to it, in words")]
    answers: Annotated[bool | None, Field(description="an echo request; null: it was not asked")]
    nodes: list[NodeFound]


class SourceFound(Answer):
    """An E1.31 source that names itself by universe discovery."""

    address: str
    name: str
    cid: str
    universes: list[int]
    own: Annotated[bool, Field(description="whether it is a board of this site, by its name")]


class NameFound(Answer):
    """A name that a host announces by mDNS, with its services."""

    name: str
    address: str
    services: list[str]


class NetworkFinding(Answer):
    """Where rig.toml and the network differ. A fact asks for nothing to be done."""

    code: str
    severity: Literal["error", "warning", "fact"]
    place: Annotated[str, Field(description="file and line")]
    text: str
    hint: Annotated[str | None, Field(description="what to do")]
    key: str | None


class NetworkFound(Answer):
    """What answered at the last look, and where rig.toml differs."""

    at: Annotated[Instant | None, Field(description="when; null: nobody has looked yet")]
    looking: Annotated[bool, Field(description="whether the next look is under way")]
    art_poll: Annotated[bool, Field(description="whether Art-Net nodes are asked: art_poll in [output]")]
    controllers: list[NetworkController]
    other_nodes: Annotated[list[NodeFound], Field(description="those that rig.toml does not have")]
    sources: list[SourceFound]
    names: list[NameFound]
    notes: Annotated[list[str], Field(description="what could not be asked, and what is odd")]
    malformed: Annotated[int, Field(description="packets that cannot be read")]
    findings: list[NetworkFinding]
