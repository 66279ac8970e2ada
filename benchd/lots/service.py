"""Lots over a journal: what is opened, scanned, noted and closed goes in as records, bodies and reports come out (see door.py)."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from math import isfinite
from pathlib import Path
from typing import Any

from benchd import config, gate
from benchd.core.specs import MachineSpec, PartSpec
from benchd.errors import BusyError, ConfigError, UsageError
from benchd.journal import Journal
from benchd.journal_lots import closed_sentence
from benchd.journal_orders import moment
from benchd.lots import scan as scanning
from benchd.lots.door import KINDS, NewLot, name_of, serial_of
from benchd.lots.kept import Kept
from benchd.lots.standards import Checks, doubtful
from benchd.lots.studies import design_of, left_of
from benchd.plaintext import one_line, plain_text
from benchd.site import slug_of

LONGEST_TEXT = 4000
LAST = 20
MOST_HOURS, LEAST_BASELINE, MOST_BASELINE = 10_000, 5, 200
MOST_RECORDS = 500  # in a body: the first and the newest
COUNTS_KEPT, REPORTS_KEPT, SUMMARIES_KEPT = 32, 8, 64

#: Slug of a bench -> instrument -> calibration due; None where the bench is not known here.
Dues = Callable[[str], "Mapping[str, date | None] | None"]


def dues_of_files(bench: str) -> Mapping[str, date | None] | None:
    """Of the bench file with this slug among those that can be named without a path."""
    for path in config.known_files("bench").values():
        try:
            found = config.load_bench(path)
        except ConfigError:
            continue
        if slug_of(found.name) == bench:
            return gate.due_of(found)
    return None


class Lots:
    """Implements LotDoor; works in any thread.

    `part_file` finds the file of a part by what NewLot.part says; `dues` the calibration dates of a bench; `benches` the slugs
    of those that a daemon serves.
    """

    def __init__(
        self,
        journal: Journal,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        part_file: Callable[[str], Path] = lambda name: config.find_file(name, "regulator"),
        dues: Dues = dues_of_files,
        benches: Callable[[], Iterable[str]] = tuple,
        shop: str = "",
    ) -> None:
        self.journal, self.shop = journal, shop
        self._wall, self._part_file, self._dues, self._benches = wall, part_file, dues, benches
        self.checks = Checks(journal)
        self._counts = Kept[dict[str, Any]](COUNTS_KEPT)
        self.statistics = Kept[dict[str, Any]](REPORTS_KEPT)  # of lots, see reports.py
        self.summaries = Kept[tuple[Mapping[str, Any], Mapping[str, Any]]](SUMMARIES_KEPT)  # of closed lots

    # --- looking ------------------------------------------------------------------------------------------------------

    def lots(
        self, kind: str | None = None, state: str | None = None, part: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        return self.journal.lots(kind, state, part, limit)

    def lot(self, lot: str) -> dict[str, Any]:
        entry = self.journal.lot(lot)
        records = self.journal.lot_records(lot)
        counts = dict(self._counts.get(lot, self.journal.lot_stamp(lot), lambda: self.journal.lot_counts(lot)))
        modes = counts.pop("modes")
        last = self.journal.lot_tests(lot, limit=LAST)
        body = {
            **head(entry, records),
            "counts": counts,
            "modes": [_mode(mode, units) for mode, units in modes],
            "last": last,
            "now": self.journal.lot_under_test(lot),
            "benches": self._gates(entry, records, last),
            "doubtful": self.doubtful(entry),
            "records": records if len(records) <= MOST_RECORDS else [records[0], *records[1 - MOST_RECORDS :]],
        }
        if entry["kind"] == "study":
            left = left_of(records[0]["design"], self.journal.lot_tests(lot, counted=False))
            body |= {"left": left, "next": list({one[1]: one for one in reversed(left)}.values())[::-1]}
        return body

    def _gates(
        self, entry: Mapping[str, Any], records: Sequence[Mapping[str, Any]], last: Sequence[Mapping[str, Any]]
    ) -> list[dict[str, Any]]:
        """Of an open lot's benches as they stand now, of a closed one's as they stood when it was closed."""
        if entry["kind"] != "lot":
            return []
        if entry["state"] != "open":
            return list(records[-1].get("gates") or ())
        benches = dict.fromkeys([*self._benches(), *(str(one["bench"]) for one in last)])
        return [self.gate(one, str(entry["part"])) for one in benches]

    def head(self, entry: Mapping[str, Any]) -> dict[str, Any]:
        """The lot body without what its tests come to."""
        return head(entry, self.journal.lot_records(str(entry["lot"])))

    def gate(self, bench: str, part: str) -> dict[str, Any]:
        bench = slug_of(bench)
        return gate.gate(self.journal, bench, part, self._wall(), self._dues(bench), self.checks)

    def doubtful(self, entry: Mapping[str, Any], serial: str | None = None) -> list[dict[str, Any]]:
        """What is to be tested again because a check standard was bad after it; of one unit alone."""
        if entry["kind"] != "lot" or not entry["tests"]:
            return []
        benches = self.journal.lot_benches(str(entry["lot"]))
        return doubtful(self.journal, self.checks, entry, benches, serial)

    # --- writing ------------------------------------------------------------------------------------------------------

    def open(self, wanted: NewLot) -> dict[str, Any]:
        if wanted.kind not in KINDS:
            raise UsageError(f"kind: found {wanted.kind!r}, expected one of {', '.join(KINDS)}")
        text = wanted.spec_toml
        if text is None:
            text = self._part_file(wanted.part).read_text(encoding="utf-8-sig")
        spec = config.load_spec_text(text, wanted.part or "spec_toml")
        if spec.part is None:
            raise ConfigError(
                f"{wanted.part or 'spec_toml'}: this is no regulator file: it has no [part] and no [[test]] tables"
            )
        if wanted.planned is not None and wanted.planned < 1:
            raise UsageError(f"a lot has at least one unit, not {wanted.planned}")
        body: dict[str, Any] = {
            "lot": name_of(wanted.lot) if wanted.lot.strip() else "",
            "lot_kind": wanted.kind,
            "part": spec.part.number,
            "title": one_line(wanted.title) or spec.part.name,
            "spec_text": text,
            "ids": list(spec.part.ids),
            "planned": wanted.planned,
            "plan": _plan(wanted),
            "customer": one_line(wanted.customer),
            "by": one_line(wanted.by),
        }
        if wanted.kind == "standard":
            body |= _of_standard(wanted, spec.part)
        elif wanted.kind == "study":
            body["design"] = design_of(
                [serial_of(one) for one in wanted.units], _raters(wanted), wanted.rated_by, wanted.trials,
                secrets.randbelow(2**31) if wanted.seed is None else wanted.seed,
            )  # fmt: skip
        lot, _ = self.journal.open_lot(body)
        return self.lot(lot)

    def scan(self, lot: str, text: str, bench: str, *, again: bool = False, by: str = "") -> dict[str, Any]:
        entry = self.journal.lot(lot)
        if entry["state"] != "open":
            raise BusyError(closed_sentence(entry["kind"], lot, entry["closed"]))
        bench = slug_of(bench)
        answer = scanning.answer(self, entry, text, bench, again=again, by=one_line(by))
        record = {"serial": answer["serial"], "bench": bench, "why": answer["why"], "by": one_line(by)}
        if answer["action"] == "refuse":
            self.journal.append_lot(lot, {"kind": "lot-refused", **record})
        elif answer["action"] == "test" and again and answer["attempt"] > 1:
            self.journal.append_lot(lot, {"kind": "lot-retest", **record})
        return answer

    def note(self, lot: str, text: str, by: str = "") -> dict[str, Any]:
        said = plain_text(text)
        if not said or len(said) > LONGEST_TEXT:
            raise UsageError(f"a remark has 1 to {LONGEST_TEXT} characters, this one {len(said)}")
        self.journal.append_lot(lot, {"kind": "lot-note", "text": said, "by": one_line(by)})
        return self.lot(lot)

    def cleared(self, lot: str, bench: str, text: str, *, adjusted: bool = False, by: str = "") -> dict[str, Any]:
        """The cause of a standard's signal on a bench was found: runs are counted afresh; after an adjustment its chart is made anew."""
        if self.journal.lot(lot)["kind"] != "standard":
            raise UsageError(f"{lot} is no check standard")
        if not plain_text(text):
            raise UsageError("say what the cause was, and what was done about it")
        record = {
            "kind": "lot-cleared",
            "bench": bench,
            "text": plain_text(text),
            "adjusted": adjusted,
            "by": one_line(by),
        }
        self.journal.append_lot(lot, record)
        return self.lot(lot)

    def close(self, lot: str, reason: str = "", by: str = "") -> dict[str, Any]:
        entry = self.journal.lot(lot)
        gates = (
            [self.gate(one, str(entry["part"])) for one in self.journal.lot_benches(lot)]
            if entry["kind"] == "lot"
            else []
        )
        record = {"kind": "lot-closed", "reason": plain_text(reason), "by": one_line(by), "gates": gates}
        self.journal.append_lot(lot, record)
        return self.lot(lot)

    # --- what it comes to ---------------------------------------------------------------------------------------------

    def report(self, lot: str) -> dict[str, Any]:
        from benchd.lots import reports

        return reports.report(self, self.journal.lot(lot))

    def certificate(self, lot: str, serial: str) -> dict[str, Any]:
        from benchd.lots import reports

        return reports.certificate(self, lot, serial_of(serial))

    def paper(self, lot: str, what: str, form: str) -> bytes:
        from benchd import registry

        if form not in ("pdf", "html"):
            raise UsageError(f"form: found {form!r}, expected pdf or html")
        if what == "report":
            data = self.report(lot)
            paper = registry.paper(str(data["lot"]["kind"]))
        elif what.startswith("unit:"):
            data = self.certificate(lot, what.removeprefix("unit:"))
            paper = registry.paper("certificate")
        else:
            raise UsageError(f"what: found {what[:40]!r}, expected 'report' or 'unit:SERIAL'")
        made = paper.pdf(data) if form == "pdf" else paper.html(data)
        return made if isinstance(made, bytes) else str(made).encode()

    def label(self, lot: str, serial: str, symbol: str, form: str) -> bytes:
        from benchd.lots.labels import label

        return label(self.certificate(lot, serial), symbol, form)

    def export(self, lot: str, form: str) -> bytes:
        from benchd.lots import export

        return export.export(self.journal, lot, form)


