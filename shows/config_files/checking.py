"""Turns what pydantic finds into errors that a person can mend: file, line, key, problem and hint."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError, model_validator

from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError, WrongValueError
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.config_files.toml_lines import Key, place_of, read_toml


class Table(BaseModel):
    """A table of a person's file. It is frozen and refuses unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    ONE_OF: ClassVar[tuple[str, ...]] = ()
    """Keys of which it has exactly one."""
    NEEDS: ClassVar[Mapping[str, str]] = {}
    """Keys that have no effect without another key."""

    place: str = ""
    """Where the table is: "site.toml:12"."""

    @model_validator(mode="after")
    def _keys_together(self) -> Self:
        given = [key for key in self.ONE_OF if getattr(self, key) is not None]
        if self.ONE_OF and len(given) != 1:
            problem = f"a {type(self).__name__.lower()} has one of {', '.join(self.ONE_OF)}"
            raise WrongValueError(problem, f"this has {' and '.join(given) or 'none'}")
        for key, other in self.NEEDS.items():
            if key in self.model_fields_set and getattr(self, other) is None:
                raise WrongValueError(f"{key} has no effect without {other}", f"give {other} too, or leave {key} out")
        return self


@dataclass(frozen=True, slots=True)
class Private:
    """Marks a key whose value is for nobody who helps: it may be a secret, or say where somebody lives. Of a number,
    the `decimals` are not private."""

    decimals: int | None = None


PRIVATE = Private()


def _one_line(text: str) -> str:
    if found := _CONTROL.search(text):
        problem = f"{text!r} has a control character: {found[0]!r}"
        raise WrongValueError(problem, "leave it out; no page, drawing or line of text can show it")
    return text


_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ufffe\uffff]")
"""Control characters (Unicode, category Cc), and what else no XML may hold (XML 1.0, 2.2)."""
OneLine = Annotated[str, AfterValidator(_one_line)]
"""A text that stands in a line, a page or a drawing, as a name does."""
T = TypeVar("T", bound=BaseModel)
CODES = {
    "extra_forbidden": ConfigErrorCode.UNKNOWN_KEY,
    "missing": ConfigErrorCode.MISSING,
    "value_error": ConfigErrorCode.INVALID,
}
"""Our codes for pydantic's. Any other code of pydantic means that the type is wrong."""


def read_tables(path: Path, model: type[T]) -> T:
    """A person's TOML file as a model. Every table has its `place`. InputError holds all errors at once."""
    data, lines = read_toml(path)
    _mark(data, (), path, lines)
    return checked(data, path, lines, model)


def checked(data: Mapping[str, Any], path: Path, lines: Mapping[Key, int], model: type[T]) -> T:
    """The data of a person's file as a model. `lines` has the line of each key. InputError holds all errors at once."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise InputError(*(_config_error(found, path, lines, model) for found in _causes(error.errors()))) from None


def _causes(found: list[Any]) -> list[Any]:
    """The errors that are causes, unknown keys before missing ones.

    Left out are mere consequences: a list that is too short because its items are wrong, and a key that is missing
    because it is misspelled.
    """
    unknown: dict[Key, list[str]] = {}
    within: Counter[Key] = Counter()
    for one in found:
        loc = one["loc"]
        within.update(loc[:end] for end in range(1, len(loc) + 1))
        if one["type"] == "extra_forbidden":
            unknown.setdefault(loc[:-1], []).append(str(loc[-1]).lower())

    def follows(one: Any) -> bool:
        loc = one["loc"]
        if one["type"] == "missing":
            return bool(get_close_matches(str(loc[-1]), unknown.get(loc[:-1], ()), 1))
        return one["type"] == "too_short" and within[loc] > 1

    causes = [one for one in found if not follows(one)]
    return sorted(causes, key=lambda one: one["type"] == "missing")


def on_their_lines(path: Path, errors: Iterable[ConfigError]) -> tuple[ConfigError, ...]:
    """Errors that were found after the file was read, each with the line of its key."""
    found = tuple(errors)
    lines = read_toml(path)[1] if found else {}
    return tuple(replace(one, line=place_of(lines, undotted(one.key)) or one.line) for one in found)


def undotted(dotted_key: str | None) -> Key:
    """The key path of `string[3].pixels`."""
    parts = re.findall(r"[^.\[\]]+", dotted_key or "")
    return tuple(int(part) if part.isdigit() else part for part in parts)


def _mark(data: Any, key: Key, path: Path, lines: dict[Key, int]) -> None:
    """Gives each table its `place`. A person's own key of that name is refused."""
    if isinstance(data, dict):
        if "place" in data:
            own = (*key, "place")
            raise InputError(ConfigError(path, place_of(lines, own), dotted(own), "there is no such key", "remove it"))
        for name, inner in data.items():
            _mark(inner, (*key, name), path, lines)
        if key:
            data["place"] = f"{path.name}:{place_of(lines, key)}"
    elif isinstance(data, list):
        for index, inner in enumerate(data):
            _mark(inner, (*key, index), path, lines)


