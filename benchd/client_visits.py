"""Visits by a daemon over HTTP: a VisitDoor like the one on this computer's own journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from benchd.client import Client
from benchd.visits.door import NewRepair, NewVisit, new_number, number_of, one_line, plain_text
from benchd.visits.photos import FOLDER, Photo, keep, read_photo

#: Printing takes seconds, and waits for what is printed before it.
REPORT_TIMEOUT_S = 120.0
WRITE_TIMEOUT_S = 30.0


class RemoteVisits:
    """Implements VisitDoor. What goes wrong is raised as the daemon said it; PortError if it does not answer."""

    def __init__(self, client: Client) -> None:
        self.client = client

    # --- looking ------------------------------------------------------------------------------------------------------

    def visits(
        self, state: str | None = None, unit: str | None = None, machine: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        wanted = {"state": state, "unit": unit, "machine": machine, "limit": limit}
        query = {key: value for key, value in wanted.items() if value is not None}
        found: list[dict[str, Any]] = self.client.ask("GET", "/v1/orders", query=query).get("orders", [])
        return found

    def visit(self, work_order: str, by: str = "minutes") -> dict[str, Any]:
        return self.client.ask("GET", _path(work_order), query={"by": one_line(by)})

    def knowledge(self) -> dict[str, Any]:
        return self.client.ask("GET", "/v1/knowledge")

    def report(self, work_order: str, form: str) -> bytes:
        """The paper of an order, `form` 'pdf' or 'html'."""
        path = f"{_path(work_order)}/report"
        return self.client.fetch(path, query={"format": form}, timeout_s=REPORT_TIMEOUT_S)

    # --- writing ------------------------------------------------------------------------------------------------------

    def open(self, wanted: NewVisit) -> dict[str, Any]:
        """A machine by its path is sent as its text: the daemon takes names only."""
        text, machine = wanted.spec_toml, wanted.machine
        if text is None and Path(machine).is_file():
            text = _text_of(machine)
        body = {
            "machine": Path(machine).name or None,
            "spec_toml": text,
            "complaint": plain_text(wanted.complaint),
            "unit": one_line(wanted.unit),
            "customer": one_line(wanted.customer),
            "work_order": new_number(wanted.work_order.strip()) if wanted.work_order.strip() else None,
            "by": one_line(wanted.by),
        }
        return self.client.ask("POST", "/v1/orders", body=body, timeout_s=WRITE_TIMEOUT_S)

    def answer(
        self, work_order: str, question: str, outcome: str | None, note: str = "", by: str = ""
    ) -> dict[str, Any]:
        body = {"question": question, "outcome": outcome, "note": plain_text(note), "by": one_line(by)}
        return self._post(work_order, "answers", body)

    def find(
        self,
        work_order: str,
        check: str,
        outcome: str | None,
        note: str = "",
        photos: Sequence[str] = (),
        by: str = "",
    ) -> dict[str, Any]:
        if photos:  # an order that is not there leaves none of them behind
            self.client.ask("GET", _path(work_order))
        sent = [self._sent(one) for one in [read_photo(path) for path in photos]]
        body = {"check": check, "outcome": outcome, "note": plain_text(note), "photos": sent, "by": one_line(by)}
        return self._post(work_order, "findings", body)

    def note(self, work_order: str, text: str, by: str = "") -> dict[str, Any]:
        return self._post(work_order, "notes", {"text": plain_text(text), "by": one_line(by)})

    def repair(self, work_order: str, done: NewRepair) -> dict[str, Any]:
        body = {
            "repair": done.repair or None,
            "did": plain_text(done.did),
            "mends": list(done.mends),
            "touches": list(done.touches),
            "parts": [{key: one_line(value) for key, value in one.items()} for one in done.parts],
            "minutes": done.minutes,
            "by": one_line(done.by),
        }
        return self._post(work_order, "repairs", body)

    def close(self, work_order: str, reason: str = "", by: str = "") -> dict[str, Any]:
        return self._post(work_order, "close", {"reason": plain_text(reason), "by": one_line(by)})

    def _post(self, work_order: str, what: str, body: Mapping[str, Any]) -> dict[str, Any]:
        return self.client.ask("POST", f"{_path(work_order)}/{what}", body=body, timeout_s=WRITE_TIMEOUT_S)

    def _sent(self, photo: Photo) -> dict[str, Any]:
        """A photo as it is sent: to this home's own daemon by its name in the common folder, whatever its size."""
        if self.client.home is not None:
            return {"name": photo.name, "kept": keep(self.client.home / FOLDER, photo)["kept"]}
        import base64

        assert photo.data is not None
        return {"name": photo.name, "data": base64.b64encode(photo.data).decode()}


def _path(work_order: str) -> str:
    return f"/v1/orders/{quote(number_of(work_order), safe='')}"


def _text_of(path: str) -> str:
    from benchd import config

    return config.parsed(path)[1]
