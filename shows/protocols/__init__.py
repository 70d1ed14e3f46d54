"""Packets of the wire: E1.31, Art-Net and DDP, behind one interface (`packets`)."""

from __future__ import annotations

import re
from enum import StrEnum


class ProtocolName(StrEnum):
    """The protocols, as rig.toml and the setup name them."""

    E131 = "e131"
    ARTNET = "artnet"
    DDP = "ddp"

    @property
    def words(self) -> str:
        """Its name in texts for a person."""
        return {self.E131: "E1.31", self.ARTNET: "Art-Net", self.DDP: "DDP"}[self]


def protocol_word(text: str) -> str:
    """The name of a protocol in the letters of `ProtocolName`. Controllers' pages write "Art-Net", "E1.31", "sACN"."""
    word = re.sub(r"[^a-z0-9]", "", text.lower())
    return ProtocolName.E131 if word == "sacn" else word


def printable(text: str) -> str:
    """The printable characters of a text from the network."""
    return text if text.isprintable() else "".join(letter for letter in text if letter.isprintable())