def dotted(key: Key) -> str:
    """A key path as a person writes it: `neighbours.dark[0].from`."""
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _config_error(found: Any, path: Path, lines: Mapping[Key, int], model: type[BaseModel]) -> ConfigError:
    key: Key = tuple(part for part in found["loc"] if part != "place")
    field_model, field = _field(model, key)
    kind, problem, code = found["type"], found["msg"], CODES.get(found["type"], ConfigErrorCode.WRONG_TYPE)
    hint = None
    if shown := examples(field):
        hint = f"as {next(part for part in reversed(key) if isinstance(part, str))} = {shown[0]}"
    if kind == "extra_forbidden":
        known = (
            [info.alias or name for name, info in field_model.model_fields.items() if name != "place"]
            if field_model
            else []
        )
        problem, hint = "there is no such key", instead(str(key[-1]), known, "the keys here are")
    elif kind == "missing":
        problem = "it is missing"
    elif kind == "tuple_type" and isinstance(found["input"], dict) and _model_in(getattr(field, "annotation", None)):
        name = key[-1]
        problem = "this is one table, but there may be several"
        hint = hint or f"write [[{name}]], for each of them"
    elif kind in ("model_type", "model_attributes_type") and isinstance(found["input"], list):
        name = key[-1]
        problem, hint = f"[[{name}]] is a list of tables, but there may be only one", f"write [{name}], once"
    elif kind == "value_error":
        error = found["ctx"]["error"]
        problem, hint = (error.problem, error.hint) if isinstance(error, WrongValueError) else (str(error), hint)
    else:
        problem = "input should be a table" if kind == "model_type" else f"{problem[0].lower()}{problem[1:]}"
        problem = f"{quoted(found['input'])}: {problem.replace('tuple', 'list').replace(' after validation', '')}"
        problem = "it is empty" if found["input"] == "" else problem
        hint = "write true or false" if kind.startswith("bool") else hint
    return ConfigError(path, place_of(lines, key), dotted(key) or None, problem, hint, code)


def examples(field: Any) -> list[Any]:
    """The examples of a field, or of the type that it has besides None."""
    if field is None:
        return []
    inner = [data for one in getattr(field.annotation, "__args__", ()) for data in getattr(one, "__metadata__", ())]
    return next((info.examples for info in (field, *inner) if getattr(info, "examples", None)), [])


def privacy(annotation: Any, metadata: Iterable[Any] = ()) -> Private | None:
    """The mark of a field, or of a type inside it. None if its value is not private."""
    marks = [one for one in metadata if isinstance(one, Private)]
    inner = (privacy(one, getattr(one, "__metadata__", ())) for one in getattr(annotation, "__args__", ()))
    return next((one for one in (*marks, *inner) if one), None)


def quoted(value: object) -> str:
    """A value in a message: the first part of a long one."""
    text = repr({key: one for key, one in value.items() if key != "place"} if isinstance(value, dict) else value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _field(model: type[BaseModel], key: Key) -> tuple[type[BaseModel] | None, Any]:
    """The model that holds the last name of a key path, and the field if there is one."""
    current: type[BaseModel] | None = model
    field: Any = None
    holder: type[BaseModel] | None = model
    for part in key:
        if isinstance(part, int):
            continue
        holder = current
        by_alias = {info.alias or name: info for name, info in current.model_fields.items()} if current else {}
        field = by_alias.get(part)
        current = _model_in(field.annotation) if field else None
    return holder, field


def _model_in(annotation: Any) -> type[BaseModel] | None:
    return next(models_in(annotation), None)


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """The models that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from models_in(inner)
