"""kill -9 of the daemon, and of what it forwards to; each case asserts, and says in counts what it found."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon_process import Instruments, Lateness, Serving, Witness, instruments, tach_due, until
from stores import FaultServer, Reply, VictoriaMetrics, running

from benchd import client as clients
from benchd.journal_read import JournalReader

Counts = dict[str, Any]
BENCHES = ("load-01", "load-02")
#: From a frame's due moment to its commit. The commit interval is 0.05 s, and a second is what may be at risk.
LATE_S = 1.0


def series(url: str, **more: Any) -> str:
    """The [series] table of a site file, quick to try again."""
    keys = {"flush_s": 0.2, "timeout_s": 1.0, "back_off_s": [0.1, 0.5], **more}
    return f'\n[series]\nurl = "{url}"\n' + "".join(f"{key} = {value}\n" for key, value in keys.items())


# --- the daemon killed ------------------------------------------------------------------------------------------------


@dataclass
class Killed:
    """What many kills came to."""

    kills: int = 0
    early: int = 0  # while it was starting up or opening runs
    cut: int = 0  # runs that were cut short
    witnessed: int = 0  # records that watchers had been shown
    lost: int = 0  # of them, not in the journal afterwards
    altered: int = 0
    corrupt: int = 0  # restarts after which the journal was not sound
    not_closed: int = 0
    at_risk_s: list[float] = field(default_factory=list)  # age of the oldest reading that was not kept
    samples: int = 0
    store_lost: int = 0
    store_double: int = 0

    def counts(self) -> Counts:
        return {**vars(self), "at_risk_s": round(max(self.at_risk_s, default=0.0), 3)}


def kill_daemon(folder: Path, kills: int, longest_s: float = 3.0, seed: int = 1) -> Counts:
    """kill -9 at random moments with a run on each of two benches and a store being fed."""
    chance, found = random.Random(seed), Killed()
    with (
        running(VictoriaMetrics(folder)) as store,
        instruments(folder, 2) as wires,
        Serving(wires.site(series(store.url)), folder / "home") as serving,
    ):
        for number in range(kills):
            if number % 5 == 4:
                kill_early(serving, chance, found)
            else:
                kill_in_runs(serving, wires, chance.uniform(0.2, longest_s), found)
            found.kills += 1
        for bench in BENCHES:  # as good as new
            run = serving.begin(bench)
            until(lambda run=run: serving.count(run) >= 2)  # type: ignore[misc]
            serving.client.stop(run, "enough")
            serving.ended(run)
        serving.up_to_date("series")
        compare_store(serving, store, found)
        assert serving.benchd("verify").returncode == 0
    assert found.cut >= kills * 0.6
    assert found.witnessed > 10 * found.kills
    for name in ("lost", "altered", "corrupt", "not_closed", "store_lost", "store_double"):
        assert getattr(found, name) == 0, (name, found.counts())
    assert max(found.at_risk_s) < 1.0, sorted(found.at_risk_s)[-5:]
    return found.counts()


def kill_in_runs(serving: Serving, wires: Instruments, wait_s: float, found: Killed) -> None:
    runs = {serving.begin(bench): bench for bench in BENCHES}
    witnesses = [Witness(serving.client, run) for run in runs]
    time.sleep(wait_s)
    serving.kill()
    killed_s = time.monotonic()
    for one in witnesses:
        one.leave()
    look_after_restart(serving, found)
    found.cut += len(runs)
    for one in witnesses:
        kept = {record["seq"]: record for record in serving.records(one.run_id)}
        found.witnessed += len(one.seen)
        found.lost += sum(seq not in kept for seq in one.seen)
        found.altered += sum(seq in kept and kept[seq] != record for seq, record in one.seen.items())
        found.not_closed += serving.info(one.run_id)["status"] != "interrupted"
        if dues := [due for record in kept.values() if (due := tach_due(wires, runs[one.run_id], record))]:
            found.at_risk_s.append(max(0.0, killed_s - (max(dues) + 0.1)))  # the next frame was due a period later


def kill_early(serving: Serving, chance: random.Random, found: Killed) -> None:
    """Killed by a timer, whatever it is doing: starting up, opening a run, conducting it."""
    serving.kill()
    process = serving.spawn()
    timer = threading.Timer(chance.uniform(0.05, 3.0), process.kill)
    timer.start()
    while process.poll() is None:
        with suppress(clients.BenchdError):
            if (client := serving.found()) is not None:
                serving.client = client
                for bench in BENCHES:
                    serving.begin(bench)
        time.sleep(0.02)
    timer.join()
    found.early += 1
    look_after_restart(serving, found)


def look_after_restart(serving: Serving, found: Killed) -> None:
    serving.kill()
    serving.start()
    found.corrupt += bool(serving.findings()) if serving.journal.exists() else 0
    found.not_closed += sum(run["status"] is None for run in serving.runs())


def compare_store(serving: Serving, store: VictoriaMetrics, found: Killed) -> None:
    """Every sample of the journal once in the store, nothing else."""
    held = in_store(store)
    kept = serving.samples()
    found.samples = len(kept)
    found.store_lost = len(kept - held.keys())
    found.store_double = sum(held.values()) - len(held)
    assert not held.keys() - kept


def in_store(store: VictoriaMetrics) -> Counter[tuple[int, int]]:
    """How often each sample (run_no, seq) is in a store."""
    by_series: dict[tuple[Any, ...], dict[int, int]] = {}
    to = {"end": time.time() + 86400}  # also what a wrong clock put into the future
    for one in store.export('{__name__="bench_sample_run_no"}', **to):
        numbers = dict(zip(one["timestamps"], map(int, one["values"]), strict=True))
        by_series.setdefault(labels(one["metric"]), {}).update(numbers)
    held: Counter[tuple[int, int]] = Counter()
    for one in store.export('{__name__="bench_sample_seq"}', **to):
        runs = by_series[labels(one["metric"])]
        held.update((runs[ms], int(seq)) for ms, seq in zip(one["timestamps"], one["values"], strict=True))
    return held


def labels(metric: Mapping[str, str]) -> tuple[Any, ...]:
    return tuple(sorted((key, value) for key, value in metric.items() if key != "__name__"))


# --- the store killed, stopped, refusing ------------------------------------------------------------------------------


def trouble_store(folder: Path, kills: int, stopped_s: float) -> Counts:
    """VictoriaMetrics killed with -9 and started again, stopped and continued, while two runs go on."""
    with (
        running(VictoriaMetrics(folder)) as store,
        instruments(folder, 2) as wires,
        Serving(wires.site(series(store.url)), folder / "home") as serving,
    ):
        runs = {serving.begin(bench): bench for bench in BENCHES}
        late = Lateness(serving, wires, runs)
        for _ in range(kills):
            time.sleep(1.5)
            store.kill()
            time.sleep(1.0)
            store.start()
        time.sleep(1.0)
        store.pause()
        time.sleep(stopped_s)
        store.resume()
        time.sleep(1.0)
        p99_s = late.leave()
        for run in runs:
            serving.client.stop(run, "enough")
            serving.ended(run)
        serving.up_to_date("series")
        found = Killed()
        compare_store(serving, store, found)
        assert (found.store_lost, found.store_double) == (0, 0)
        failures = serving.forwarder("series")["failures"]
    assert failures >= 1, "the store's absence was not even noticed"
    assert p99_s < LATE_S
    return {"kills": kills, "samples": found.samples, "lost": 0, "double": 0, "failures": failures, "p99_s": p99_s}


#: How a store may fail, and what it answers then.
WRONGS: Mapping[str, Reply] = {
    "400": Reply(400, '{"code":"invalid","message":"no"}'),
    "401": Reply(401, '{"code":"unauthorized","message":"no"}'),
    "500": Reply(500, "broken"),
    "503": Reply(503, "busy", {"Retry-After": "1"}),
    "half an answer": Reply(200, "{", cut="half"),
    "no answer": Reply(cut="before"),
    "no end": Reply(200, cut="drip"),
}


def refusing_store(folder: Path, each_s: float) -> Counts:
    """A store that fails in every way it can, one after another; then one that takes all but a single point."""
    store = FaultServer()
    with (
        instruments(folder, 2) as wires,
        Serving(wires.site(series(store.url)), folder / "home") as serving,
    ):
        runs = {serving.begin(bench): bench for bench in BENCHES}
        late = Lateness(serving, wires, runs)
        until(lambda: store.lines)
        states: dict[str, str] = {}
        for name, reply in WRONGS.items():
            before = len(store.asked)
            store.answer = always(reply)
            until(lambda before=before: len(store.asked) > before)  # type: ignore[misc]
            time.sleep(each_s)
            states[name] = serving.forwarder("series")["state"]
        poison = Poisoned()
        store.answer = poison
        time.sleep(each_s)
        p99_s = late.leave()
        for run in runs:
            serving.client.stop(run, "enough")
            serving.ended(run)
        serving.up_to_date("series")
        kept, came = serving.samples(), {key for line in store.lines if (key := sample_of(line))}
        refused = serving.client._object("GET", "/v1/forwarders/series/quarantine")["quarantine"]
        told = serving.benchd("status").stdout
    store.close()
    held = {key for one in refused if (key := sample_of(one["line"]))}
    assert kept == came | held, (len(kept), len(came), held)
    assert held == poison.points, "what is refused for good, and nothing else, is in quarantine"
    assert "kept in quarantine" in told, told
    assert all(state in ("refused", "waiting to try again") for state in states.values()), states
    assert p99_s < LATE_S
    return {"ways": len(WRONGS), "samples": len(kept), "lost": 0, "quarantined": len(held), "p99_s": p99_s}


def always(reply: Reply) -> Callable[[int, list[str]], Reply]:
    return lambda number, lines: reply


class Poisoned:
    """Refuses the first new sample that it sees, for ever, with every request that holds it."""

    def __init__(self) -> None:
        self.points: set[tuple[int, int]] = set()

    def __call__(self, number: int, lines: list[str]) -> Reply:
        found = [key for line in lines if (key := sample_of(line))]
        if not self.points and found:
            self.points = {found[-1]}
        return WRONGS["400"] if self.points & set(found) else Reply()


def sample_of(line: str) -> tuple[int, int] | None:
    """(run_no, seq) of a line, None if it is no sample's."""
    if not line.startswith("bench_sample,"):
        return None
    fields = dict(one.split("=") for one in line.split(" ")[-2].split(","))
    return int(fields["run_no"][:-1]), int(fields["seq"][:-1])


