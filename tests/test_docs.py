"""What the pages say is there: links, commands, keys, configuration; and the two pages at the top are short."""

from __future__ import annotations

import fnmatch
import json
import re
import shlex
import tomllib
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import jsonschema_rs
import pytest

from gloaming.api.cli.main import build_parser
from gloaming.daemon.site.schema import SiteFile
from gloaming.shows.config_files.table_schema import file_schema, tables
from gloaming.shows.rig.model import Rig
from tests.key_tables import MARKED, PAGES, TOP, written

LONGEST_BYTES = 10_240
ROOMS = ("shows", "daemon", "api", "systemd")
DOCS = [
    TOP / name
    for name in (
        "README.md",
        "DEVELOPERS.md",
        *(f"{room}/README.md" for room in ROOMS),
        "shows/FORMAT.md",
        "daemon/transmitter/PROTOCOL.md",
        "tests/bench/RESULTS.md",
    )
]
LINK = re.compile(r"\]\(([^)\s]+)\)")
FENCED = re.compile(r"^ *```(\w*)\n(.*?)^ *```", re.DOTALL | re.MULTILINE)
INLINE = re.compile(r"`(gloaming\s[^`]+)`")
NAMED = re.compile(r"`([\w/*.-]+\.(?:py|md|c)|(?:shows|daemon|api|systemd|tests)/[\w/*.-]*)`")
PLACEHOLDER = re.compile(r"[A-Z]+(\.\w+)?")


def name_of(path: Path) -> str:
    return str(path.relative_to(TOP))


def code_lines(text: str) -> Iterator[str]:
    """The lines of all code blocks, fenced or indented."""
    for found in FENCED.finditer(text):
        yield from found[2].splitlines()
    yield from re.findall(r"^(?: {4,}|\t)(\S.*)$", FENCED.sub("", text), re.MULTILINE)


def commands(text: str) -> Iterator[list[str]]:
    """The words behind `gloaming` in each call of it, in code blocks and in sentences."""
    for line in code_lines(text):
        typed = re.split(r" {2,}", line.strip().removeprefix("$ "))[0]  # what follows explains it
        for part in typed.split(" && "):
            if re.match(r"(\S*/)?gloaming\s", part):
                words = shlex.split(part, comments=True)[1:]
                yield words[: words.index(">")] if ">" in words else words
    for call in INLINE.findall(text):
        words = [PLACEHOLDER.sub("1", word) if PLACEHOLDER.fullmatch(word) else word for word in shlex.split(call)[1:]]
        yield words if any(word.startswith("-") for word in words) else [*words, "--help"]  # a name, without its files


def anchors(text: str) -> set[str]:
    """What headings are called in a link: small letters, hyphens for blanks, nothing else."""
    heads = re.findall(r"^#+ (.*)$", FENCED.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_pages_at_the_top_are_short(name: str) -> None:
    assert len((TOP / name).read_bytes()) <= LONGEST_BYTES


@pytest.mark.parametrize("path", DOCS, ids=name_of)
def test_every_link_leads_to_a_file_and_a_heading_of_it(path: Path) -> None:
    for link in LINK.findall(path.read_text(encoding="utf-8")):
        if "://" not in link:
            target, _, anchor = link.partition("#")
            there = (path.parent / target).resolve() if target else path
            assert there.is_relative_to(TOP) and there.exists(), link
            assert not anchor or anchor in anchors(there.read_text(encoding="utf-8")), link


def test_every_room_is_linked_at_the_top() -> None:
    links = {link.partition("#")[0] for link in LINK.findall((TOP / "README.md").read_text(encoding="utf-8"))}
    assert {f"{room}/README.md" for room in ROOMS} <= links


@pytest.mark.parametrize("path", DOCS, ids=name_of)
def test_every_command_that_is_written_is_one(path: Path) -> None:
    parser = build_parser()
    for words in commands(path.read_text(encoding="utf-8")):
        try:
            parser.parse_args(words)
        except SystemExit as end:
            assert end.code == 0, f"gloaming {shlex.join(words)}"


def test_commands_are_found_wherever_they_are_written() -> None:
    text = "Ask `gloaming undo ID`.\n\n    $ gloaming now site  # what is on\n    a && b/gloaming mute     no sound\n"
    assert list(commands(text)) == [["now", "site"], ["mute"], ["undo", "1", "--help"]]
    assert len([words for path in DOCS for words in commands(path.read_text(encoding="utf-8"))]) > 60


@pytest.mark.parametrize("path", DOCS, ids=name_of)
def test_every_file_that_is_named_is_there(path: Path) -> None:
    """Paths from the top, a room or the page's folder, and modules by their name alone; `*` stands for anything."""
    folders = [TOP, path.parent, *(TOP / room for room in ROOMS)]
    modules = {found.name for folder in (*folders[2:], TOP / "tests") for found in folder.rglob("*.py")}
    for name in NAMED.findall(path.read_text(encoding="utf-8")):
        assert [*fnmatch.filter(modules, name), *chain(*(folder.glob(name) for folder in folders))], name


@pytest.mark.parametrize("path", DOCS, ids=name_of)
def test_every_module_that_is_to_be_run_is_there(path: Path) -> None:
    for module in re.findall(r"python -m ((?:tests|gloaming)\.[\w.]+)", path.read_text(encoding="utf-8")):
        assert TOP.joinpath(*module.removeprefix("gloaming.").split(".")).with_suffix(".py").exists(), module


@pytest.mark.parametrize("path", DOCS, ids=name_of)
def test_every_example_of_a_file_has_keys_and_values_as_they_are(path: Path) -> None:
    for language, block in FENCED.findall(path.read_text(encoding="utf-8")):
        if language == "toml":
            data = json.loads(json.dumps(tomllib.loads(block), default=str))
            schema = file_schema(Rig if data.keys() & {"controller", "supply", "string"} else SiteFile)
            schema.pop("required", None)  # a part of a file
            assert [error.message for error in jsonschema_rs.validator_for(schema).iter_errors(data)] == []


@pytest.mark.parametrize("page", PAGES)
def test_the_tables_of_keys_are_as_the_models_say(page: str) -> None:
    text = (TOP / page).read_text(encoding="utf-8")
    assert text == written(page), "python -m tests.key_tables writes them anew"
    assert {model.__name__ for model in tables(PAGES[page])} - {found[2] for found in MARKED.finditer(text)} == {
        PAGES[page].__name__
    }, "every table of the file has its markers"


@pytest.mark.parametrize("page", PAGES)
def test_every_key_says_what_it_is_for_in_a_sentence(page: str) -> None:
    schema = file_schema(PAGES[page])
    for name, table in {"": schema, **schema["$defs"]}.items():
        for key, said in table["properties"].items():
            assert re.fullmatch(r"[A-Za-z'].{8,118}\.", said.get("description", "")), (name, key)
