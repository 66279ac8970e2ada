"""What befalls a daemon in its house: cables, ports, the disk, signals, the clock, hostile callers; each case asserts,
and says in counts what it found."""

from __future__ import annotations

import fcntl
import os
import pty
import random
import signal
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from daemon_process import Lateness, Serving, Witness, instruments, until
from fault_kills import BENCHES, LATE_S, Counts, Killed, compare_store, sample_of, series
from load_instruments import BENCH, KINDS, frame_of, site_text
from stores import FaultServer, VictoriaMetrics, running

from benchd.errors import PortError, StoreError
from benchd.journal import Journal

# --- an instrument unplugged ------------------------------------------------------------------------------------------


class Plug:
    """A pseudo-terminal under a path that stays, or a TCP port that does; unplugged and plugged in again."""

    def __init__(self, kind: str, path: Path | None) -> None:
        self.frame, self._path, self._lock = frame_of(kind), path, threading.Lock()
        self._ends: list[int] = []
        self._sockets: list[socket.socket] = []
        self._number = 0
        self.plug_in()

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self._number}" if self._path is None else str(self._path)

    def plug_in(self) -> None:
        with self._lock:
            if self._path is None:
                listener = socket.create_server(("127.0.0.1", self._number))
                listener.setblocking(False)
                self._number, self._sockets = listener.getsockname()[1], [listener]
                return
            self._ends = list(pty.openpty())
            tty.setraw(self._ends[1])
            os.set_blocking(self._ends[0], False)
            self._path.symlink_to(os.ttyname(self._ends[1]))

    def unplug(self) -> None:
        with self._lock:
            for one in self._sockets:
                one.close()
            for end in self._ends:
                os.close(end)
            if self._path is not None and self._ends:
                self._path.unlink()
            self._sockets, self._ends = [], []

    def send(self, data: bytes) -> None:
        with self._lock, suppress(OSError):  # nobody takes it
            if self._ends:
                os.write(self._ends[0], data)
            elif self._sockets:
                with suppress(BlockingIOError):
                    self._sockets.append(self._sockets[0].accept()[0])
                if self._sockets[1:]:
                    self._sockets[-1].send(data)


@contextmanager
def plugs(folder: Path) -> Iterator[dict[str, Plug]]:
    """One bench of four instruments, 10 readings a second each, and its site file."""
    found = {kind: Plug(kind, None if kind == "tach" else folder / f"port-{kind}") for kind in KINDS}
    text = BENCH.format(number=1, sample_s=0.25, **{kind: one.port for kind, one in found.items()})
    (folder / "bench-01.toml").write_text(text, encoding="utf-8")
    (folder / "site.toml").write_text(site_text(["bench-01.toml"]), encoding="utf-8")
    ended = threading.Event()

    def send() -> None:
        count = 0
        while not ended.wait(0.1):
            for one in found.values():
                one.send(one.frame(count))
            count += 1

    sending = threading.Thread(target=send, daemon=True)
    sending.start()
    try:
        yield found
    finally:
        ended.set()
        sending.join()
        for one in found.values():
            one.unplug()


def unplugged(folder: Path, times: int) -> Counts:
    """A meter's pseudo-terminal and the tachometer's TCP port, between runs and in a run, gone and back."""
    with plugs(folder) as wires, Serving(folder / "site.toml", folder / "home") as serving:

        def state(name: str) -> dict[str, Any]:
            found: dict[str, Any] = next(
                one for one in serving.client.bench("load-01")["instruments"] if one["name"] == name
            )
            return found

        def gone_and_back(name: str) -> None:
            until(lambda: state(name)["state"] == "talking", 20, lambda: str(state(name)))
            wires[name].unplug()
            told = until(lambda: (one := state(name))["state"] == "silent" and one, 20, lambda: str(state(name)))
            assert told["what"], told
            assert told["cure"], told
            wires[name].plug_in()
            until(lambda: state(name)["state"] == "talking", 20, lambda: str(state(name)))

        for name in ("volts", "tach") * times:
            gone_and_back(name)
        run = serving.begin()
        for name in ("volts", "tach") * times:
            gone_and_back(name)
        assert serving.client.bench("load-01")["run"] == run, serving.info(run)
        serving.client.stop(run, "enough")
        assert serving.ended(run)["reason"] == "enough"
        gaps = [one for one in serving.records(run) if one["kind"] == "gap"]
        for name in ("volts", "tach"):
            mine = [one for one in gaps if one["instrument"] == name]
            assert sum(one["state"] == "back" for one in mine) == times, mine
            lost = [one for one in mine if one["state"] != "back"]
            assert len(lost) >= times, mine
            assert all(one["what"] and one["cure"] for one in lost), mine
        assert serving.findings() == []
    return {"unplugged": 4 * times, "named with cure": 4 * times, "back": 4 * times, "gaps in the run": len(gaps)}


