"""What every route has in common: its scope is checked before its body is read, and it takes no parameter that it does
not know."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request, Response
from fastapi.routing import APIRoute
from starlette.types import ASGIApp, Receive, Send
from starlette.types import Scope as Connection

from benchd.server.auth import Principal
from benchd.server.guard import refuse
from benchd.server.problems import ProblemError, encode, problem_of
from benchd.server.tokens import Scope

#: In a route's openapi_extra: the scope that it needs (none: open to all), taken out of the description again.
SCOPE_KEY = "x-benchd-scope"
ERRORS_KEY = "x-benchd-errors"


def how(scope: Scope | None, *errors: str) -> dict[str, Any]:
    """What a route needs and which errors of its own it can answer with."""
    return {ERRORS_KEY: list(errors)} | ({} if scope is None else {SCOPE_KEY: str(scope)})


def located(text: str) -> dict[str, Any]:
    """The description of a 201."""
    place = {"type": "string", "format": "uri-reference"}
    return {
        "description": text,
        "headers": {"Location": {"description": "Where it is.", "required": True, "schema": place}},
    }


class Json(Response):
    """JSON in which NaN and infinity are null."""

    media_type = "application/json"

    def render(self, content: Any) -> bytes:
        return encode(content)


class Route(APIRoute):
    """A route that looks at the request before FastAPI does."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handler = super().get_route_handler()
        wanted: str | None = (self.openapi_extra or {}).get(SCOPE_KEY)
        known = {field.alias for field in self.dependant.query_params}
        takes_body = self.body_field is not None

        async def handle(request: Request) -> Response:
            if wanted is not None:
                principal_of(request.scope).require(Scope(wanted))
            _check_query(request, known)
            if takes_body or (request.method == "POST" and "content-type" in request.headers):
                _check_type(request)
            return await handler(request)

        return handle


def principal_of(connection: Connection) -> Principal:
    """Whoever the guard let in."""
    principal = connection["state"]["principal"]
    assert isinstance(principal, Principal)
    return principal


def said_by(request: Request, by: str) -> str:
    """Who says or does something: whom the body names, else whose token it is."""
    return by.strip() or principal_of(request.scope).name


def _check_query(request: Request, known: set[str]) -> None:
    for name in dict.fromkeys(request.query_params):
        if name not in known:
            there = ", ".join(sorted(known)) or "none"
            raise ProblemError(422, "invalid", f"there is no query parameter {name!r} here; there are: {there}")
        if len(request.query_params.getlist(name)) > 1:
            raise ProblemError(422, "invalid", f"query parameter {name!r} is given more than once")


def _check_type(request: Request) -> None:
    """A page of another site can send forms and plain text without asking first, but not JSON."""
    given = request.headers.getlist("content-type")
    if len(given) != 1 or given[0].partition(";")[0].strip().lower() != "application/json":
        raise ProblemError(415, "invalid", "the body must be JSON: send 'Content-Type: application/json'")


class Catch:
    """Turns whatever a route raised into the API's error, inside of the framework's own handling."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Connection, receive: Receive, send: Send) -> None:
        started = False

        async def noted(message: Any) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self._app(scope, receive, noted)
        except Exception as error:
            if started:
                raise
            await refuse(scope, send, problem_of(error))
