"""What the daemon has on its shelf: machine and regulator files by name, procedures, photos of findings."""

from __future__ import annotations

import asyncio
from enum import Enum
from typing import Annotated, Any

from fastapi import FastAPI, Path, Response

from benchd import config
from benchd.core.procedures import SHOP_NAMES
from benchd.daemon.interface import DaemonInterface
from benchd.errors import BenchdError, NotFoundError
from benchd.server import models, models_visits
from benchd.server.routing import Json, how
from benchd.server.tokens import Scope
from benchd.visits.photos import FOLDER, path_of

TAGS: list[str | Enum] = ["shelf"]
LOOK = how(Scope.LOOK)
MEDIA = {
    "jpg": "image/jpeg",
    "png": "image/png",
    "gif": "image/gif",
    "webp": "image/webp",
    "heic": "image/heic",
    "pdf": "application/pdf",
}
#: What a browser may show; the others are saved.
SHOWN = frozenset({"jpg", "png", "gif", "webp"})
_A_YEAR = "private, max-age=31536000, immutable"  # the name is the content's hash
_FILE: dict[str, Any] = {
    "description": "The photo.",
    "content": {media: {"schema": {"type": "string", "format": "binary"}} for media in MEDIA.values()},
}


def add_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.get("/v1/machines", response_model=models.Machines, openapi_extra=LOOK, tags=TAGS)
    async def machines() -> Response:
        """The machine files that the daemon has, by the name that a run or an order is opened with."""
        return Json({"machines": await asyncio.to_thread(_machines)})

    @app.get("/v1/parts", response_model=models.Parts, openapi_extra=LOOK, tags=TAGS)
    async def parts() -> Response:
        """The regulator files that the daemon has, by the name that a lot is opened with."""
        return Json({"parts": await asyncio.to_thread(_parts)})

    @app.get("/v1/procedures", response_model=models.Procedures, openapi_extra=LOOK, tags=TAGS)
    async def procedures() -> Response:
        """What can be run on a machine, in the order in which a technician comes to it."""
        return Json({"procedures": list(SHOP_NAMES)})

    @app.get(
        "/v1/photos/{kept}",
        response_class=Response, responses={200: _FILE}, openapi_extra=how(Scope.LOOK, "404"), tags=TAGS,
    )  # fmt: skip
    async def photo(
        kept: Annotated[str, Path(pattern=models_visits.KEPT_PATTERN, max_length=80, description="`kept` of a photo.")],
    ) -> Response:
        """A photo of a finding."""
        found = path_of(daemon.journal.path.parent, {"kept": kept})
        if found is None:
            raise NotFoundError(f"no photo {kept} is kept here (it would be in the folder {FOLDER} beside the journal)")
        kind = kept.rpartition(".")[2]
        how_shown = "inline" if kind in SHOWN else "attachment"
        headers = {
            "Content-Type": MEDIA[kind],
            "Content-Disposition": f'{how_shown}; filename="{kept[:12]}.{kind}"',
            "Content-Security-Policy": "default-src 'none'; sandbox",
            "Cache-Control": _A_YEAR,
        }
        return Response(await asyncio.to_thread(found.read_bytes), headers=headers)


def _machines() -> list[dict[str, str]]:
    found = []
    for name, path in config.known_files("machine").items():
        try:
            spec = config.load_spec(path)
        except BenchdError as error:  # the others are there all the same
            found.append({"file": name, "name": name, "manual": "", "wrong": str(error).splitlines()[0][:300]})
        else:
            found.append({"file": name, "name": spec.name, "manual": spec.manual, "wrong": ""})
    return found


def _parts() -> list[dict[str, str]]:
    found = []
    for name, path in config.known_files("regulator").items():
        try:
            part = config.load_spec(path).part
        except BenchdError as error:
            found.append({"file": name, "number": "", "name": name, "wrong": str(error).splitlines()[0][:300]})
        else:
            assert part is not None
            found.append({"file": name, "number": part.number, "name": part.name, "wrong": ""})
    return found
