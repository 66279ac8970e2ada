"""The shop's screens in a browser: plain documents, styles and scripts, without a build step. What they show they ask the
daemon for, as any client does; charts are drawn by BokehJS, out of the installed package `bokeh`.
"""

from __future__ import annotations

import hashlib
import importlib.util
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
MEDIA = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
#: Document -> (its title, its script, its place in the navigation).
DOCUMENTS: Mapping[str, tuple[str, str, str]] = {
    "wall": ("All benches", "wall", "/"),
    "run": ("Run", "run", ""),
    "visits": ("Visits", "visits", "/visits"),
    "visit": ("Visit", "visit", "/visits"),
    "lots": ("Lots", "lots", "/lots"),
    "lot": ("Lot", "lot", "/lots"),
    "history": ("History", "history", "/history"),
    "health": ("Health", "health", "/health"),
    "sign-in": ("Sign in", "sign-in", ""),
}
_PLACES = (
    (re.compile(r"/"), "wall"),
    (re.compile(r"/run/[^/]+"), "run"),
    (re.compile(r"/visits"), "visits"),
    (re.compile(r"/visit/[^/]+"), "visit"),
    (re.compile(r"/lots"), "lots"),
    (re.compile(r"/lot/[^/]+"), "lot"),
    (re.compile(r"/history"), "history"),
    (re.compile(r"/health"), "health"),
    (re.compile(r"/sign-in"), "sign-in"),
)
NAVIGATION = (
    ("/", "Benches"),
    ("/visits", "Visits"),
    ("/lots", "Lots"),
    ("/history", "History"),
    ("/health", "Health"),
)
#: What is drawn with, in the order of loading.
CHARTS = ("bokeh.min.js", "bokeh-api.min.js")


@dataclass(frozen=True, slots=True)
class Asset:
    body: bytes
    media: str
    tag: str


class ShopPage:
    """Everything that a browser is given; read once."""

    def asset(self, path: str) -> Asset | None:
        """What stands at a path; None: nothing of the page's."""
        document = next((name for pattern, name in _PLACES if pattern.fullmatch(path)), None)
        return self._documents[document] if document else self._files.get(path)

    def fold(self) -> Any:
        """See view.Fold."""
        from benchd_dashboards.web.view import Fold

        return Fold()

    @cached_property
    def _documents(self) -> dict[str, Asset]:
        shell = (HERE / "shell.html").read_text(encoding="utf-8")
        return {name: _asset(_filled(shell, *said).encode(), ".html") for name, said in DOCUMENTS.items()}

    @cached_property
    def _files(self) -> dict[str, Asset]:
        found = {f"/page/{one.name}": _asset(one.read_bytes(), one.suffix) for one in _ours()}
        drawn = {f"/page/charts/{one.name}": _asset(one.read_bytes(), one.suffix) for one in _charts()}
        return found | drawn


def _filled(shell: str, title: str, script: str, here: str) -> str:
    links = "\n".join(_link(where, said, where == here) for where, said in NAVIGATION)
    return shell.replace("{{title}}", title).replace("{{script}}", script).replace("{{links}}", links)


def _link(where: str, said: str, current: bool) -> str:
    mark = ' aria-current="page"' if current else ""
    return f'<li><a href="{where}"{mark}>{said}</a></li>'


def _ours() -> Iterator[Path]:
    yield from sorted(one for one in (HERE / "static").iterdir() if one.suffix in MEDIA)


def _charts() -> Iterator[Path]:
    """BokehJS, found without importing bokeh, which takes long."""
    spec = importlib.util.find_spec("bokeh")
    places = [] if spec is None else list(spec.submodule_search_locations or ())
    for place in places:
        yield from (Path(place) / "server" / "static" / "js" / name for name in CHARTS)


def _asset(body: bytes, suffix: str) -> Asset:
    return Asset(body, MEDIA[suffix], hashlib.sha256(body).hexdigest()[:20])


PAGE = ShopPage()
