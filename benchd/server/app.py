"""The routes: what may be asked over HTTP, each answered by the daemon or from the journal."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Path, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.routing import Match, WebSocketRoute

from benchd.daemon.interface import DaemonInterface, RunRequest
from benchd.errors import BusyError, NotFoundError
from benchd.server import lots, models, reading, shelf, visits
from benchd.server.curves import FEWEST, MOST, Curves
from benchd.server.description import describe
from benchd.server.listing import WINDOW_PATTERN, exported, list_csv, window
from benchd.server.live import Live
from benchd.server.metrics import Metrics
from benchd.server.models import Name, Only
from benchd.server.problems import ProblemError
from benchd.server.reading import Kept
from benchd.server.routing import Catch, Json, Route, how, located, principal_of
from benchd.server.stream import Streams
from benchd.server.tokens import Scope

RunPath = Annotated[
    str,
    Path(
        pattern=models.RUN_PATTERN, max_length=24, description="A run's whole id.", examples=["20260301-101500-123ab"]
    ),
]
After = Annotated[int, Query(ge=0, le=models.LARGEST, description="The cursor: `next` of the answer before.")]
Limit = Annotated[int, Query(ge=1, le=1000)]


def make_app(
    daemon: DaemonInterface,
    kept: Kept,
    streams: Streams,
    metrics: Metrics,
    live: Live | None = None,
    curves: Curves | None = None,
) -> FastAPI:
    """The application behind the guard."""
    app = FastAPI(version=daemon.version, openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.router.route_class = Route
    app.add_middleware(Catch)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _refused)
    _open_routes(app)
    _bench_routes(app, daemon)
    _run_routes(app, daemon, kept)
    _drawing_routes(app, kept, curves or Curves())
    _order_routes(app, daemon)
    visits.add_routes(app, daemon)
    lots.add_routes(app, daemon)
    shelf.add_routes(app, daemon)
    _forward_routes(app, daemon)
    _metrics_route(app, daemon, kept, streams, metrics)
    app.router.routes.append(WebSocketRoute("/v1/runs/{run}/stream", streams.serve))
    if live is not None:
        app.router.routes.append(WebSocketRoute("/v1/live", live.serve))
    return app


CSV: dict[str, Any] = {"content": {"text/csv": {"schema": {"type": "string"}}}}
SAMPLES: dict[str, Any] = {
    "description": "The file.",
    "content": {
        "text/csv": {"schema": {"type": "string"}},
        "application/vnd.apache.parquet": {"schema": {"type": "string", "format": "binary"}},
    },
}
LOOK = how(Scope.LOOK)
LOOK_404 = how(Scope.LOOK, "404")
#: How the three orders to a run under way answer.
ORDER: dict[str, Any] = {
    "status_code": 204,
    "response_class": Response,
    "openapi_extra": how(Scope.OPERATE, "404", "409"),
}


def _open_routes(app: FastAPI) -> None:
    @app.get("/v1/health", response_model=models.Health, openapi_extra=how(None), tags=["daemon"])
    async def health() -> Response:
        """Whether the daemon answers."""
        return Json({"status": "ok"})

    @app.get("/openapi.json", openapi_extra=how(None), tags=["daemon"], response_model=dict[str, Any])
    async def openapi() -> Response:
        """This description."""
        if app.openapi_schema is None:
            app.openapi_schema = describe(app)
        return Json(app.openapi_schema)


def _bench_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.get("/v1/session", response_model=models.Session, openapi_extra=LOOK, tags=["daemon"])
    async def session(request: Request) -> Response:
        """Who asks, by the token or as whoever looks at the page on the daemon's computer."""
        principal = principal_of(request.scope)
        return Json({"name": principal.name, "scope": str(principal.scope), "shop": daemon.name})

    @app.get("/v1/status", response_model=models.Status, openapi_extra=LOOK, tags=["daemon"])
    async def status() -> Response:
        """The daemon, its benches, forwarders and disk."""
        return Json(daemon.status())

    @app.get("/v1/benches", response_model=models.Benches, openapi_extra=LOOK, tags=["benches"])
    async def benches() -> Response:
        """All benches."""
        return Json({"benches": [daemon.bench(name) for name in daemon.bench_names()]})

    @app.get("/v1/benches/{bench}", response_model=models.Bench, openapi_extra=LOOK_404, tags=["benches"])
    async def bench(bench: Name) -> Response:
        """One bench: what it does and what its instruments say."""
        return Json(daemon.bench(bench))

    @app.get(
        "/v1/benches/{bench}/instruments",
        response_model=models.Instruments, openapi_extra=LOOK_404, tags=["benches"],
    )  # fmt: skip
    async def instruments(bench: Name) -> Response:
        """A bench's instruments."""
        return Json({"instruments": daemon.bench(bench)["instruments"]})

    @app.get(
        "/v1/benches/{bench}/instruments/{instrument}",
        response_model=models.Instrument, openapi_extra=LOOK_404, tags=["benches"],
    )  # fmt: skip
    async def instrument(bench: Name, instrument: Name) -> Response:
        """One instrument: whether it talks, what went wrong, what was counted."""
        return Json(daemon.instrument(bench, instrument))


