"""run, watch, status and history with a daemon up, with one away, and alone: same output, same codes, no run harmed."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_files import BENCH, MACHINE
from click.testing import CliRunner, Result
from small_daemon import TOKEN, SmallDaemon, bench_body, forwarder_body, instrument_body
from test_cli_kept import Shop
from test_judge import stator_samples

from benchd.cli import cli
from benchd.cli.attach import Feed, Seen, follow_journal, look_on
from benchd.cli.status import WIDTH, wrapped
from benchd.core.events import sample_record
from benchd.daemon.lock import DaemonLock, Holder
from benchd.errors import StoreError
from benchd.journal import Journal

RUN_ID = re.compile(r"\d{8}-\d{6}-\d{3}[a-z]{2}")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    for name in ("BENCHD_SERVER", "BENCHD_TOKEN", "BENCHD_TOKEN_FILE", "BENCHD_CA_FILE"):
        monkeypatch.delenv(name, raising=False)
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "bench.toml").write_text(BENCH.format(max_volts=100.0, max_amps=20.0, shunt=""))
    return Shop(tmp_path)


@pytest.fixture
def small(shop: Shop) -> Iterator[SmallDaemon]:
    """A daemon that is up in this home and serves the shop's bench."""
    home = shop.folder / "home"
    home.mkdir()
    key = home / "local-key"
    key.write_text(TOKEN)
    key.chmod(0o600)
    sha = hashlib.sha256((shop.folder / "bench.toml").read_bytes()).hexdigest()
    with SmallDaemon(benches=[bench_body(source_sha256=sha)]) as found:
        lock = DaemonLock(home, Holder(4321, "Tessel Lane", "tessel-lane-0a1b2c3d", "2026-03-01T07:00:00Z", found.url))
        yield found
        lock.release()


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def kept(run_id: str) -> list[dict[str, Any]]:
    """The records of a kept run as a daemon has them."""
    with Journal() as journal:
        return [{key: one for key, one in record.items() if key != "seq"} for record in journal.read(run_id)]


def serve(small: SmallDaemon, shop: Shop, volts: float = 31.0, **how: Any) -> dict[str, Any]:
    """Have the daemon conduct (again) a run that was kept; its verdict object."""
    ended = shop.keep(volts, **how)
    run_id = str(ended.verdict["run"])
    small.records[run_id], small.started = kept(run_id), run_id
    with Journal() as journal:
        small.rows = journal.runs(200)
    return json.loads(json.dumps(ended.verdict))  # type: ignore[no-any-return]


def lines_of(text: str) -> list[str]:
    """A plain screen's lines of the run, without what names its start."""
    return [line for line in text.splitlines() if line.startswith("[")]


# --- run ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [31.0, 20.0])
def test_a_run_through_the_daemon_says_what_the_same_records_say_alone(
    small: SmallDaemon, shop: Shop, volts: float, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = serve(small, shop, volts)
    result = run("run", "stator", "--bench", shop.folder / "bench.toml", "--spec", shop.machine, "--json")
    assert json.loads(result.stdout) == alone
    assert list(json.loads(result.stdout)) == list(alone), "the keys' order too"
    assert result.exit_code == {"pass": 0, "fail": 1}[alone["verdict"]]
    assert f"kept as run {small.started} in {shop.folder / 'home' / 'journal.sqlite'}" in result.stderr
    # The plain lines are those of a screen that was given the kept records.
    replayed = run("replay", small.started, "--speed", "100000")
    shown, again = lines_of(result.stderr), lines_of(replayed.stderr)
    assert shown[1:] == again[1:]
    assert len(shown) > 10


def test_the_order_says_all_that_was_typed(small: SmallDaemon, shop: Shop) -> None:
    serve(small, shop)
    words = ("--work-order", "1042", "--unit", "SN 7", "--rule", "guarded-acceptance", "--headless")
    run("run", "stator", "--bench", shop.folder / "bench.toml", "--spec", shop.machine, *words)
    [order] = [body for method, path, body in small.seen if (method, path) == ("POST", "/v1/runs")]
    assert order == {
        "bench": "bay-1",
        "procedure": "stator",
        "spec_toml": MACHINE,
        "work_order": "1042",
        "unit": "SN 7",
        "rule": "guarded-acceptance",
    }


@pytest.mark.parametrize("name", ["bay-1", "bay 1"])
def test_a_bench_and_a_machine_may_be_named(small: SmallDaemon, shop: Shop, name: str) -> None:
    serve(small, shop)
    assert run("run", "stator", "--bench", name, "--spec", "hollin-t18").exit_code == 0
    [order] = [body for method, path, body in small.seen if (method, path) == ("POST", "/v1/runs")]
    assert order == {"bench": "bay-1", "procedure": "stator", "spec": "hollin-t18"}


def test_a_bench_file_that_was_edited_since_is_refused_before_anything_starts(small: SmallDaemon, shop: Shop) -> None:
    file = shop.folder / "bench.toml"
    file.write_text(file.read_text() + "# edited\n")
    result = run("run", "stator", "--bench", file, "--spec", shop.machine)
    assert result.exit_code == 2
    assert str(file) in result.stderr
    assert "restart the daemon" in result.stderr
    assert not [one for one in small.seen if one[0] == "POST"]


def test_a_bench_that_the_daemon_does_not_serve_is_run_alone_and_that_is_said(small: SmallDaemon, shop: Shop) -> None:
    small.benches = [bench_body("bay-2", "bay 2")]
    result = run("run", "stator", "--bench", shop.folder / "bench.toml", "--spec", shop.machine)
    assert result.exit_code == 5, "its ports are not there"
    assert "'bay 1' (it serves bay-2): the run is conducted here" in result.stderr
    assert "/dev/volts" in result.stderr


def test_a_mistake_in_a_machine_file_is_told_with_its_line_and_not_sent(small: SmallDaemon, shop: Shop) -> None:
    shop.machine.write_text(MACHINE.replace("[3350, 3650]", '"full"'))
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine)
    assert result.exit_code == 2
    assert f"{shop.machine}:6:" in result.stderr
    assert not [one for one in small.seen if one[0] == "POST"]


