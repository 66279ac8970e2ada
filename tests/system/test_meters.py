"""`benchd meters` on pseudo-terminals and a TCP port: who answers where, what it shows, what is wrong with it."""

from __future__ import annotations

import json
import os
import pty
import socketserver
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchd.cli import cli


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    for name in ("cli.meters.LISTEN_S", "discover.LISTEN_S", "discover.LISTEN_ON_S"):
        monkeypatch.setattr(f"benchd.{name}", 0.8)  # these ports talk ten times a second


@contextmanager
def streaming(data: bytes, every_s: float = 0.1) -> Iterator[str]:
    """A port on which somebody says the same again and again; its path."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(every_s):
            os.write(ours, data)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        talker.join()
        os.close(ours)
        os.close(theirs)


class ScpiAnswers(socketserver.StreamRequestHandler):
    """A meter that knows four questions."""

    ANSWERS: dict[str, str] = {  # noqa: RUF012 - a table
        "*IDN?": "Benchmade,M1,123,1.0",
        "SYST:ERR?": '0,"No error"',
        "FUNC?": '"VOLT"',
        "READ?": "+1.26500000E+01",
    }

    def handle(self) -> None:
        for line in self.rfile:
            answer = self.ANSWERS.get(line.decode().strip())
            if answer is not None:
                self.wfile.write(f"{answer}\n".encode())


@contextmanager
def scpi_meter() -> Iterator[str]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), ScpiAnswers) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"socket://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


def meters(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["meters", *map(str, words)])


def look(*ports: str) -> list[dict[str, Any]]:
    words = [word for port in ports for word in ("--port", port)]
    result = meters(*words, "--json")
    found = json.loads(result.stdout)["ports"]
    assert isinstance(found, list)
    return found


def test_each_port_gets_the_driver_that_understands_it() -> None:
    with streaming(b"3600 rpm\r\n") as tach, streaming(b"11265;00:\r\n") as volts, scpi_meter() as bench_meter:
        found = look(tach, volts, bench_meter)
    assert [one["driver"] for one in found] == ["tach-lines", "digits11", "scpi"]
    assert found[0]["readings"][0] | {"flags": []} == {
        "quantity": "speed", "point": "", "value": 3600.0, "resolution": 1.0, "unit": "rpm", "flags": []
    }  # fmt: skip
    assert (found[1]["readings"][0]["value"], found[1]["readings"][0]["quantity"]) == (12.65, "dc volts")
    assert found[2]["identity"] == "Benchmade,M1,123,1.0"


def test_flags_are_shown_with_their_cure() -> None:
    with streaming(b"11478;288\r\n") as volts:
        result = meters("--port", volts, "--once")
    assert result.exit_code == 0
    assert "digits11: 14.78 V dc volts [hold: the display is held: press HOLD on the meter]" in result.stdout
    assert "low battery" in result.stdout


def test_neither_noise_nor_silence_is_taken_for_a_meter(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("LISTEN_S", "LISTEN_ON_S"):  # every driver is tried, and none finds anything
        monkeypatch.setattr(f"benchd.discover.{name}", 0.4)
    with streaming(b"\x00\xff\x13\x37 hum \x00") as noise, streaming(b"", 10) as silence:
        assert [one["driver"] for one in look(noise, silence)] == [None, None]


def test_nobody_answering_exits_5_and_a_missing_port_is_named() -> None:
    result = meters("--port", "/dev/ttyNOPE", "--once")
    assert result.exit_code == 5
    assert "/dev/ttyNOPE" in result.stdout
    assert "no such port" in result.stdout


def test_the_instruments_of_a_bench_are_shown_as_they_are_wired(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    with streaming(b"n=00120\r\n") as tach, scpi_meter() as volts:
        bench.write_text(
            f"""
[bench]
name = "bay 1"
[instruments.counter]
driver = "tach-lines"
port = "{tach}"
pattern = "n=(?P<rpm>[0-9]{{5}})"
[instruments.volts]
driver = "scpi"
port = "{volts}"
[channels.battery_volts]
instrument = "volts"
function = "dc volts"
[channels.engine_rpm]
instrument = "counter"
"""
        )
        result = meters("--bench", bench, "--once")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert f"{tach} (counter): tach-lines: 120 rpm speed" in lines[0]
    assert f"{volts} (volts): scpi [Benchmade,M1,123,1.0]" in lines[1]
    assert "12.65" in lines[1]


def test_it_shows_readings_for_the_seconds_asked() -> None:
    with streaming(b"3600 rpm\r\n") as tach:
        result = meters("--port", tach, "--seconds", "4")
    assert result.exit_code == 0
    assert result.stdout.count("3600 rpm speed") >= 2
