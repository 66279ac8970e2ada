"""From files to a finished run: what `benchd run`, `benchd demo` and the daemon do alike."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd import gate, preflight, registry
from benchd.clock import Clock
from benchd.config import Bench
from benchd.core import procedures
from benchd.core.procedures import Procedure
from benchd.core.specs import MachineSpec, Metrology, Rule
from benchd.errors import BusyError, ConfigError, NotFoundError, StoreError, UsageError
from benchd.journal import Journal, RunWriter
from benchd.journal_orders import closed_sentence
from benchd.last_good import last_good
from benchd.runner import Ended, Facts, Show, Technician, conduct, utc_text
from benchd.sampler import Sampler
from benchd.site import slug_of


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be run, on what, for whom."""

    procedure: str
    bench: Bench
    spec: MachineSpec
    work_order: str | None = None
    unit: str | None = None
    rule: Rule | None = None
    #: The files' texts as they were loaded, where the files may have changed since or are none; read from `source` else.
    bench_text: str | None = None
    spec_text: str | None = None
    asked_by: str = ""  # who wanted it, where that is not the person at this terminal
    #: Of a unit's test: its lot, check standard or study; who tests; whether a unit that was judged in the lot is to be judged
    #: again; (serial, rater, trial) of a study.
    lot: str | None = None
    by: str = ""
    retest: bool = False
    trial: tuple[str, str, int] | None = None
    lot_kind: str = ""  # filled in by prepare


@dataclass(frozen=True, slots=True)
class Ready:
    """An order after every check that needs no instrument."""

    order: Order
    procedure: Procedure
    known: Metrology
    channels: tuple[str, ...]
    instruments: tuple[str, ...]
    notes: tuple[str, ...]
    earlier: Mapping[str, str]


def prepare(order: Order, journal: Journal, today: datetime) -> Ready:
    """Check spec, bench, limits, calibration and store; ConfigError or StoreError with everything that is wrong.

    The unit is taken from the work order if none is given and it is of the same machine. BusyError if that order is closed.
    """
    order = replace(order, unit=order.unit or unit_of(journal, order.work_order, order.spec.name))
    order = in_lot(order, journal)
    preflight.check_spec(order.spec, order.procedure)
    rule = order.rule if order.spec.part is None else order.rule or order.spec.part.rule
    known, timing = preflight.known_of(order.bench, rule, preflight.poles_of(order.spec))
    earlier = earlier_outcomes(journal, order.work_order, order.spec.name)
    procedure = procedures.make(order.procedure, order.spec, known, earlier, **timing)
    preflight.check_bench(order.bench, known, procedure)
    channels = preflight.wanted_channels(order.bench, procedure)
    instruments = tuple(preflight.instruments_of(order.bench, channels))
    if order.lot_kind == "lot":
        assert order.spec.part is not None
        gate.check(journal, slug_of(order.bench.name), order.spec.part.number, today, gate.due_of(order.bench))
    notes = (*strangers(journal, order), *preflight.overdue(order.bench, instruments, today.date()))
    if order.procedure == "unit" and order.lot is None:
        notes += (
            "This unit is tested by itself, in no lot: nobody looked whether the bench's check standard is in control.",
        )
    journal.check_writable()
    return Ready(order, procedure, known, channels, instruments, notes, earlier)


def in_lot(order: Order, journal: Journal) -> Order:
    """The order with what its lot says: a unit's test goes by the file that the lot was opened with. Unchanged without a lot.
    UsageError for what no lot takes, NotFoundError, ConfigError."""
    from benchd.config import load_spec_text

    if order.lot is None:
        return order
    if order.procedure != "unit":
        raise UsageError(f"lot {order.lot}: only units are tested in it (procedure 'unit'), not {order.procedure!r}")
    if not order.unit:
        raise UsageError(f"lot {order.lot}: say which unit, by its serial number")
    entry = journal.lot(order.lot)
    text = str(journal.lot_records(order.lot)[0].get("spec_text") or "")
    spec = load_spec_text(text, f"{entry['kind']} {order.lot}")
    return replace(order, spec=spec, spec_text=text, lot_kind=str(entry["kind"]), rule=None)


def unit_of(journal: Journal, work_order: str | None, machine: str) -> str | None:
    """The unit of a work order of this machine, None where there is no such order. BusyError if it is closed: no run can be added."""
    try:
        found = None if work_order is None else journal.order(work_order)
    except NotFoundError:  # a number that somebody keeps elsewhere
        return None
    if found is None:
        return None
    if found["state"] != "open":
        raise BusyError(closed_sentence(str(work_order), found["closed"]))
    return found["unit"] or None if found["machine"] in (None, machine) else None


def strangers(journal: Journal, order: Order) -> Iterator[str]:
    """What does not go with the work order: another machine's run neither proves it nor says anything about it; one of the
    same machine by other limits counts, and says that it was judged by others."""
    try:
        found = None if order.work_order is None else journal.order(order.work_order)
    except NotFoundError:
        return
    if found is None:
        return
    pairs = (("machine", found["machine"], order.spec.name), ("serial number", found["unit"], order.unit))
    for what, wanted, here in pairs:
        if wanted and here and wanted != here:
            yield (
                f"work order {order.work_order} is of {what} {wanted}, this run of {here}: it will count for nothing there; "
                "check the number"
            )
    if found["machine"] == order.spec.name and (others := _other_limits(journal, order)):
        yield (
            f"this run goes by another machine file than work order {order.work_order} was opened with: {others} differ; "
            "without --spec it goes by the order's"
        )


