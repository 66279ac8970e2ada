"""A shop, its yard and a mill, planted for the dashboards' test: some days of three daemons, kept in three journals and
sent to a store by their own forwarders. What was planted is also kept here as plain points, so that a test can work out what a
query must answer without asking the code that made the lines.

The daemons share names of benches, numbers of runs and a lot. There are more runs of one kind than `turn` has
values, three runs under way, instruments silent and back, runs that were stopped and cut off, and a lot that drifts on one
rig and stands on the other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from series_runs import Feed, forwarding, reading, sample, up_to_date

SHOP, YARD, MILL = "tessel-lane-3f9a2c1b", "marlow-yard-77aa01de", "old-mill-0badcafe"
NOW_S = 1795521600  # 2026-11-24T12:00:00Z, computed with date -u
DAY_S = 86400
LOT, LOT_BEFORE, LOT_VOID, STANDARD = "VR20-0117", "VR20-0116", "VR20-0118", "REF-1"
#: What the lot's set-point does on the shop's rig, V an hour; the yard's rig stands.
DRIFT_V_H = 0.06


@dataclass(frozen=True)
class Point:
    """One point as a store of numbers should have it: `at_s` UTC seconds, strings as zeros."""

    measurement: str
    at_s: float
    labels: Mapping[str, str]
    fields: Mapping[str, float]


@dataclass
class Run:
    """One run as it is put into a journal. `samples` (s after the start, channels); `events` (s, record)."""

    daemon: str
    bench: str
    procedure: str
    machine: str
    start_s: float
    samples: Sequence[tuple[float, Mapping[str, float]]] = ()
    events: Sequence[tuple[float, Mapping[str, Any]]] = ()
    readings: Sequence[tuple[float, str, str, float]] = ()  # (s, instrument, quantity, value)
    verdict: str | None = None
    suspect: str = "none"
    duration_s: float = 0.0
    measured: Mapping[str, tuple[float, float | None]] = field(default_factory=dict)  # name -> (value, expanded u)
    closed: str | None = None
    lot: str = ""
    serial: str = ""
    mode: str = "none"
    run_no: int = 0  # given by the journal

    def records(self) -> Iterator[tuple[float, dict[str, Any]]]:
        """(s after the start, record), in order of time."""
        found = [(t_s, sample(t_s, None, **channels)) for t_s, channels in self.samples]
        found += [(t_s, {"t_ns": round(t_s * 1e9), **body}) for t_s, body in self.events]
        found += [
            (t_s, reading(t_s, instrument, quantity, value)) for t_s, instrument, quantity, value in self.readings
        ]
        yield from sorted(found, key=lambda one: one[0])
        if self.verdict is not None:
            yield self.duration_s, self._verdict()

    def _verdict(self) -> dict[str, Any]:
        measured = {
            name: {
                "value": value,
                "unit": "V",
                "expanded_uncertainty": u,
                "coverage_factor": None if u is None else 2.0,
            }
            for name, (value, u) in self.measured.items()
        }
        told = {"lot": self.lot, "unit": self.serial, "finding": "" if self.mode == "none" else self.mode}
        return {
            "kind": "verdict", "t_ns": round(self.duration_s * 1e9), "verdict": self.verdict, "suspect": self.suspect,
            "procedure": self.procedure, "measured": measured, "duration_s": self.duration_s,
            "samples": len(self.samples), **(told if self.lot else {}),
        }  # fmt: skip

    # --- what must be in the store ------------------------------------------------------------------------------------

    def points(self) -> Iterator[Point]:
        bench = {"daemon": self.daemon, "bench": self.bench.replace(" ", "-")}
        run = {**bench, "procedure": self.procedure, "turn": str(self.run_no % 16)}
        rpm = None
        for seq, (t_s, body) in enumerate(self.records(), 2):  # run-opened is 1
            at_s, numbers = self.start_s + t_s, {"run_no": float(self.run_no), "seq": float(seq)}
            kind = body["kind"]
            if kind == "sample":
                channels = {name: one[0] for name, one in body["values"].items() if one[0] is not None}
                rpm = channels.get("engine_rpm", rpm)
                yield Point("bench_sample", at_s, run, {**numbers, **channels})
            elif kind == "reading":
                labels = {**run, "instrument": body["instrument"], "quantity": body["quantity"], "point": "none"}
                speed = {} if rpm is None else {"rpm": rpm}
                yield Point("bench_reading", at_s, labels, {**numbers, "value": body["value"], **speed})
            elif kind == "verdict":
                labels = {**run, "machine": self.machine, "suspect": self.suspect, "verdict": str(self.verdict)}
                yield Point("bench_verdict", at_s, labels, {**numbers, **self._of_verdict()})
                if self.lot:
                    labels = {
                        **bench,
                        "lot": self.lot,
                        "machine": self.machine,
                        "mode": self.mode,
                        "verdict": str(self.verdict),
                    }
                    characteristics = {name: value for name, (value, _) in self.measured.items()}
                    their = {f"{name}_su": u / 2 for name, (_, u) in self.measured.items() if u is not None}
                    told = {"serial_key": _serial_key(self.serial), "serial": 0.0, "run": 0.0}
                    yield Point("bench_unit", self.start_s, labels, {**numbers, **characteristics, **their, **told})
            else:
                yield Point("bench_event", at_s, {**run, **_event(body)}, {**numbers, "text": 0.0})
        if self.closed is not None:
            labels = {**run, "event": "closed", "source": "none", "state": self.closed}
            numbers = {"run_no": float(self.run_no), "seq": float(len(list(self.records())) + 2)}
            yield Point("bench_event", self.closed_s(), labels, numbers)

    def _of_verdict(self) -> dict[str, float]:
        found = {"duration_s": self.duration_s, "samples": float(len(self.samples)), "run": 0.0, "digest": 0.0}
        if self.lot:
            found["unit"] = 0.0
        for name, (value, u) in self.measured.items():
            found |= {name: value} | ({} if u is None else {f"{name}_u": u})
        return found

    def closed_s(self) -> float:
        return self.start_s + max([t_s for t_s, _ in self.records()], default=0.0)


def _serial_key(serial: str) -> float:
    """The first 48 bits of the SHA-256, as the guide has it."""
    return float(int(hashlib.sha256(serial.encode()).hexdigest()[:12], 16))


def _event(body: Mapping[str, Any]) -> dict[str, str]:
    if body["kind"] == "mark":
        return {"event": "mark", "source": "none", "state": "none"}
    return {"event": body["kind"], "source": body.get("instrument") or body["channel"], "state": body["state"]}


# --- the days --------------------------------------------------------------------------------------------------------


def gap(t_s: float, instrument: str, state: str) -> tuple[float, dict[str, Any]]:
    return t_s, {"kind": "gap", "instrument": instrument, "state": state, "what": f"{instrument}: {state}"}


def flag(t_s: float, channel: str, state: str) -> tuple[float, dict[str, Any]]:
    return t_s, {"kind": "flag", "channel": channel, "flag": "overload", "state": state, "cure": ""}


def charging(seconds: int, first: int = 1, amps: bool = True) -> list[tuple[float, dict[str, float]]]:
    """A sample a second: volts that rise, amps that fall, a governor that hunts a little."""
    found = []
    for t in range(first, first + seconds):
        channels = {"battery_volts": round(12.5 + 0.01 * t, 3), "engine_rpm": 3600.0 + 10 * (t % 5)}
        found.append((float(t), channels | ({"charge_amps": round(15 - 0.05 * t, 3)} if amps else {})))
    return found


def turning(seconds: int) -> list[tuple[float, dict[str, float]]]:
    return [(float(t), {"stator_volts": 30.0 + 0.1 * t, "engine_rpm": 3580.0 + t}) for t in range(1, seconds + 1)]


def days_ago() -> Iterator[Run]:
    """Some of everything, before every time range: what must not be counted."""
    start_s = NOW_S - 3 * DAY_S
    troubles = [
        gap(1.5, "volts", "lost"),
        gap(2.5, "volts", "back"),
        gap(3.5, "clamp", "lost"),
        flag(1.5, "stator_volts", "on"),
    ]
    for daemon, bench in ((SHOP, "bay 1"), (SHOP, "bay 2"), (YARD, "bay 1")):
        for number, verdict in enumerate(("pass", "fail", "undecided", "void")):
            yield Run(
                daemon, bench, "regulator", "Hollin T18", start_s + 600 * number, charging(5) + turning(6)[5:], troubles,
                [(2.0, "meter", "ac volts", 31.0), (2.0, "tach", "speed", 3600.0)], verdict=verdict, suspect="regulator",
                duration_s=300.0, measured={"settled_volts": (13.2, 0.5)}, closed="aborted" if verdict == "void" else "judged",
            )  # fmt: skip


def morning_of_yesterday() -> Iterator[Run]:
    """Eighteen regulator runs on the shop's bay 1, two more than `turn` has values; every third machine is the other one.
    In the last ones a meter falls silent: a run of today has their turn, and is not to be mixed up with them."""
    start_s = NOW_S - DAY_S - 4 * 3600
    for number in range(18):
        verdict, suspect = {5: ("fail", "regulator"), 11: ("fail", "stator"), 13: ("undecided", "unknown")}.get(
            number, ("pass", "none")
        )
        yield Run(
            SHOP, "bay 1", "regulator", "Caldmoor Z42" if number % 3 == 2 else "Hollin T18", start_s + 1200 * number,
            charging(3, first=100), [gap(101.5, "clamp", "lost")] if number > 12 else [], verdict=verdict, suspect=suspect, duration_s=110.0 + number,
            measured={"settled_volts": (14.1 + 0.01 * number, 0.02), "charge_delivered": (0.4, None)}, closed="judged",
        )  # fmt: skip


def the_yard_yesterday() -> Iterator[Run]:
    """Its bay 1 has the shop's names and run numbers."""
    start_s = NOW_S - DAY_S
    for number, (verdict, suspect) in enumerate((("pass", "none"), ("fail", "regulator"), ("void", "engine speed"))):
        yield Run(
            YARD, "bay 1", "regulator", "Hollin T18", start_s + 1800 * number, charging(4, first=50, amps=verdict != "void"),
            verdict=verdict, suspect=suspect, duration_s=60.0 + number,
            measured={"settled_volts": (14.4, 0.03)} if verdict != "void" else {}, closed="judged",
        )  # fmt: skip


