"""The plain screen's lines."""

from __future__ import annotations

import io

import gauge_runs as runs
from benchd_dashboards.look import Look
from benchd_dashboards.plain import SCREEN, STATUS_EVERY_S, PlainScreen, Printer


async def printed(records, **options) -> list[str]:
    async def stream():
        for one in records:
            yield one

    out = io.StringIO()
    await PlainScreen(out).show(stream(), None, **options)
    return out.getvalue().splitlines()


async def test_a_run_in_lines():
    found = await printed(runs.regulator_pass())
    assert "REGULATOR RUN" in found[0]
    assert any("CAUTION: Charging makes hydrogen" in line for line in found)
    assert any("DO: Start the engine and open the throttle fully." in line for line in found)
    assert sum("LEANS TO PASS." in line for line in found) == 1  # only when it changes
    status = [line for line in found if "battery volts" in line and "engine rpm" in line]
    assert len(status) == int(199 // STATUS_EVERY_S) + 1
    verdict = next(place for place, line in enumerate(found) if "VERDICT: PASS" in line)
    assert "Close the throttle." in found[verdict + 1]
    assert any("The battery settled at 14.31 V" in line for line in found[verdict:])


async def test_the_ceiling_is_told_once_and_at_once():
    found = await printed(runs.ceiling_crossing())
    alarms = [line for line in found if "OVER 15 V, THE CEILING: CLOSE THE THROTTLE" in line]
    assert alarms == ["[ 0:08] OVER 15 V, THE CEILING: CLOSE THE THROTTLE"]


async def test_lost_and_back():
    back = {"kind": "gap", "t_ns": runs.ns(110), "instrument": "volts", "state": "back"}
    found = await printed([*runs.meter_lost(), back])
    assert any("VOLTS LOST at 1:40" in line for line in found)
    assert found[-1] == "[ 1:50] volts is back"


async def test_a_flag_is_told_when_it_comes_and_when_it_goes():
    held = runs.sample(1) | {"values": {"battery_volts": [None, None, ["hold"], 0.1]}}
    found = await printed([runs.opened("regulator"), held, held, runs.sample(2, battery_volts=12.6)])
    flags = [line for line in found if "HELD" in line or "hold is over" in line]
    assert flags == [
        "[ 0:01] battery volts: DISPLAY IS HELD, the display is held: press HOLD on the meter",
        "[ 0:02] battery volts: hold is over",
    ]


async def test_ascii_lines_are_ascii():
    assert all(line.isascii() for line in await printed(runs.regulator_pass(), ascii=True))


async def test_a_reader_that_goes_away_does_not_end_the_run():
    class Broken(io.StringIO):
        def write(self, _text: str) -> int:
            raise BrokenPipeError

    async def stream():
        for one in runs.regulator_pass():
            seen.append(one)
            yield one

    seen: list = []
    await PlainScreen(Broken()).show(stream(), None)
    assert seen[-1]["kind"] == "run-closed"


async def test_it_does_not_read_from_a_closed_stdin(monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("abort\n"))
    told = []

    async def stream():
        yield runs.opened("stator")

    await SCREEN.show(stream(), lambda *what: told.append(what))
    assert told == []


def test_control_characters_do_not_reach_a_log():
    printer = Printer(Look())
    for line in printer.lines({"kind": "mark", "t_ns": 0, "text": "\x1b]0;x\x07 y\n"}):
        assert line.isprintable()
