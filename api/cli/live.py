"""Commands to the running planner, over HTTP: what is on, and what people ask for by hand."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.parser import Argument, Commands, Group, Handler, Parser, SiteWord, add_command, answer, argument
from gloaming.daemon.direction.overrides import ASKED, LIGHTS_OFF, TERMS, Kind, KindTerms
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead

UNITS_MIN = {
    **dict.fromkeys(("", "m", "min", "minute", "minutes"), 1.0),
    **dict.fromkeys(("h", "hour", "hours"), 60.0),
    **dict.fromkeys(("d", "day", "days"), 1440.0),
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1 / 60),
}
"""Minutes in each unit of a length on the command line."""
BOARDS_NAMED = 12
ZONE = argument("--zone", "for this part of the rig alone", "roof", "the whole rig", metavar="ZONE")
PART = argument("zone", "a zone, string, fixture or controller", "ridge", metavar="NAME")
KEYS = {
    "show": argument("show", "a show of the site, or a piece to give once", "evening", metavar="NAME"),
    "after": argument("--after", "a piece begins after the one that plays", action="store_const", const=True),
    "level": argument("level", "a share of the set brightness, 0 to 1", "0.5", type=float, metavar="LEVEL"),
    "show_continues": argument(
        "--show-continues", "the show continues behind the dark", action="store_const", const=True
    ),
    "why": argument("--why", "what is wrong, in one line", '"it flickers"', "nothing is said", metavar="TEXT"),
}
"""The argument for each key that a request may have."""
EXAMPLES = {
    Kind.PAUSE: ("pause 15", "pause 15 boathouse", "pause --until 22:15"),
    Kind.DARK: ("dark", "dark --until tonight --zone roof"),
    Kind.CALL: ("call evening", "call evening 30", "call bells", "call bells --after"),
    Kind.DIM: ("dim 0.5", "dim 0.5 1h --zone roof"),
    Kind.MUTE: ("mute", "mute 30m"),
    Kind.OUT_OF_SERVICE: ("out-of-service ridge", 'out-of-service ridge --until saturday --why "it flickers"'),
}


def add_parser(commands: Commands[Parser]) -> None:
    """Add the commands."""

    def add(name: str, help: str, handler: Handler, *arguments: Argument, examples: tuple[str, ...]) -> None:
        parser = add_command(
            commands, name, help, handler, *arguments, examples=examples, group=Group.TONIGHT, site=SiteWord.PLANNER
        )
        parser.set_defaults(kind=name)

    add("now", "what is happening now, and why", show_now, examples=("now", "now boathouse"))
    for kind in ASKED:
        add(kind.value, TERMS[kind].help, ask, *_arguments(TERMS[kind]), examples=EXAMPLES.get(kind, (kind.value,)))
    add("in-service", "end an out-of-service", in_service, PART, examples=("in-service ridge",))
    text = "end every pause and every dark, or those for a zone; say what still holds"
    zone = argument("--zone", "those for this part of the rig alone", "roof", "all of them", metavar="ZONE")
    add("resume", text, resume, zone, examples=("resume", "resume --zone roof"))
    add("overrides", "list what people asked for and still holds", list_overrides, examples=("overrides",))
    number = argument("id", "its number in `gloaming overrides`", "7", "the latest", nargs="?", type=int, metavar="ID")
    text = "end what a person asked for, the latest or ID; or a hold, by its ID, for an hour"
    add("undo", text, undo, number, examples=("undo", "undo 7"))


def _arguments(terms: KindTerms) -> Iterator[Argument]:
    """The arguments of the command for a kind of override: first those that it needs."""
    if terms.zone_needed:
        yield PART
    if terms.key:
        yield KEYS[terms.key]
    yield from (KEYS[key] for key in terms.instead if key in KEYS)
    if terms.lasts:
        usual = "the rest of the night" if terms.usual_minutes is None else _length(terms.usual_minutes)
        yield argument(
            "minutes",
            'how long: minutes, or a length as "1 h 30 min"',
            "15",
            usual,
            nargs="?",
            type=read_minutes,
            metavar="MINUTES",
        )
        yield argument(
            "--until",
            "a time, tonight, a day of the week or a date (until noon), or an instant",
            "22:15",
            usual,
            metavar="TIME",
        )
    if terms.in_zones and not terms.zone_needed:
        yield ZONE


def _length(minutes: float) -> str:
    return f"{minutes / 1440:g} days" if minutes > 1440 else f"{minutes:g} minutes"


def read_minutes(text: str) -> float:
    """Minutes as a person types them: 15, 15m, 90s, "1 h 30 min"."""
    parts = re.findall(r"(\d+(?:\.\d+)?)\s*([a-z]*)", text.lower())
    known = parts and all(unit in UNITS_MIN for _, unit in parts)
    if not known or "".join(number + unit for number, unit in parts) != re.sub(r"\s", "", text.lower()):
        until = f"; or --until {text}" if re.match(r"\d+:|[a-z]", text.lower()) else ""
        raise argparse.ArgumentTypeError(f'{text!r} is not a length; as 15, 15m or "1 h 30 min"{until}')
    return sum(float(number) * UNITS_MIN[unit] for number, unit in parts)


def show_now(args: argparse.Namespace) -> int:
    """`gloaming now`."""
    from gloaming.daemon.planner.confirmation import light

    now = _now(args)
    if args.json:
        answer(args, now)
        return 0
    piece = f" {now['piece']}, frame {now['frame']}," if now["piece"] else ""
    print(f"{now['at'][:19]} {now['site']}: {now['state']}{piece} at {now['brightness']:.0%}")
    for reason in now["reasons"]:
        print(f"  {reason['text']}  [{reason['rule']}]")
    wire = now["health"]["transmitter"]
    print(f"  on the wire: {light(wire) if wire else 'not known, the transmitter does not answer'}")
    clock = now["clock"]
    within = "" if clock["error_ms"] is None else f", to within {clock['error_ms']:g} ms"
    print(f"  clock: {clock['text']}{within}")
    for zone in now["zones"]:
        if (zone["state"], zone["piece"], zone["level"]) != (now["state"], now["piece"], now["brightness"]):
            piece = f" {zone['piece']}" if zone["piece"] else ""
            print(f"  {zone['name']}: {zone['state']}{piece} at {zone['level']:.0%}: {zone['reason']['text']}")
    if now.get("boards"):  # an older planner has none
        print(f"  {now['boards']['text']}")
    for override in now["overrides"]:
        print(f"  {_description(override)}")
    for trouble in now["health"]["troubles"]:
        named = "" if Path(trouble["subject"]).name in trouble["text"] else f"{trouble['subject']}: "
        print(f"  trouble: {named}{trouble['text']}")
    if now["next"]:
        print(f"  next: {now['next']['state']} at {now['next']['at'][:19]}")
    return 0


def ask(args: argparse.Namespace) -> int:
    """Ask for an override; exit 1 where it is refused. InputError."""
    from gloaming.api.http.schemas.overrides import OVERRIDE_REQUESTS, override_request

    given = {key: getattr(args, key, None) for key in OVERRIDE_REQUESTS[args.kind].model_fields}
    if args.kind == Kind.CALL:
        given |= _show_or_piece(args)
    request = override_request({key: value for key, value in given.items() if value is not None})
    code, taken = call(args, "POST", "/api/overrides", request)
    if code != 201:
        return refused(code, taken)
    print_taken(args, taken, f"{_words(taken)}{_part(taken)}{_begins(taken)}")
    return 0


def _show_or_piece(args: argparse.Namespace) -> dict[str, object]:
    """What a person calls: a show, or else a piece of that name. InputError where the site has neither."""
    site = _found(args, "/api/site")
    shows, pieces = ([one["name"] for one in site[key]] for key in ("shows", "pieces"))
    if args.show not in (*shows, *pieces):
        problem = f"there is no show and no piece {args.show!r}"
        raise InputError(ConfigError("call", None, None, problem, instead(args.show, [*shows, *pieces])))
    return {"show": args.show} if args.show in shows else {"show": None, "piece": args.show}


def refused(code: int, problem: Any) -> int:
    """Print why a request was refused; the exit code."""
    print(problem["detail"], file=sys.stderr)
    return 2 if code == 422 else 1


def print_taken(args: argparse.Namespace, taken: Any, what: str, *more: str) -> None:
    """Print what an override that was asked for has changed."""
    ended = (f"{_kind(one)} ended" for one in taken["ended"])
    answer(args, taken, *ended, f"{what} until {taken['until'][:19]}, {_wire(taken)}", *_other_boards(taken), *more)


def _wire(taken: Any) -> str:
    """What is on the wire of the board that answers; and on how many boards that is what was asked for."""
    boards = taken.get("boards", ())
    count = f" on {sum(one['on_the_wire'] for one in boards)} of {len(boards)} boards" if boards else ""
    if taken["on_the_wire"]:
        return f"on the wire{count}: {taken['wire']}"
    return f"stored, but not on the wire: {taken['wire']}" + (f"; on the wire{count}" if count else "")


def _other_boards(taken: Any) -> list[str]:
    """The other boards on whose wire it is not."""
    away = [one for one in taken.get("boards", ())[1:] if not one["on_the_wire"]]
    lines = [f"{one['name']}: {one['text']}" for one in away[:BOARDS_NAMED]]
    if more := len(away) - len(lines):
        lines.append(f"and {more} more: see gloaming boards")
    if not all(one["contact"] for one in away):
        lines.append("a board without contact plays on, and gets this when it is back")
    return lines


def _words(override: Any) -> str:
    kind = override["kind"]
    return next((known.words for known in Kind if known == kind), str(kind))  # a newer planner may have another kind


def _part(override: Any) -> str:
    """The part of the rig that an override is for."""
    return f" for {override['zone']}" if "zone" in override else ""


def _kind(override: Any) -> str:
    return f"{_words(override)} {override['id']}"


def _description(override: Any) -> str:
    what = {
        **dict.fromkeys(("dim", "hold-dim"), f" to {override.get('level', 1):.0%} of the brightness that is set"),
        "call": f" of {override.get('piece') or override.get('show')}" + _begins(override),
    }
    more = what.get(override["kind"], f", {override['check']}" if "check" in override else "")
    if "hold" in override:
        ends = f"; gloaming undo {override['id']} ends it for an hour" if override["may_end"] else ""
        return f"{_kind(override)}{_part(override)}{more} by {override['hold']}: {override['why']}{ends}"
    why = f": {override['why']}" if "why" in override else ""
    why += "".join(f"; meanwhile: {dark['text']}: no light" for dark in override.get("dark", ()))
    return f"{_kind(override)}{_part(override)}{more} by {override['who']} until {override['until'][:19]}{why}"


def _begins(override: Any) -> str:
    """When a called piece begins that waits for another."""
    return f" from {override['at'][11:19]}" if override.get("after") else ""


def list_overrides(args: argparse.Namespace) -> int:
    """`gloaming overrides`; exit 1 where there is none."""
    standing = _now(args)["overrides"]
    answer(args, standing, *(map(_description, standing) if standing else ["nothing holds that a person asked for"]))
    return 0 if standing else 1


def resume(args: argparse.Namespace) -> int:
    """End every pause and dark, or those for a zone. Print the overrides that still hold. Exit 1 where nothing is
    paused or dark."""
    none = f"{args.zone} is not dark by hand" if args.zone else "nothing is paused or dark by hand"
    return end_all(args, LIGHTS_OFF, none, args.zone, still=True)


def in_service(args: argparse.Namespace) -> int:
    """End the out-of-service of a part of the rig; exit 1 where there is none."""
    return end_all(args, (Kind.OUT_OF_SERVICE,), f"{args.zone} is not out of service; see gloaming now", args.zone)


def undo(args: argparse.Namespace) -> int:
    """End an override: the one named, or the latest; exit 1 where there is none."""
    id = args.id
    if id is None:
        standing = [one for one in _now(args)["overrides"] if "hold" not in one]
        if not standing:
            print("there is nothing to undo", file=sys.stderr)
            return 1
        id = max(override["id"] for override in standing)
    code, ended = call(args, "DELETE", f"/api/overrides/{id}")
    if code != 200:
        return refused(code, ended)
    answer(args, ended, f"{_kind(ended)} ended, {_wire(ended)}", *_other_boards(ended))
    return 0


def end_all(
    args: argparse.Namespace, kinds: tuple[str, ...], none: str, zone: str | None = None, still: bool = False
) -> int:
    """End every override of some kinds, or those for a zone; exit 1 where there is none, or the planner refuses.

    With `still`, say what holds afterwards.
    """
    standing = [
        override
        for override in _now(args)["overrides"]
        if override["kind"] in kinds and zone in (None, override.get("zone"))
    ]
    ended, lines, code, refusal = [], [], 200, {}
    for override in standing:
        code, result = call(args, "DELETE", f"/api/overrides/{override['id']}")
        if code not in (200, 404):  # 404: it has ended meanwhile
            refusal = result
            break
        ended.append(result if code == 200 else override)
        lines.append(f"{_kind(override)}{_part(override)} ended" + (f", {_wire(result)}" if code == 200 else ""))
        lines += _other_boards(result)
    if ended:
        holding = _now(args)["overrides"] if still else []
        lines += [f"still holds: {_description(override)}" for override in holding]
        answer(args, {"ended": ended} | ({"still_holds": holding} if still else {}), *lines)
    if refusal:
        return refused(code, refusal)
    if not standing:
        print(none, file=sys.stderr)
    return 0 if standing else 1


def _now(args: argparse.Namespace) -> Any:
    return _found(args, "/api/now")


def _found(args: argparse.Namespace, path: str) -> Any:
    """The answer of a path. InputError where there is none."""
    code, answer = call(args, "GET", path)
    if code != 200:
        raise InputError(ConfigError(args.url or "the planner", None, None, f"it answers {code}: {answer['detail']}"))
    return answer
