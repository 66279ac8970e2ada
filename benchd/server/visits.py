"""The routes about visits: work orders from the complaint to the proof. What they say is in benchd/visits/door.py."""

from __future__ import annotations

import asyncio
import base64
import binascii
from enum import Enum
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import FastAPI, Query, Request, Response

from benchd.daemon.interface import DaemonInterface
from benchd.errors import UsageError
from benchd.server import models_visits as models
from benchd.server.models import Name, Only
from benchd.server.papers import PAPER, paper_response
from benchd.server.routing import Json, how, located, said_by
from benchd.server.tokens import Scope
from benchd.visits.door import NewRepair, NewVisit
from benchd.visits.photos import Photo

TAGS: list[str | Enum] = ["visits"]
LOOK, LOOK_404 = how(Scope.LOOK), how(Scope.LOOK, "404")
#: How a route that writes into an order answers.
WRITES: dict[str, Any] = {
    "response_model": models.VisitBody,
    "openapi_extra": how(Scope.OPERATE, "404", "409"),
    "tags": TAGS,
}


def add_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    _looking(app, daemon)
    _writing(app, daemon)
    _repairing(app, daemon)
    _printing(app, daemon)


def _looking(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.get("/v1/orders", response_model=models.Orders, openapi_extra=LOOK, tags=TAGS)
    async def orders(
        state: Annotated[
            Literal["open", "proven", "closed without proof", "closed"] | None, Query(description="Only these.")
        ] = None,
        unit: Annotated[Only | None, Query(description="Only this unit's.")] = None,
        machine: Annotated[Only | None, Query(description="Only this model's: its name, or that of its file.")] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    ) -> Response:
        """The newest orders first."""
        return Json({"orders": await asyncio.to_thread(daemon.visits.visits, state, unit, machine, limit)})

    @app.get("/v1/orders/{work_order}", response_model=models.VisitBody, openapi_extra=LOOK_404, tags=TAGS)
    async def order(
        work_order: Name,
        by: Annotated[Literal["minutes", "cost"], Query(description="What the plan spares.")] = "minutes",
    ) -> Response:
        """All of one order: what was said, found, run and done, what is likely, what to do next, whether it is proven."""
        return Json(await asyncio.to_thread(daemon.visits.visit, work_order, by))

    @app.get("/v1/knowledge", response_model=models.KnowledgeBody, openapi_extra=LOOK, tags=TAGS)
    async def knowledge() -> Response:
        """What can be asked, looked at, tested and repaired, and the causes it points to."""
        return Json(await asyncio.to_thread(daemon.visits.knowledge))


def _writing(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.post(
        "/v1/orders",
        response_model=models.VisitBody, status_code=201, tags=TAGS,
        openapi_extra=how(Scope.OPERATE, "404", "409"), responses={201: located("The order is open.")},
    )  # fmt: skip
    async def open_order(request: Request, wanted: models.NewOrder) -> Response:
        """Open an order for a machine that has come in."""
        new = NewVisit(
            wanted.machine or "",
            wanted.spec_toml,
            wanted.complaint,
            wanted.unit,
            wanted.customer,
            wanted.work_order or "",
            said_by(request, wanted.by),
        )
        body = await asyncio.to_thread(daemon.visits.open, new)
        where = f"/v1/orders/{quote(body['work_order'], safe='')}"
        return Json(body, status_code=201, headers={"Location": where})

    @app.post("/v1/orders/{work_order}/answers", **WRITES)
    async def answer(request: Request, work_order: Name, wanted: models.NewOrderAnswer) -> Response:
        """Write down what the operator of the machine answered. The newest answer to a question counts."""
        said = (work_order, wanted.question, wanted.outcome, wanted.note, said_by(request, wanted.by))
        return Json(await asyncio.to_thread(daemon.visits.answer, *said))

    @app.post("/v1/orders/{work_order}/findings", **WRITES)
    async def find(request: Request, work_order: Name, wanted: models.NewOrderFinding) -> Response:
        """Write down what a look at the machine, or a test by hand, came to."""

        def work() -> dict[str, Any]:
            photos = [_photo(one) for one in wanted.photos]
            by = said_by(request, wanted.by)
            return daemon.visits.find_with(work_order, wanted.check, wanted.outcome, wanted.note, photos, by)

        return Json(await asyncio.to_thread(work))

    @app.post("/v1/orders/{work_order}/notes", **WRITES)
    async def note(request: Request, work_order: Name, wanted: models.NewOrderNote) -> Response:
        """Write a remark into an order."""
        return Json(await asyncio.to_thread(daemon.visits.note, work_order, wanted.text, said_by(request, wanted.by)))


def _repairing(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.post("/v1/orders/{work_order}/repairs", **WRITES)
    async def repair(request: Request, work_order: Name, wanted: models.NewOrderRepair) -> Response:
        """Write down a repair. What proves the machine fixed must come after it."""
        done = NewRepair(
            wanted.repair or "",
            wanted.did,
            tuple(wanted.mends),
            tuple(wanted.touches),
            tuple(one.model_dump() for one in wanted.parts),
            wanted.minutes,
            said_by(request, wanted.by),
        )
        return Json(await asyncio.to_thread(daemon.visits.repair, work_order, done))

    @app.post("/v1/orders/{work_order}/close", **WRITES)
    async def close(request: Request, work_order: Name, wanted: models.CloseOrder) -> Response:
        """Close an order: as proven if its runs prove it, else only with a reason (422 says what is missing)."""
        said = (work_order, wanted.reason, said_by(request, wanted.by))
        return Json(await asyncio.to_thread(daemon.visits.close, *said))


def _printing(app: FastAPI, daemon: DaemonInterface) -> None:
    printing = asyncio.Lock()  # it takes all of a core for a second or two

    @app.get(
        "/v1/orders/{work_order}/report",
        response_class=Response, responses={200: PAPER}, openapi_extra=LOOK_404, tags=TAGS,
    )  # fmt: skip
    async def report(
        work_order: Name, format: Annotated[Literal["html", "pdf"], Query(description="What it is printed as.")] = "pdf"
    ) -> Response:
        """The customer's page and the technical part. One is printed at a time."""
        async with printing:
            paper = await asyncio.to_thread(daemon.visits.report, work_order, format)
        return paper_response(paper, format)


def _photo(wanted: models.NewPhoto) -> Photo:
    if wanted.data is None:
        return Photo(wanted.name, kept=wanted.kept or "")
    try:
        return Photo(wanted.name, base64.b64decode(wanted.data, validate=True))
    except (binascii.Error, ValueError) as error:
        raise UsageError(f"photos: the data of {wanted.name} is no Base64 ({error})") from error