def this_morning() -> Iterator[Run]:
    """What is to be seen at NOW_S: three runs under way, an instrument silent in two of them."""
    start_s = NOW_S - 3 * 3600
    yield Run(
        SHOP, "bay 2", "stator", "Hollin T18", start_s, turning(30),
        [gap(5.5, "tach", "lost"), gap(9.5, "tach", "back"), gap(15.5, "tach", "lost"), gap(16.5, "tach", "back"),
         flag(11.5, "stator_volts", "on"), flag(13.5, "stator_volts", "off"), flag(14.5, "engine_rpm", "on"),
         flag(15.5, "engine_rpm", "off"), flag(22.5, "stator_volts", "on"), (20.5, {"kind": "mark", "text": "choke in"})],
        [(t / 2 + 0.25, "meter", "ac volts", 30 + t / 10) for t in range(40)]
        + [(t / 2 + 0.25, "tach", "speed", 3600.0 + t) for t in range(20)],
        verdict="pass", duration_s=31.0, measured={"stator_volts": (32.5, 0.2), "stator_hertz": (360.0, None)},
        closed="judged",
    )  # fmt: skip
    yield Run(  # stopped by the operator, with a meter that never came back
        SHOP, "bay 2", "regulator", "Caldmoor Z42", start_s + 1800, charging(10),
        [gap(2.5, "tach", "lost"), gap(3.5, "tach", "back"), gap(8.5, "amps", "lost"), flag(4.5, "engine_rpm", "on")],
        [(t + 0.5, "tach", "speed", 3600.0) for t in range(9)],
        verdict="void", suspect="unknown", duration_s=12.0, closed="aborted",
    )  # fmt: skip
    yield Run(  # cut off: a run without a verdict
        YARD, "bay 1", "charge", "Hollin T18", start_s + 2400, turning(8), [gap(3.5, "meter", "lost")],
        [(0.5, "tach", "speed", 3600.0), (1.5, "tach", "speed", 3601.0)], closed="interrupted",
    )  # fmt: skip
    yield Run(YARD, "bay 1", "stator", "Caldmoor Z42", start_s + 3000, turning(12), [flag(4.5, "stator_volts", "on")],
              verdict="undecided", suspect="unknown", duration_s=13.0, closed="failed")  # fmt: skip
    yield Run(SHOP, "bay 2", "stator", "Hollin T18", NOW_S - 150, charging(20) + turning(30)[20:], verdict="pass", duration_s=31.0,
              measured={"stator_volts": (33.5, 0.2)}, closed="judged")  # fmt: skip
    yield Run(SHOP, "bay 1", "stator", "Hollin T18", NOW_S - 80, turning(20), verdict="fail", suspect="stator",
              duration_s=21.0, measured={"stator_volts": (24.5, 0.2)}, closed="judged")  # fmt: skip
    yield Run(
        SHOP, "bay 1", "regulator", "Hollin T18", NOW_S - 45, charging(45),
        [gap(5.5, "clamp", "lost"), gap(7.5, "clamp", "back"), gap(12.5, "volts", "lost"), gap(14.5, "volts", "back"),
         gap(25.5, "clamp", "lost")],
    )  # fmt: skip
    yield Run(YARD, "bay 1", "regulator", "Caldmoor Z42", NOW_S - 40, charging(40, first=1, amps=False))
    yield Run(YARD, "bay 2", "stator", "Caldmoor Z42", NOW_S - 30, turning(29),
              [gap(10.5, "tach", "lost"), gap(11.5, "meter", "lost"), gap(12.5, "meter", "back")])  # fmt: skip