def _run_routes(app: FastAPI, daemon: DaemonInterface, kept: Kept) -> None:
    @app.get("/v1/runs", response_model=models.Runs, responses={200: CSV}, openapi_extra=LOOK_404, tags=["runs"])
    async def runs(
        limit: Annotated[int, Query(ge=1, le=10_000)] = 20,
        work_order: Annotated[Only | None, Query(description="Only this work order's.")] = None,
        unit: Annotated[Only | None, Query(description="Only this unit's.")] = None,
        bench: Annotated[Only | None, Query(description="Only this bench's, by slug or name.")] = None,
        machine: Annotated[Only | None, Query(description="Only this machine's, by the name in its file.")] = None,
        procedure: Annotated[Only | None, Query(description="Only runs of this procedure.")] = None,
        verdict: Annotated[
            Literal["pass", "fail", "undecided", "void", "none"] | None,
            Query(description="Only these; none: ended without one."),
        ] = None,
        lot: Annotated[Only | None, Query(description="Only tests of this lot.")] = None,
        since: Annotated[
            str | None, Query(pattern=WINDOW_PATTERN, description="Begun then or later: a date or a time in UTC.")
        ] = None,
        until: Annotated[
            str | None, Query(pattern=WINDOW_PATTERN, description="Begun before then; of a date, that whole day too.")
        ] = None,
        text: Annotated[
            Only | None, Query(max_length=64, description="Only where unit, work order, machine or bench hold this.")
        ] = None,
        before: Annotated[models.RunId | None, Query(description="Only older ones than this run.")] = None,
        format: Annotated[Literal["json", "csv"], Query(description="As what.")] = "json",
    ) -> Response:
        """The newest runs first. `before` (the last one of the answer before) turns the page."""
        begun, ended = window(since, until)
        wanted = {
            "work_order": work_order, "unit": unit, "bench": _bench_name(daemon, bench), "machine": machine,
            "procedure": procedure, "verdict": verdict, "lot": lot, "since": begun, "until": ended, "text": text,
        }  # fmt: skip
        found = await kept.ask(lambda reader: reading.runs(reader, limit, before, **wanted))
        return list_csv(found) if format == "csv" else Json({"runs": found})

    @app.get("/v1/runs/{run}", response_model=models.Run, openapi_extra=LOOK_404, tags=["runs"])
    async def run(run: RunPath) -> Response:
        """One run as it stands in the list."""
        return Json(await kept.ask(lambda reader: reading.info(reader, run)))

    @app.get(
        "/v1/runs/{run}/verdict",
        response_model=models.VerdictBody, openapi_extra=how(Scope.LOOK, "404", "409"), tags=["runs"],
    )  # fmt: skip
    async def verdict(run: RunPath) -> Response:
        """The verdict of a run. 409 while the run is open, 404 if it ended without one."""
        found, closed = await kept.ask(lambda reader: reading.verdict(reader, run))
        if not closed:
            raise BusyError(f"run {run} is still open: its verdict comes when it ends")
        if found is None:
            raise NotFoundError(f"run {run} was closed without a verdict")
        return Json(found)

    @app.get("/v1/runs/{run}/records", response_model=models.Slice, openapi_extra=LOOK_404, tags=["runs"])
    async def records(
        run: RunPath,
        after: After = 0,
        limit: Limit = 500,
        kind: Annotated[
            str | None, Query(pattern=models.KIND_PATTERN, max_length=32, description="Only records of this kind.")
        ] = None,
    ) -> Response:
        """A run's records in order."""
        return Json((await kept.ask(lambda reader: reading.cut(reader, run, after, limit, kind))).to_json())

    @app.get("/v1/runs/{run}/samples", response_model=models.Slice, openapi_extra=LOOK_404, tags=["runs"])
    async def samples(run: RunPath, after: After = 0, limit: Limit = 500) -> Response:
        """A run's samples in order."""
        return Json((await kept.ask(lambda reader: reading.cut(reader, run, after, limit, "sample"))).to_json())

    @app.get(
        "/v1/work-orders/{work_order}", response_model=models.WorkOrder, openapi_extra=LOOK, tags=["work orders"]
    )  # fmt: skip
    async def work_order(work_order: Name) -> Response:
        """All runs of a work order, and what each procedure came to. One without runs is empty.

        A number with a slash in it cannot be asked for here: use `/v1/runs?work_order=`."""
        return Json(await kept.ask(lambda reader: reading.work_order(reader, work_order)))


