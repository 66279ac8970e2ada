"""The OpenAPI 3.1 description, made true: every status that can come, its body and headers, the scope of every route."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from benchd.server.models import Error
from benchd.server.routing import ERRORS_KEY, SCOPE_KEY

TEXT = """Runs, instruments and verdicts of the benches of one daemon.

**Signing in.** All but `/v1/health` and this description need `Authorization: Bearer TOKEN`. A token has a scope, and
each scope includes those before it: `look`, `operate`, `administer`. Tokens are made by `benchd token make`.

**Cursors.** A run's records are numbered (`seq`) from 1. An answer's `next` is the cursor to go on from; `open` is
false once nothing will come after it. An answer without records whose `next` is beyond `after` only skipped records of
other kinds: ask again at once. Otherwise wait a moment, or take the stream.

**The stream.** `GET /v1/runs/{run}/stream?after=0` with an upgrade to WebSocket (scope `look`) sends text messages
`{"records": [...], "next": seq, "open": bool}` as the records reach the disk, and closes with 1000 after the last one.
It takes no messages (1008). It closes with 1001 when the daemon stops, with 1008 when the token is revoked, with 1011
when the journal cannot be read, and with 1013 when the watcher does not read for 15 s: come back with `after=next`.

**Limits.** A client may ask so often (429, see `Retry-After`), send so much (413) and take so long (408). Query
parameters and keys of a body that are not listed here are refused (422)."""

_HEADERS: dict[str, dict[str, Any]] = {
    "401": {"WWW-Authenticate": ("How to sign in.", {"type": "string", "const": 'Bearer realm="benchd"'})},
    "429": {"Retry-After": ("After so many seconds.", {"type": "integer", "minimum": 1})},
    "503": {"Retry-After": ("After so many seconds.", {"type": "integer", "minimum": 1})},
}
_MEANING = {
    "400": "This is no request that can be understood.",
    "401": "No token, or none that is known.",
    "403": "The token's scope does not reach so far, or a page of another site asked.",
    "404": "There is no such bench, run, instrument, forwarder, order, question or check: the message lists what there is.",
    "408": "The body did not come in time.",
    "409": "Not now: the bench is in a run, or the run has ended, or it is still open, or the order or the lot is closed, or the unit is under test; or the bench is not fit for lots (not-fit).",
    "413": "The body is too long.",
    "415": "The body is no JSON.",
    "421": "The Host header names another machine.",
    "422": "A parameter, the body, or the configuration is wrong: the message says which and why.",
    "429": "Too many requests.",
    "500": "Something unforeseen. The message has the id under which the daemon's log tells more.",
    "503": "An instrument, the disk or the daemon cannot do it now.",
}
_ALWAYS = ("400", "403", "408", "413", "421", "422", "429", "500", "503")
_EXAMPLE = {"error": {"kind": "not-found", "message": "there is no bench 'bay-9'; there are: bay-1, bay-2"}}


def describe(app: FastAPI) -> dict[str, Any]:
    """The description of an app's routes."""
    found = get_openapi(
        title="benchd",
        version=app.version,
        openapi_version="3.1.0",
        summary="Bench daemon for small-engine charging systems",
        description=TEXT,
        routes=app.routes,
    )
    parts = found.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    error = Error.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(error.pop("$defs"))
    schemas["Error"] = error
    parts["responses"] = {f"Error{status}": _response(status) for status in _MEANING}
    parts["securitySchemes"] = {
        "bearer": {
            "type": "http",
            "scheme": "bearer",
            "description": "A token of `benchd token make`, or the local key.",
        }
    }
    for route in app.routes:
        if isinstance(route, APIRoute) and route.include_in_schema:
            for method in route.methods or ():
                _complete(method, found["paths"][route.path_format][method.lower()])
    return found


def _complete(method: str, operation: dict[str, Any]) -> None:
    """Add what is the same for all: errors, sign-in, scope."""
    scope = operation.pop(SCOPE_KEY, None)
    statuses = {*_ALWAYS, *operation.pop(ERRORS_KEY, ())}
    if method == "POST":
        statuses.add("415")
    if scope is None:
        operation["security"] = []
        operation["description"] = f"{operation.get('description', '')}\n\nNeeds no token.".strip()
    else:
        statuses.add("401")
        operation["security"] = [{"bearer": []}]
        operation["description"] = f"{operation.get('description', '')}\n\nScope: `{scope}`.".strip()
    operation["responses"].pop("422", None)
    for status in sorted(statuses):
        operation["responses"][status] = {"$ref": f"#/components/responses/Error{status}"}


def _response(status: str) -> dict[str, Any]:
    content = {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}, "example": _EXAMPLE}}
    found: dict[str, Any] = {"description": _MEANING[status], "content": content}
    if status in _HEADERS:
        found["headers"] = {
            name: {"description": text, "required": True, "schema": schema}
            for name, (text, schema) in _HEADERS[status].items()
        }
    return found
