"""Lots over HTTP: a shift by the API, what is refused, what is printed, and the door that commands and screens use to it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pytest
from fake_daemon import part_file
from http_world import World

from benchd import client, registry
from benchd.client import Client, Door
from benchd.client_lots import RemoteLots
from benchd.errors import AccessError, BusyError, ConfigError, NotFitError, NotFoundError, PortError, UsageError
from benchd.journal import Journal
from benchd.lots.door import LotDoor, NewLot
from benchd.lots.doors import open_door
from benchd.lots.service import Lots
from benchd.server import models_lots

OR9 = part_file("vantry-or9").read_text(encoding="utf-8")
NEW = {"part": "vantry-or9", "planned": 20, "customer": "Marlow Farm Supply"}
REFERENCES = {
    "set-point-light": {"value": 14.3, "expanded_uncertainty": 0.02},
    "greatest-output": {"value": 9.1, "expanded_uncertainty": 0.1},
}
GOOD = {"leakage": (0.2, "mA"), "set-point-light": (14.3, "V"), "greatest-output": (9.1, "A"), "ceiling": (14.8, "V")}


def remote(world: World, scope: str = "operate") -> RemoteLots:
    return RemoteLots(Client(Door(world.url, world.tokens[scope])))


def opened(world: World, **more: Any) -> str:
    status, body, _ = world.ask("POST", "/v1/lots", {**NEW, **more}, "operate")
    assert status == 201, body
    return str(body["lot"])


def told(world: World, method: str, path: str, body: Any = None, scope: str = "operate") -> tuple[int, str, str]:
    status, said, _ = world.ask(method, path, body, scope)
    return status, said["error"]["kind"], said["error"]["message"]


def ended(world: World, run: str, verdict: str = "pass", mode: str = "", **values: float) -> None:
    measured = {
        id: {"value": values.get(id, value), "unit": unit, "expanded_uncertainty": 0.01, "coverage_factor": 2.0}
        for id, (value, unit) in GOOD.items()
    }
    at = datetime.now(UTC).isoformat(timespec="milliseconds")
    body = {"kind": "verdict", "procedure": "unit", "verdict": verdict, "suspect": "none", "finding": mode}
    world.do(lambda: world.daemon.end_run(run, verdict=body | {"measured": measured, "ended": at, "duration_s": 1.0}))


def run_of(world: World, lot: str, serial: str, **more: Any) -> str:
    """A run of a unit that was opened over HTTP."""
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    world.daemon.started = now
    sent = {"bench": "bay-1", "procedure": "unit", "lot": lot, "unit": serial, **more}
    status, body, _ = world.ask("POST", "/v1/runs", sent, "operate")
    assert status == 201, body
    return str(body["run"])


def judged(world: World, lot: str, serial: str, verdict: str = "pass", mode: str = "", **more: Any) -> None:
    ended(world, run_of(world, lot, serial, **more), verdict, mode)


def fit(world: World) -> None:
    """Bay 1 may judge lots of OR-9."""
    if not world.daemon.lots.lots("standard", "open"):
        opened(world, kind="standard", lot="REF-1", references=REFERENCES)
        judged(world, "REF-1", "REF-1")


@pytest.fixture
def shop(world: World) -> World:
    fit(world)
    return world


class Paper:
    """What prints; the real ones are tests/paper's."""

    def html(self, data: Mapping[str, Any]) -> str:
        return f"<!doctype html>{data['lot']['lot']} {sorted(data)}"

    def pdf(self, data: Mapping[str, Any]) -> bytes:
        return b"%PDF-1.7 " + str(data["lot"]["lot"]).encode()