def _drawing_routes(app: FastAPI, kept: Kept, curves: Curves) -> None:
    @app.get("/v1/runs/{run}/curve", response_model=models.Curve, openapi_extra=LOOK_404, tags=["runs"])
    async def curve(
        run: RunPath,
        points: Annotated[int, Query(ge=FEWEST, le=MOST, description="Of a channel, at most about so many.")] = 2000,
        from_s: Annotated[float | None, Query(ge=0, le=1e9, description="Only from here on: more detail.")] = None,
        to_s: Annotated[float | None, Query(ge=0, le=1e9, description="Only up to here.")] = None,
    ) -> Response:
        """A run as it is drawn: its channels thinned so that peaks stay, the expected band, what happened, how it stands.

        A null is a break: nothing was read there."""
        return Json(await kept.ask(lambda reader: curves.curve(reader, run, points, from_s, to_s)))

    @app.get(
        "/v1/runs/{run}/export",
        response_class=Response, responses={200: SAMPLES}, openapi_extra=how(Scope.LOOK, "404", "409"), tags=["runs"],
    )  # fmt: skip
    async def export(
        run: RunPath, form: Annotated[Literal["csv", "parquet"], Query(description="As what.")] = "csv"
    ) -> Response:
        """A run's samples for other programs."""
        return await kept.ask(lambda reader: exported(reader, run, form))


def _order_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.post(
        "/v1/runs",
        response_model=models.Opened, status_code=201, tags=["runs"],
        openapi_extra=how(Scope.OPERATE, "404", "409"), responses={201: located("The run is open.")},
    )  # fmt: skip
    async def start(request: Request, wanted: models.NewRun) -> Response:
        """Open a run. It starts no engine: the operator does, when the run's prompts say so."""
        asked_by = principal_of(request.scope).name
        given = wanted.model_dump() | {"by": wanted.by or asked_by}
        run = await daemon.start_run(RunRequest(**given, asked_by=asked_by))
        return Json({"run": run}, status_code=201, headers={"Location": f"/v1/runs/{run}"})

    @app.post("/v1/runs/{run}/answers", tags=["runs"], **ORDER)
    async def answer(run: RunPath, wanted: models.NewAnswer) -> Response:
        """Answer a prompt of a run under way."""
        daemon.answer(run, wanted.id, wanted.text)
        return Response(status_code=204)

    @app.post("/v1/runs/{run}/marks", tags=["runs"], **ORDER)
    async def mark(run: RunPath, wanted: models.NewMark) -> Response:
        """Write a remark into a run under way."""
        daemon.mark(run, wanted.text)
        return Response(status_code=204)

    @app.post("/v1/runs/{run}/stop", tags=["runs"], **ORDER)
    async def stop(run: RunPath, wanted: models.Stop) -> Response:
        """Stop a run under way. It is closed as aborted, with what was kept."""
        daemon.stop_run(run, wanted.because, wanted.ctrl_c)
        return Response(status_code=204)


