"""Visits over a journal: what is said, found and done goes in as records, the visit body comes out (see door.py)."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd import config, preflight
from benchd.core import visit as core
from benchd.core.causes.answers import Plan, Ranking
from benchd.core.causes.knowledge import Item, Knowledge, Repair
from benchd.errors import ConfigError, NotFoundError, UsageError
from benchd.journal import Journal
from benchd.journal_orders import STATES, Moved
from benchd.visits.body import causes_of, knowledge_body, planned, text_of, visit_body
from benchd.visits.door import LONGEST_LINE, NewRepair, NewVisit, new_number, number_of, one_line, plain_text
from benchd.visits.evidence import evidence_of, meaning, passed_over
from benchd.visits.photos import FOLDER, MOST_PHOTOS, Photo, keep_all, read_photo

if TYPE_CHECKING:
    from benchd.core.causes.infer import Model

Record = Mapping[str, Any]
Evidence = Sequence[core.Observed | core.Mended]

LONGEST_TEXT = 4000
MOST_RUNS = 1000
MOST_PARTS = 50
SENT_SPEC = "(sent with the order)"
BY = ("minutes", "cost")
_TRIES = 5
_VERDICTS_KEPT, _THOUGHTS_KEPT = 512, 32
_STATOR = re.compile(r"\b(stators?|flywheels?|magnets?)\b", re.IGNORECASE)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Visits:
    """Implements VisitDoor; works in any thread. `knowledge` may be a function that reads it when it is needed.

    `machine_file` finds the file of a machine by what NewVisit.machine says: by default by path or name; a daemon takes
    names only.
    """

    def __init__(
        self,
        journal: Journal,
        knowledge: Knowledge | Callable[[], Knowledge],
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        machine_file: Callable[[str], Path] = lambda name: config.find_file(name, "machine"),
        shop: str = "",
    ) -> None:
        self.journal = journal
        self.shop = shop  # whose papers these are
        self.photos = journal.path.parent / FOLDER
        self._knowledge = knowledge
        self._wall = wall
        self._machine_file = machine_file
        self._verdicts: OrderedDict[str, dict[str, Any]] = OrderedDict()
        self._model: tuple[Knowledge, Model] | None = None
        self._thoughts: OrderedDict[tuple[Model, tuple[Any, ...], str, frozenset[str]], tuple[Ranking, Plan]] = (
            OrderedDict()
        )

    @property
    def known(self) -> Knowledge:
        """The knowledge as it stands now. ConfigError if it has to be read and is wrong."""
        return self._knowledge if isinstance(self._knowledge, Knowledge) else self._knowledge()

    # --- looking ------------------------------------------------------------------------------------------------------

    def visits(
        self, state: str | None = None, unit: str | None = None, machine: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        if state is not None and state not in (*STATES, "closed"):
            raise UsageError(f"no order has the state {state!r}; there are {', '.join(STATES)}, and 'closed' for both")
        found = self.journal.orders(state, unit, machine, limit)
        if not found and machine is not None and (name := self._name_of(machine)) != machine:
            found = self.journal.orders(state, unit, name, limit)
        return [
            {**one, **{key: one[key] or "" for key in ("machine", "unit", "customer", "complaint")}} for one in found
        ]

    def visit(self, work_order: str, by: str = "minutes") -> dict[str, Any]:
        if by not in BY:
            raise UsageError(f"a plan spares {' or '.join(BY)}, not {by!r}")
        visit, known = self._visit(work_order), self.known
        ranking, plan = self._thought(known, evidence_of(known, visit), by, passed_over(known, visit))
        proof = core.proof(visit)
        body = visit_body(known, visit, proof, ranking, planned(plan, proof, visit))
        return {**body, "digest": self.journal.order_digest(visit.work_order)}

    def report(self, work_order: str, form: str) -> bytes:
        """The paper of an order, `form` 'pdf' or 'html'. ConfigError if none is installed; StoreError."""
        from benchd.visits.papers import printed, visit_data

        return printed("visit", visit_data(self.visit(work_order), self.journal, shop=self.shop), form)

    def knowledge(self) -> dict[str, Any]:
        return knowledge_body(self.known)

    def evidence(self, work_order: str) -> list[core.Observed | core.Mended]:
        """What counts as evidence, for whoever wants to learn from it."""
        return evidence_of(self.known, self._visit(work_order))

    def _thought(self, known: Knowledge, evidence: Evidence, by: str, skipped: frozenset[str]) -> tuple[Ranking, Plan]:
        """What the evidence says; thought about once, since several may look at one order again and again."""
        # Imported late: numpy, which a list of orders does not need.
        from benchd.core.causes.infer import Model, rank
        from benchd.core.causes.plan import plan

        held = self._model
        if held is None or held[0] is not known:
            held = self._model = (known, Model(known))
            self._thoughts.clear()
        key = (held[1], tuple(evidence), by, skipped)
        found = self._thoughts.get(key)
        if found is None:
            found = self._thoughts[key] = rank(held[1], evidence), plan(held[1], evidence, by, skipped)
            while len(self._thoughts) > _THOUGHTS_KEPT:
                self._thoughts.popitem(last=False)
        return found

    def _visit(self, work_order: str) -> core.Visit:
        # Records first: a run that ends meanwhile is then told as it stands now, never as it stood before them.
        records = self.journal.order_records(number_of(work_order))
        runs = self.journal.runs(MOST_RUNS, work_order=number_of(work_order))
        visit = core.fold(records, [self._run(one) for one in runs])
        visit.runs = [_says_nothing(one) if visit.is_foreign(one) else one for one in visit.runs]
        return visit

    def _run(self, run: Record) -> dict[str, Any]:
        """The list's entry of a run with what its verdict says, and what that means."""
        told = self._told(str(run["run"])) if run["verdict"] is not None else {}
        found = {
            **run,
            "finding": told.get("finding") or told.get("ended_because") or "",
            "next_step": told.get("next_step") or "",
            "reasons": list(told.get("reasons") or ()),
            "measured": told.get("measured") or {},
        }
        known = self.known
        item, outcome = meaning(known, found)
        text = text_of(known.items[item], outcome) if item else ""
        return {**found, "item": item, "outcome": outcome, "text": text}

    def _told(self, run: str) -> dict[str, Any]:
        """The verdict of a run; it never changes, so it is read once."""
        found = self._verdicts.pop(run, None) or self.journal.verdict(run) or {}
        self._verdicts[run] = found
        while len(self._verdicts) > _VERDICTS_KEPT:
            self._verdicts.popitem(last=False)
        return found

    def _name_of(self, machine: str) -> str:
        """The machine's name where a file of it is meant."""
        try:
            return config.load_spec(self._machine_file(machine)).name
        except (UsageError, ConfigError):
            return machine

    # --- writing ------------------------------------------------------------------------------------------------------

    def open(self, wanted: NewVisit) -> dict[str, Any]:
        self._know()
        machine, file, text = self._spec(wanted)
        work_order = wanted.work_order.strip()
        body = {
            "work_order": new_number(work_order) if work_order else "",
            "machine": machine,
            "spec_file": file,
            "spec_text": text,
            "unit": _line("unit", wanted.unit),
            "customer": _line("customer", wanted.customer),
            "complaint": _text("complaint", wanted.complaint),
            "versions": preflight.versions(),
        }
        made, _ = self.journal.open_order(self._signed(body, wanted.by))
        return self.visit(made)

    def _spec(self, wanted: NewVisit) -> tuple[str, str, str]:
        """(machine's name, file, text) of the spec. NotFoundError, ConfigError, UsageError."""
        if wanted.spec_toml is not None:
            file = wanted.machine or SENT_SPEC
            return config.load_spec_text(wanted.spec_toml, file).name, file, wanted.spec_toml
        if not wanted.machine:
            known = ", ".join(config.known_files("machine"))
            raise UsageError(f"an order wants a machine: its file, or one of the names {known}")
        path = self._machine_file(wanted.machine)
        spec = config.load_spec(path)
        return spec.name, str(path), path.read_text(encoding="utf-8-sig")

    def answer(
        self, work_order: str, question: str, outcome: str | None, note: str = "", by: str = ""
    ) -> dict[str, Any]:
        item = self._item(question, ("question",))
        said = self._outcome(item, outcome)
        body = {"kind": "order-answer", "question": item.id, "ask": item.text, **said, "note": _text("note", note)}
        return self._append(work_order, body, by)

    def find(
        self,
        work_order: str,
        check: str,
        outcome: str | None,
        note: str = "",
        photos: Sequence[str] = (),
        by: str = "",
    ) -> dict[str, Any]:
        return self.find_with(work_order, check, outcome, note, [read_photo(one) for one in photos], by)

    def find_with(
        self,
        work_order: str,
        check: str,
        outcome: str | None,
        note: str = "",
        photos: Sequence[Photo] = (),
        by: str = "",
    ) -> dict[str, Any]:
        """The same with photos that came another way than as files of this computer."""
        item = self._item(check, ("look", "test"))
        said = self._outcome(item, outcome)
        if len(photos) > MOST_PHOTOS:
            raise UsageError(f"{len(photos)} photos: a finding takes {MOST_PHOTOS}; make another finding, or a note")
        note = _text("note", note)
        self._see_open(work_order)  # no photo is left behind for an order that takes none
        kept = keep_all(self.photos, photos)
        body = {"kind": "order-finding", "check": item.id, "title": item.text, **said, "note": note, "photos": kept}
        return self._append(work_order, body, by)

    def note(self, work_order: str, text: str, by: str = "") -> dict[str, Any]:
        if not (found := _text("note", text)):
            raise UsageError("an empty note says nothing: write something into it")
        return self._append(work_order, {"kind": "order-note", "text": found}, by)

    def repair(self, work_order: str, done: NewRepair) -> dict[str, Any]:
        known = self.known.repairs.get(done.repair)
        if done.repair and known is None:
            raise NotFoundError(_none("repair", done.repair, self.known.repairs))
        mends = tuple(done.mends) or (() if known is None else known.mends)
        for cause in mends:
            if cause not in self.known.causes:
                raise NotFoundError(_none("cause", cause, self.known.causes))
        for part in done.touches:
            if part not in core.PARTS:
                raise UsageError(_none("part", part, core.PARTS))
        did = _text("did", done.did)
        if known is None and not did:
            raise UsageError("say what was done: a repair of the list, or what it was in words (did)")
        parts = _parts(done.parts)
        touches = self._touched(
            known, done, mends, f"{did if known is None else ''} {' '.join(one['name'] for one in parts)}"
        )
        body = {
            "kind": "order-repair",
            "repair": done.repair,
            "title": "" if known is None else known.title,
            "did": did,
            "mends": list(mends),
            "touches": touches,
            "parts": parts,
            "minutes": _minutes(done.minutes),
        }
        return self._append(work_order, body, done.by)

    def _touched(self, known: Repair | None, done: NewRepair, mends: Sequence[str], words: str) -> list[str]:
        """What a repair worked on. What it was for and the words for it add the stator, so that it is proven too: a stator
        run too many costs minutes, one too few a wrong proof. UsageError if that is nothing."""
        systems = [self.known.causes[one].system for one in mends]
        said = () if known is None else known.touches
        found = [*said, *done.touches, *([] if said or done.touches else systems)]
        if "stator" in systems or _STATOR.search(words):
            found.append("stator")
        if not found:
            raise UsageError(f"say what the repair touched: one or more of {', '.join(core.PARTS)}")
        return list(dict.fromkeys(found))

    def close(self, work_order: str, reason: str = "", by: str = "") -> dict[str, Any]:
        reason = _text("reason", reason)
        for _ in range(_TRIES):
            visit = self._visit(work_order)
            self._see_open(work_order)
            found = core.proof(visit)
            if not found.proven and not reason:
                raise UsageError(
                    f"work order {visit.work_order} is not proven: {' '.join(found.missing)} "
                    "Do that, or close it without proof and say why"
                )
            body = {
                "kind": "order-closed",
                "proven": found.proven,
                "reason": reason,
                "missing": list(found.missing),
                "runs": list(found.runs),
                "causes": causes_of(visit),
            }
            try:
                self.journal.append_order(visit.work_order, self._signed(body, by), at=_stand(visit))
            except Moved:  # another bench wrote to it: what proves it may be another thing now
                continue
            return self.visit(visit.work_order)
        raise Moved(f"work order {work_order} is written to all the time: close it when the others are done")

    def _append(self, work_order: str, body: Record, by: str) -> dict[str, Any]:
        number = number_of(work_order)
        self._know()
        self.journal.append_order(number, self._signed(body, by))
        return self.visit(number)

    def _know(self) -> None:
        """ConfigError before anything is written: who is told that it failed writes it down again."""
        _ = self.known

    def _see_open(self, work_order: str) -> None:
        """NotFoundError, BusyError."""
        self.journal.check_order_open(number_of(work_order))

    def _signed(self, body: Record, by: str) -> dict[str, Any]:
        at_ns = (self._wall() - _EPOCH) // timedelta(microseconds=1) * 1000
        return {**body, "by": _line("by", by), "at_ns": at_ns}

    def _item(self, id: str, kinds: tuple[str, ...]) -> Item:
        item = self.known.items.get(id)
        if item is None or item.kind not in kinds:
            known = [one.id for one in self.known.items.values() if one.kind in kinds]
            what = " or ".join(kinds)
            if item is not None:
                raise NotFoundError(f"{id!r} is a {item.kind}, not a {what}; of those there are {', '.join(known)}")
            raise NotFoundError(_none(what, id, known))
        return item

    @staticmethod
    def _outcome(item: Item, outcome: str | None) -> dict[str, Any]:
        if outcome is None:
            return {"outcome": None, "text": ""}
        known = {one.id: one.text for one in item.outcomes}
        if outcome not in known:
            raise UsageError(_none(f"outcome of {item.id}", outcome, known))
        return {"outcome": outcome, "text": known[outcome]}


