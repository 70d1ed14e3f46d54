"""The OpenAPI document of FastAPI, with errors, tokens and the site's names added."""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from gloaming.api.http.schemas.answers import ProblemDetails
from gloaming.api.http.schemas.base import RequestModel
from gloaming.api.http.schemas.overrides import OVERRIDE_REQUESTS
from gloaming.api.http.schemas.requests import RIG_CHECK_REQUESTS, MarkRequest
from gloaming.daemon.site.site import Site

WITHOUT_TOKEN = {"/healthz", "/api/public", "/api/sign-in", "/api/sign-in/link"}
"""The page itself needs none either, and is not in the document."""
EVERYWHERE = {
    "403": "asked by a page of another site",
    "408": "the request came too slowly",
    "413": "the request is too large",
    "421": "the site does not have this name",
    "429": "too many requests: Retry-After says how long to wait",
    "500": "an error in Gloaming",
}
BY_TOKEN = {"401": "no token, an unknown one, or a revoked one"}
WITH_INPUT = {"400": "the body is not JSON", "422": "a mistake in the request, and how to correct it"}
BY_PATH = {"404": "it does not exist, or no longer"}
UNSAFE = {"409": "it is not allowed now, with the reasons", "507": "the disk cannot be written"}
INTRODUCTION = (
    "What Gloaming does, why, and how to stop it. Send a token as `Authorization: Bearer TOKEN`: the state "
    "directory has one for this machine, /api/sign-in gives one for a passcode. Errors are problem details (RFC 9457)."
)


def document(app: FastAPI, site: Site) -> dict[str, Any]:
    """The document, with the site's current shows, controllers, strings and zones."""
    found = get_openapi(title="Gloaming", version="1", description=INTRODUCTION, routes=app.routes)
    parts = found.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    schemas["ProblemDetails"] = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}")
    for name, schema in schemas["ProblemDetails"].pop("$defs", {}).items():
        schemas.setdefault(name, schema)
    with_names: tuple[type[RequestModel], ...] = (*OVERRIDE_REQUESTS.values(), *RIG_CHECK_REQUESTS, MarkRequest)
    for model in with_names:
        _offer(schemas[model.__name__]["properties"], site)
    parts["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer"},
        "cookie": {"type": "apiKey", "in": "cookie", "name": "gloaming"},
    }
    for path, operations in found["paths"].items():
        for method, operation in operations.items():
            _finish(path, method, operation)
    return found


def _offer(properties: dict[str, Any], site: Site) -> None:
    """Add the site's current names; a key without any name is left out."""
    strings = [one.name for one in site.rig.string]
    known = {
        "show": [*site.shows],
        "controller": [one.name for one in site.rig.controller],
        "port": [one.name for one in site.rig.port],
        "fixture": [one.name for one in site.rig.fixture],
        "string": strings,
        "zone": [*site.zones],
        "part": [*dict.fromkeys((*strings, *(one.name for one in site.rig.fixture)))],
    }
    for key, names in {**known, "strings": strings}.items():
        if key in properties and not names:
            del properties[key]
        elif key == "strings" and key in properties:
            properties[key] |= {"items": {"type": "string", "enum": names}, "maxItems": len(names)}
        elif key in properties:
            properties[key]["enum"] = names


def _finish(path: str, method: str, operation: dict[str, Any]) -> None:
    if path not in WITHOUT_TOKEN:
        operation["security"] = [{"token": []}, {"cookie": []}]
    errors = dict(EVERYWHERE)
    if path not in {"/healthz", "/api/public"}:
        errors |= BY_TOKEN
    if method != "get":
        errors |= UNSAFE
    if "{" in path or {"at", "from"} & {each["name"] for each in operation.get("parameters", ())}:
        errors |= BY_PATH
    if operation.get("parameters") or operation.get("requestBody"):
        errors |= WITH_INPUT
    operation["responses"].pop("422", None)
    for status, text in errors.items():
        content = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}}
        operation["responses"].setdefault(status, {"description": text, "content": content})
