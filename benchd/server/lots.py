"""The routes about lots, check standards and gauge studies. What they say is in benchd/lots/door.py."""

from __future__ import annotations

import asyncio
from enum import Enum
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import FastAPI, Path, Query, Request, Response

from benchd.daemon.interface import DaemonInterface
from benchd.lots.door import NewLot
from benchd.server import models_lots as models
from benchd.server.models import Name, Only
from benchd.server.papers import PAPER, POLICY, paper_response
from benchd.server.routing import Json, how, located, said_by
from benchd.server.tokens import Scope

TAGS: list[str | Enum] = ["lots"]
LOOK, LOOK_404 = how(Scope.LOOK), how(Scope.LOOK, "404")
WRITES: dict[str, Any] = {
    "response_model": models.LotBody,
    "openapi_extra": how(Scope.OPERATE, "404", "409"),
    "tags": TAGS,
}
_FILES = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "svg": "image/svg+xml",
    "png": "image/png",
    "pdf": "application/pdf",
    "txt": "text/plain; charset=utf-8",
}
#: A serial number may have a slash in it.
SerialPath = Annotated[str, Path(pattern=r"^[^\x00-\x1f\x7f-\x9f]+$", max_length=64, description="The serial number.")]
LotPath = Annotated[str, Path(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=64, description="Its name.")]
_FILE: dict[str, Any] = {
    "description": "The file.",
    "content": {kind.partition(";")[0]: {"schema": {"type": "string"}} for kind in _FILES.values()},
}


def add_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    _looking(app, daemon)
    _writing(app, daemon)
    _printing(app, daemon)


