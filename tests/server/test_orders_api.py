"""Visits over HTTP: the whole way by the API, what is refused, and the door that a command line uses to it."""

from __future__ import annotations

import base64
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from fake_daemon import KNOWN, VERDICT
from http_world import LOCAL_KEY, World, world_in

from benchd import client
from benchd.client import Client, Door
from benchd.client_visits import RemoteVisits
from benchd.errors import AccessError, BusyError, ConfigError, NotFoundError, PortError, UsageError
from benchd.journal import Journal
from benchd.server import models_visits
from benchd.site import ServerSettings
from benchd.visits.door import NewRepair, NewVisit, VisitDoor
from benchd.visits.doors import Fresh, open_door
from benchd.visits.service import Visits

NEW = {"machine": "hollin-t18", "unit": "T18-00317", "customer": "Piet Marlow", "complaint": "dead\neach morning"}
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
LOOSE = next(one.id for one in KNOWN.items["terminals"].outcomes[1:])
ONSET = KNOWN.items["onset"].outcomes[1].id


def remote(world: World, scope: str = "operate") -> RemoteVisits:
    return RemoteVisits(Client(Door(world.url, world.tokens[scope])))


def opened(world: World, **more: Any) -> str:
    status, body, _ = world.ask("POST", "/v1/orders", {**NEW, **more}, "operate")
    assert status == 201, body
    return str(body["work_order"])


def told(world: World, method: str, path: str, body: Any = None, scope: str = "operate") -> tuple[int, str, str]:
    status, said, _ = world.ask(method, path, body, scope)
    return status, said["error"]["kind"], said["error"]["message"]


# --- the whole way --------------------------------------------------------------------------------------------------------


def test_a_visit_by_the_api_from_the_complaint_to_the_proof(fresh: World) -> None:
    status, body, headers = fresh.ask("POST", "/v1/orders", {**NEW, "by": "Anna Weld"}, "operate")
    assert (status, headers["location"]) == (201, "/v1/orders/1001")
    assert (body["machine"], body["state"], body["opened_by"]) == ("Hollin T18 garden tractor", "open", "Anna Weld")
    assert body["plan"]["next"] in ("check", "repair")
    at = "/v1/orders/1001"
    for what, sent in (
        ("answers", {"question": "onset", "outcome": ONSET, "note": "after\tthe rain"}),
        ("answers", {"question": "use", "outcome": None}),
        ("findings", {"check": "terminals", "outcome": LOOSE, "by": "Anna Weld"}),
        ("notes", {"text": "the customer fetches it Friday"}),
    ):
        status, body, _ = fresh.ask("POST", f"{at}/{what}", sent, "operate")
        assert status == 200, body
    fresh.do(lambda: fresh.daemon.finished_run(work_order="1001"))
    parts = [{"name": "terminal", "number": "T-8"}]
    status, body, _ = fresh.ask("POST", f"{at}/repairs", {"repair": "clean-terminals", "parts": parts}, "operate")
    assert status == 200, body
    assert [one["outcome"] for one in body["answers"]] == [ONSET, None]
    assert (body["answers"][0]["by"], body["findings"][0]["by"]) == ("the operate one", "Anna Weld")
    assert body["repairs"][0]["parts"] == [{**parts[0], "serial": ""}]
    status, kind, message = told(fresh, "POST", f"{at}/close", {})
    assert (status, kind) == (422, "invalid")
    assert "No regulator run was made after the last repair." in message
    run = fresh.do(lambda: fresh.daemon.finished_run(work_order="1001"))
    status, body, _ = fresh.ask("POST", f"{at}/close", {}, "operate")
    assert (status, body["state"], body["proof"]) == (200, "proven", {"proven": True, "missing": [], "runs": [run]})
    assert [one["reasons"] for one in body["runs"]] == [VERDICT["reasons"]] * 2
    assert fresh.ask("GET", at, scope="look")[1] == body
    status, listed, _ = fresh.ask("GET", "/v1/orders?state=proven&unit=T18-00317&machine=hollin-t18", scope="look")
    assert [(one["work_order"], one["runs"]) for one in listed["orders"]] == [("1001", 2)]
    assert fresh.ask("GET", "/v1/orders?state=open", scope="look")[1] == {"orders": []}
    for what, sent in (("notes", {"text": "x"}), ("close", {"reason": "x"})):
        status, kind, message = told(fresh, "POST", f"{at}/{what}", sent)
        assert (status, kind) == (409, "busy")
        assert "was closed" in message


