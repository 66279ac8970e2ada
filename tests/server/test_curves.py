"""Runs as they are drawn, listed and exported, and what the daemon has on its shelf."""

from __future__ import annotations

import base64
import csv
import io
import math
from typing import Any

import pytest
from fake_daemon import VERDICT
from http_world import World

from benchd.server.curves import Drawn, _body

PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


def standing(t_s: float, phase: str, **more: Any) -> dict[str, Any]:
    return {
        "kind": "standing",
        "t_ns": round(t_s * 1e9),
        "phase": phase,
        "leaning": "pass",
        "sure": 0.5,
        "why": "",
        **more,
    }


def sample(t_s: float, volts: float | None) -> dict[str, Any]:
    flags = ["overload"] if volts is None else []
    return {"kind": "sample", "t_ns": round(t_s * 1e9), "values": {"battery_volts": [volts, 0.01, flags, 0.0]}}


def drawn(*records: dict[str, Any]) -> Drawn:
    found = Drawn()
    for seq, record in enumerate(records, 1):
        found.take({**record, "seq": seq})
    return found


def test_a_long_run_is_thinned_and_keeps_its_peaks_and_ends() -> None:
    """36,000 samples, an hour at 10 Hz, with one spike: no thinning may lose that."""
    found = drawn(*(sample(n / 10, 15.9 if n == 20_000 else 13.0 + math.sin(n / 500)) for n in range(36_000)))
    body = _body({}, found, 1000, None, None)
    line = body["channels"]["battery_volts"]
    assert body["thinned"]
    assert (line["n"], len(line["t"]) <= 1000) == (36_000, True)
    assert (line["t"][0], line["t"][-1]) == (0.0, 3599.9)
    assert line["v"][line["t"].index(2000.0)] == 15.9
    window = _body({}, found, 1000, 1999.0, 2001.0)
    assert not window["thinned"]
    assert window["channels"]["battery_volts"]["t"] == [round(n / 10, 1) for n in range(19989, 20012)], (
        "one more on either side"
    )


def test_where_nothing_was_read_the_line_is_broken() -> None:
    early, late = [sample(n / 10, 13.0) for n in range(300)], [sample(60 + n / 10, 14.0) for n in range(300)]
    body = _body({}, drawn(*early, *late, sample(90.0, None), sample(90.1, 14.1)), 200, None, None)
    line = body["channels"]["battery_volts"]
    breaks = [t for t, v in zip(line["t"], line["v"], strict=True) if v is None]
    assert breaks == [29.9, 89.9], "after the last reading before the silence, and where the meter showed no number"


def test_the_last_good_run_lies_where_measuring_began() -> None:
    opened = {
        "kind": "run-opened",
        "t_ns": 0,
        "last_good": {"from_s": 10.0, "points": [[10.0, {"battery_volts": 13.1}], [12.0, {"battery_volts": 13.4}]]},
    }
    before = _body({}, drawn(opened, standing(1, "checking")), 100, None, None)
    assert before["behind"] == {}
    body = _body(
        {},
        drawn(opened, standing(1, "checking"), standing(25, "measuring", expected={"battery_volts": [13.0, 13.5]})),
        100,
        None,
        None,
    )
    assert body["behind"] == {"battery_volts": {"t": [25.0, 27.0], "v": [13.1, 13.4]}}
    assert body["expected"] == {"battery_volts": {"t": [25.0], "low": [13.0], "high": [13.5]}}
    assert [(one["t_s"], one["text"]) for one in body["events"]] == [(1.0, "checking"), (25.0, "measuring")]
    assert "last_good" not in body["opened"]


def test_a_run_under_way_is_drawn_on_from_where_it_was(world: World) -> None:
    writer = world.do(world.daemon.open_run)
    for n in range(5):
        world.do(lambda n=n: writer.append(sample(n / 2, 13.0)))
    world.do(writer.flush)
    _, first, _ = world.ask("GET", f"/v1/runs/{writer.run}/curve")
    assert (first["samples"], first["open"], first["run"]["run"]) == (5, True, writer.run)
    world.do(lambda: writer.append({"kind": "mark", "t_ns": 3_000_000_000, "text": "<b>lamps on</b>"}))
    world.do(lambda: world.daemon.end_run(writer.run))
    _, last, _ = world.ask("GET", f"/v1/runs/{writer.run}/curve")
    assert (last["samples"], last["open"]) == (5, False)
    assert last["next"] > first["next"]
    kinds = {one["kind"]: one for one in last["events"]}
    assert kinds["mark"] == {"t_s": 3.0, "kind": "mark", "text": "Mark: <b>lamps on</b>", "role": ""}
    assert (kinds["verdict"]["verdict"], kinds["verdict"]["reasons"]) == (VERDICT["verdict"], VERDICT["reasons"])
    assert last["view"]["verdict"]["word"] == "Pass"


@pytest.mark.parametrize("query", ["points=99", "points=10001", "points=x", "from_s=-1", "to_s=nan", "what=1"])
def test_what_cannot_be_drawn_is_refused(world: World, query: str) -> None:
    assert world.ask("GET", f"/v1/runs/20200101-000000-000ab/curve?{query}")[0] == 422