@pytest.mark.parametrize(
    ("kind", "status", "code"), [("busy", 409, 2), ("configuration", 422, 2), ("port", 503, 5), ("store", 503, 5)]
)
def test_what_the_daemon_refuses_has_the_exit_code_it_has_alone(
    small: SmallDaemon, shop: Shop, kind: str, status: int, code: int
) -> None:
    small.answers["/v1/runs"] = (status, {"error": {"kind": kind, "message": "bay-1: not now \x1b[2J"}})
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    assert (result.exit_code, result.stdout) == (code, "")
    assert "benchd: bay-1: not now  [2J" in result.stderr


def test_a_run_whose_connection_breaks_is_attached_to_again_and_nothing_is_missed(
    small: SmallDaemon, shop: Shop
) -> None:
    alone = serve(small, shop)
    small.cuts = [5, 9, 1, 14]
    small.again = True
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    assert (result.exit_code, json.loads(result.stdout)) == (0, alone)
    replayed = run("replay", small.started, "--speed", "100000")
    assert lines_of(result.stderr)[1:] == lines_of(replayed.stderr)[1:]
    assert len(small.asked_from) == 5


def test_a_run_that_the_daemon_could_not_end_is_told_and_kept(small: SmallDaemon, shop: Shop) -> None:
    serve(small, shop)
    closed = {"kind": "run-closed", "status": "interrupted", "reason": "benchd was interrupted", "counts": {}}
    small.records[small.started][-2:] = [closed]
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    assert (result.exit_code, result.stdout) == (5, "")
    assert f"benchd rejudge {small.started}" in result.stderr


# --- run: a real process with signals -------------------------------------------------------------------------------


def stoppable(small: SmallDaemon, shop: Shop) -> None:
    """The daemon's run goes on until it is told to stop, and then is closed as aborted."""
    serve(small, shop, cut_after=5)
    whole = small.records[small.started]
    small.records[small.started] = whole[:10]

    def on_post(path: str, body: dict[str, Any]) -> None:
        if path.endswith("/stop"):
            small.records[small.started] = whole

    small.on_post = on_post


def process(*words: str | Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "benchd", *map(str, words)]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, stdin=subprocess.DEVNULL
    )


def wait_until(true: Any) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.02)