# --- the disk ---------------------------------------------------------------------------------------------------------


def _mounted(what: list[str], folder: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    folder.mkdir()
    done = subprocess.run(["mount", *what, str(folder)], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"a small file system cannot be mounted here: {done.stderr.strip()}")


def _unmount(folder: Path) -> None:
    subprocess.run(["umount", str(folder)], check=True, capture_output=True)


def fill(path: Path) -> None:
    """Every last byte."""
    with suppress(OSError), path.open("wb", buffering=0) as file:
        while file.write(b"\0" * 65536):
            pass
    with suppress(OSError), path.with_suffix(".rest").open("wb", buffering=0) as file:
        while file.write(b"\0" * 64):
            pass


def disk_full(folder: Path, times: int) -> Counts:
    """BENCHD_HOME on a small tmpfs that gets full with runs under way; room is made; the daemon is never restarted."""
    home, store, failed = folder / "home", FaultServer(), []
    _mounted(["-t", "tmpfs", "-o", "size=120m", "tmpfs"], home)
    try:
        with (
            instruments(folder, 2) as wires,
            Serving(wires.site(series(store.url), least_mebibytes=70), home) as serving,
        ):
            assert not serving.client.status()["warnings"]
            for number in range(times):
                failed += fill_up(serving, home, number)
            run = serving.begin()
            until(lambda: serving.count(run) >= 3)
            serving.client.stop(run, "enough")
            assert serving.ended(run)["reason"] == "enough"
            for one in failed:
                info = serving.info(one)
                assert info["status"] == "interrupted", info
                assert "full" in info["reason"], info
            serving.up_to_date("series")
            assert serving.samples() == {key for line in store.lines if (key := sample_of(line))}
            assert serving.alive
            assert serving.benchd("verify").returncode == 0
            took_s, code = serving.end()
            assert (took_s < 5.0, code) == (True, 0)
    finally:
        store.close()
        _unmount(home)
    return {"times": times, "runs ended with the reason": len(failed), "corrupt": 0, "restarts": 0}


def fill_up(serving: Serving, home: Path, number: int) -> list[str]:
    """One time; the runs that it ended."""
    runs = [serving.begin(bench) for bench in BENCHES]
    witnesses = [Witness(serving.client, run) for run in runs]
    until(lambda: all(serving.count(run) >= 2 for run in runs))
    filler = home / f"filler-{number}"
    fill(filler)
    until(
        lambda: all(serving.client.bench(bench)["run"] is None for bench in BENCHES), 30, lambda: serving.said()[-2000:]
    )
    status = serving.client.status()
    assert status["disk"]["low"], status["disk"]
    assert any("nearly full (0 MB free): make room" in one for one in status["warnings"]), status["warnings"]
    with pytest.raises(StoreError) as refused:
        serving.begin()
    assert "make room" in str(refused.value), refused.value
    for run in runs:
        assert f"{run}: void" in serving.said()
    assert serving.said().count("(failed)") >= len(runs) * (number + 1)
    for path in home.glob("filler-*"):
        path.unlink()
    assert not serving.client.status()["warnings"]
    for one in witnesses:
        one.leave()
        kept = {record["seq"]: record for record in serving.records(one.run_id)}
        assert all(kept[seq] == record for seq, record in one.seen.items()), one.run_id
    return runs


def disk_read_only(folder: Path) -> Counts:
    """BENCHD_HOME on an ext4 that its kernel makes read-only after an error, with runs under way."""
    home, image = folder / "home", folder / "disk.img"
    with image.open("wb") as file:
        file.truncate(200 * 1024 * 1024)
    if subprocess.run(["mkfs.ext4", "-q", str(image)], capture_output=True).returncode:
        pytest.skip("no mkfs.ext4 here")
    mount = ["-o", "loop,errors=remount-ro", str(image)]
    _mounted(mount, home)
    try:
        device = next(line.split()[0] for line in Path("/proc/mounts").read_text().splitlines() if f" {home} " in line)
        switch = Path("/sys/fs/ext4") / Path(device).name / "trigger_fs_error"
        if not switch.exists():
            pytest.skip("this kernel makes no errors to order")
        with instruments(folder, 2) as wires, Serving(wires.site(), home) as serving:
            runs = [serving.begin(bench) for bench in BENCHES]
            witnesses = [Witness(serving.client, run) for run in runs]
            until(lambda: all(serving.count(run) >= 2 for run in runs))
            switch.write_text("test\n")
            until(lambda: all(serving.client.bench(bench)["run"] is None for bench in BENCHES), 30)
            with pytest.raises(StoreError):
                serving.begin()
            said = serving.said()
            assert said.count("(failed)") == 2, said[-2000:]
            for one in witnesses:
                one.leave()
            took_s, code = serving.end()
            assert (took_s < 5.0, code) == (True, 0), serving.said()[-2000:]
            _unmount(home)
            subprocess.run(["e2fsck", "-fy", str(image)], capture_output=True)
            subprocess.run(["mount", *mount, str(home)], check=True)
            serving.start()
            lost = 0
            for one in witnesses:
                assert serving.info(one.run_id)["status"] == "interrupted"
                kept = {record["seq"] for record in serving.records(one.run_id)}
                lost += len(one.seen.keys() - kept)
            assert lost == 0
            assert serving.findings() == []
            serving.client.stop(serving.begin(), "enough")
            seen = sum(len(one.seen) for one in witnesses)
    finally:
        _unmount(home)
    return {"runs ended with the reason": 2, "witnessed": seen, "lost": 0, "corrupt": 0}


# --- signals ----------------------------------------------------------------------------------------------------------


@contextmanager
def deaf() -> Iterator[int]:
    """A TCP port that takes connections and says nothing, ever."""
    with socket.create_server(("127.0.0.1", 0), backlog=100) as listener:
        yield listener.getsockname()[1]


def signals(folder: Path, numbers: list[int]) -> Counts:
    """Told to stop with a run on each of two benches, a store that hangs and an instrument that hangs in a library."""
    took: list[float] = []
    with deaf() as store, deaf() as meter, instruments(folder, 2) as wires:
        bench = folder / "bench-02.toml"
        volts, visa = wires.port("load-02", "volts"), f"visa:TCPIP0::127.0.0.1::{meter}::SOCKET"
        bench.write_text(bench.read_text().replace(volts, visa).replace('"segment14"', '"scpi"'))
        site = wires.site(series(f"http://127.0.0.1:{store}", timeout_s=60.0))
        for number in numbers:
            serving = Serving(site, folder / f"home-{number}")
            with serving:
                runs = [serving.begin(one) for one in BENCHES]
                until(lambda runs=runs, serving=serving: all(serving.count(run) >= 2 for run in runs))  # type: ignore[misc]
                took_s, code = serving.end(number)
                took.append(took_s)
                assert code == 0, (number, code, serving.said()[-2000:])
                assert took_s < 5.0, (number, took_s)
                for run in runs:
                    info = serving.info(run)
                    assert info["status"] == "aborted", info
                    assert signal.Signals(number).name in info["reason"], info
                assert serving.findings() == []
        second_s = second_signal(site, folder / "home-second")
    return {"signals": len(numbers), "longest_s": round(max(took), 2), "second_s": round(second_s, 2)}


def second_signal(site: Path, home: Path) -> float:
    """Who does not want to wait says it twice; what was kept until then is kept."""
    with Serving(site, home) as serving:
        assert serving.process is not None
        run = serving.begin("load-02")
        until(lambda: serving.count(run) >= 2)
        serving.process.send_signal(signal.SIGTERM)
        until(lambda: "stopping" in serving.said())
        took_s, code = serving.end(signal.SIGINT)
        assert took_s < 1.0, took_s
        assert code in (0, 130), code
        serving.start()
        assert serving.info(run)["status"] in ("aborted", "interrupted")
        assert serving.findings() == []
    return took_s


# --- what another program holds ---------------------------------------------------------------------------------------


def held(folder: Path) -> Counts:
    """An instrument's port, the HTTP port, and the home itself, held by another program."""
    with instruments(folder, 2) as wires:
        other = os.open(wires.port("load-02", "volts"), os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with Serving(wires.site(), folder / "home") as serving:
            until(lambda: serving.client.bench("load-01")["state"] == "ready", 20)
            shown = until(
                lambda: (one := serving.client.bench("load-02"))["instruments"][0]["state"] == "silent" and one, 20
            )
            assert shown["state"] == "instrument missing"
            assert "another program" in shown["instruments"][0]["what"] + shown["instruments"][0]["cure"], shown
            with pytest.raises(PortError) as refused:
                serving.begin("load-02")
            assert wires.port("load-02", "volts") in str(refused.value), refused.value
            run = serving.begin("load-01")
            refuse_second(serving)
            refuse_port(serving, wires.site, folder)
            count = serving.count(run)
            until(lambda: serving.count(run) > count + 2)
            os.close(other)
            until(lambda: serving.client.bench("load-02")["state"] == "ready", 20)
            again = serving.begin("load-02")
            assert all(serving.client.bench(bench)["run"] for bench in BENCHES), again
    return {"refused with the reason": 3, "others went on": 3}


def refuse_second(serving: Serving) -> None:
    assert serving.process is not None
    done = serving.benchd("serve", "--config", str(serving.site))
    assert done.returncode == 5, done
    assert f"process {serving.process.pid}" in done.stderr, done.stderr
    assert serving.client.status()["benches"]


def refuse_port(serving: Serving, site: Callable[..., Path], folder: Path) -> None:
    """The address of the daemon that is up, wanted by another one in a home of its own."""
    address = serving.client.url.removeprefix("http://")
    second = Serving(site(listen=address), folder / "second-home")
    done = second.benchd("serve", "--config", str(second.site))
    assert done.returncode == 5, done
    assert address.rpartition(":")[2] in done.stderr, done.stderr
    assert "Traceback" not in done.stderr, done.stderr


# --- the clock --------------------------------------------------------------------------------------------------------


def clock_back(folder: Path) -> Counts:
    """The clock was an hour ahead when the newest runs were kept, and some of their samples have the times of new ones."""
    with (
        running(VictoriaMetrics(folder)) as store,
        instruments(folder, 1) as wires,
    ):
        serving = Serving(wires.site(series(store.url)), folder / "home")
        serving.home.mkdir()
        now = datetime.now(UTC)
        with Journal(serving.journal) as journal:
            old = [keep_run(journal, opened=now + timedelta(hours=hours), started=now) for hours in (0.5, 1.0)]
        with serving:
            new = []
            for _ in range(2):
                run = serving.begin()
                until(lambda run=run: serving.count(run) >= 3)  # type: ignore[misc]
                serving.client.stop(run, "enough")
                serving.ended(run)
                new.append(run)
            serving.up_to_date("series")
            found = Killed()
            compare_store(serving, store, found)
            assert (found.store_lost, found.store_double) == (0, 0)
            ids = [*old, *new]
            assert ids == sorted(ids)
            assert [one["run"] for one in serving.client.runs(10)] == ids[::-1]
            assert serving.findings() == []
    return {"runs": len(ids), "sorted": len(ids), "samples": found.samples, "lost": 0, "double": 0}


def keep_run(journal: Journal, opened: datetime, started: datetime) -> str:
    """A run whose id lies in the future; 400 samples, 0.05 s apart, with the times of the runs that will come."""
    with mock.patch("benchd.journal._now", return_value=opened):
        writer = journal.open_run(
            {"procedure": "regulator", "bench": "load 01", "machine": "Hollin T18", "started": started.isoformat()}
        )
    for number in range(400):
        values = {"engine_rpm": [3500.0 + number, 1.0, [], 0.1], "battery_volts": [13.0, 0.01, [], 0.1]}
        writer.append({"kind": "sample", "t_ns": number * 50_000_000, "values": values})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run


# --- hostile callers --------------------------------------------------------------------------------------------------


def hostile(folder: Path, seconds: float, callers: int = 4, idle: int = 200) -> Counts:
    """Nonsense on raw sockets, from several sides at once, while two runs go on."""
    with instruments(folder, 2) as wires, Serving(wires.site(), folder / "home") as serving:
        runs = {serving.begin(bench): bench for bench in BENCHES}
        host, _, port = serving.client.url.removeprefix("http://").rpartition(":")
        address = (host, int(port))
        late = Lateness(serving, wires, runs)
        crowd = []
        for _ in range(idle):
            with suppress(OSError):
                crowd.append(socket.create_connection(address, 2))
        end = time.monotonic() + seconds
        sent = [0] * callers
        threads = [
            threading.Thread(target=nonsense, args=(address, end, random.Random(number), sent, number))
            for number in range(callers)
        ]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        p99_s = late.leave()
        for one in crowd:
            one.close()
        assert serving.alive
        assert {one["run"] for one in serving.client.status()["benches"]} == set(runs)
        assert "Traceback" not in serving.said(), serving.said()[-3000:]
        for run in runs:
            serving.client.stop(run, "enough")
            assert serving.ended(run)["reason"] == "enough"
    assert p99_s < LATE_S
    return {"hostile requests": sum(sent), "idle connections": len(crowd), "alive": 1, "p99_s": p99_s}


def nonsense(address: tuple[str, int], end: float, chance: random.Random, sent: list[int], mine: int) -> None:
    while time.monotonic() < end:
        with suppress(OSError), socket.create_connection(address, 2) as one:
            one.settimeout(0.3)
            sent[mine] += 1
            chance.choice(NONSENSE)(one, chance)
        time.sleep(0.02)


def _garbage(one: socket.socket, chance: random.Random) -> None:
    one.sendall(chance.randbytes(chance.randrange(1, 4000)))
    one.recv(1000)


def _half(one: socket.socket, chance: random.Random) -> None:
    one.sendall(b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n"[: chance.randrange(1, 70)])


def _huge(one: socket.socket, chance: random.Random) -> None:
    one.sendall(b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 9999999999\r\n\r\n")
    for _ in range(64):
        one.sendall(b"x" * 65536)


def _chunked(one: socket.socket, chance: random.Random) -> None:
    one.sendall(b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n")
    one.sendall(b"FFFFFFFFFFFFFFFF\r\n" + b"y" * 100_000)
    one.recv(1000)


def _head(one: socket.socket, chance: random.Random) -> None:
    one.sendall(b"GET /v1/status HTTP/1.1\r\n" + b"X: " + b"z" * 200_000 + b"\r\n\r\n")
    one.recv(1000)


def _deep(one: socket.socket, chance: random.Random) -> None:
    body = b"[" * 100_000
    one.sendall(b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n")
    one.sendall(b"Content-Length: %d\r\n\r\n" % len(body) + body)
    one.recv(1000)


def _upgrade(one: socket.socket, chance: random.Random) -> None:
    path = b"/v1/runs/" + bytes(chance.choices(b"ab/.%0\x7f", k=20)) + b"/stream"
    one.sendall(b"GET " + path + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n")
    one.sendall(b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n\xff\xff\xff")
    one.recv(1000)


def _guess(one: socket.socket, chance: random.Random) -> None:
    token = b"%x" % chance.getrandbits(200)
    one.sendall(b"GET /v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer " + token + b"\r\n\r\n")
    one.recv(1000)


NONSENSE = (_garbage, _half, _huge, _chunked, _head, _deep, _upgrade, _guess)