def _other_limits(journal: Journal, order: Order) -> str:
    """What the order's machine file and this one say differently."""
    from benchd.config import load_spec_text

    assert order.work_order is not None
    text = journal.order_records(order.work_order)[0].get("spec_text")
    try:
        spec = load_spec_text(str(text or ""), f"work order {order.work_order}")
    except ConfigError:  # written by another benchd
        return ""
    names = [one.name for one in fields(spec) if one.name not in ("source", "manual")]
    return ", ".join(name for name in names if getattr(spec, name) != getattr(order.spec, name))


#: What a repair worked on -> the procedures whose outcomes before it say nothing any more: it is another battery now.
TOUCHED = {
    "battery": ("charge", "load", "crank"),
    "stator": ("stator", "continuity"),
    "regulator": ("regulator", "draw"),
    "wiring": ("drop", "continuity", "crank", "draw"),
    "starting": ("crank",),
    "engine": ("stator", "crank"),
}


def earlier_outcomes(journal: Journal, work_order: str | None, machine: str) -> dict[str, str]:
    """Procedure -> its last outcome in this work order; runs that were not judged, that a repair has outdated, or that are
    of another machine do not count."""
    if work_order is None:
        return {}
    after = _outdated(journal, work_order)
    runs = [run for run in journal.runs(1000, work_order=work_order) if run["spec"] in (None, machine)]
    return outcomes_of(run for run in runs if int(run["run_no"]) > after.get(str(run["procedure"]), 0))


def _outdated(journal: Journal, work_order: str) -> dict[str, int]:
    """Procedure -> the number of the newest run that came before a repair of what the procedure looks at."""
    try:
        records = journal.order_records(work_order)
    except NotFoundError:  # a number that somebody keeps elsewhere
        return {}
    return {
        procedure: int(record["after_run_no"])
        for record in records
        if record["kind"] == "order-repair"
        for part in record.get("touches", ())
        for procedure in TOUCHED.get(str(part), ())
    }


def outcomes_of(runs: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Procedure -> its last outcome among these runs, which come newest first; those not judged do not count."""
    found: dict[str, str] = {}
    for run in runs:
        if run["status"] == "judged":
            found.setdefault(str(run["procedure"]), str(run["verdict"]))
    return found


async def run_ready(
    ready: Ready,
    journal: Journal,
    *,
    clock: Clock,
    show: Show | None,
    technician: Technician | None = None,
    warn: Any = lambda text: None,
) -> Ended:
    """Open the ports once to see that all are there, then open the run and conduct it."""
    drivers = registry.drivers()
    await check_ports(ready, ready.instruments)
    # Before the run is opened: what is wrong with the bench must not leave a run behind.
    sampler = Sampler(ready.order.bench, ready.channels, clock, drivers, preflight.poles_of(ready.order.spec))
    writer, facts = open_run(ready, journal)
    return await conduct(
        ready.procedure, sampler, writer, facts, clock=clock, show=show, technician=technician, warn=warn
    )


async def check_ports(ready: Ready, names: Sequence[str]) -> None:
    """Open and close the ports of these instruments; PortError with all that are missing."""
    from benchd.links import ports as links

    bench, drivers = ready.order.bench, registry.drivers()

    async def try_open(name: str) -> None:
        instrument = bench.instruments[name]
        await links.try_open(instrument, drivers[instrument.driver])

    await preflight.check_ports(bench, names, try_open, links.port_lines)


def open_run(ready: Ready, journal: Journal) -> tuple[RunWriter, Facts]:
    """Open the run in the journal: its writer, and what stands in its verdict. StoreError."""
    order = ready.order
    opened = run_opened(ready, utc_text())
    with suppress(StoreError):  # it is only drawn behind the new curve: damage in an old run must stop no new one
        good = last_good(journal, order.procedure, order.spec.name, order.unit)
        opened |= {} if good is None else {"last_good": good}
    writer = journal.open_run(opened)
    facts = Facts(
        order.spec,
        order.bench.name,
        preflight.instrument_records(order.bench, ready.instruments),
        order.work_order,
        order.unit,
        ready.notes,
        {**opened, "run": writer.run},
    )
    return writer, facts


def run_opened(ready: Ready, started: str) -> dict[str, Any]:
    """The body of the run-opened record: enough to judge the run again without any file."""
    order = ready.order
    bench_text = _text(order.bench.source) if order.bench_text is None else order.bench_text
    spec_text = _text(order.spec.source) if order.spec_text is None else order.spec_text
    body: dict[str, Any] = {"asked_by": order.asked_by} if order.asked_by else {}
    if order.lot is not None:
        body |= {"lot": order.lot, "lot_kind": order.lot_kind, "by": order.by, "retest": order.retest}
        body |= {} if order.trial is None else {"trial": list(order.trial)}
    return body | {
        "procedure": order.procedure,
        "bench": order.bench.name,
        "spec": tomllib.loads(spec_text),
        "machine": order.spec.name,
        "work_order": order.work_order,
        "unit": order.unit,
        "started": started,
        "rule": str(ready.known.rule),
        "earlier": dict(ready.earlier),
        "warnings": list(ready.notes),
        "channels": list(ready.channels),
        "versions": preflight.versions(),
        "configuration": {
            "bench": {"file": order.bench.source, "text": bench_text},
            "spec": {"file": order.spec.source, "text": spec_text},
        },
    }


def _text(path: str) -> str:
    return Path(path).read_text(encoding="utf-8-sig")