def test_bodies_are_as_they_are_described(world: World) -> None:
    at = opened(world)
    world.ask("POST", f"/v1/orders/{at}/answers", {"question": "onset", "outcome": ONSET}, "operate")
    photo = {"name": "a.png", "data": base64.b64encode(PNG).decode()}
    world.ask(
        "POST", f"/v1/orders/{at}/findings", {"check": "terminals", "outcome": LOOSE, "photos": [photo]}, "operate"
    )
    world.do(lambda: world.daemon.finished_run(work_order=at))
    _, body, _ = world.ask("POST", f"/v1/orders/{at}/repairs", {"repair": "new-battery", "minutes": 12.5}, "operate")
    models_visits.VisitBody.model_validate(body)
    assert (len(body["findings"][0]["photos"]), len(body["runs"]), len(body["repairs"])) == (1, 1, 1)
    models_visits.Orders.model_validate(world.ask("GET", "/v1/orders", scope="look")[1])
    _, known, _ = world.ask("GET", "/v1/knowledge", scope="look")
    models_visits.KnowledgeBody.model_validate(known)
    assert {one["id"] for one in known["questions"]} >= {"onset", "use"}
    assert len(known["repairs"]) == len(KNOWN.repairs)


def test_the_plan_spares_what_it_is_told(world: World) -> None:
    at = opened(world)
    assert world.ask("GET", f"/v1/orders/{at}?by=cost", scope="look")[1]["plan"]["by"] == "cost"
    assert told(world, "GET", f"/v1/orders/{at}?by=luck", scope="look")[:2] == (422, "invalid")