@pytest.fixture(scope="module")
def shelf(world: World) -> dict[str, str]:
    """Runs to be found: name -> run."""

    def keep(**more: Any) -> str:
        return world.do(lambda: world.daemon.finished_run(2, **more))

    spec = {"machine": {"name": "Hollin T18 garden tractor"}}
    return {
        "old": keep(started="2027-02-27T23:59:59.000+00:00", unit="=1+1", work_order="W-1", spec=spec),
        "day": keep(started="2027-02-28T12:00:00.000+00:00", unit="T18_7", work_order="W-2"),
        "cut": keep(started="2027-03-01T00:00:00.000+00:00", unit="T18-7", status="aborted", procedure="stator"),
    }


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("since=2027-02-28&until=2027-02-28", ["day"]),
        ("until=2027-02-27T23:59:59Z", []),
        ("until=2027-02-28", ["day", "old"]),
        ("since=2027-02-28T12:00&until=2027-03-01", ["cut", "day"]),
        ("text=t18_7", ["day"]),
        ("text=w-1", ["old"]),
        ("text=%25", []),
        ("verdict=none&until=2027-03-01", ["cut"]),
        ("procedure=stator&until=2027-03-01", ["cut"]),
        ("verdict=fail", []),
        ("machine=Hollin", []),
        ("machine=Hollin%20T18%20garden%20tractor&until=2027-02-28", ["day", "old"]),
    ],
)
def test_runs_are_found_by_what_is_known_of_them(
    world: World, shelf: dict[str, str], query: str, found: list[str]
) -> None:
    status, said, _ = world.ask("GET", f"/v1/runs?limit=200&{query}")
    assert status == 200, said
    names = {run: name for name, run in shelf.items()}
    assert [names[one["run"]] for one in said["runs"] if one["run"] in names] == found


@pytest.mark.parametrize(
    "query", ["since=2027-13-01", "until=yesterday", "verdict=good", "limit=10001", "text=" + "x" * 65, "format=xml"]
)
def test_what_no_list_can_be_asked_by_is_refused(world: World, query: str) -> None:
    assert world.ask("GET", f"/v1/runs?{query}")[0] == 422


def test_a_list_as_csv_holds_no_formula(world: World, shelf: dict[str, str]) -> None:
    status, body, headers = world.ask("GET", "/v1/runs?format=csv&limit=10000&until=2027-02-28")
    assert (status, headers["content-type"]) == (200, "text/csv; charset=utf-8")
    assert "attachment" in headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(body.decode())))
    assert [(row["run"], row["unit"]) for row in rows] == [(shelf["day"], "T18_7"), (shelf["old"], "'=1+1")]


def test_a_runs_samples_are_exported(world: World, shelf: dict[str, str]) -> None:
    status, body, _ = world.ask("GET", f"/v1/runs/{shelf['old']}/export")
    rows = list(csv.DictReader(io.StringIO(body.decode())))
    assert (status, [(row["t_s"], row["battery_volts"]) for row in rows]) == (200, [("0", "14.21"), ("0.5", "14.21")])
    status, body, headers = world.ask("GET", f"/v1/runs/{shelf['old']}/export?form=parquet")
    assert (status, body[:4]) == (200, b"PAR1")
    assert "parquet" in headers["content-type"]
    empty = world.do(lambda: world.daemon.finished_run(0))
    assert world.ask("GET", f"/v1/runs/{empty}/export")[0] == 404


def test_the_files_that_orders_and_lots_are_opened_with(world: World) -> None:
    machines = world.ask("GET", "/v1/machines")[1]["machines"]
    assert {"file": "hollin-t18", "name": "Hollin T18 garden tractor"}.items() <= next(
        one for one in machines if one["file"] == "hollin-t18"
    ).items()
    parts = world.ask("GET", "/v1/parts")[1]["parts"]
    assert "vantry-vr20" in {one["file"] for one in parts}
    assert all("/" not in text for one in [*machines, *parts] for text in (one["file"], one["wrong"]))
    assert world.ask("GET", "/v1/procedures")[1]["procedures"][:2] == ["charge", "load"]


def test_a_photo_comes_back_as_what_it_is_and_nothing_else_does(world: World) -> None:
    order = world.ask("POST", "/v1/orders", {"machine": "hollin-t18"})[1]["work_order"]
    photo = {"name": "post.png", "data": base64.b64encode(PNG).decode()}
    world.ask("POST", f"/v1/orders/{order}/findings", {"check": "terminals", "outcome": "loose", "photos": [photo]})
    kept = world.ask("GET", f"/v1/orders/{order}")[1]["findings"][0]["photos"][0]["sha256"] + ".png"
    status, body, headers = world.ask("GET", f"/v1/photos/{kept}")
    assert (status, body, headers["content-type"]) == (200, PNG, "image/png")
    assert headers["content-security-policy"] == "default-src 'none'; sandbox"
    assert world.ask("GET", f"/v1/photos/{'0' * 64}.png")[0] == 404
    for name in ("journal.sqlite", "..%2Fjournal.sqlite", kept.replace(".png", ".svg"), kept.upper()):
        assert world.ask("GET", f"/v1/photos/{name}")[0] in (404, 422), name
