"""The base of all requests: known keys, and one line for each error."""

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, ClassVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    TypeAdapter,
    ValidationError,
    ValidatorFunctionWrapHandler,
    model_validator,
)
from pydantic_core import CoreSchema, ErrorDetails, PydanticCustomError, core_schema

from gloaming.daemon.direction.overrides import ASKED
from gloaming.shows.config_files.checking import CODES
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError


def refused(problem: str, hint: str, key: str | None = None) -> PydanticCustomError:
    """A refusal in one line; `key` if the error is not at its own field."""
    return PydanticCustomError("refused", "{problem}; {hint}", {"problem": problem, "hint": hint, "key": key})


@dataclass(frozen=True)
class Expected:
    """In the annotation of a field: the line for any value that the field refuses."""

    problem: str
    hint: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_wrap_validator_function(self._check, handler(source))

    def _check(self, value: object, check: ValidatorFunctionWrapHandler) -> object:
        try:
            return check(value)
        except ValidationError:
            raise refused(self.problem.format(value=value), self.hint) from None


def _written(pattern: str) -> BeforeValidator:
    def check(text: object) -> object:
        if not isinstance(text, str) or not re.match(pattern, text):
            raise ValueError
        return text

    return BeforeValidator(check)


Day = Annotated[date, _written(r"\d{4}-\d\d-\d\d$"), Expected("{value!r} is not a date", "as 2026-12-24")]
"""A date as YYYY-MM-DD, and no other form that pydantic accepts."""
At = Annotated[
    datetime,
    _written(r"\d{4}-\d\d-\d\d[T ]\d\d:"),
    Expected("{value!r} is not an instant", "as 2026-12-24T17:05:00+00:00"),
]
"""An instant in ISO 8601, and no other form that pydantic accepts."""


def with_offset(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError
    return at


class RequestModel(BaseModel):
    """A request: an object with known keys only."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    called: ClassVar[str] = "this request"
    exclusive: ClassVar[tuple[tuple[str, str], ...]] = ()
    """Pairs of keys of which a request may have one."""
    one_of: ClassVar[tuple[str, ...]] = ()
    """Keys of which a request must have one."""
    elsewhere: ClassVar[dict[str, tuple[str, str]]] = {}
    """Keys that other requests may have: problem and hint."""

    @model_validator(mode="before")
    @classmethod
    def _check_keys(cls, request: object) -> object:
        if not isinstance(request, dict):
            return request
        for key in request:
            if key not in cls.model_fields:
                unknown = f"{cls.called} has no such key", f"it may have {', '.join(sorted(cls.model_fields))}"
                raise refused(*cls.elsewhere.get(key, unknown), str(key))
        for one, other in cls.exclusive:
            if one in request and other in request:
                raise refused(f"it cannot go with {one}", "give one of the two", other)
        if cls.one_of and not any(key in request for key in cls.one_of):
            raise refused("missing", f"give {' or '.join(cls.one_of)}", cls.one_of[0])
        for key, field in cls.model_fields.items():
            if field.is_required() and key not in request:
                hint = next((each.hint for each in field.metadata if isinstance(each, Expected)), "give it")
                raise refused("missing", hint, key)
        return request

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        found = handler(schema)
        if cls.exclusive:
            handler.resolve_ref_schema(found)["not"] = {"anyOf": [{"required": [*pair]} for pair in cls.exclusive]}
        if cls.one_of:
            handler.resolve_ref_schema(found)["anyOf"] = [{"required": [key]} for key in cls.one_of]
        return found


def config_error(error: ErrorDetails) -> ConfigError:
    """The refusal of a model, as one line."""
    context = error.get("ctx", {})
    key = context.get("key") or str(error["loc"][-1] if error["loc"] else "body")
    if error["type"] == "refused":
        return ConfigError("request", None, key, context["problem"], context["hint"])
    if error["type"].startswith("union_tag"):
        key = context["discriminator"].strip("'")
        found = error["input"].get(key)
        if key != "kind":
            problem = "missing" if found is None else f"{found!r} is not a {key}"
            known = context.get("expected_tags", "").replace("'", "")
            return ConfigError("request", None, key, problem, f"use {known}" if known else "give it")
        problem = "missing" if found is None else f"{found!r} is not a {key} of override"
        code = ConfigErrorCode.MISSING if found is None else ConfigErrorCode.INVALID
        return ConfigError("request", None, key, problem, f"use {', '.join(ASKED)}", code)
    if error["type"] in ("model_attributes_type", "model_type"):
        return ConfigError("request", None, None, "this is not an object", 'as {"kind": "pause"}')
    if error["type"] == "json_invalid":
        return ConfigError("request", None, None, "this is not JSON", 'as {"kind": "pause"}')
    if error["type"] == "missing" and key == "body":
        return ConfigError("request", None, None, "it has no body", 'as {"kind": "pause"}', ConfigErrorCode.MISSING)
    return ConfigError("request", None, key, error["msg"], None, CODES.get(error["type"], ConfigErrorCode.WRONG_TYPE))


def checked(adapter: TypeAdapter[Any], request: object) -> dict[str, Any]:
    try:
        found: RequestModel = adapter.validate_python(request)
    except ValidationError as error:
        raise InputError(config_error(error.errors()[0])) from None
    return found.model_dump(exclude_unset=True)


def absent() -> None:
    """The default of a key that is not given: `model_dump(exclude_unset=True)` leaves it out."""
