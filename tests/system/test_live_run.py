"""The real command on a bench that is a recording: real sampler, real journal, a real terminal where one matters."""

from __future__ import annotations

import json
import os
import pty
import resource
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from benchd.cli import cli

MACHINE = """
[machine]
name = "Hollin T18 garden tractor"
manual = "page 14"
[engine]
full_throttle_rpm = [3350, 3650]
[stator]
min_volts_ac = 28.0
at_rpm = 3600
magnet_poles = 12
"""

BENCH = """
[bench]
name = "the recording"
[instruments.tape]
driver = "replay"
port = "replay:{trace}"
[channels.stator_volts]
instrument = "tape"
point = "stator_volts"
[channels.stator_hertz]
instrument = "tape"
point = "stator_hertz"
[channels.engine_rpm]
instrument = "tape"
point = "engine_rpm"
"""


def rows(volts: float, seconds: float) -> str:
    """The engine stands for 2 s, then runs at full throttle; 2 rows a second."""
    lines = ["t_s,stator_volts,stator_hertz,engine_rpm"]
    for n in range(int(seconds * 2)):
        turning = n >= 4
        lines.append(f"{n / 2},{volts + n % 3 * 0.01:.2f},360.0,{3600 + n % 2}" if turning else f"{n / 2},0.00,0.0,0")
    return "\n".join(lines) + "\n"