# --- what is refused ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "sent", "status", "words"),
    [
        ("answers", {"question": "onsett", "outcome": "x"}, 404, "did you mean 'onset'"),
        ("answers", {"question": "onset", "outcome": "x"}, 422, "no outcome of onset 'x'"),
        ("answers", {"question": "terminals", "outcome": LOOSE}, 404, "'terminals' is a look, not a question"),
        ("answers", {"question": "onset"}, 422, "outcome: Field required"),
        ("answers", {"question": "onset", "outcome": None, "at_ns": 1}, 422, "at_ns: Extra inputs"),
        ("answers", {"question": "onset", "outcome": None, "note": "x" * 4001}, 422, "note: "),
        ("answers", {"question": "onset", "outcome": None, "by": "a\nb"}, 422, "by: "),
        ("findings", {"check": "terminals", "outcome": LOOSE, "photos": ["/etc/passwd"]}, 422, "photos"),
        ("findings", {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "a.png"}]}, 422, "data, the bytes"),
        (
            "findings",
            {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "/etc/passwd", "data": "eA=="}]},
            422,
            "name: ",
        ),
        (
            "findings",
            {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "a.png", "data": "no!"}]},
            422,
            "the data of a.png is no Base64",
        ),
        (
            "findings",
            {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "a.png", "data": "eA=="}]},
            422,
            "a.png: is no picture",
        ),
        (
            "findings",
            {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "a.png", "kept": "0" * 64 + ".png"}]},
            422,
            "is kept here: send its data",
        ),
        (
            "findings",
            {"check": "terminals", "outcome": LOOSE, "photos": [{"name": "a", "kept": "../journal.sqlite"}]},
            422,
            "kept: ",
        ),
        ("notes", {"text": ""}, 422, "text: "),
        ("notes", {"text": "\x1b[2J"}, 422, "text: "),
        ("repairs", {}, 422, "say what was done"),
        ("repairs", {"repair": "new-baterry"}, 404, "did you mean 'new-battery'"),
        ("repairs", {"did": "x", "touches": ["seat"]}, 422, "no part 'seat'"),
        ("repairs", {"repair": "new-battery", "minutes": -1}, 422, "minutes: "),
        ("repairs", {"repair": "new-battery", "parts": [{"number": "7"}]}, 422, "name: "),
        ("close", {}, 422, "is not proven: No regulator run was made"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name_and_not_kept(
    world: World, what: str, sent: dict[str, Any], status: int, words: str
) -> None:
    at = opened(world)
    found, kind, message = told(world, "POST", f"/v1/orders/{at}/{what}", sent)
    assert (found, kind) == (status, {404: "not-found", 422: "invalid"}[status])
    assert words in message
    assert len(world.daemon.journal.order_records(at)) == 1


@pytest.mark.parametrize(
    ("sent", "status", "words"),
    [
        ({"complaint": "x"}, 422, "give machine, the name of a machine file, or spec_toml"),
        ({"machine": "holin-t18"}, 404, "no machine 'holin-t18'; there are: hollin-t18"),
        ({"machine": "/etc/passwd"}, 422, "machine: "),
        ({"machine": "..", "spec_toml": "x"}, 422, "machine: "),
        ({"spec_toml": "[machine]\nname = 1"}, 422, "(sent with the order):2: key 'machine.name'"),
        ({"spec_toml": "no = toml ="}, 422, "not TOML"),
        ({**NEW, "work_order": "a/b"}, 422, "work_order: "),
        ({**NEW, "work_order": ".."}, 422, "work_order: "),
        ({**NEW, "unit": "x" * 129}, 422, "unit: "),
    ],
)
def test_an_order_that_cannot_be_opened(world: World, sent: dict[str, Any], status: int, words: str) -> None:
    before = len(world.daemon.journal.orders(limit=1000))
    found, _, message = told(world, "POST", "/v1/orders", sent)
    assert found == status
    assert words in message
    assert len(world.daemon.journal.orders(limit=1000)) == before


def test_orders_are_opened_once_and_found_by_any_number_that_fits_in_a_path(world: World) -> None:
    assert opened(world, work_order="WO 7 & \u00e9?") == "WO 7 & \u00e9?"
    assert told(world, "POST", "/v1/orders", {**NEW, "work_order": "WO 7 & \u00e9?"})[:2] == (409, "busy")
    assert remote(world).visit("WO 7 & \u00e9?")["work_order"] == "WO 7 & \u00e9?"
    status, kind, message = told(world, "GET", "/v1/orders/WO-77", scope="look")
    assert (status, kind) == (404, "not-found")
    assert "there is no work order 'WO-77'; there are " in message


def test_a_causes_file_that_is_wrong_is_told_as_configuration(fresh: World) -> None:
    def broken() -> Any:
        raise ConfigError("causes.toml:3: key 'causes': wrong")

    fresh.daemon.visits = Visits(fresh.daemon.journal, broken)
    status, kind, message = told(fresh, "GET", "/v1/knowledge", scope="look")
    assert (status, kind, message) == (422, "configuration", "causes.toml:3: key 'causes': wrong")
    assert fresh.ask("GET", "/v1/status")[0] == 200


def test_a_photo_longer_than_a_body_may_be_is_refused(tmp_path: Path) -> None:
    with world_in(tmp_path, ServerSettings(port=0, requests_per_s=1000, max_body_bytes=4096)) as small:
        at = opened(small)
        photo = {"name": "a.png", "data": base64.b64encode(PNG * 20).decode()}
        body = {"check": "terminals", "outcome": LOOSE, "photos": [photo]}
        assert told(small, "POST", f"/v1/orders/{at}/findings", body)[:2] == (413, "too-much")
        assert len(small.daemon.journal.order_records(at)) == 1


# --- the paper ------------------------------------------------------------------------------------------------------------


def test_the_report_is_a_page_and_a_pdf(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is a real one; what prints a PDF takes seconds, and is another's test."""
    at = opened(world)
    status, page, headers = world.ask("GET", f"/v1/orders/{at}/report?format=html", scope="look")
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert "Piet Marlow" in page.decode()
    assert headers["content-security-policy"].startswith("default-src 'none'")
    assert remote(world, "look").report(at, "html")[:9].lower().startswith(b"<!doctype")
    asked = []

    def printed(work_order: str, form: str) -> bytes:
        asked.append((work_order, form))
        return b"%PDF-1.7"

    monkeypatch.setattr(world.daemon.visits, "report", printed)
    status, paper, headers = world.ask("GET", f"/v1/orders/{at}/report", scope="look")
    assert (status, headers["content-type"], paper) == (200, "application/pdf", b"%PDF-1.7")
    assert remote(world, "look").report(at, "pdf") == b"%PDF-1.7"
    assert asked == [(at, "pdf")] * 2


# --- the door -------------------------------------------------------------------------------------------------------------


def test_the_remote_door_is_the_same_as_the_one_on_the_journal(fresh: World, tmp_path: Path) -> None:
    door: VisitDoor = remote(fresh)
    photo = tmp_path / "IMG 1.PNG"
    photo.write_bytes(PNG)
    body = door.open(NewVisit("hollin-t18", complaint="dead", unit=" T18-1 \n", by="Anna Weld"))
    at = body["work_order"]
    door.answer(at, "onset", ONSET, "in words", "Anna Weld")
    door.find(at, "terminals", LOOSE, "negative", [str(photo)])
    door.note(at, "idles well")
    door.repair(
        at, NewRepair("", "soldered", ("stator-open",), (), ({"name": "lead", "number": "", "serial": "7"},), 20)
    )
    body = door.visit(at, "cost")
    local = Visits(fresh.daemon.journal, KNOWN)
    assert body == json.loads(json.dumps(local.visit(at, "cost")))
    assert (body["unit"], body["repairs"][0]["touches"]) == ("T18-1", ["stator"])
    assert [(one["file"], one["bytes"]) for one in body["findings"][0]["photos"]] == [("IMG 1.PNG", len(PNG))]
    assert door.visits(state="open", unit="T18-1", machine="hollin-t18", limit=5) == local.visits(unit="T18-1")
    assert door.knowledge() == json.loads(json.dumps(local.knowledge()))
    with pytest.raises(UsageError, match="is not proven: No regulator run"):
        door.close(at)
    assert door.close(at, "the customer fetched it")["state"] == "closed without proof"
    with pytest.raises(BusyError, match="was closed"):
        door.note(at, "x")
    with pytest.raises(NotFoundError, match="no work order 'x'; there are 1001"):
        door.visit("x")
    with pytest.raises(AccessError, match="scope 'operate'"):
        remote(fresh, "look").note(at, "x")
    with pytest.raises(UsageError, match=r"gone\.jpg: there is no such file"):
        door.find(at, "terminals", LOOSE, photos=["gone.jpg"])


def test_what_cannot_be_seen_is_no_reason_to_refuse_what_was_pasted(world: World) -> None:
    """Both doors keep the same of it."""
    body = remote(world).open(NewVisit("hollin-t18", complaint="a\x9bb\r\nc", customer="Jo\x1b", by="An\u200bna"))
    assert (body["complaint"], body["customer"], body["opened_by"]) == ("a b\nc", "Jo", "An na")
    at = body["work_order"]
    body = remote(world).repair(at, NewRepair("clean-terminals", "x\x00", parts=({"name": "p\x07q"},), by="\x1b"))
    assert (body["repairs"][0]["did"], body["repairs"][0]["parts"][0]["name"]) == ("x", "p q")
    assert remote(world).note(at, "\x9bn", "")["notes"][0]["text"] == "n"


def test_a_number_that_is_none_is_refused_in_words(world: World) -> None:
    for act in (
        lambda: remote(world).open(NewVisit("hollin-t18", work_order="7/8")),
        lambda: remote(world).visit("7/8"),
    ):
        with pytest.raises(UsageError, match="'7/8' is no number of a work order: letters, digits and signs, no slash"):
            act()


def test_a_machine_file_of_this_computer_is_sent_as_its_text(world: World, tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "configs" / "machines" / "hollin-t18.toml").read_text()
    own = tmp_path / "own.toml"
    own.write_text(text.replace("Hollin T18", "Ostrick R1"))
    body = remote(world).open(NewVisit(str(own)))
    assert (body["machine"], body["spec_file"]) == ("Ostrick R1 garden tractor", "own.toml")
    body = remote(world).open(NewVisit("configs/own.toml", spec_toml=own.read_text()))
    assert body["spec_text"] == own.read_text()


def test_this_home_s_own_daemon_gets_a_photo_of_any_size_by_its_name(fresh: World, tmp_path: Path) -> None:
    large = tmp_path / "large.png"
    large.write_bytes(PNG + bytes(1_000_000))
    at = opened(fresh)
    with pytest.raises(BusyError, match="the body is longer than 262144 bytes: send less, or raise max_body_bytes"):
        remote(fresh).find(at, "terminals", LOOSE, photos=[str(large)])
    own = RemoteVisits(Client(Door(fresh.url, LOCAL_KEY), fresh.home))
    (finding,) = own.find(at, "terminals", LOOSE, photos=[str(large)])["findings"]
    (photo,) = finding["photos"]
    assert (photo["file"], photo["bytes"]) == ("large.png", len(PNG) + 1_000_000)
    assert (fresh.home / "photos" / photo["kept"]).read_bytes() == large.read_bytes()
    assert finding["by"] == "local"
    other = tmp_path / "other.png"
    other.write_bytes(PNG + b"other")
    with pytest.raises(NotFoundError, match="no work order '1999'"):
        own.find("1999", "terminals", LOOSE, photos=[str(other)])
    assert len(list((fresh.home / "photos").iterdir())) == 1, "a photo was kept for an order that is not there"


def test_the_door_leads_to_the_daemon_that_is_up_else_to_the_journal(
    fresh: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "alone"))
    with open_door() as door:
        assert isinstance(door, Visits)
        assert door.open(NewVisit("hollin-t18"))["work_order"] == "1001"
    with Journal() as journal:
        assert journal.path.parent == tmp_path / "alone"
        assert len(journal.orders()) == 1
    monkeypatch.setenv("BENCHD_SERVER", fresh.url)
    monkeypatch.setenv("BENCHD_TOKEN", fresh.tokens["look"])
    with open_door() as door:
        assert isinstance(door, RemoteVisits)
        assert door.visits() == []
    monkeypatch.setenv("BENCHD_SERVER", "http://127.0.0.1:9")
    with open_door() as door, pytest.raises(PortError):  # another computer's: nothing here stands for it
        door.visits()


def test_this_home_s_daemon_that_hangs_leaves_the_journal_at_hand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    monkeypatch.setattr(client, "find", lambda: Client(Door("http://127.0.0.1:9", "x"), tmp_path))
    with open_door() as door:
        assert isinstance(door, Visits)


def test_the_knowledge_is_read_again_when_a_file_of_it_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    known = Fresh()
    first = known()
    assert known() is first
    own = tmp_path / "causes.toml"
    own.write_text("[causes.joint-loose]\nfrequency = 0.31\norigin = 'estimate'\n")
    second = known()
    assert (second.causes["joint-loose"].frequency, second is first) == (0.31, False)
    own.write_text("[causes.joint-loose]\nfrequency = 31\norigin = 'estimate'\n")
    with pytest.raises(ConfigError, match=r"causes\.toml:2: key 'causes\.joint-loose\.frequency'"):
        known()
    own.unlink()
    assert known().causes["joint-loose"].frequency == first.causes["joint-loose"].frequency


def test_a_list_of_orders_needs_no_numpy() -> None:
    import subprocess

    script = "import sys, benchd.visits.doors, benchd.visits.service; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], timeout=60, check=False).returncode == 0