def _says_nothing(run: Record) -> Record:
    """A run of another machine that was given this order's number."""
    return {**run, "item": "", "outcome": "", "text": "", "foreign": True}


def _stand(visit: core.Visit) -> tuple[int, int]:
    """(last seq, newest run) of what was read, for the journal to compare."""
    records = [visit.opened, *visit.answers, *visit.findings, *visit.notes, *visit.repairs]
    seq = max(int(one.get("seq", 0)) for one in records)
    return seq, max((int(one["run_no"]) for one in visit.runs), default=0)


def _none(what: str, id: str, known: Any) -> str:
    """'there is no X 'y' (did you mean 'z'?); there are ...'"""
    names = list(known)
    close = get_close_matches(id, names, 2, 0.6)
    meant = f" (did you mean {' or '.join(map(repr, close))}?)" if close else ""
    return f"there is no {what} {id[:64]!r}{meant}; there are {', '.join(names) or 'none'}"


def _line(name: str, text: str, most: int = LONGEST_LINE) -> str:
    """One line, blanks squeezed; a scanner's line end is no part of it. UsageError if it is too long."""
    return _short(name, one_line(text), most)


def _text(name: str, text: str, most: int = LONGEST_TEXT) -> str:
    return _short(name, plain_text(text), most)


def _short(name: str, text: str, most: int) -> str:
    if len(text) > most:
        raise UsageError(f"{name}: has {len(text)} characters, may have {most}: shorten it")
    return text


def _parts(parts: Sequence[Mapping[str, str]]) -> list[dict[str, str]]:
    if len(parts) > MOST_PARTS:
        raise UsageError(f"{len(parts)} parts: a repair takes {MOST_PARTS}")
    found = [
        {key: _line(f"part {key}", str(one.get(key) or "")) for key in ("name", "number", "serial")} for one in parts
    ]
    for one in found:
        if not one["name"]:
            raise UsageError("a part has no name: say what it is, then its number and serial")
    return found


def _minutes(minutes: float | None) -> float | None:
    if minutes is not None and not 0 <= minutes <= 100_000:  # NaN too
        raise UsageError(f"minutes: found {minutes:g}, expected how long the repair took")
    return minutes