def head(entry: Mapping[str, Any], records: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """A lot without its tests: the entry, and what its records say of it."""
    opened = records[0]
    closing = next((one for one in records if one["kind"] == "lot-closed"), {})
    extra = {key: opened[key] for key in ("references", "every_hours", "baseline", "design") if key in opened}
    return {
        **entry,
        "spec": _parsed(str(opened.get("spec_text") or "")),
        "spec_text": opened.get("spec_text") or "",
        "opened_by": opened.get("by") or "",
        "customer": opened.get("customer") or "",
        "planned": opened.get("planned"),
        "plan": opened.get("plan") or "",
        "closed_by": closing.get("by") or "",
        "closed_reason": closing.get("reason") or "",
        "notes": [
            {"at": moment(one), "by": one.get("by") or "", "text": one["text"]}
            for one in records
            if one["kind"] == "lot-note"
        ],
        **extra,
    }


def spec_of(records: Sequence[Mapping[str, Any]]) -> MachineSpec:
    """The file that a lot was opened with. ConfigError."""
    return config.load_spec_text(str(records[0].get("spec_text") or ""), f"lot {records[0].get('lot')}")


def _plan(wanted: NewLot) -> str:
    text = one_line(wanted.plan)
    if not text:
        return ""
    from benchd.core.lots.sampling import plan_of

    if wanted.planned is None:
        raise UsageError("a sampling plan needs the size of the lot: say how many units it has")
    try:
        plan_of(text, wanted.planned)
    except ValueError as error:
        raise UsageError(f"plan: {error}") from error
    return text


def _raters(wanted: NewLot) -> list[str]:
    """Benches by their slugs, as scans name them."""
    return [slug_of(one) if wanted.rated_by == "bench" and one.strip() else one_line(one) for one in wanted.raters]


def _of_standard(wanted: NewLot, part: PartSpec) -> dict[str, Any]:
    unknown = [id for id in wanted.references if id not in part.ids]
    if unknown:
        raise UsageError(
            f"reference {unknown[0]!r}: {part.number} has no such characteristic; there are {', '.join(part.ids)}"
        )
    if not wanted.lot.strip():
        raise UsageError("a check standard needs a name: the one on the unit")
    for id, (value, spread) in wanted.references.items():
        if not isfinite(value) or (spread is not None and not (isfinite(spread) and spread > 0)):
            raise UsageError(
                f"reference {id}: a value and an expanded uncertainty above 0 are wanted, not {value:g}, {spread}"
            )
    if wanted.every_hours is not None and not 0 < wanted.every_hours <= MOST_HOURS:
        raise UsageError(f"every_hours: found {wanted.every_hours:g}, expected more than 0, at most {MOST_HOURS}")
    if wanted.baseline is not None and not LEAST_BASELINE <= wanted.baseline <= MOST_BASELINE:
        raise UsageError(
            f"baseline: found {wanted.baseline}, expected {LEAST_BASELINE} to {MOST_BASELINE} measurements"
        )
    return {
        "references": {
            id: {"value": value, "expanded_uncertainty": spread} for id, (value, spread) in wanted.references.items()
        },
        "every_hours": wanted.every_hours or gate.EVERY_HOURS,
        "baseline": wanted.baseline or gate.BASELINE,
    }


def _mode(mode: str, units: int) -> dict[str, Any]:
    from benchd.core.lots.modes import TITLES

    return {"mode": mode, "title": TITLES.get(mode, mode.replace("-", " ") or "no mode was named"), "units": units}


def _parsed(text: str) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