def _looking(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.get("/v1/lots", response_model=models.LotList, openapi_extra=LOOK, tags=TAGS)
    async def lots(
        kind: Annotated[Literal["lot", "standard", "study"] | None, Query(description="Only these.")] = None,
        state: Annotated[Literal["open", "closed"] | None, Query(description="Only these.")] = None,
        part: Annotated[Only | None, Query(description="Only of this part number.")] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    ) -> Response:
        """Lots, check standards and gauge studies, the newest first."""
        return Json({"lots": await asyncio.to_thread(daemon.lots.lots, kind, state, part, limit)})

    @app.get("/v1/lots/{lot}", response_model=models.LotBody, openapi_extra=LOOK_404, tags=TAGS)
    async def lot(lot: LotPath) -> Response:
        """Where one stands: units by verdict, failure modes, the newest tests, whether its benches are fit today."""
        return Json(await asyncio.to_thread(daemon.lots.lot, lot))

    @app.get("/v1/benches/{bench}/gate", response_model=models.GateBody, openapi_extra=LOOK_404, tags=TAGS)
    async def gate(bench: Name, part: Annotated[Only, Query(description="The part number.")]) -> Response:
        """Whether a bench may judge lots of a part today; if not, which rule broke and what to check."""
        daemon.bench(bench)
        return Json(await asyncio.to_thread(daemon.lots.gate, bench, part))


def _writing(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.post(
        "/v1/lots",
        response_model=models.LotBody, status_code=201, tags=TAGS,
        openapi_extra=how(Scope.OPERATE, "404", "409"), responses={201: located("It is open.")},
    )  # fmt: skip
    async def open_lot(request: Request, wanted: models.NewLotBody) -> Response:
        """Open a lot, a check standard or a gauge study."""
        given = wanted.model_dump(exclude={"references", "by", "lot", "part"})
        references = {id: (one.value, one.expanded_uncertainty) for id, one in wanted.references.items()}
        new = NewLot(
            **given, lot=wanted.lot or "", part=wanted.part or "", references=references, by=said_by(request, wanted.by)
        )
        body = await asyncio.to_thread(daemon.lots.open, new)
        return Json(body, status_code=201, headers={"Location": f"/v1/lots/{quote(body['lot'], safe='')}"})

    @app.post(
        "/v1/lots/{lot}/scans",
        response_model=models.ScanAnswer, openapi_extra=how(Scope.OPERATE, "404", "409"), tags=TAGS,
    )  # fmt: skip
    async def scan(request: Request, lot: LotPath, wanted: models.NewScan) -> Response:
        """What is to be done with what a scanner read. To test it, open a run of 'unit' with this lot and serial number."""
        by = said_by(request, wanted.by)

        def work() -> dict[str, Any]:
            return daemon.lots.scan(lot, wanted.text, wanted.bench, again=wanted.again, by=by)

        return Json(await asyncio.to_thread(work))

    @app.post("/v1/lots/{lot}/notes", **WRITES)
    async def note(request: Request, lot: LotPath, wanted: models.NewLotNote) -> Response:
        """Write a remark into a lot."""
        return Json(await asyncio.to_thread(daemon.lots.note, lot, wanted.text, said_by(request, wanted.by)))

    @app.post("/v1/lots/{lot}/cleared", **WRITES)
    async def cleared(request: Request, lot: LotPath, wanted: models.NewCleared) -> Response:
        """Of a check standard: the cause of a signal on a bench was found and put right."""
        by = said_by(request, wanted.by)

        def work() -> dict[str, Any]:
            return daemon.lots.cleared(lot, wanted.bench, wanted.text, adjusted=wanted.adjusted, by=by)

        return Json(await asyncio.to_thread(work))

    @app.post("/v1/lots/{lot}/close", **WRITES)
    async def close(request: Request, lot: LotPath, wanted: models.CloseLot) -> Response:
        """Close it: no unit is tested in it any more."""
        return Json(await asyncio.to_thread(daemon.lots.close, lot, wanted.reason, said_by(request, wanted.by)))


def _printing(app: FastAPI, daemon: DaemonInterface) -> None:
    working = asyncio.Lock()  # statistics and papers take all of a core for a second or two

    @app.get(
        "/v1/lots/{lot}/report",
        response_model=models.ReportBody, responses={200: PAPER}, openapi_extra=LOOK_404, tags=TAGS,
    )  # fmt: skip
    async def report(
        lot: LotPath, format: Annotated[Literal["json", "html", "pdf"], Query(description="As what.")] = "json"
    ) -> Response:
        """Its statistics; of a study the gauge study, of a check standard its control charts. One is made at a time."""
        async with working:
            if format == "json":
                return Json(await asyncio.to_thread(daemon.lots.report, lot))
            paper = await asyncio.to_thread(daemon.lots.paper, lot, "report", format)
        return paper_response(paper, format)

    @app.get(
        "/v1/lots/{lot}/units/{serial:path}/certificate",
        response_model=models.CertificateBody, responses={200: PAPER}, openapi_extra=LOOK_404, tags=TAGS,
    )  # fmt: skip
    async def certificate(
        lot: LotPath,
        serial: SerialPath,
        format: Annotated[Literal["json", "html", "pdf"], Query(description="As what.")] = "json",
    ) -> Response:
        """What was measured of one unit, with uncertainty, limits, rule, instruments and the journal's digest."""
        if format == "json":
            return Json(await asyncio.to_thread(daemon.lots.certificate, lot, serial))
        async with working:
            paper = await asyncio.to_thread(daemon.lots.paper, lot, f"unit:{serial}", format)
        return paper_response(paper, format)

    @app.get(
        "/v1/lots/{lot}/units/{serial:path}/label",
        response_class=Response, responses={200: _FILE}, openapi_extra=LOOK_404, tags=TAGS,
    )  # fmt: skip
    async def label(
        lot: LotPath,
        serial: SerialPath,
        symbol: Annotated[Literal["code128", "datamatrix"], Query()] = "code128",
        form: Annotated[Literal["svg", "png", "pdf", "txt"], Query()] = "svg",
    ) -> Response:
        """The unit's label."""
        made = await asyncio.to_thread(daemon.lots.label, lot, serial, symbol, form)
        return Response(made, headers={"Content-Type": _FILES[form], "Content-Security-Policy": POLICY})

    @app.get(
        "/v1/lots/{lot}/export", response_class=Response, responses={200: _FILE}, openapi_extra=LOOK_404, tags=TAGS
    )
    async def export(lot: LotPath, form: Annotated[Literal["csv", "parquet"], Query()] = "csv") -> Response:
        """All its tests, one row each."""
        async with working:
            made = await asyncio.to_thread(daemon.lots.export, lot, form)
        return Response(made, headers={"Content-Type": _FILES[form]})
