"""The lots of a daemon, over HTTP: a LotDoor (see benchd/lots/door.py)."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import quote

from benchd.client import Client
from benchd.lots.door import NewLot, name_of, serial_of
from benchd.plaintext import one_line, plain_text

#: Statistics and papers take seconds, and wait for those that are made before.
REPORT_TIMEOUT_S = 120.0
WRITE_TIMEOUT_S = 30.0
LONGEST_SCAN = 1000  # a daemon takes no longer one; far beyond a serial number


class RemoteLots:
    """Implements LotDoor. What goes wrong is raised as the daemon said it; PortError if it does not answer."""

    def __init__(self, client: Client) -> None:
        self.client = client

    # --- looking ------------------------------------------------------------------------------------------------------

    def lots(
        self, kind: str | None = None, state: str | None = None, part: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        wanted = {"kind": kind, "state": state, "part": part, "limit": limit}
        query = {key: value for key, value in wanted.items() if value is not None}
        found: list[dict[str, Any]] = self.client.ask("GET", "/v1/lots", query=query).get("lots", [])
        return found

    def lot(self, lot: str) -> dict[str, Any]:
        return self.client.ask("GET", _path(lot))

    def gate(self, bench: str, part: str) -> dict[str, Any]:
        return self.client.ask("GET", f"/v1/benches/{quote(bench, safe='')}/gate", query={"part": part})

    def report(self, lot: str) -> dict[str, Any]:
        return self.client.ask("GET", f"{_path(lot)}/report", timeout_s=REPORT_TIMEOUT_S)

    def certificate(self, lot: str, serial: str) -> dict[str, Any]:
        return self.client.ask("GET", f"{_unit(lot, serial)}/certificate")

    def paper(self, lot: str, what: str, form: str) -> bytes:
        path = f"{_path(lot)}/report" if what == "report" else f"{_unit(lot, what.removeprefix('unit:'))}/certificate"
        return self.client.fetch(path, query={"format": form}, timeout_s=REPORT_TIMEOUT_S)

    def label(self, lot: str, serial: str, symbol: str, form: str) -> bytes:
        return self.client.fetch(f"{_unit(lot, serial)}/label", query={"symbol": symbol, "form": form})

    def export(self, lot: str, form: str) -> bytes:
        return self.client.fetch(f"{_path(lot)}/export", query={"form": form}, timeout_s=REPORT_TIMEOUT_S)

    # --- writing ------------------------------------------------------------------------------------------------------

    def open(self, wanted: NewLot) -> dict[str, Any]:
        """A part by its path is sent as its text: the daemon takes names only."""
        from benchd import config

        text = wanted.spec_toml
        if text is None and Path(wanted.part).is_file():
            text = config.parsed(wanted.part)[1]
        body = {
            "kind": wanted.kind,
            "lot": name_of(wanted.lot) if wanted.lot.strip() else None,
            "part": Path(wanted.part).name or None,
            "spec_toml": text,
            "title": one_line(wanted.title),
            "customer": one_line(wanted.customer),
            "planned": wanted.planned,
            "plan": one_line(wanted.plan),
            "references": {
                id: {"value": value, "expanded_uncertainty": spread}
                for id, (value, spread) in wanted.references.items()
            },
            "every_hours": wanted.every_hours,
            "baseline": wanted.baseline,
            "units": [serial_of(one) for one in wanted.units],
            "raters": [one_line(one) for one in wanted.raters],
            "rated_by": wanted.rated_by,
            "trials": wanted.trials,
            "seed": wanted.seed,
            "by": one_line(wanted.by),
        }
        return self.client.ask("POST", "/v1/lots", body=body, timeout_s=WRITE_TIMEOUT_S)

    def scan(self, lot: str, text: str, bench: str, *, again: bool = False, by: str = "") -> dict[str, Any]:
        seen = "".join(
            "\x1a" if "\ud800" <= char <= "\udfff" else char for char in text[:LONGEST_SCAN]
        )  # no JSON carries those
        body = {"text": seen, "bench": bench, "again": again, "by": one_line(by)}
        return self._post(lot, "scans", body)

    def note(self, lot: str, text: str, by: str = "") -> dict[str, Any]:
        return self._post(lot, "notes", {"text": plain_text(text), "by": one_line(by)})

    def cleared(self, lot: str, bench: str, text: str, *, adjusted: bool = False, by: str = "") -> dict[str, Any]:
        return self._post(
            lot, "cleared", {"bench": bench, "text": plain_text(text), "adjusted": adjusted, "by": one_line(by)}
        )

    def close(self, lot: str, reason: str = "", by: str = "") -> dict[str, Any]:
        return self._post(lot, "close", {"reason": plain_text(reason), "by": one_line(by)})

    def _post(self, lot: str, what: str, body: dict[str, Any]) -> dict[str, Any]:
        return self.client.ask("POST", f"{_path(lot)}/{what}", body=body, timeout_s=WRITE_TIMEOUT_S)


def _path(lot: str) -> str:
    return f"/v1/lots/{quote(name_of(lot), safe='')}"


def _unit(lot: str, serial: str) -> str:
    return f"{_path(lot)}/units/{quote(serial_of(serial), safe='')}"