@pytest.fixture
def papers(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the papers that were asked for."""
    asked: list[str] = []
    monkeypatch.setattr(registry, "paper", lambda name: asked.append(name) or Paper())
    return asked


# --- a shift --------------------------------------------------------------------------------------------------------------


def test_a_shift_by_the_api(fresh: World) -> None:
    world = fresh
    status, body, headers = world.ask("POST", "/v1/lots", {**NEW, "by": "Ines Calder"}, "operate")
    assert (status, headers["location"], body["lot"]) == (201, "/v1/lots/OR9-0001", "OR9-0001")
    assert (body["part"], body["opened_by"], body["planned"], body["state"]) == ("OR-9", "Ines Calder", 20, "open")
    at = "/v1/lots/OR9-0001"
    scan = {"text": "OR9-004211\r\n", "bench": "bay-1"}
    status, answer, _ = world.ask("POST", f"{at}/scans", scan, "operate")
    assert (status, answer["action"]) == (200, "refuse")
    assert "bay-1: no check standard is kept for part OR-9" in answer["why"]
    fit(world)
    status, gate, _ = world.ask("GET", "/v1/benches/bay-1/gate?part=OR-9", scope="look")
    assert (status, gate["fit"], gate["standards"][0]["standard"]) == (200, True, "REF-1")
    status, answer, _ = world.ask("POST", f"{at}/scans", scan, "operate")
    assert (answer["action"], answer["serial"], answer["attempt"]) == ("test", "OR9-004211", 1)
    run = run_of(world, "OR9-0001", "OR9-004211", by="Tomas Rue")
    request = world.daemon.asked[-1]
    assert (request.lot, request.by, request.retest, request.asked_by) == (
        "OR9-0001",
        "Tomas Rue",
        False,
        "the operate one",
    )
    (now,) = world.ask("GET", at, scope="look")[1]["now"]
    assert (now["serial"], now["bench"], now["by"]) == ("OR9-004211", "bay-1", "Tomas Rue")
    ended(world, run, "fail", "set-point-low")
    status, answer, _ = world.ask("POST", f"{at}/scans", scan, "operate")
    assert (answer["action"], answer["attempt"]) == ("ask", 2)
    assert [one["verdict"] for one in answer["history"]] == ["fail"]
    sent = {"bench": "bay-1", "procedure": "unit", "lot": "OR9-0001", "unit": "OR9-004211"}
    assert told(world, "POST", "/v1/runs", sent)[:2] == (409, "busy")
    assert world.ask("POST", f"{at}/scans", {**scan, "again": True}, "operate")[1]["action"] == "test"
    judged(world, "OR9-0001", "OR9-004211", retest=True)
    body = world.ask("GET", at, scope="look")[1]
    assert (body["counts"]["units"], body["counts"]["retests"], body["counts"]["first_passed"]) == (1, 1, 0)
    kinds = [one["kind"] for one in body["records"]]
    assert kinds == ["lot-opened", "lot-refused", "lot-retest"]
    assert world.ask("POST", f"{at}/notes", {"text": "second pallet"}, "operate")[0] == 200
    status, body, _ = world.ask("POST", f"{at}/close", {}, "operate")
    assert (status, body["state"], body["closed_by"]) == (200, "closed", "the operate one")
    assert told(world, "POST", f"{at}/scans", scan)[:2] == (409, "busy")
    (listed,) = world.ask("GET", "/v1/lots?kind=lot&state=closed&part=OR-9", scope="look")[1]["lots"]
    assert (listed["lot"], listed["tests"], listed["units"]) == ("OR9-0001", 2, 1)


def test_bodies_are_as_they_are_described(shop: World) -> None:
    lot = opened(shop)
    judged(shop, lot, "B1")
    models_lots.LotBody.model_validate(shop.ask("GET", f"/v1/lots/{lot}")[1])
    models_lots.LotList.model_validate(shop.ask("GET", "/v1/lots")[1])
    models_lots.GateBody.model_validate(shop.ask("GET", "/v1/benches/bay-2/gate?part=OR-9")[1])
    models_lots.ReportBody.model_validate(shop.ask("GET", f"/v1/lots/{lot}/report")[1])
    models_lots.CertificateBody.model_validate(shop.ask("GET", f"/v1/lots/{lot}/units/B1/certificate")[1])
    answer = shop.ask("POST", f"/v1/lots/{lot}/scans", {"text": "B1", "bench": "bay-1"})[1]
    models_lots.ScanAnswer.model_validate(answer)


def test_a_study_says_whose_turn_it_is(shop: World) -> None:
    study = {"kind": "study", "lot": "G-1", "units": ["A1", "A2"], "raters": ["Ines", "Tomas"], "trials": 2, "seed": 3}
    status, body, _ = shop.ask("POST", "/v1/lots", {"part": "vantry-or9", **study}, "operate")
    assert (status, len(body["left"]), len(body["next"])) == (201, 8, 2)
    serial, rater, trial = body["next"][0]
    answer = shop.ask("POST", "/v1/lots/G-1/scans", {"text": serial, "bench": "bay-1", "by": rater}, "operate")[1]
    assert (answer["action"], answer["trial"]) == ("test", [serial, rater, trial])
    judged(shop, "G-1", serial, by=rater, trial=answer["trial"])
    assert shop.daemon.asked[-1].trial == (serial, rater, trial)
    assert len(shop.ask("GET", "/v1/lots/G-1")[1]["left"]) == 7


# --- what is refused ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent", "status", "words"),
    [
        ({"planned": 20}, 422, "give part, the name of a regulator file, or spec_toml"),
        ({"part": "vantry-or8"}, 404, "no regulator file 'vantry-or8'; there are: vantry-or9"),
        ({"part": "/etc/passwd"}, 422, "part: "),
        ({"spec_toml": "no = toml ="}, 422, "not TOML"),
        ({"spec_toml": OR9.replace("min_volts = 13.9", "min_volts = 15.9")}, 422, "expected more than min_volts, 15.9"),
        ({"spec_toml": OR9.replace('number = "OR-9"', 'number = ""')}, 422, "part.number"),
        ({**NEW, "lot": "a b"}, 422, "lot: "),
        ({**NEW, "planned": 0}, 422, "planned: "),
        ({**NEW, "plan": "attributes, general II, AQL 0.65", "planned": None}, 422, "needs the size of the lot"),
        ({**NEW, "plan": "by feel"}, 422, "plan: "),
        ({**NEW, "kind": "batch"}, 422, "kind: "),
        ({**NEW, "kind": "standard"}, 422, "a check standard needs a name"),
        ({**NEW, "kind": "standard", "lot": "R", "references": {"volts": {"value": 1}}}, 422, "no such characteristic"),
        ({**NEW, "kind": "standard", "lot": "R", "references": {"leakage": {"value": 1, "expanded_uncertainty": 0}}}, 422, "greater than 0"),
        ({**NEW, "kind": "study", "lot": "S"}, 422, "a study has 2 to 50 units"),
        ({**NEW, "kind": "study", "lot": "S", "units": ["A", "A"], "raters": ["x", "y"]}, 422, "A is there twice"),
        ({**NEW, "at_ns": 1}, 422, "at_ns: Extra inputs"),
    ],
)  # fmt: skip
def test_what_cannot_be_opened_is_named_and_not_kept(
    world: World, sent: dict[str, Any], status: int, words: str
) -> None:
    before = len(world.daemon.lots.lots(limit=1000))
    found, _, message = told(world, "POST", "/v1/lots", sent)
    assert (found, words in message) == (status, True), message
    assert len(world.daemon.lots.lots(limit=1000)) == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty scan"),
        ("\r\n", "an empty scan"),
        ("OR9\x1d0042", "signs that cannot be seen"),
        ("OR9-\u202e42", "signs that cannot be seen"),
        ("x" * 65, "65 signs long"),
    ],
)
def test_a_scan_that_is_no_serial_number_is_refused_by_name_and_kept(shop: World, text: str, words: str) -> None:
    lot = opened(shop)
    for answer in (
        shop.ask("POST", f"/v1/lots/{lot}/scans", {"text": text, "bench": "bay-1"}, "operate")[1],
        remote(shop).scan(lot, text, "bay-1"),
    ):
        assert (answer["action"], words in answer["why"]) == ("refuse", True), answer
    assert [one["kind"] for one in shop.daemon.lots.lot(lot)["records"]] == ["lot-opened", "lot-refused", "lot-refused"]


def test_runs_in_a_lot_take_their_spec_from_it(shop: World) -> None:
    lot = opened(shop)
    base = {"bench": "bay-1", "procedure": "unit", "unit": "X1"}
    for more, words in (
        ({"lot": lot, "spec": "vantry-or9"}, "give lot, or spec, or spec_toml"),
        ({}, "give either spec"),
        ({"lot": lot, "trial": ["X1", "Ines"]}, "trial"),
        ({"lot": lot, "retest": "yes"}, "retest"),
    ):
        status, _, message = told(shop, "POST", "/v1/runs", base | more)
        assert (status, words in message) == (422, True), message
    assert told(shop, "POST", "/v1/runs", {**base, "lot": "OR9-9"})[:2] == (404, "not-found")


def test_a_bench_that_is_not_fit_is_told_as_that(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    async def refuse(request: Any) -> str:
        raise NotFitError("bay-1: check standard REF-1 was never measured here")

    monkeypatch.setattr(world.daemon, "start_run", refuse)
    sent = {"bench": "bay-1", "procedure": "unit", "lot": "x", "unit": "X1"}
    assert told(world, "POST", "/v1/runs", sent)[:2] == (409, "not-fit")
    with pytest.raises(NotFitError, match="was never measured here"):
        Client(Door(world.url, world.tokens["operate"])).start(sent)


def test_what_is_not_there_is_told(shop: World) -> None:
    lot = opened(shop)
    assert told(shop, "GET", "/v1/lots/OR9-77")[:2] == (404, "not-found")
    assert told(shop, "GET", f"/v1/lots/{lot}/units/N1/certificate")[2] == f"N1 was not tested in {lot}"
    assert told(shop, "GET", "/v1/benches/bay-9/gate?part=OR-9")[:2] == (404, "not-found")
    assert told(shop, "GET", "/v1/benches/bay-1/gate")[:2] == (422, "invalid")
    assert told(shop, "GET", f"/v1/lots/{lot}/export?form=xls")[:2] == (422, "invalid")
    assert told(shop, "POST", f"/v1/lots/{lot}/notes", {"text": "x"}, "look")[:2] == (403, "access")
    assert told(shop, "POST", f"/v1/lots/{lot}/cleared", {"bench": "bay-1", "text": "x"})[:2] == (422, "invalid")


# --- what is printed ------------------------------------------------------------------------------------------------------


def test_exports_labels_and_papers_by_their_kind(shop: World, papers: list[str]) -> None:
    lot = opened(shop)
    judged(shop, lot, "P/1")
    status, sheet, headers = shop.ask("GET", f"/v1/lots/{lot}/export", scope="look")
    assert (status, headers["content-type"]) == (200, "text/csv; charset=utf-8")
    head, row = sheet.decode().splitlines()
    assert head.startswith("lot,part,serial,") and row.startswith(f"{lot},OR-9,P/1,")  # noqa: PT018
    assert shop.ask("GET", f"/v1/lots/{lot}/export?form=parquet", scope="look")[1][:4] == b"PAR1"
    status, label, headers = shop.ask("GET", f"/v1/lots/{lot}/units/P%2F1/label?form=txt", scope="look")
    assert (status, headers["content-type"], label.decode().splitlines()[0]) == (
        200,
        "text/plain; charset=utf-8",
        "P/1",
    )
    assert remote(shop, "look").label(lot, "P/1", "datamatrix", "svg").lstrip().startswith(b"<")
    for path in (f"/v1/lots/{lot}/report", f"/v1/lots/{lot}/units/P%2F1/certificate"):
        status, page, headers = shop.ask("GET", f"{path}?format=html", scope="look")
        assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert headers["content-security-policy"].startswith("default-src 'none'")
        assert lot in page.decode()
        status, page, headers = shop.ask("GET", f"{path}?format=pdf", scope="look")
        assert (status, headers["content-type"], page) == (200, "application/pdf", b"%PDF-1.7 " + lot.encode())
    assert papers == ["lot", "lot", "certificate", "certificate"]
    shop.ask("GET", "/v1/lots/REF-1/report?format=pdf", scope="look")
    assert papers[-1] == "standard"


def test_a_report_is_worked_out_once(shop: World, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd.core.lots import report as core

    lot, made = opened(shop), []
    judged(shop, lot, "R1")
    real = core.report
    monkeypatch.setattr(core, "report", lambda *given, **more: made.append(1) or real(*given, **more))
    for _ in range(3):
        assert shop.ask("GET", f"/v1/lots/{lot}/report")[1]["report"]["counts"]["units"] == 1
    assert len(made) == 1
    judged(shop, lot, "R2")
    assert shop.ask("GET", f"/v1/lots/{lot}/report")[1]["report"]["counts"]["units"] == 2
    assert len(made) == 2


# --- the door -------------------------------------------------------------------------------------------------------------


def test_the_remote_door_is_the_same_as_the_one_on_the_journal(fresh: World, papers: list[str]) -> None:
    door: LotDoor = remote(fresh)
    local = fresh.daemon.lots
    fit(fresh)
    body = door.open(NewLot(part="vantry-or9", planned=5, customer=" Marlow\tFarm Supply", by="Ines Calder"))
    lot = body["lot"]
    assert body["customer"] == "Marlow Farm Supply"
    judged(fresh, lot, "D1")
    door.note(lot, "first\npallet", "Ines Calder")
    assert door.lot(lot) == json.loads(json.dumps(local.lot(lot)))
    assert door.lots(kind="lot", state="open", part="OR-9", limit=5) == local.lots("lot")
    assert door.gate("bay-1", "OR-9") == local.gate("bay-1", "OR-9")
    assert door.scan(lot, "D1", "bay-1") == local.scan(lot, "D1", "bay-1")
    one, other = door.report(lot), json.loads(json.dumps(local.report(lot)))
    assert one | {"made": ""} == other | {"made": ""}
    one, other = door.certificate(lot, "D1"), json.loads(json.dumps(local.certificate(lot, "D1")))
    assert one | {"made": ""} == other | {"made": ""}
    assert door.export(lot, "csv") == local.export(lot, "csv")
    assert door.paper(lot, "report", "html")[:9].lower().startswith(b"<!doctype")
    assert door.paper(lot, "unit:D1", "html")[:9].lower().startswith(b"<!doctype")
    assert papers == ["lot", "certificate"]
    with pytest.raises(ConfigError, match="spec_toml"):
        door.open(NewLot(spec_toml="[part]\nnumber = 1"))
    with pytest.raises(UsageError, match="is no name of a lot"):
        door.lot("a/b")
    with pytest.raises(AccessError, match="scope 'operate'"):
        remote(fresh, "look").note(lot, "x")
    assert door.close(lot, "done", "Ines Calder")["closed_reason"] == "done"
    with pytest.raises(BusyError, match=f"lot {lot} was closed"):
        door.scan(lot, "D2", "bay-1")
    with pytest.raises(NotFoundError, match=r"no lot 'OR9-9'; there are"):
        door.lot("OR9-9")
    cleared = remote(fresh).cleared("REF-1", "bay-1", "lead replaced", by="Ines Calder")
    assert cleared["records"][-1]["text"] == "lead replaced"


def test_a_scan_that_no_json_can_carry_is_refused_as_one_that_cannot_be_seen(shop: World) -> None:
    lot = opened(shop)
    answer = remote(shop).scan(lot, "OR9\udcff42", "bay-1")
    assert (answer["action"], "signs that cannot be seen" in answer["why"]) == ("refuse", True)


def test_the_door_leads_to_the_daemon_that_is_up_else_to_the_journal(
    fresh: World, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "alone"))
    with open_door() as door:
        assert isinstance(door, Lots)
        assert door.open(NewLot(part="vantry-or9"))["lot"] == "OR9-0001"
    with Journal() as journal:
        assert len(journal.lots()) == 1
    monkeypatch.setenv("BENCHD_SERVER", fresh.url)
    monkeypatch.setenv("BENCHD_TOKEN", fresh.tokens["look"])
    with open_door() as door:
        assert isinstance(door, RemoteLots)
        assert door.lots() == []
    monkeypatch.setenv("BENCHD_SERVER", "http://127.0.0.1:9")
    with open_door() as door, pytest.raises(PortError):
        door.lots()
    monkeypatch.delenv("BENCHD_SERVER")
    monkeypatch.setattr(client, "find", lambda: Client(Door("http://127.0.0.1:9", "x"), tmp_path))
    with open_door() as door:
        assert isinstance(door, Lots)