def the_mill() -> Iterator[Run]:
    """A daemon with one void run, of a machine that nobody else has: nothing of it is judged."""
    yield Run(MILL, "bay 1", "regulator", "Ostrick R9", NOW_S - 5 * 3600, verdict="void", suspect="engine speed",
              duration_s=7.0, closed="judged")  # fmt: skip


def units(daemon: str, lot: str, start_s: float, count: int, drift_v_h: float, level: float = 14.2) -> Iterator[Run]:
    """Tests of a lot, one every two minutes: a fixed pattern about a line. Every ninth is void, every seventh fails."""
    for number in range(count):
        value = level + drift_v_h * (120 * number / 3600) + 0.01 * ((7 * number) % 5 - 2)
        leaks = round(0.5 + 0.01 * number + 0.02 * (3 * number % 4), 3) if daemon == SHOP else 0.5
        verdict, mode = "pass", "none"
        if number % 9 == 8:
            verdict = "void"
            value += 5  # what was measured before a test came to nothing
        elif number % 7 == 6:
            verdict, mode = "fail", "set-point-high" if number % 2 else "drifts"
        elif number == 3:
            verdict, mode = "undecided", "not-measured"
        measured = {"set-point-rated": (round(value, 4), 0.02 + 0.0002 * number), "leakage": (leaks, None)}
        yield Run(
            daemon, "rig 1", "unit", "VR-20", start_s + 20 + 120 * number, charging(2, first=60), verdict=verdict, mode=mode, duration_s=70.0,
            suspect="regulator" if verdict == "fail" else "none", measured=measured,
            closed="judged", lot=lot, serial=f"VR20-{lot[-3:]}{number:03d}",
        )  # fmt: skip


