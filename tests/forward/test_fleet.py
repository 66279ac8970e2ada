"""Three daemons of one shop, alike in every name, feed one broker and one store: nothing of theirs is mixed up.

One of them listens with TLS, and its own commands reach it all the same.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from broker import PASSWORD, Broker, Ear, make_certificates, until
from stores import VictoriaMetrics, running

from benchd import client
from benchd.daemon.lock import read_holder
from benchd.journal import Journal, JournalReader

INSTRUMENTS = Path(__file__).parents[1] / "bench" / "load_instruments.py"
SITE = """
[site]
name = "Tessel Lane"

[[bench]]
file = "bay-1.toml"

[server]
listen = "127.0.0.1:0"
{tls}

[series]
url = "{store}"
bucket = "benches"
flush_s = 0.1
resend_s = 2.0
back_off_s = [0.1, 1.0]

[mqtt]
host = "127.0.0.1"
port = {broker}
user = "benchd"
password_env = "BENCHD_TEST_BROKER"
sample_every_s = 0.2
"""


@contextmanager
def instruments(folder: Path, benches: int) -> Iterator[None]:
    command = [sys.executable, str(INSTRUMENTS), str(folder), "--benches", str(benches)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            yield
        finally:
            process.terminate()


class Member:
    """One daemon: its home, its process, its own client."""

    def __init__(self, home: Path, bench: str, **site: Any) -> None:
        self.home = home
        home.mkdir()
        (home / "bay-1.toml").write_text(re.sub(r'name = "load \d+"', 'name = "bay 1"', bench), encoding="utf-8")
        (home / "site.toml").write_text(SITE.format(**site), encoding="utf-8")
        self.environment = {**os.environ, "BENCHD_HOME": str(home), "BENCHD_TEST_BROKER": PASSWORD}
        self.log = (home / "daemon.log").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchd", "serve", "--config", str(home / "site.toml")],
            env=self.environment,
            stdout=self.log,
            stderr=self.log,
        )

    def client(self) -> client.Client:
        found = client.find(self.home)
        assert found is not None
        return found

    def is_ready(self) -> bool:
        assert self.process.poll() is None, (self.home / "daemon.log").read_text()
        if read_holder(self.home) is None:
            return False
        return bool(self.client().bench("bay-1")["state"] == "ready")  # waits until it listens

    def command(self, *words: str) -> dict[str, Any]:
        """What `benchd WORDS --json` prints, asked in this home."""
        command = [sys.executable, "-m", "benchd", *words, "--json"]
        done = subprocess.run(command, env=self.environment, capture_output=True, text=True, timeout=60, check=True)
        found = json.loads(done.stdout)
        assert isinstance(found, dict)
        return found

    def end(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(10)
        finally:
            self.process.kill()
            self.log.close()


@asynccontextmanager
async def fleet(folder: Path, store: str, broker: int) -> AsyncIterator[list[Member]]:
    make_certificates(folder, "office")
    server = f'certificate = "{folder}/office-server.pem"\nkey = "{folder}/office-server.key"'
    members: list[Member] = []
    try:
        for number, tls in enumerate(("", "", server), 1):
            bench = (folder / f"bench-{number:02}.toml").read_text(encoding="utf-8")
            members.append(Member(folder / f"home-{number}", bench, tls=tls, store=store, broker=broker))
        for one in members:
            await until(one.is_ready, 60)
        yield members
    finally:
        ends = await asyncio.gather(*(asyncio.to_thread(one.end) for one in members), return_exceptions=True)
        assert ends == [0] * len(members)


def stored(store: VictoriaMetrics, daemon: str) -> list[tuple[int, int]]:
    """(run number, seq) of every point of this daemon's samples; twice if it is there twice."""
    found: dict[str, list[tuple[int, float]]] = {}
    for series in store.export(f'{{__name__=~"bench_sample_(run_no|seq)",daemon="{daemon}"}}'):
        name = series["metric"]["__name__"].rpartition("_sample_")[2]
        found.setdefault(name, []).extend(zip(series["timestamps"], series["values"], strict=True))
    numbers, seqs = dict(found.get("run_no", [])), sorted(found.get("seq", []))
    return [(int(numbers[at]), int(seq)) for at, seq in seqs]


def kept(home: Path) -> tuple[str, list[tuple[int, int]], dict[str, Any]]:
    """The run, its samples as (run number, seq), and its verdict, by the journal."""
    with Journal(home / "journal.sqlite") as journal:
        reader: JournalReader = journal.reader()
        (run,) = reader.runs(5)
        number = reader.info(run["run"])["run_no"]
        records = list(reader.read(run["run"]))
        reader.close()
    samples = [(number, one["seq"]) for one in records if one["kind"] == "sample"]
    return run["run"], samples, next(one for one in records if one["kind"] == "verdict")


@pytest.mark.timeout(180)
async def test_three_daemons_of_one_name_feed_one_broker_and_one_store(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    broker.start()
    try:
        with running(VictoriaMetrics(tmp_path)) as store, instruments(tmp_path, 3):
            async with Ear(broker) as ear, fleet(tmp_path, store.url, broker.port) as members:
                ids = [one.client().status()["daemon"] for one in members]
                assert len(set(ids)) == 3
                assert all(re.fullmatch(r"tessel-lane-[0-9a-f]{8}", one) for one in ids)
                assert members[2].command("status")["url"].startswith("https://")
                order = {"bench": "bay-1", "procedure": "regulator", "spec": "hollin-t18"}
                runs = [await asyncio.to_thread(one.client().start, order) for one in members]
                await asyncio.sleep(4)
                for one, run in zip(members, runs, strict=True):
                    await asyncio.to_thread(one.client().stop, run, "seen enough")
                await until(lambda: len({one.topic for one in ear.of("/verdict")}) == 3, 30)

                def all_taken() -> bool:
                    told = [one.client().status()["forwarders"] for one in members]
                    return all(one["behind_rows"] == 0 for each in told for one in each)

                await until(all_taken, 30)
                verdicts = {one.topic.split("/")[1]: one.body for one in ear.of("/verdict")}
                states = {one.topic for one in ear.of("/state")}
            for one, daemon, run in zip(members, ids, runs, strict=True):
                found, samples, verdict = kept(one.home)
                assert found == run
                assert len(samples) > 5
                assert stored(store, daemon) == samples
                assert verdicts[daemon]["run"] == run
                assert verdicts[daemon]["reasons"] == verdict["reasons"]
                assert {f"benchd/{daemon}/state", f"benchd/{daemon}/bay-1/state"} <= states
    finally:
        broker.kill()
