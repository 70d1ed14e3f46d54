"""The table of site.toml that says how sound is given: device, delay, loudness, volume. Values only."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from gloaming.daemon.timetable.grammar import read_length
from gloaming.shows.checking import Table

DELAY_MAX_NS = 2_000_000_000
_LEVEL = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*LUFS")


def read_delay(text: object) -> int:
    """A length with a sign, as ns: "120 ms" later than the light, "-40 ms" earlier; 2 s at most."""
    right = 'as "120 ms" (later than the light) or "-40 ms" (earlier)'
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a delay; {right}")
    sign = -1 if text.strip().startswith("-") else 1
    try:
        delay_ns = sign * read_length(text.strip().lstrip("+-").strip())
    except ValueError:
        raise ValueError(f"{text!r} is not a delay; {right}") from None
    if abs(delay_ns) > DELAY_MAX_NS:
        raise ValueError(f"{text!r} is more than 2 s; {right}")
    return delay_ns


def read_level(text: object) -> float:
    """A loudness in LUFS: "-16 LUFS"."""
    found = _LEVEL.fullmatch(text.strip()) if isinstance(text, str) else None
    if found is None or not -40 <= float(found[1]) <= -5:
        raise ValueError(f'{text!r} is not a loudness from -40 to -5 LUFS; as "-16 LUFS"')
    return float(found[1])


class Sound(Table):
    """How sound is played."""

    device: Annotated[str, Field(min_length=1, examples=['"USB Audio"'])] | None = None
    """The sound device: a part of its name is enough. Without it, the default device of the system."""
    delay: Annotated[
        int,
        BeforeValidator(read_delay),
        WithJsonSchema({"type": "string", "title": "length, also negative"}),
        Field(examples=['"120 ms"']),
    ] = 0
    """The sound is so much later than the light; a negative length is earlier. 2 s at most."""
    level: (
        Annotated[
            float,
            BeforeValidator(read_level),
            WithJsonSchema({"type": "string", "title": "loudness, -40 to -5 LUFS"}),
            Field(examples=['"-16 LUFS"']),
        ]
        | None
    ) = None
    """Makes all pieces equally loud (EBU R 128), with peaks below -1 dBTP. Without it they are as they are."""
    volume: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, examples=["0.8"])] = 1.0
    """Multiplies the samples: 0.5 is 6 dB less."""