def everything() -> list[Run]:
    """All runs, in order of time; their numbers count for each daemon."""
    runs = [*days_ago(), *morning_of_yesterday(), *the_yard_yesterday(), *this_morning(), *the_mill()]
    runs += units(SHOP, LOT, NOW_S - 2 * 3600, 40, DRIFT_V_H)
    runs += units(YARD, LOT, NOW_S - 2 * 3600 + 60, 30, 0.0)
    runs += units(SHOP, LOT_BEFORE, NOW_S - DAY_S, 11, 0.0, level=14.1)
    runs += [run for run in units(YARD, LOT_VOID, NOW_S - 4 * 3600, 9, 0.0) if run.verdict == "void"]
    for daemon in (SHOP, YARD):
        runs += units(daemon, LOT, NOW_S - 3 * DAY_S + 3000, 9, 0.0, level=15.2)
    runs += units(SHOP, STANDARD, NOW_S - 5 * 3600, 2, 0.0, level=14.19)
    runs.sort(key=lambda one: one.start_s)
    counts = {SHOP: 0, YARD: 0, MILL: 0}
    for run in runs:
        counts[run.daemon] += 1
        run.run_no = counts[run.daemon]
    return runs


# --- into the store --------------------------------------------------------------------------------------------------


def keep(feed: Feed, run: Run) -> None:
    more = {"lot": run.lot, "unit": run.serial, "retest": True} if run.lot else {}
    started = datetime.fromtimestamp(run.start_s, UTC).isoformat(timespec="milliseconds")
    writer = feed.journal.open_run(
        {"procedure": run.procedure, "bench": run.bench, "machine": run.machine, "started": started, **more}
    )
    for _, body in run.records():
        writer.append(body)
    if run.closed is None:
        writer.flush()
        return
    writer.close(
        {"t_ns": round((run.closed_s() - run.start_s) * 1e9), "status": run.closed, "reason": "", "counts": {}}
    )


async def send(folder: Path, url: str, runs: Sequence[Run]) -> None:
    """Each daemon's runs into its journal, and by its forwarder to the store."""
    for daemon in (SHOP, YARD, MILL):
        (folder / daemon).mkdir()
        feed = Feed(folder / daemon)
        try:
            for lot in sorted({run.lot for run in runs if run.lot and run.daemon == daemon}):
                feed.journal.open_lot({"lot": lot, "lot_kind": "lot", "part": "VR-20", "ids": ["set-point-rated", "leakage"],
                                       "spec_text": ""})  # fmt: skip
            for run in runs:
                if run.daemon == daemon:
                    keep(feed, run)
            feed.told()
            forwarder = feed.forwarder(url, daemon, readings=True)
            async with forwarding(forwarder):
                await up_to_date(forwarder)
            assert forwarder.status().quarantined == 0
        finally:
            feed.close()