# --- the broker killed, stopped ---------------------------------------------------------------------------------------


async def trouble_broker(folder: Path, kills: int, stopped_s: float) -> Counts:
    """Mosquitto killed with -9 and started again, and frozen: a verdict that falls into it arrives afterwards."""
    import asyncio

    from broker import PASSWORD, Broker, Ear
    from broker import until as heard

    broker = Broker(folder)
    broker.start()
    secret = folder / "password"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    mqtt = f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "benchd"\npassword_file = "{secret}"\n'
    done: list[str] = []

    def begin(serving: Serving, bench: str) -> str:
        run = serving.begin(bench)
        until(lambda: serving.count(run) >= 2)
        return run

    def stop(serving: Serving, run: str) -> None:
        serving.client.stop(run, "enough")
        serving.ended(run)
        done.append(run)

    def wrong(down: Callable[[], None], up: Callable[[], None], away_s: float) -> None:
        run = begin(serving, "load-02")
        down()
        time.sleep(away_s / 2)
        stop(serving, run)
        time.sleep(away_s / 2)
        up()

    def verdicts() -> set[str]:
        return {one.body["run"] for one in ear.of("/verdict")}

    try:
        with instruments(folder, 2) as wires, Serving(wires.site(mqtt), folder / "home") as serving:
            async with Ear(broker) as ear:
                steady = await asyncio.to_thread(begin, serving, "load-01")
                late = Lateness(serving, wires, {steady: "load-01"})
                for _ in range(kills):
                    await asyncio.to_thread(wrong, broker.kill, broker.start, 1.0)
                    await heard(lambda: verdicts() >= set(done), 30)
                await asyncio.to_thread(wrong, broker.freeze, broker.thaw, stopped_s)
                await heard(lambda: verdicts() >= set(done), 60)
                p99_s = late.leave()
                await asyncio.to_thread(stop, serving, steady)
                await heard(lambda: verdicts() >= set(done), 30)
                assert serving.alive
                with JournalReader(serving.journal) as reader:
                    assert reader.info(steady)["reason"] == "enough", "the run went on all the while"
    finally:
        with suppress(AssertionError):
            broker.thaw()
        broker.kill()
    assert p99_s < LATE_S
    return {"kills": kills, "verdicts": len(done), "lost": 0, "p99_s": p99_s}


__all__ = ["kill_daemon", "refusing_store", "trouble_broker", "trouble_store"]
