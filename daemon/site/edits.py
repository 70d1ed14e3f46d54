"""Changes of a site.toml that a form asks for, made in its text: comments, order and spaces stay. Pure.

Each change is made twice: in the document that keeps the text (tomlkit), and in plain data (tomllib). The text is used
only if it then has the same data.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping, MutableMapping
from contextlib import suppress
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead

NAME = "site.toml"
BOM = "\ufeff"
Tables = MutableMapping[str, Any]
Change = Mapping[str, Any]
HOURS_KEYS = (("zone", "zone"), ("from", "begin"), ("to", "end"), ("brightness", "brightness"))
"""The keys of neighbours' hours, and what a change calls them."""
IN_TEXT = "make this change in the text"


def edited(text: str, changes: Iterable[Change]) -> str:
    """The text of a site.toml with some changes. InputError for one that cannot be made in this text."""
    bom, crlf = text.startswith(BOM), "\r\n" in text
    plain = text.removeprefix(BOM).replace("\r\n", "\n")
    try:
        data = tomllib.loads(plain)
        document = tomlkit.parse(plain)
    except (tomllib.TOMLDecodeError, TOMLKitError):
        raise _error(None, "this is not TOML, so no form can change it", "correct the text first") from None
    for change in changes:
        make = MADE[change["change"]]
        make(data, change)
        with suppress(TOMLKitError, TypeError, AttributeError, ValueError):  # compared below
            make(document, change)
    found = document.as_string()
    if not _says(found, data):
        raise _error(None, "this text has a form that the change does not fit", IN_TEXT)
    return (BOM if bom else "") + (found.replace("\n", "\r\n") if crlf else found)