@pytest.mark.parametrize(
    ("number", "code", "body"),
    [
        (signal.SIGINT, 130, {"because": "stopped by the operator", "ctrl_c": True}),
        (signal.SIGTERM, 4, {"because": "benchd was told to stop (SIGTERM)", "ctrl_c": False}),
        (signal.SIGHUP, 4, {"because": "the terminal was closed", "ctrl_c": False}),
    ],
)
def test_a_signal_stops_the_daemons_run(
    small: SmallDaemon, shop: Shop, number: signal.Signals, code: int, body: dict[str, Any]
) -> None:
    stoppable(small, shop)
    running = process("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    wait_until(lambda: small.asked_from)
    time.sleep(0.3)
    running.send_signal(number)
    out, err = running.communicate(timeout=20)
    assert running.returncode == code
    assert json.loads(out)["verdict"] == "void"
    assert [one for _, path, one in small.seen if path.endswith("/stop")] == [body]
    assert f"kept as run {small.started}" in err


def test_ctrl_c_while_the_daemon_still_opens_the_run_stops_it_as_soon_as_it_is_open(
    small: SmallDaemon, shop: Shop
) -> None:
    stoppable(small, shop)
    stop = small.on_post

    def slow(path: str, body: dict[str, Any]) -> None:
        time.sleep(1.0 if path == "/v1/runs" else 0.0)
        stop(path, body)

    small.on_post = slow
    running = process("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    wait_until(lambda: any(method == "POST" for method, _, _ in small.seen))
    running.send_signal(signal.SIGINT)
    out, _ = running.communicate(timeout=20)
    assert (running.returncode, json.loads(out)["verdict"]) == (130, "void")
    assert len([path for _, path, _ in small.seen if path.endswith("/stop")]) == 1


def test_a_run_that_the_daemon_conducts_no_more_but_could_not_close_is_told(
    small: SmallDaemon, shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its disk is full: nothing comes any more, and an engine runs."""
    monkeypatch.setattr("benchd.client_stream.SILENT_S", 0.5)
    stoppable(small, shop)
    small.row(small.started)["status"] = None
    small.answers["/v1/benches/bay-1"] = (200, bench_body(run=None))
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    assert (result.exit_code, result.stdout) == (5, "")
    assert "CLOSE THE THROTTLE" in result.stderr


def test_a_run_that_is_only_quiet_is_waited_for(
    small: SmallDaemon, shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.client_stream.SILENT_S", 0.2)
    stoppable(small, shop)
    small.answers["/v1/benches/bay-1"] = (200, bench_body(run=small.started))
    timer = threading.Timer(1.5, lambda: small.on_post("/stop", {}))
    timer.start()
    result = run("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    timer.join()
    assert (result.exit_code, json.loads(result.stdout)["verdict"]) == (4, "void")


def test_a_second_ctrl_c_leaves_at_once_though_the_daemon_says_nothing(small: SmallDaemon, shop: Shop) -> None:
    stoppable(small, shop)
    held = threading.Event()
    small.on_post = lambda path, body: held.wait(30) if path.endswith("/stop") else None  # type: ignore[assignment, return-value]
    running = process("run", "stator", "--bench", "bay-1", "--spec", shop.machine, "--json")
    wait_until(lambda: small.asked_from)
    time.sleep(0.3)
    running.send_signal(signal.SIGINT)
    wait_until(lambda: any(path.endswith("/stop") for _, path, _ in small.seen))
    began = time.monotonic()
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=20)
    held.set()
    assert running.returncode == 130
    assert time.monotonic() - began < 3
    assert "benchd status" in err


# --- watch ----------------------------------------------------------------------------------------------------------


def test_a_finished_run_is_watched_like_a_replay(small: SmallDaemon, shop: Shop) -> None:
    serve(small, shop, 20.0)
    small.benches[0]["last_run"] = small.started
    for words in ((), ("bay-1",), ("bay 1",), ("--run", "last"), ("--run", small.started[:18])):
        result = run("watch", *words)
        assert (result.exit_code, result.stdout) == (0, ""), "looking is no judging"
        assert "FAIL" in result.stderr
    replayed = run("replay", small.started, "--speed", "100000")
    assert lines_of(result.stderr)[1:] == lines_of(replayed.stderr)[1:]
    assert not [one for one in small.seen if one[0] == "POST"]


def test_watch_with_json_says_the_verdict_and_exits_with_its_code(small: SmallDaemon, shop: Shop) -> None:
    alone = serve(small, shop, 20.0)
    small.benches[0]["run"] = small.started
    result = run("watch", "bay-1", "--json")
    assert (result.exit_code, json.loads(result.stdout)) == (1, alone)


def test_a_watcher_joins_in_the_middle_and_sees_the_run_from_its_start(small: SmallDaemon, shop: Shop) -> None:
    alone = serve(small, shop)
    small.benches[0]["run"] = small.started
    whole = small.records[small.started]
    small.records[small.started] = whole[:12]
    timer = threading.Timer(0.7, lambda: small.records.update({small.started: whole}))
    timer.start()
    result = run("watch", "bay-1", "--json")
    timer.join()
    assert (result.exit_code, json.loads(result.stdout)) == (0, alone)
    assert "unplug the regulator" in result.stderr


def test_leaving_a_run_under_way_leaves_it_alone(small: SmallDaemon, shop: Shop) -> None:
    stoppable(small, shop)
    small.benches[0]["run"] = small.started
    codes = {(): 0, ("--json",): 130, ("--operate",): 0}
    watchers = {words: process("watch", "bay-1", *words) for words in codes}
    wait_until(lambda: len(small.asked_from) == len(watchers))
    time.sleep(0.5)
    for watching in watchers.values():
        watching.send_signal(signal.SIGINT)
    for words, watching in watchers.items():
        out, err = watching.communicate(timeout=20)
        assert (watching.returncode, out) == (codes[words], ""), words
        assert f"run {small.started} goes on" in err, words
    assert not [one for one in small.seen if one[0] == "POST"]


def test_which_bench_is_meant_is_asked_where_several_can_be(small: SmallDaemon, shop: Shop) -> None:
    small.benches.append(bench_body("bay-2", "bay 2"))
    result = run("watch")
    assert result.exit_code == 2
    assert "bay-1, bay-2" in result.stderr
    serve(small, shop)
    small.benches[0]["run"] = small.started
    assert run("watch").exit_code == 0, "only one of them is in a run"
    result = run("watch", "bay-9")
    assert result.exit_code == 2
    assert "there are bay-1, bay-2" in result.stderr
    result = run("watch", "bay-2")
    assert result.exit_code == 2
    assert "has had no run yet" in result.stderr


def test_follow_stays_for_the_next_run(small: SmallDaemon, shop: Shop) -> None:
    first = serve(small, shop, 20.0)
    second = serve(small, shop, 31.0)
    small.benches[0]["last_run"] = first["run"]
    watching = process("watch", "bay-1", "--follow", "--json")
    wait_until(lambda: small.asked_from)
    time.sleep(0.5)
    small.benches[0]["last_run"] = second["run"]
    wait_until(lambda: len(small.asked_from) == 2)
    time.sleep(0.8)
    watching.send_signal(signal.SIGINT)
    out, _ = watching.communicate(timeout=20)
    assert [json.loads(line)["run"] for line in out.splitlines()] == [first["run"], second["run"]]
    assert watching.returncode == 0


async def test_follow_outlives_a_daemon_that_goes_and_comes_back(shop: Shop) -> None:
    """No record of its run twice, and the next run after it."""
    from benchd.cli.sources import BenchSeen
    from benchd.cli.watch import Watching

    class Shaky:
        asked: list[tuple[str, int]] = []  # noqa: RUF012 - of this test alone

        def benches(self) -> list[BenchSeen]:
            return [BenchSeen("bay-1", "bay 1", "b" if self.asked else "a", False)]

        def resolve(self, name: str) -> Any:
            raise AssertionError

        async def records(self, run: str, after: int, tell: Any) -> Any:
            self.asked.append((run, after))
            for seq in range(after + 1, 5):
                if (run, seq) == ("a", 3) and after == 0:
                    raise StoreError("the daemon has ended")
                yield {"kind": "mark", "seq": seq, "run": run}

    watching = Watching(Shaky(), None, None, follow=True, operate=False, as_json=False)
    told: list[str] = []
    seen = []
    async for record in watching._records(lambda kind, text: told.append(text)):
        seen.append((record["run"], record["seq"]))
        if seen[-1] == ("b", 4):
            break
    assert seen == [(run_id, seq) for run_id in "ab" for seq in range(1, 5)]
    assert Shaky.asked == [("a", 0), ("a", 2), ("b", 0)]
    assert told == ["the daemon has ended"]


def test_an_operating_watcher_answers_and_marks_and_its_ctrl_c_only_leaves(small: SmallDaemon, shop: Shop) -> None:
    from benchd.cli.attach import Orders
    from benchd.client import find
    from benchd.client_stream import stream

    stoppable(small, shop)
    client = find()
    assert client is not None
    run_id = small.started
    told: list[tuple[str, str]] = []

    async def show(records: Any, operator: Any) -> None:
        async for record in records:
            if record["kind"] == "sample":
                operator("answer", "hook-up", "done")
                operator("mark", "", "belt squeaks")
                await asyncio.sleep(0.3)
                operator("abort", "ctrl-c", "Ctrl-C at the gauge")
                await asyncio.sleep(10)

    def operate(tell: Any) -> Any:
        return Orders(client, lambda: run_id, lambda kind, text: told.append((kind, text))).operator

    seen, whole = asyncio.run(look_on(lambda tell: stream(client, run_id, said=tell), show, operate))
    assert (whole, seen.run, told) == (False, run_id, [])
    posted = [(path.rsplit("/", 1)[1], body) for method, path, body in small.seen if method == "POST"]
    assert posted == [("answers", {"id": "hook-up", "text": "done"}), ("marks", {"text": "belt squeaks"})]


def test_operating_needs_a_daemon(shop: Shop) -> None:
    shop.keep(31.0)
    result = run("watch", "--operate")
    assert result.exit_code == 2
    assert "needs a daemon" in result.stderr


# --- watch without a daemon -----------------------------------------------------------------------------------------


def test_a_finished_run_is_watched_from_the_journal(shop: Shop) -> None:
    ended = shop.keep(20.0)
    for words in (("--json",), ("bay-1", "--json"), ("bay 1", "--json"), ("--run", "last", "--json")):
        result = run("watch", *words)
        assert (result.exit_code, json.loads(result.stdout)) == (1, json.loads(json.dumps(ended.verdict)))
    assert run("watch").exit_code == 0


def test_nothing_to_watch_says_how_to_begin(shop: Shop) -> None:
    result = run("watch")
    assert result.exit_code == 2
    assert "benchd demo" in result.stderr
    assert run("watch", "bay-7").exit_code == 2


async def test_a_live_run_is_followed_in_the_journal_as_another_process_writes_it(shop: Shop) -> None:
    """Every record once and in order, however the writer's commits fall."""
    with Journal() as journal:
        writer = journal.open_run({"procedure": "stator", "bench": "bay 1", "machine": "x"})
        bodies = [sample_record(one) for one in stator_samples(31.0)][:30]

        async def write() -> None:
            for body in bodies:
                writer.append(dict(body))
                await asyncio.sleep(0.02)
            await asyncio.to_thread(writer.close, {"status": "aborted", "reason": "test", "counts": {}})

        writing = asyncio.create_task(write())
        seen = [one async for one in follow_journal(journal.path, writer.run)]
        await writing
    assert [one["seq"] for one in seen] == list(range(1, 33))
    assert [one["values"] for one in seen[1:-1]] == [one["values"] for one in bodies]
    assert seen[-1]["kind"] == "run-closed"


def test_following_a_run_whose_process_dies_ends_with_its_closing(shop: Shop) -> None:
    code = "import os, sys, time\nfrom benchd.journal import Journal\n"
    code += "w = Journal().open_run({'procedure': 'stator', 'bench': 'bay 1', 'machine': 'x'})\n"
    code += (
        "w.append({'kind': 'mark', 't_ns': 1, 'text': 'here'}); w.flush(); print(w.run, flush=True); time.sleep(60)\n"
    )
    other = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None
    run_id = other.stdout.readline().strip()
    assert "open: " + run_id in run("status").stdout
    watching = process("watch", "bay-1", "--json")
    time.sleep(1.5)
    other.kill()
    other.wait()
    out, err = watching.communicate(timeout=20)
    assert (watching.returncode, out) == (5, "")
    assert f"benchd rejudge {run_id}" in err
    assert "marked: here" in err


# --- status ---------------------------------------------------------------------------------------------------------


def fits(text: str) -> None:
    assert max(map(len, text.splitlines())) <= WIDTH
    assert all(line.isprintable() for line in text.splitlines())


def test_status_of_a_daemon_says_who_where_benches_instruments_and_forwarders(small: SmallDaemon, shop: Shop) -> None:
    serve(small, shop)
    bench = small.benches[0]
    bench |= {"run": small.started, "state": "in a run"}
    bench["instruments"][1] |= {
        "state": "silent",
        "what": "no reading for 4 s",
        "cure": "see that the tachometer is on and its plug is in",
    }
    bench["instruments"][0] |= {"overdue": True, "calibration_due": "2026-01-31"}
    small.more = {
        "forwarders": [
            forwarder_body("series"),
            forwarder_body(
                "mqtt", state="waiting to try again", behind_rows=210, behind_s=95.2, quarantined=3,
                last_error="connection refused", last_error_at="2026-03-01T10:00:00.000+00:00",
            ),
        ],
        "disk": {"free_bytes": 120_000_000, "low": True},
        "warnings": ["the disk of the journal is nearly full: make room"],
    }  # fmt: skip
    result = run("status")
    assert result.exit_code == 0
    fits(result.stdout)
    text = " ".join(result.stdout.split())
    for words in (
        f"Tessel Lane: up since 2026-03-01 07:00:00 UTC, at {small.url}",
        "daemon tessel-lane-0a1b2c3d",
        "120 MB of disk free (LOW)",
        "bay-1 (bay 1): in a run",
        f"run: {small.started}, stator run, Hollin T18 garden tractor, work order 1042, unit SN 7, since 2025-01-01",
        "talking: volts (scpi)",
        "volts: its calibration was due 2026-01-31",
        "tach SILENT since 2026-03-01 07:00:01 UTC on /dev/tach: no reading for 4 s",
        "do: see that the tachometer is on and its plug is in",
        "shows: battery volts 12.61 V",
        "series: up to date, nothing behind, 1234 sent, to http://127.0.0.1:8428",
        "mqtt: waiting to try again, 210 rows, 95 s behind",
        "3 refused for good",
        "last trouble: connection refused",
        "WARNING: the disk of the journal is nearly full",
    ):
        assert words in text, words
    body = json.loads(run("status", "--json").stdout)
    assert (body["up"], body["url"], body["daemon"]) == (True, small.url, "tessel-lane-0a1b2c3d")
    assert body["runs"][small.started]["work_order"] == "1042"


EVIL = "a\x1b[2J\x1b]0;owned\x07\x9b31m\r\nb\u202e" + "x" * 300


def test_text_from_outside_moves_no_cursor_and_breaks_no_line(small: SmallDaemon, shop: Shop) -> None:
    small.benches = [
        bench_body(name=EVIL, state=EVIL, instruments=[instrument_body(EVIL, state=EVIL, what=EVIL, cure=EVIL)])
    ]
    small.more = {"name": EVIL, "warnings": [EVIL], "forwarders": [forwarder_body(EVIL, target=EVIL, last_error=EVIL)]}
    shown = run("status").stdout
    fits(shown)
    assert "owned" in shown
    told = run("status", "--json").stdout
    assert told.rstrip("\n").isprintable()
    assert json.loads(told)["name"] == EVIL
    small.rows = [
        {"run": "20260301-101500-123ab", "work_order": EVIL, "unit": EVIL, "spec": EVIL, "verdict": None, "status": EVIL,
         "started": EVIL, "suspect": EVIL, "procedure": EVIL, "bench": EVIL}
    ]  # fmt: skip
    listed = run("history").stdout.splitlines()
    assert len(listed) == 2
    assert all(line.isprintable() for line in listed)
    assert run("history", "--json").stdout.rstrip("\n").isprintable()
    result = run("watch", EVIL)
    assert all(line.isprintable() for line in result.stderr.splitlines())


def test_a_run_whose_every_text_is_an_attack_moves_no_screens_cursor(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    """Work orders, units and marks come from whoever has a token, names of meters from a wire."""
    with Journal() as journal:
        writer = journal.open_run(
            {"procedure": "stator", "bench": EVIL, "machine": EVIL, "work_order": EVIL, "unit": EVIL}
        )
        for body in (
            {"kind": "instrument", "name": EVIL, "identity": EVIL},
            {"kind": "sample", "t_ns": 1, "values": {"stator_volts": [1.0, 0.1, [EVIL], 0.1]}},
            {"kind": "standing", "t_ns": 2, "phase": EVIL, "leaning": EVIL, "sure": 0.5, "why": EVIL},
            {"kind": "prompt", "t_ns": 3, "id": "x", "text": EVIL, "choices": [EVIL], "caution": EVIL},
            {"kind": "flag", "t_ns": 3, "channel": EVIL, "flag": EVIL, "cure": EVIL, "state": "on"},
            {"kind": "gap", "t_ns": 3, "instrument": EVIL, "what": EVIL, "state": "lost"},
            {"kind": "mark", "t_ns": 3, "text": EVIL},
        ):
            writer.append(body)
        writer.close({"status": "aborted", "reason": EVIL, "counts": {}})
    for command in (("watch",), ("replay", "last"), ("history",), ("status",)):
        result = run(*command)
        assert result.exit_code == 0, result.output
        assert "[2J" in result.output
        assert all(line.isprintable() for line in result.output.split("\n")), command


def test_status_without_a_daemon_says_so_and_what_is_kept(shop: Shop) -> None:
    result = run("status")
    assert result.exit_code == 0
    assert "No daemon is up" in result.stdout
    assert "nothing kept yet" in " ".join(result.stdout.split())
    run_id = shop.keep(20.0).verdict["run"]
    result = run("status")
    fits(result.stdout)
    assert re.search(rf"{run_id}  2025-01-01 08:00  stator     fail         bay 1", result.stdout)
    body = json.loads(run("status", "--json").stdout)
    assert body["up"] is False
    assert body["journal"]["path"] == str(shop.folder / "home" / "journal.sqlite")
    assert body["journal"]["bytes"] > 0
    assert [one["run"] for one in body["journal"]["newest"]] == [run_id]
    assert body["journal"]["open"] == []


def test_a_daemon_that_hangs_is_told_with_exit_code_5_and_history_reads_the_journal(
    small: SmallDaemon, shop: Shop
) -> None:
    verdict = shop.keep(31.0).verdict
    small.__exit__()
    result = run("status", "--json")
    assert result.exit_code == 5
    assert "'Tessel Lane' does not answer" in result.stderr
    assert json.loads(result.stdout)["up"] is False
    assert json.loads(run("history", "--json").stdout)["runs"][0]["run"] == verdict["run"]
    result = run("run", "stator", "--bench", shop.folder / "bench.toml", "--spec", shop.machine)
    assert result.exit_code == 5, "it may hold the ports: never beside it"
    assert "does not answer" in result.stderr


@pytest.mark.parametrize("text", ["", "word", "long " * 60, "x" * 500, "two\nlines"])
@pytest.mark.parametrize("lead", ["", "  talking: ", "n" * 200])
def test_wrapped_lines_fit(text: str, lead: str) -> None:
    lines = wrapped(text, lead)
    assert lines
    assert max(map(len, lines)) <= WIDTH


# --- history --------------------------------------------------------------------------------------------------------


def test_history_is_the_same_through_the_daemon_and_alone(small: SmallDaemon, shop: Shop) -> None:
    serve(small, shop, 31.0)
    serve(small, shop, 20.0, work_order="7")
    asked = [(), ("--json",), ("--work-order", "7", "--json"), ("--limit", "1"), ("--bench", "bay-1"), ("--bench", "x")]
    there = [run("history", *words) for words in asked]
    assert any(path.startswith("/v1/runs") for _, path, _ in small.seen)
    (shop.folder / "home" / "daemon.lock").unlink()
    count = len(small.seen)
    alone = [run("history", *words) for words in asked]
    assert len(small.seen) == count
    assert [(one.exit_code, one.stdout) for one in there] == [(one.exit_code, one.stdout) for one in alone]
    assert len(there[4].stdout.splitlines()) == 3
    assert there[5].stdout == ""


# --- the parts ------------------------------------------------------------------------------------------------------


async def test_a_feed_waits_for_a_slow_screen_and_loses_nothing() -> None:
    feed = Feed()
    most = 0

    async def source() -> Any:
        for seq in range(3000):
            yield {"kind": "sample", "t_ns": seq, "seq": seq}

    pumping = asyncio.create_task(feed.pump(source()))
    taken = []
    async for one in feed:
        most = max(most, feed._waiting.qsize())
        taken.append(one["seq"])
        if len(taken) % 100 == 0:
            await asyncio.sleep(0.001)
    await pumping
    assert taken == list(range(3000))
    assert most <= 500


async def test_a_feed_tells_what_ended_it() -> None:
    feed = Feed()

    async def source() -> Any:
        yield {"kind": "sample", "t_ns": 7}
        raise StoreError("the disk is full")

    pumping = asyncio.create_task(feed.pump(source()))
    taken = [one async for one in feed]
    assert taken[-1] == {"t_ns": 7, "kind": "caution", "text": "the disk is full", "count": 0}
    with pytest.raises(StoreError, match="disk is full"):
        await pumping


async def test_while_the_source_is_away_numbers_grow_old_and_its_order_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.cli.attach._TICK_S", 0.02)
    feed = Feed()

    order = {"kind": "prompt", "t_ns": 5, "id": "open", "text": "Open the throttle.", "choices": []}

    async def source() -> Any:
        yield order
        yield {"kind": "sample", "t_ns": 10, "seq": 1}
        feed.tell("ended", "it HAS ENDED: close the throttle")
        await asyncio.sleep(0.2)
        yield {"kind": "sample", "t_ns": 10**9, "seq": 2}
        await asyncio.sleep(0.1)

    pumping = asyncio.create_task(feed.pump(source()))
    taken = [one async for one in feed]
    await pumping
    assert taken[0] == taken[-2] == order, "it stands there again afterwards"
    taken = taken[1:-2] + taken[-1:]
    assert [one["kind"] for one in taken[:2]] == ["sample", "prompt"]
    assert taken[1]["text"] == "it HAS ENDED: close the throttle"
    ticks = taken[2:-1]
    assert len(ticks) >= 4
    assert {one["kind"] for one in ticks} == {"standing"}
    assert [one["t_ns"] for one in ticks] == [10 + 20_000_000 * no for no in range(1, len(ticks) + 1)]
    assert taken[-1]["seq"] == 2, "and no tick once records come again"


@pytest.mark.parametrize(
    ("status", "verdict", "ctrl_c", "code"),
    [
        ("judged", "pass", False, 0),
        ("judged", "fail", True, 1),
        ("judged", "undecided", False, 3),
        ("judged", "void", True, 4),
        ("aborted", "void", False, 4),
        ("aborted", "void", True, 130),
        ("failed", "void", False, 5),
    ],
)
def test_the_exit_code_of_a_run_seen_is_that_of_a_run_conducted(
    status: str, verdict: str, ctrl_c: bool, code: int
) -> None:
    seen = Seen()
    seen.note({"kind": "run-opened", "run": "x"})
    seen.note({"kind": "verdict", "t_ns": 1, "seq": 2, "run": "x", "verdict": verdict})
    seen.note({"kind": "run-closed", "status": status, "reason": ""})
    assert seen.outcome(ctrl_c=ctrl_c) == ({"run": "x", "verdict": verdict}, code)


def test_status_and_watch_load_no_numerics() -> None:
    """A look must be quick: what only a judge needs is not loaded."""
    code = "import sys\nfrom benchd.cli import watch, status, history, attach, sources\nimport benchd.client, benchd.client_stream\n"
    code += "print(sorted({name.split('.')[0] for name in sys.modules} & {'numpy', 'scipy', 'textual', 'pydantic', 'urllib3', 'websockets'}))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ)
    assert said.stdout.strip() == "[]"


# --- the real daemon ------------------------------------------------------------------------------------------------


@pytest.fixture
def real(shop: Shop) -> Iterator[list[subprocess.Popen[bytes]]]:
    """`benchd serve --demo` in this home; the test may kill and restart it."""
    found = [served(shop)]
    yield found
    for one in found:
        if one.poll() is None:
            one.terminate()
        one.wait(timeout=20)


def served(shop: Shop) -> subprocess.Popen[bytes]:
    words = ["serve", "--demo", "--listen", "127.0.0.1:0", "--speed", "20"]
    daemon = subprocess.Popen([sys.executable, "-m", "benchd", *words], stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: daemon.poll() is None and is_up(shop))
    except BaseException:
        daemon.kill()
        daemon.wait()
        raise
    return daemon


def is_up(shop: Shop) -> bool:
    from benchd.daemon.lock import read_holder

    holder = read_holder(shop.folder / "home")
    return holder is not None and holder.url is not None


def test_a_real_daemons_run_is_run_watched_and_listed(shop: Shop, real: list[subprocess.Popen[bytes]]) -> None:
    watching = process("watch", "bay-1", "--follow", "--json")
    result = run("run", "stator", "--bench", "bay-1", "--spec", "hollin-t18", "--work-order", "1042", "--json")
    verdict = json.loads(result.stdout)
    assert (result.exit_code, verdict["verdict"], verdict["work_order"]) == (0, "pass", "1042")
    assert json.loads(run("watch", "--run", verdict["run"], "--json").stdout) == verdict
    time.sleep(1.0)
    watching.send_signal(signal.SIGINT)
    assert [json.loads(line) for line in watching.communicate(timeout=20)[0].splitlines()] == [verdict]
    there = run("history", "--json").stdout
    assert [one["run"] for one in json.loads(there)["runs"]] == [verdict["run"]]
    shown = run("status")
    fits(shown.stdout)
    assert "bay-1 (bay 1): ready" in shown.stdout
    assert "talking: " in shown.stdout
    assert run("run", "stator", "--bench", "bay-9", "--spec", "hollin-t18").exit_code == 2
    real[0].terminate()
    assert real[0].wait(timeout=20) == 0
    assert run("history", "--json").stdout == there
    rejudged = run("rejudge", verdict["run"], "--json")
    assert json.loads(rejudged.stdout) == verdict


def test_a_real_daemon_killed_in_a_run_is_told_and_the_run_is_found_closed_when_it_is_back(
    shop: Shop, real: list[subprocess.Popen[bytes]]
) -> None:
    running = process("run", "regulator", "--bench", "bay-2", "--spec", "hollin-t18", "--json")
    wait_until(lambda: json.loads(run("status", "--json").stdout)["benches"][1]["run"])
    time.sleep(1.0)
    real[0].kill()
    real[0].wait()
    time.sleep(2.5)
    real.append(served(shop))
    out, err = running.communicate(timeout=40)
    assert (running.returncode, out) == (5, "")
    assert "HAS ENDED and judges no more: close the throttle" in err
    assert "is back" in err
    assert "benchd was interrupted" in err
    run_id = json.loads(run("history", "--json").stdout)["runs"][0]["run"]
    assert f"benchd rejudge {run_id}" in err


def test_ctrl_c_stops_a_real_daemons_run(shop: Shop, real: list[subprocess.Popen[bytes]]) -> None:
    running = process("run", "regulator", "--bench", "bay-1", "--spec", "hollin-t18", "--json")
    wait_until(lambda: json.loads(run("status", "--json").stdout)["benches"][0]["run"])
    time.sleep(1.0)
    busy = run("run", "stator", "--bench", "bay-1", "--spec", "hollin-t18")
    assert busy.exit_code == 2
    assert "is in a run" in busy.stderr
    running.send_signal(signal.SIGINT)
    out, _ = running.communicate(timeout=20)
    verdict = json.loads(out)
    assert (running.returncode, verdict["verdict"], verdict["ended_because"]) == (
        130,
        "void",
        "stopped by the operator",
    )
    assert json.loads(run("history", "--json").stdout)["runs"][0]["status"] == "aborted"


@pytest.mark.parametrize(
    ("what", "cure", "said"),
    [
        (
            "/dev/tach: there is no such port; there is none. Plug it in, or correct `port`.",
            "/dev/tach: there is no such port; there is none. Plug it in, or correct `port`.",
            [
                "  tach SILENT on /dev/tach: there is no such port; there is none",
                "    do: Plug it in, or correct `port`.",
            ],
        ),
        (
            "/dev/tach: nothing comes from it: wake the meter",
            "wake the meter",
            ["  tach SILENT on /dev/tach: nothing comes from it", "    do: wake the meter"],
        ),
        ("", "", ["  tach SILENT on /dev/tach"]),
    ],
)
def test_status_says_port_trouble_and_cure_once(what: str, cure: str, said: list[str]) -> None:
    from benchd.cli.status import trouble_lines

    one = {"name": "tach", "state": "silent", "since": "", "port": "/dev/tach", "what": what, "cure": cure}
    assert list(trouble_lines(one)) == said


@pytest.mark.parametrize("width", [60, 80, 100, 200, None])
def test_history_fits_the_terminal_and_never_loses_run_verdict_and_suspect(width: int | None) -> None:
    from benchd.cli.history import table

    one = {"run": "20260301-101500-123ab", "started": "2026-03-01T10:15:00.123+00:00", "procedure": "regulator"}
    one |= {"verdict": "undecided", "suspect": "not discharged", "spec": "Hollin T18 garden tractor", "unit": None}
    lines = table(
        [one | {"work_order": "1042"}, one | {"work_order": None, "verdict": None, "status": "interrupted"}], width
    )
    assert max(map(len, lines)) <= (width or 200)
    assert "20260301-101500-123ab" in lines[1]
    assert "undecided" in lines[1]
    assert "not discharged" in lines[1]
    assert "interrupted" in lines[2]
    assert ("Hollin T18 garden tractor  1042        -" in lines[1]) == (width in (200, None))


def test_a_bench_that_is_not_known_is_told_with_those_that_are(shop: Shop) -> None:
    shop.keep(31.0)
    told = run("history", "--bench", "bay-9")
    assert (told.exit_code, told.stdout) == (0, "")
    assert told.stderr == "No bench 'bay-9' is known; there are: bay-1\n"
    assert "that matches" in run("history", "--bench", "bay-1", "--unit", "none such").stderr


def test_what_is_this_computers_own_is_told_as_such_while_another_daemon_is_named(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.keep(31.0)
    assert "this computer's own" not in run("status").stdout
    monkeypatch.setenv("BENCHD_SERVER", "http://127.0.0.1:9")
    monkeypatch.setenv("BENCHD_TOKEN", "t" * 40)
    told = run("status")
    assert told.exit_code == 5
    assert "this computer's own journal" in " ".join(told.stdout.split())
    assert f"this computer's tokens, in {shop.folder / 'home'}" in run("token", "list").stderr
