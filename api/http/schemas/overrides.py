"""Requests for an override: a model for each kind, made from the table of kinds (`TERMS`).

A model does not know the site. daemon/direction/requests.py checks whether a show exists, an end is near enough and the
hour is not dark.
"""

import re
from datetime import date, datetime
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, Field, TypeAdapter, create_model

from gloaming.api.http.schemas.base import Expected, RequestModel, absent, checked, with_offset
from gloaming.daemon.direction.overrides import ASKED, TERMS, WEEKDAYS, Kind

CLOCK = r"([01][0-9]|2[0-3]):[0-5][0-9]"
NAMED = ("tonight", *WEEKDAYS)
ONE_LINE = r"^[^\x00-\x1f\x7f]*$"
VALUES: dict[str, Any] = {
    "show_continues": Annotated[
        bool,
        Field(strict=True, description="the show continues behind the dark"),
        Expected("{value!r} is neither true nor false", "as true"),
    ],
    "show": Annotated[
        str,
        Field(description="one of the site's shows"),
        Expected("there is no show {value!r}", "use a show of the site"),
    ],
    "piece": Annotated[
        str,
        Field(description="one of the site's pieces, given once"),
        Expected("there is no piece {value!r}", "use a piece of the site"),
    ],
    "after": Annotated[
        bool,
        Field(strict=True, description="it begins after the piece that plays, and not now"),
        Expected("{value!r} is neither true nor false", "as true"),
    ],
    "level": Annotated[
        float,
        Field(
            strict=True,
            ge=0,
            le=1,
            description="a share of the set brightness; the ceiling of dim hours holds, too",
        ),
        Expected("{value!r} is not a brightness from 0 to 1", "as 0.4"),
    ],
    "why": Annotated[
        str,
        Field(max_length=200, pattern=ONE_LINE, description="what is wrong with it"),
        Expected("this is not one line of up to 200 characters", 'as "it flickers"'),
    ],
}
"""What a request may have besides its kind, its end and its zone, by the `key` and `instead` of its terms."""
Zone = Annotated[
    str,
    Field(description="the part of the rig that it is for: a zone, string, fixture or controller"),
    Expected("there is no zone {value!r}", 'use the name of a zone, string, fixture or controller, as "roof"'),
]


def _end(text: str) -> str:
    if text.lower() in NAMED:
        return text.lower()
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        date.fromisoformat(text)
    elif not re.fullmatch(CLOCK, text):
        with_offset(datetime.fromisoformat(text))
    return text


Until = Annotated[
    str,
    AfterValidator(_end),
    Field(
        description='the next "22:15" at the site, "tonight" (until the coming noon), or a day of the week (until noon '
        "of that day). A date, and an ISO 8601 instant with its offset, are accepted, too.",
        json_schema_extra={"pattern": f"^({'|'.join(NAMED)}|{CLOCK})$"},
    ),
    Expected(
        "{value!r} cannot be read",
        '"22:15", "tonight", a day as "saturday" or 2026-12-19, or an instant as 2026-12-24T22:15:00+00:00',
    ),
]


class OverrideRequest(RequestModel):
    """The base of every request for an override. The models of the kinds are made from `TERMS`."""

    kind: Kind


class LastingRequest(OverrideRequest):
    """A request for an override with an end."""

    exclusive = (("minutes", "until"),)


def _request_for(kind: Kind) -> type[OverrideRequest]:
    terms = TERMS[kind]
    fields: dict[str, Any] = {"kind": (Literal[kind.value], ...)}
    if terms.key:
        needed = terms.needed and not terms.instead
        fields[terms.key] = (VALUES[terms.key], ... if needed else Field(default_factory=absent))
    fields |= {key: (VALUES[key], Field(default_factory=absent)) for key in terms.instead}
    if terms.in_zones:
        fields["zone"] = (Zone, ... if terms.zone_needed else Field(default_factory=absent))
    if terms.lasts:
        problem = f"{{value!r}} is not a number of minutes above 0 and up to {terms.longest_minutes}"
        minutes = Annotated[float, Field(strict=True, gt=0, le=terms.longest_minutes), Expected(problem, "as 15")]
        fields |= {
            "minutes": (minutes, Field(default_factory=absent)),
            "until": (Until, Field(default_factory=absent)),
        }
    base = LastingRequest if terms.lasts else OverrideRequest
    made = create_model(f"{kind.title().replace('-', '')}Request", __base__=base, __doc__=terms.help, **fields)
    made.called = f"{'an' if kind.startswith('o') else 'a'} {kind}"
    if terms.key and terms.instead:
        made.one_of = (terms.key, terms.instead[0])
        made.exclusive += tuple((terms.key, key) for key in terms.instead)
        made.exclusive += tuple((terms.instead[0], key) for key in ("minutes", "until"))
    if not terms.in_zones:
        made.elsewhere = {"zone": (f"{made.called} is for the whole rig", "leave the zone out")}
    return made


OVERRIDE_REQUESTS = {kind: _request_for(kind) for kind in ASKED}
if TYPE_CHECKING:
    AnyOverrideRequest = OverrideRequest
else:
    AnyOverrideRequest = Annotated[reduce(or_, OVERRIDE_REQUESTS.values()), Field(discriminator="kind")]
_ANY_OVERRIDE: TypeAdapter[OverrideRequest] = TypeAdapter(AnyOverrideRequest)


def override_request(request: object) -> dict[str, Any]:
    """Check a request for an override; only the keys that were given. InputError."""
    return checked(_ANY_OVERRIDE, request)
