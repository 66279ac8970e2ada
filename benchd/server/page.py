"""The web page's documents and files. They hold no data and so are open to all: what they show, the page asks for as any
other client does."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from functools import lru_cache
from typing import Protocol

from starlette.types import ASGIApp, Receive, Scope, Send

from benchd.errors import ConfigError

#: Own scripts, own addresses, pictures that the page makes itself. No script stands in a document; styles do: BokehJS writes them.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' blob: data:; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
#: Less than this is not worth packing.
PACKED_FROM = 1024


class Asset(Protocol):
    """One document or file of the page. `tag` changes when the body does."""

    @property
    def body(self) -> bytes: ...
    @property
    def media(self) -> str: ...
    @property
    def tag(self) -> str: ...


class Fold(Protocol):
    """What is known of a run after each record: a tile for the wall, and the whole for the run's own page (JSON).

    `told` puts one record into words: {text, role}; None where it is no event.
    """

    def apply(self, record: Mapping[str, object]) -> None: ...
    def told(self, record: Mapping[str, object]) -> Mapping[str, object] | None: ...
    def tile(self) -> dict[str, object]: ...
    def view(self) -> dict[str, object]: ...


class Page(Protocol):
    """What a package offers as entry point of the group `benchd.pages`."""

    def asset(self, path: str) -> Asset | None:
        """What stands at a path; None: nothing of the page's."""

    def fold(self) -> Fold: ...


def shop_page() -> Page | None:
    """The installed page; None if there is none: the daemon serves without."""
    from benchd import registry

    try:
        found: Page = registry.page("shop")
    except ConfigError:
        return None
    return found


class WithPage:
    """The application, with the page's documents before it."""

    def __init__(self, app: ASGIApp, page: Page | None) -> None:
        self._app, self._page = app, page

    def has(self, scope: Scope) -> bool:
        """Whether a request is for the page: no token is needed."""
        return self._asset(scope) is not None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        found = self._asset(scope)
        if found is None:
            await self._app(scope, receive, send)
            return
        asked = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        same = f'"{found.tag}"' in asked.get(b"if-none-match", "")
        packed = "gzip" in asked.get(b"accept-encoding", "") and len(found.body) >= PACKED_FROM
        body = b"" if same else _packed(found.body) if packed else found.body
        headers = [
            (b"content-type", found.media.encode()),
            (b"etag", f'"{found.tag}"'.encode()),
            (b"cache-control", b"no-cache"),
            (b"vary", b"accept-encoding"),
            (b"content-security-policy", POLICY.encode()),
        ]
        if not same:
            headers.append((b"content-length", str(len(body)).encode()))
        if packed and not same:
            headers.append((b"content-encoding", b"gzip"))
        await send({"type": "http.response.start", "status": 304 if same else 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})

    def _asset(self, scope: Scope) -> Asset | None:
        if self._page is None or scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            return None
        return self._page.asset(scope["path"])


@lru_cache(maxsize=64)
def _packed(body: bytes) -> bytes:
    return gzip.compress(body, 6, mtime=0)