@dataclass
class Shop:
    folder: Path

    @property
    def env(self) -> dict[str, str]:
        return os.environ | {"BENCHD_HOME": str(self.folder / "home"), "TERM": "xterm-256color"}

    def command(self, *words: str | Path) -> list[str]:
        return [sys.executable, "-m", "benchd", *map(str, words)]

    def run_words(self, volts: float, seconds: float = 60.0) -> tuple[str | Path, ...]:
        trace = self.folder / "tape.csv"
        trace.write_text(rows(volts, seconds))
        (self.folder / "machine.toml").write_text(MACHINE)
        (self.folder / "bench.toml").write_text(BENCH.format(trace=trace))
        return ("run", "stator", "--bench", self.folder / "bench.toml", "--spec", self.folder / "machine.toml")

    def done(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(self.command(*words), capture_output=True, text=True, env=self.env, timeout=100)

    def begun(self, *words: str | Path) -> subprocess.Popen[str]:
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        return subprocess.Popen(self.command(*words), text=True, env=self.env, **pipes)

    def done_here(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """In this process: numpy and scipy are there already."""
        result = CliRunner().invoke(cli, [str(word) for word in words], env={"BENCHD_HOME": str(self.folder / "home")})
        return subprocess.CompletedProcess(words, result.exit_code, result.stdout, result.stderr)

    def history(self) -> list[dict[str, Any]]:
        found = json.loads(self.done_here("history", "--json").stdout)["runs"]
        assert isinstance(found, list)
        return found


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


GOOD_AND_BAD = {"good": (31.0, "pass", "none", 0), "bad": (20.0, "fail", "stator", 1)}


def test_a_live_run_exported_and_judged_again_says_the_same(tmp_path: Path) -> None:
    """Two runs side by side, each in a shop of its own."""
    shops = {name: Shop(tmp_path / name) for name in GOOD_AND_BAD}
    begun = {}
    for name, (volts, *_) in GOOD_AND_BAD.items():
        shops[name].folder.mkdir()
        words = (*shops[name].run_words(volts), "--json", "--headless", "--work-order", "1042")
        begun[name] = shops[name].begun(*words)
    for name, (_, outcome, suspect, code) in GOOD_AND_BAD.items():
        out, err = begun[name].communicate(timeout=100)
        assert begun[name].returncode == code, err
        live = json.loads(out)
        assert (live["verdict"], live["suspect"], live["work_order"]) == (outcome, suspect, "1042")
        assert live["instruments"][0]["driver"] == "replay"
        judged_again(shops[name], live, code, process=name == "good")


def judged_again(shop: Shop, live: dict[str, Any], code: int, *, process: bool) -> None:
    """Exported and judged, and judged from the journal: by commands that are processes of their own, or in this one."""
    done = shop.done if process else shop.done_here
    out = shop.folder / "run.csv"
    assert done("export", live["run"], "-o", out).returncode == 0
    files = ("--spec", shop.folder / "machine.toml", "--bench", shop.folder / "bench.toml")
    judged = done("judge", "stator", out, *files, "--json")
    assert judged.returncode == code
    said = json.loads(judged.stdout)
    for key in ("verdict", "suspect", "measured", "duration_s", "samples", "ended_because", "rpm", "reasons"):
        assert said[key] == live[key], key

    again = json.loads(done("rejudge", live["run"], "--json").stdout)
    assert again == live


@dataclass
class Terminal:
    """A command in a terminal of its own, and what it has drawn. Once that makes `when` true, `then(pid, terminal)` is
    done."""

    shop: Shop
    words: tuple[str | Path, ...]
    when: Callable[[bytes], bool]
    then: Callable[[int, int], None]
    drawn: bytes = b""
    acted: bool = False
    open: bool = True

    def __post_init__(self) -> None:
        command, env = self.shop.command(*self.words), self.shop.env
        self.pid, self.file = pty.fork()
        if self.pid == 0:
            os.execve(sys.executable, command, env)
        os.set_inheritable(self.file, False)  # else the next one's child would keep it open

    def look(self) -> None:
        try:
            if select.select([self.file], [], [], 0.05)[0]:
                self.drawn += os.read(self.file, 65536)
        except OSError:
            self.open = False
        if not self.acted and self.when(self.drawn):
            self.acted = True
            self.then(self.pid, self.file)
            self.open = self.open and self.then is not hang_up

    def end(self) -> int:
        """Wait for the command; its exit code."""
        _, status = os.waitpid(self.pid, 0)
        if self.then is not hang_up:
            os.close(self.file)
        assert self.acted, self.drawn[-2000:]
        return os.waitstatus_to_exitcode(status)


def watch(terminals: list[Terminal]) -> list[int]:
    """Until all have ended; their exit codes."""
    until = time.monotonic() + 60
    while time.monotonic() < until and any(one.open for one in terminals):
        for one in terminals:
            if one.open:
                one.look()
    return [one.end() for one in terminals]


def ctrl_c(pid: int, terminal: int) -> None:
    os.write(terminal, b"\x03")


def interrupt(pid: int, terminal: int) -> None:
    os.kill(pid, signal.SIGINT)


def terminate(pid: int, terminal: int) -> None:
    os.kill(pid, signal.SIGTERM)


def hang_up(pid: int, terminal: int) -> None:
    os.close(terminal)


def sampling(shop: Shop) -> Callable[[bytes], bool]:
    """Whether the journal holds samples: the run is under way."""
    from benchd.journal import Journal

    def under_way(drawn: bytes) -> bool:
        path = shop.folder / "home" / "journal.sqlite"
        if not path.exists():
            return False
        with Journal(path) as journal:
            runs = journal.runs(1)
            return bool(runs) and sum(one["kind"] == "sample" for one in journal.read(runs[0]["run"])) >= 4

    return under_way


@pytest.mark.parametrize(
    ("then", "code"),
    [(ctrl_c, 130), (interrupt, 130), (terminate, 4), (hang_up, 4)],
    ids=["ctrl-c", "int", "term", "hup"],
)
def test_a_stopped_run_is_kept_void_and_the_terminal_is_given_back(
    tmp_path: Path, then: Callable[[int, int], None], code: int
) -> None:
    """With the gauge and without it, side by side."""
    shops = {"gauge": Shop(tmp_path / "gauge"), "headless": Shop(tmp_path / "headless")}
    terminals = {}
    for name, shop in shops.items():
        shop.folder.mkdir()
        words = (*shop.run_words(31.0), *(("--headless",) if name == "headless" else ()))
        terminals[name] = Terminal(shop, words, sampling(shop), then)
    codes = watch(list(terminals.values()))
    for name, exit_code in zip(terminals, codes, strict=True):
        drawn = terminals[name].drawn
        assert exit_code == code, (name, drawn[-1500:])
        (kept,) = shops[name].history()
        assert (kept["status"], kept["verdict"], kept["suspect"]) == ("aborted", "void", "unknown"), name
    drawn = terminals["gauge"].drawn
    if then is not hang_up:
        assert b"\x1b[?1049h" in drawn, "the gauge was drawn"
        assert drawn.rindex(b"\x1b[?1049l") > drawn.rindex(b"\x1b[?1049h"), "and the terminal was given back"


def test_killed_in_the_middle_the_run_is_kept_as_interrupted(shop: Shop) -> None:
    child = subprocess.Popen(shop.command(*shop.run_words(31.0), "--headless"), stderr=subprocess.DEVNULL, env=shop.env)
    under_way, until = sampling(shop), time.monotonic() + 30
    while not under_way(b"") and time.monotonic() < until:
        time.sleep(0.1)
    child.kill()
    child.wait()
    (kept,) = shop.history()
    assert kept["status"] == "interrupted"
    judged = shop.done("rejudge", "last", "--json")
    assert (judged.returncode, json.loads(judged.stdout)["verdict"]) == (4, "void")


def test_a_disk_that_fills_up_during_the_run_makes_it_void_and_says_so(shop: Shop) -> None:
    """No file may grow beyond 240 kB: enough to begin with, too little for the whole run."""

    def small_disk() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (240_000, 240_000))

    done = subprocess.run(
        shop.command(*shop.run_words(31.0), "--headless", "--json"),
        capture_output=True,
        text=True,
        env=shop.env,
        timeout=100,
        preexec_fn=small_disk,
    )
    assert done.returncode == 5, done.stderr
    said = json.loads(done.stdout)
    assert (said["verdict"], said["suspect"]) == ("void", "unknown")
    assert "journal cannot be written" in said["reasons"][0]
    assert "close the throttle" in done.stderr.lower()
    (kept,) = shop.history()
    assert kept["run"] == said["run"]
    assert kept["status"] == "interrupted"
    exported = shop.done("export", "last").stdout.splitlines()
    assert 2 <= len(exported) <= said["samples"] + 1, "what was kept until then is there"


class Talker:
    """A meter on a pseudo-terminal that says the same line ten times a second until it is unplugged."""

    def __init__(self, line: bytes) -> None:
        self._ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.port = os.ttyname(theirs)
        self._theirs = theirs
        self._line, self._stop = line, threading.Event()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        while not self._stop.wait(0.1):
            os.write(self._ours, self._line)

    def unplug(self) -> None:
        if not self._stop.is_set():
            self._stop.set()
            self._thread.join()
            os.close(self._ours)
            os.close(self._theirs)


TWO_METERS = """
[bench]
name = "bay 1"
wait_for_meter_s = 4
[instruments.volts]
driver = "digits11"
port = "{volts}"
data_bits = 8
parity = "N"
[instruments.tach]
driver = "tach-lines"
port = "{tach}"
[channels.stator_volts]
instrument = "volts"
function = "ac volts"
[channels.engine_rpm]
instrument = "tach"
"""


@pytest.fixture
def two_meters(shop: Shop) -> Iterator[tuple[Talker, Talker]]:
    """28.50 V AC and 3600 rpm; the bench and machine files are written."""
    volts, tach = Talker(b"12850;006\r\n"), Talker(b"3600 rpm\r\n")
    (shop.folder / "machine.toml").write_text(MACHINE)
    (shop.folder / "bench.toml").write_text(TWO_METERS.format(volts=volts.port, tach=tach.port))
    yield volts, tach
    volts.unplug()
    tach.unplug()


def on_two_meters(shop: Shop) -> subprocess.Popen[str]:
    files = ("--bench", shop.folder / "bench.toml", "--spec", shop.folder / "machine.toml")
    return shop.begun("run", "stator", *files, "--headless", "--json")


def test_a_meter_unplugged_during_the_run_is_named_and_voids_it(shop: Shop, two_meters: tuple[Talker, Talker]) -> None:
    child = on_two_meters(shop)
    under_way, until = sampling(shop), time.monotonic() + 30
    while not under_way(b"") and time.monotonic() < until:
        time.sleep(0.05)
    two_meters[1].unplug()
    out, err = child.communicate(timeout=60)
    said = json.loads(out)
    assert (said["verdict"], said["suspect"], child.returncode) == ("void", "instrument", 4), err
    assert any("rpm" in one for one in said["reasons"])
    with_gap = [one for one in kept_records(shop) if one["kind"] == "gap"]
    assert with_gap[0]["instrument"] == "tach"
    assert with_gap[0]["state"] == "lost"


def kept_records(shop: Shop) -> list[dict[str, Any]]:
    from benchd.journal import Journal

    with Journal(shop.folder / "home" / "journal.sqlite") as journal:
        return list(journal.read(journal.resolve("last")))


def test_two_real_ports_are_read_together_and_judged(shop: Shop, two_meters: tuple[Talker, Talker]) -> None:
    child = on_two_meters(shop)
    out, err = child.communicate(timeout=90)
    said = json.loads(out)
    assert child.returncode in (0, 3), err
    assert said["measured"]["stator_volts"]["value"] == pytest.approx(28.5, abs=0.001)
    assert [one["name"] for one in said["instruments"]] == ["volts", "tach"]


def test_a_port_that_another_program_holds_is_refused_by_name(shop: Shop, two_meters: tuple[Talker, Talker]) -> None:
    import serial

    with serial.Serial(two_meters[0].port, exclusive=True):
        child = on_two_meters(shop)
        out, err = child.communicate(timeout=60)
    assert (child.returncode, out) == (5, "")
    assert f"[instruments.volts] port {two_meters[0].port}" in err
    assert shop.history() == []


def test_the_help_takes_less_than_four_bare_pythons() -> None:
    """Of the processor's time, and the best of several, so that a busy machine does not decide."""

    def spent() -> float:
        told = os.times()
        return told.children_user + told.children_system

    def best(*words: str) -> float:
        times = []
        for _ in range(7):
            begun = spent()
            subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
            times.append(spent() - begun)
        return min(times)

    assert best("-m", "benchd", "--help") < 4 * best("-c", "pass")
