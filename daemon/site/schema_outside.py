"""The tables of site.toml about what reaches the show from outside, and what it tells everybody. Values only."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from gloaming.daemon.site.input_keys import read_key
from gloaming.daemon.site.schema_delivery import Topic
from gloaming.daemon.site.schema_rules import Brightness, Length
from gloaming.shows.config_files.checking import PRIVATE, Table
from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.rig.model import Named
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

InputKey = Annotated[
    str,
    BeforeValidator(read_key),
    WithJsonSchema({"type": "string", "pattern": "^KEY_[A-Z0-9]+$"}),
    Field(examples=['"KEY_ENTER"']),
]
Number = Annotated[float, Field(allow_inf_nan=False)]


class Trigger(Named):
    """An event from outside that calls a piece or a show. It has piece or show, and at least one of mqtt, http, device.

    Lengths in ns.
    """

    ONE_OF = ("piece", "show")
    NEEDS: ClassVar = {"lasts": "show", "after_piece": "piece", "payload": "mqtt", "board": "mqtt", "key": "device"}

    piece: Annotated[str, Field(examples=['"bells"'])] | None = None
    """The piece that it calls."""
    show: Annotated[str, Field(examples=['"short"'])] | None = None
    """The show that it calls."""
    lasts: Annotated[Length, Field(examples=['"10 min"'])] | None = None
    """How long the show is called for: 30 min without it. A piece lasts as long as it is."""
    zone: Annotated[str, Field(examples=['"roof"'])] | None = None
    """The part of the rig that it is for. Without it, the whole rig."""
    after_piece: bool = False
    """Begins when the piece that plays has ended. A show begins at once."""
    mqtt: Topic | None = None
    """An MQTT broker and a topic: each message there is an event."""
    payload: Annotated[str, Field(max_length=1000, examples=['"pressed"']), PRIVATE] | None = None
    """Only a message with this payload is an event."""
    board: Annotated[str, Field(examples=['"quay"'])] | None = None
    """Of several boards, the one that acts on the messages. While it has no contact, another one does."""
    http: bool = False
    """Listens to HTTP, with a token of its own."""
    device: Annotated[str, Field(pattern="^/dev/", examples=['"/dev/input/by-id/usb-button-event-kbd"'])] | None = None
    """A button or scanner that announces itself as a keyboard."""
    key: InputKey | None = None
    """Only this key of the device is an event. Without it, every key. A scanner ends with KEY_ENTER."""
    cool_down: Annotated[Length, Field(examples=['"2 min"'])] = 0
    """How long it rests after it has called."""
    most_per_hour: Annotated[int, Field(ge=1, le=3600, examples=["6"])] = 120
    """How often it may call within any hour. A damaged contact calls no more often."""
    only_during: Annotated[tuple[str, ...], Field(min_length=1, examples=['["evening"]'])] | None = None
    """Only while one of these shows is on. Without it, any show."""
    while_waiting: bool = False
    """Works also while no show is on, outside the neighbours' hours."""
    note: Annotated[str, Field(max_length=200, examples=['"somebody pressed the button by the gate"'])] = ""
    """A line for the journal each time it calls."""

    @model_validator(mode="after")
    def _whole(self) -> Trigger:
        if self.mqtt is None and not self.http and self.device is None:
            raise WrongValueError("a trigger listens to nothing", "give it mqtt, http = true or device")
        return self


class Hold(Named):
    """A condition from outside that keeps the light off or low while it lasts. It has one of above, below, equals.

    Lengths in ns.
    """

    ONE_OF = ("above", "below", "equals")
    NEEDS: ClassVar = {"until_below": "above", "until_above": "below"}

    mqtt: Topic | None = None
    """An MQTT broker and the topic of the readings."""
    http: bool = False
    """Takes readings by HTTP, with a token of its own."""
    board: Annotated[str, Field(examples=['"quay"'])] | None = None
    """Of several boards, the one that acts on it. With http no other takes readings; with mqtt another may act."""
    json_key: Annotated[str, Field(min_length=1, examples=['"speed"'])] | None = None
    """The key of the reading where the payload is a JSON object. Without it, the payload is the reading."""
    above: Annotated[Number, Field(examples=["14"])] | None = None
    """It holds while the reading is above this number."""
    below: Annotated[Number, Field(examples=["2"])] | None = None
    """It holds while the reading is below this number."""
    equals: Annotated[str, Field(min_length=1, max_length=200, examples=['"storm"'])] | None = None
    """It holds while the reading is this word."""
    for_: Annotated[Length, Field(alias="for", examples=['"30 s"'])] = 0
    """How long the condition must last before it holds."""
    until_below: Annotated[Number, Field(examples=["10"])] | None = None
    """With above: it goes on until the reading is below this number, at most that of above."""
    until_above: Annotated[Number, Field(examples=["4"])] | None = None
    """With below: it goes on until the reading is above this number, at least that of below."""
    clear_for: Annotated[Length, Field(examples=['"10 min"'])] = MINUTE_NS
    """How long the condition must be over before it ends. At least 5 s."""
    makes: Annotated[Literal["dark", "paused", "dim"], Field(examples=['"dark"'])] = "dark"
    """What it does. paused: lights off, and the show stops where it is."""
    level: Annotated[Brightness, Field(examples=["0.3"])] | None = None
    """With dim: the share of the set brightness."""
    zone: Annotated[str, Field(examples=['"roof"'])] | None = None
    """The part of the rig that it is for. Without it, the whole rig."""
    if_silent: Annotated[Literal["ignore", "hold"], Field(examples=['"hold"'])]
    """When no reading comes. ignore: the last reading counts. hold: it holds until readings come and stay clear."""
    silent_after: Annotated[Length, Field(examples=['"5 min"'])] = 5 * MINUTE_NS
    """After this time without a reading the source is silent. A planner that starts counts from its start."""
    may_end: bool = False
    """A person may end it for an hour."""

    @model_validator(mode="after")
    def _whole(self) -> Hold:
        if (self.mqtt is None) == (not self.http):
            raise WrongValueError("a hold listens to mqtt or to http", "give one of them")
        if self.above is not None and self.until_below is not None and self.until_below > self.above:
            raise WrongValueError("until_below is above the number of above", "give the same number or a lower one")
        if self.below is not None and self.until_above is not None and self.until_above < self.below:
            raise WrongValueError("until_above is below the number of below", "give the same number or a higher one")
        for key, least, shortest in (("clear_for", 5, '"5 s"'), ("silent_after", 1, '"1 s"')):
            if getattr(self, key) < least * SECOND_NS:
                problem = f"{key} is shorter than {least} s: the light would come and go"
                raise WrongValueError(problem, f"give a longer time, {shortest} or more")
        if (self.makes == "dim") != (self.level is not None):
            raise WrongValueError("dim and level go together", 'give both, as makes = "dim" and level = 0.3')
        if self.makes == "paused" and self.zone is not None:
            raise WrongValueError("only the whole rig can be paused", 'leave zone out, or give makes = "dark"')
        return self


class Public(Table):
    """What everybody may know, for signs and pages: the title that plays, the next one, and the opening times."""

    stream: bool = False
    """Serves `/api/public` to everybody, without a token."""
    listeners: Annotated[int, Field(ge=1, le=100, examples=["20"])] = 20
    """How many may listen at once."""
    mqtt: Topic | None = None
    """An MQTT broker and a topic. The same is sent there at each change, retained."""