def _says(text: str, data: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == data
    except tomllib.TOMLDecodeError:
        return False


def _error(key: str | None, problem: str, hint: str) -> InputError:
    return InputError(ConfigError(NAME, None, key, problem, hint))


def _list(document: Tables, kind: str) -> list[Any]:
    """The tables of a kind: pieces, shows, performances."""
    found = document.get(kind, [])
    if not isinstance(found, list) or not all(isinstance(one, MutableMapping) for one in found):
        raise _error(kind, "this is no list of tables", f"write [[{kind}]] for each of them")
    return found


def _of_name(document: Tables, kind: str, name: str) -> Tables:
    tables = _list(document, kind)
    for table in tables:
        if table.get("name") == name:
            return dict_of(table)
    names = [str(table.get("name")) for table in tables]
    raise _error(f"{kind}.name", f"there is no {kind} {name!r}", instead(name, names or [f"a [[{kind}]] table"]))


def dict_of(table: Any) -> Tables:
    found: Tables = table
    return found


def _performance(document: Tables, change: Change) -> Tables:
    tables, index = _list(document, "performance"), change["performance"]
    if index >= len(tables):
        raise _error(f"performance[{index}]", "there is no such performance", f"there are {len(tables)}, from 0")
    return dict_of(tables[index])


def _set(table: Tables, key: str, value: object) -> None:
    """Set a key; None removes it."""
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def _table(document: Tables, name: str) -> Tables:
    """A table such as [output], made at the end if there is none."""
    if name not in document:
        document[name] = {} if type(document) is dict else tomlkit.table()
    if not isinstance(document[name], MutableMapping):
        raise _error(name, "this is no table", f"write [{name}]")
    return dict_of(document[name])


def _append(holder: Tables, kind: str, values: Mapping[str, object]) -> None:
    """Add a table to a list of tables, after the last one of its kind."""
    given = {key: value for key, value in values.items() if value is not None}
    if type(holder) is dict:
        holder.setdefault(kind, []).append(given)
        return
    table, new = tomlkit.table(), kind not in holder
    table.update(given)
    if new and isinstance(holder, tomlkit.TOMLDocument):
        holder.add(tomlkit.nl())
    else:
        table.add(tomlkit.nl())
    if new:
        holder[kind] = tomlkit.aot()
    holder[kind].append(table)


def _season(document: Tables, change: Change) -> None:
    _set(_performance(document, change), "season", change["season"])


def _opening(document: Tables, change: Change) -> None:
    table = _performance(document, change)
    for key, name in (("from", "time"), ("not_before", "not_before"), ("not_after", "not_after")):
        if name in change:
            _set(table, key, change[name])


def _closing(document: Tables, change: Change) -> None:
    _set(_performance(document, change), "to", change["time"])


def _order(document: Tables, change: Change) -> None:
    _set_order(_of_name(document, "show", change["show"]), list(change["order"]))


def _set_order(show: Tables, names: list[str]) -> None:
    """Set a running order. An order on several lines stays on several lines."""
    before, after = show.get("order"), names
    if isinstance(before, Array) and "\n" in before.as_string():
        array = tomlkit.array()
        array.extend(after)
        show["order"] = array.multiline(True)
    else:
        show["order"] = after


def _brightness(document: Tables, change: Change) -> None:
    output, zone = _table(document, "output"), change.get("zone")
    if zone is None:
        _set(output, "brightness", change["brightness"])
        return
    for table in _list(output, "zone"):
        if table.get("name") == zone:
            _set(table, "brightness", change["brightness"])
            return
    _append(output, "zone", {"name": zone, "brightness": change["brightness"]})


def _hours(document: Tables, change: Change) -> None:
    """Add neighbours' hours, or change those with a number in their list."""
    neighbours, kind, number = _table(document, "neighbours"), change["kind"], change.get("number")
    values = {key: change[name] for key, name in HOURS_KEYS if change.get(name) is not None}
    found = _list(neighbours, kind)
    if number is not None and number >= len(found):
        raise _error(f"neighbours.{kind}[{number}]", "there are no such hours", f"there are {len(found)}, from 0")
    if number is not None:
        dict_of(found[number]).update(values)
    elif isinstance(found, Array):  # on one line: { from = "22:00", to = "07:00" }
        table = tomlkit.inline_table()
        table.update(values)
        found.append(table)
    else:
        _append(neighbours, kind, values)


def _add_piece(document: Tables, change: Change) -> None:
    name = change["name"]
    if any(table.get("name") == name for table in _list(document, "piece")):
        raise _error("piece.name", f"there is a piece {name!r} already", "give it another name")
    _append(document, "piece", {"name": name, "frames": change["frames"], "sound": change.get("sound")})
    if change.get("show") is not None:
        show = _of_name(document, "show", change["show"])
        _set_order(show, [*map(str, show.get("order", ())), name])


def _piece_file(document: Tables, change: Change) -> None:
    """Another frame file or sound file for a piece."""
    table = _of_name(document, "piece", change["name"])
    for key in ("frames", "sound"):
        if key in change:
            _set(table, key, change[key])


def _piece_title(document: Tables, change: Change) -> None:
    """What signs call a piece, and its artist."""
    table = _of_name(document, "piece", change["name"])
    for key in ("title", "artist"):
        if key in change:
            _set(table, key, change[key])


def _remove_piece(document: Tables, change: Change) -> None:
    name, tables = change["name"], _list(document, "piece")
    _of_name(document, "piece", name)
    for show in _list(document, "show"):
        order = [str(one) for one in show.get("order", ())]
        if order and set(order) == {name}:
            raise _error("show.order", f"{name} is the only piece of {show.get('name')}", "give that another one first")
        if name in order:
            _set_order(show, [one for one in order if one != name])
        if show.get("between") == name:
            show.pop("between")
    del tables[next(place for place, table in enumerate(tables) if table.get("name") == name)]
    if not tables:
        document.pop("piece")


def _name(document: Tables, change: Change) -> None:
    _set(_table(document, "site"), "name", change["name"])


def _rename(document: Tables, change: Change) -> None:
    """Rename a piece or a show, where it is named too."""
    kind, name, to = change["kind"], change["name"], change["to"]
    table = _of_name(document, kind, name)
    if name != to and any(one.get("name") == to for one in _list(document, kind)):
        raise _error(f"{kind}.name", f"there is a {kind} {to!r} already", "give it another name")
    table["name"] = to
    if kind == "show":
        for performance in _list(document, "performance"):
            if performance.get("show") == name:
                performance["show"] = to
        return
    for show in _list(document, "show"):
        order = [str(one) for one in show.get("order", ())]
        if name in order:
            _set_order(show, [to if one == name else one for one in order])
        if show.get("between") == name:
            show["between"] = to


MADE: dict[str, Callable[[Tables, Change], None]] = {
    "season": _season,
    "opening": _opening,
    "closing": _closing,
    "order": _order,
    "brightness": _brightness,
    "hours": _hours,
    "piece": _add_piece,
    "piece-file": _piece_file,
    "piece-title": _piece_title,
    "remove-piece": _remove_piece,
    "name": _name,
    "rename": _rename,
}
"""Each change of a form, and what makes it."""
