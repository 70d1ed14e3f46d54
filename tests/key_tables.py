"""The tables of keys in daemon/README.md and shows/README.md, from the models of site.toml and rig.toml.

`python -m tests.key_tables` writes each between its markers, `<!-- keys: Output -->` and `<!-- end of keys -->`. It
writes the words for times of the sun between `<!-- sun events -->` and its end.
"""

from __future__ import annotations

import json
import re
from typing import Any

from gloaming.daemon.site.schema import SiteFile
from gloaming.daemon.timetable.sun import EVENTS
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.table_schema import file_schema, tables
from gloaming.shows.rig.model import Rig
from tests.places import TOP

PAGES: dict[str, type[Table]] = {"daemon/README.md": SiteFile, "shows/README.md": Rig}
MARKED = re.compile(r"(<!-- keys: (\w+) -->\n).*?(<!-- end of keys -->)", re.DOTALL)
SUN_EVENTS = re.compile(r"(<!-- sun events -->\n).*?(<!-- end of sun events -->)", re.DOTALL)
HEAD = "| key | what it is for | kind | example | default |\n| --- | --- | --- | --- | --- |\n"


def written(page: str) -> str:
    """A page with its tables as the models say."""
    text = (TOP / page).read_text(encoding="utf-8")
    sections = rows(PAGES[page], {found[2] for found in MARKED.finditer(text)})
    text = MARKED.sub(lambda found: f"{found[1]}\n{HEAD}{sections[found[2]]}\n{found[3]}", text)
    return SUN_EVENTS.sub(lambda found: f"{found[1]}{sun_events()}{found[2]}", text)


def sun_events() -> str:
    """The words for times of the sun as a table of Markdown."""
    lines = []
    for word, event in EVENTS.items():
        example, height = (f"{word} at -4", "as given") if event.altitude is None else (word, f"{event.altitude:g}")
        lines.append(f'| `"{example}"` | {"morning" if event.morning else "evening"} | {height} |\n')
    return "| word | when | height of the sun's centre, degrees |\n| --- | --- | --- |\n" + "".join(lines)


def rows(file: type[Table], names: set[str]) -> dict[str, str]:
    """The rows of each model that is named, by its name. Keys of a model that it extends stand there, if that is
    named too."""
    schema = file_schema(file)
    named = {base: one for one in tables(file) for base in one.__mro__ if base.__name__ in names}
    sections = {}
    for model, one in named.items():
        place = schema["$defs"][one.__name__]
        elsewhere = {name for base in model.__mro__[1:] if base in named for name in base.model_fields} | {"place"}
        keys = [field.alias or name for name, field in model.model_fields.items() if name not in elsewhere]
        needed = place.get("required", ())
        sections[model.__name__] = "".join(row(name, place["properties"][name], name in needed) for name in keys)
    return sections


def row(name: str, key: dict[str, Any], required: bool) -> str:
    """One key as a row of Markdown."""
    example = key.get("examples", [True] if key.get("type") == "boolean" else [])
    default = "needed" if required else f"`{toml(key['default'])}`" if "default" in key else "-"
    shown = f"`{toml(example[0])}`" if example else "-"
    return f"| `{name}` | {key['description']} | {kind(key)} | {shown} | {default} |\n"


def kind(key: dict[str, Any]) -> str:
    """The kind of value that a key takes, in a few words."""
    if "title" in key:
        return str(key["title"])
    if "enum" in key:
        return "one of " + ", ".join(f"`{toml(one)}`" for one in key["enum"])
    if "$ref" in key:
        return "table"
    if "prefixItems" in key:
        return "`[x, y]`"
    if key["type"] == "array":
        return "list of " + {"table": "tables"}.get(kind(key["items"]), kind(key["items"]))
    if key["type"] in ("number", "integer"):
        word = "whole number" if key["type"] == "integer" else "number"
        if "exclusiveMinimum" in key:
            return f"{word} above {key['exclusiveMinimum']:g}, to {key['maximum']:g}"
        return f"{word}, {key['minimum']:g} to {key['maximum']:g}" if "minimum" in key else word
    return {"string": "text", "boolean": "true or false"}[key["type"]]


def toml(value: object) -> str:
    """A value as TOML has it."""
    if isinstance(value, list):
        return f"[{', '.join(toml(one) for one in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {toml(one)}" for name, one in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def main() -> None:
    for page in PAGES:
        (TOP / page).write_text(written(page), encoding="utf-8")


if __name__ == "__main__":
    main()