def _forward_routes(app: FastAPI, daemon: DaemonInterface) -> None:
    @app.get("/v1/forwarders", response_model=models.Forwarders, openapi_extra=LOOK, tags=["forwarding"])
    async def forwarders() -> Response:
        """How far each forwarder has come."""
        return Json({"forwarders": [one.to_json() for one in daemon.forwarders()]})

    @app.get(
        "/v1/forwarders/{name}/quarantine",
        response_model=models.Quarantine, openapi_extra=LOOK_404, tags=["forwarding"],
    )  # fmt: skip
    async def quarantine(name: Name, limit: Limit = 100) -> Response:
        """What the other side refused for good, newest first."""
        return Json({"quarantine": await asyncio.to_thread(daemon.quarantine, name, limit)})

    @app.post(
        "/v1/forwarders/{name}/quarantine/release",
        response_model=models.Released, openapi_extra=how(Scope.ADMINISTER, "404"), tags=["forwarding"],
    )  # fmt: skip
    async def release(name: Name, wanted: models.Release) -> Response:
        """Have one of them sent again, or all."""
        return Json({"released": await asyncio.to_thread(daemon.release, name, wanted.no)})

    @app.post(
        "/v1/backups",
        response_model=models.Backup, status_code=201, openapi_extra=how(Scope.ADMINISTER), tags=["daemon"],
    )  # fmt: skip
    async def backup() -> Response:
        """Copy the journal while it is written to, into the folder `backups` beside it."""
        return Json({"file": await daemon.backup()}, status_code=201)


def _metrics_route(app: FastAPI, daemon: DaemonInterface, kept: Kept, streams: Streams, metrics: Metrics) -> None:
    text = {"description": "Prometheus' text format.", "content": {"text/plain": {"schema": {"type": "string"}}}}

    @app.get("/metrics", response_class=Response, responses={200: text}, openapi_extra=LOOK, tags=["daemon"])
    async def scrape() -> Response:
        """For Prometheus; each figure is told in the guide (metrics.md)."""
        body, kind = metrics.text(daemon.status(), await kept.ask(metrics.look), streams.watchers)
        return Response(body, headers={"content-type": kind})


def _bench_name(daemon: DaemonInterface, bench: str | None) -> str | None:
    """The journal lists a bench by its name; a slug is looked up."""
    return bench if bench is None or bench not in daemon.bench_names() else str(daemon.bench(bench)["name"])


# --- the framework's own errors -----------------------------------------------------------------------------------------


async def _invalid(request: Request, error: Exception) -> Response:
    """422 with the first few things that are wrong, in a sentence. What was sent is not repeated."""
    assert isinstance(error, RequestValidationError)
    told = [f"{_where(one['loc'])}: {one['msg']}" for one in error.errors()[:5]]
    return _answer(ProblemError(422, "invalid", "; ".join(told)))


def _where(place: tuple[Any, ...]) -> str:
    words = [str(one) for one in place]
    return " ".join([words[0], ".".join(words[1:])]).strip()[:200]


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if isinstance(error.__cause__, ProblemError):  # the guard's, met while the body was read
        return _answer(error.__cause__)
    if error.status_code == 404:
        return _answer(
            ProblemError(404, "not-found", "there is nothing at this path; /openapi.json lists what there is")
        )
    if error.status_code == 405:
        allowed = ", ".join(_methods_at(request))
        return _answer(ProblemError(405, "invalid", f"this path takes {allowed} only", {"Allow": allowed}))
    if error.status_code == 400:
        return _answer(ProblemError(400, "invalid", "the body cannot be read as JSON"))
    return _answer(ProblemError(error.status_code, "invalid", str(error.detail)))


def _methods_at(request: Request) -> list[str]:
    """All methods of a path, also where each has a route of its own."""
    found: set[str] = set()
    for route in request.app.routes:
        if isinstance(route, Route) and route.matches(request.scope)[0] is not Match.NONE:
            found |= route.methods or set()
    return sorted(found)


def _answer(problem: ProblemError) -> Response:
    return Response(problem.body(), problem.status, problem.headers, "application/json")
