"""The daemon on a virtual bench: instruments stay open, one run at a time, every refusal says what to do."""

from __future__ import annotations

import asyncio
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from time import sleep
from typing import Any

import pytest
from houses import House, house

from benchd import orders
from benchd.errors import BusyError, ConfigError, NotFoundError, PortError
from benchd.forward.base import ForwarderStatus
from benchd.site import Retention, Scheduled


async def until(condition: Any, limit_s: float = 15.0) -> None:
    async with asyncio.timeout(limit_s):
        while not condition():  # noqa: ASYNC110 - what is waited for makes no event
            await asyncio.sleep(0.02)


async def ready(one: House) -> None:
    await until(lambda: one.daemon.bench("bay-1")["state"] == "ready")


async def test_a_run_is_opened_conducted_and_kept_and_the_bench_is_free_again(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run(work_order="1042")
        assert one.daemon.bench("bay-1")["run"] == run
        verdict = await one.ended(run)
        assert (verdict["verdict"], verdict["suspect"], verdict["work_order"]) == ("pass", "none", "1042")
        await ready(one)
        assert one.daemon.bench("bay-1")["last_run"] == run
        assert one.daemon.bench("bay-1")["run"] is None
        opened = next(iter(one.daemon.reader.read(run)))
        assert "[bench]" in opened["configuration"]["bench"]["text"]


async def test_one_run_at_a_time_on_a_bench(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        answers = await asyncio.gather(one.run(), one.run(), return_exceptions=True)
        (first,) = (answer for answer in answers if isinstance(answer, str))
        assert [type(answer) for answer in answers if answer != first] == [BusyError]
        with pytest.raises(BusyError, match=f"bay-1 is in a run \\({first}\\)"):
            await one.run("stator")


async def test_a_refused_order_changes_nothing_for_the_run_under_way(tmp_path: Path) -> None:
    """The demo's machine was once brought in anew for an order that was then refused: the engine stood."""
    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run("stator")
        world = one.virtual.world
        with pytest.raises(BusyError):
            await one.run("regulator")
        assert one.virtual.world is world
        assert (await one.ended(run))["verdict"] == "pass"


async def test_the_instruments_stay_open_between_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted at the place where a port is really opened."""
    from benchd.links import _kept

    opened: list[str] = []
    really = _kept.open_link

    def counted(port: str, *args: Any, **more: Any) -> Any:
        opened.append(port)
        return really(port, *args, **more)

    monkeypatch.setattr(_kept, "open_link", counted)
    async with house(tmp_path) as one:
        await ready(one)
        before = len(opened)
        assert before == len(one.daemon.stations["bay-1"].bench.instruments)
        for _ in range(2):
            run = await one.run("stator")
            await until(lambda: any(record["kind"] == "sample" for record in one.daemon.reader.read(run)))  # noqa: B023
            one.daemon.stop_run(run, "seen enough")
            await one.ended(run)
            await ready(one)
        # A VISA session with a question out is opened anew: its answer could be taken for another's.
        assert [port for port in opened[before:] if not port.startswith("visa:")] == []


async def test_the_operator_may_answer_mark_and_stop_from_elsewhere(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run()
        one.daemon.mark(run, "fan belt squeals")
        one.daemon.answer(run, "battery-celsius", "21")
        one.daemon.stop_run(run, "the customer came")
        verdict = await one.ended(run)
        assert verdict["verdict"] == "void"
        assert "the customer came" in verdict["reasons"][0]
        kinds = {record["kind"]: record for record in one.daemon.reader.read(run)}
        assert kinds["mark"]["text"] == "fan belt squeals"
        assert kinds["answer"]["text"] == "21"
        assert kinds["run-closed"]["status"] == "aborted"
        for say in (one.daemon.mark, one.daemon.stop_run):
            with pytest.raises(BusyError, match="has ended"):
                say(run, "late")
        with pytest.raises(NotFoundError, match="no run"):
            one.daemon.mark("20200101-000000-000aa", "x")


@pytest.mark.parametrize(
    ("request_", "error", "said"),
    [
        ({"bench": "bay-9"}, NotFoundError, "no bench 'bay-9' is served here; there are bay-1"),
        ({"spec": "hollin-t19"}, NotFoundError, r"no machine 'hollin-t19'.*did you mean 'hollin-t18'"),
        ({"spec": "../machines/hollin-t18"}, NotFoundError, "no machine '../machines/hollin-t18'"),
        ({"spec": "/etc/passwd"}, NotFoundError, "no machine '/etc/passwd'"),
        (
            {"procedure": "dance"},
            ConfigError,
            "procedure: found 'dance', expected one of charge, load, crank, draw, stator, regulator",
        ),
        ({"rule": "coin"}, ConfigError, "rule: found 'coin'"),
        ({"spec": None}, ConfigError, "either `spec`"),
        ({"spec": None, "spec_toml": "[machine]\nname = 3"}, ConfigError, r"spec_toml:2: key 'machine.name'"),
    ],
)
async def test_what_cannot_be_run_is_refused_and_leaves_the_bench_ready(
    tmp_path: Path, request_: dict[str, Any], error: type[Exception], said: str
) -> None:
    from benchd.daemon.interface import RunRequest

    async with house(tmp_path) as one:
        asked = {"bench": "bay-1", "procedure": "regulator", "spec": "hollin-t18"} | request_
        with pytest.raises(error, match=said):
            await one.daemon.start_run(RunRequest(**asked))
        await ready(one)
        assert one.daemon.reader.runs(5) == []


async def test_a_spec_sent_as_text_is_kept_with_the_run(tmp_path: Path) -> None:
    from benchd import config

    text = config.find_file("hollin-t18", "machine").read_text(encoding="utf-8")
    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run(spec=None, spec_toml=text, asked_by="anna")
        opened = next(iter(one.daemon.reader.read(run)))
        assert opened["configuration"]["spec"] == {"file": "(sent with the order)", "text": text}
        assert opened["asked_by"] == "anna"


async def test_an_instrument_that_is_unplugged_is_named_and_is_back(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        tach = next(place for place in one.virtual._places if place.name == "tach")
        await tach.instrument.outlet.unplug()
        await until(lambda: one.daemon.bench("bay-1")["state"] == "instrument missing")
        health = one.daemon.instrument("bay-1", "tach")
        assert health["state"] == "silent"
        assert "no such port" in health["what"] or "gone" in health["what"]
        with pytest.raises(Exception, match=r"1 of \d instruments cannot be reached"):
            await one.run()
        await tach.instrument.outlet.plug_in()
        await ready(one)
        assert one.daemon.instrument("bay-1", "tach")["counts"]["reconnects"] == 1
        with pytest.raises(NotFoundError, match="bay-1 has no instrument 'scale'; it has volts"):
            one.daemon.instrument("bay-1", "scale")


async def test_an_instrument_that_breaks_or_hangs_while_it_is_let_go_does_not_hang_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchd.daemon import station

    free = asyncio.Event()

    async def breaks(self: Any, emit: Any) -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            raise OSError("the port cannot be closed") from None

    async def hangs(self: Any, emit: Any) -> None:
        while not free.is_set():
            with suppress(asyncio.CancelledError):
                await free.wait()
        raise asyncio.CancelledError

    monkeypatch.setattr(station, "LET_GO_S", 0.3)
    async with house(tmp_path) as one:
        await ready(one)
        place = one.daemon.stations["bay-1"]
        with monkeypatch.context() as patched:
            patched.setattr(station._Tapped, "run", breaks)
            assert await place._pause_watching()
            await until(lambda: place._watching is not None and not place._watching.done())
            await asyncio.sleep(0.05)
            assert await asyncio.wait_for(place._pause_watching(), 5), "it broke, and so has ended"
            patched.setattr(station._Tapped, "run", hangs)
            assert await place._pause_watching()  # the next one hangs
            await until(lambda: place._watching is not None and not place._watching.done())
            await asyncio.sleep(0.05)
            with pytest.raises(PortError, match="has not let go of its port"):
                await asyncio.wait_for(one.run(), 5)
        free.set()
        await until(lambda: place.state == "ready")
        await one.ended(await one.run("stator"))


async def test_stopping_the_daemon_closes_its_runs_as_void_and_says_why(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run()
        await one.daemon.stop("the daemon was told to stop (SIGTERM)")
        with pytest.raises(BusyError, match="stopping"):
            await one.run()
    from benchd.journal import Journal

    with Journal(tmp_path / "journal.sqlite") as journal:
        closed = list(journal.read(run))[-1]
    assert (closed["kind"], closed["status"]) == ("run-closed", "aborted")
    assert closed["reason"] == "the daemon was told to stop (SIGTERM)"


async def test_a_run_that_is_being_opened_while_the_daemon_stops_is_closed_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opening = threading.Event()
    open_run = orders.open_run

    def slow(*order: Any) -> Any:
        opening.set()
        sleep(0.3)  # the disk takes its time
        return open_run(*order)

    monkeypatch.setattr(orders, "open_run", slow)
    async with house(tmp_path) as one:
        await ready(one)
        starting = asyncio.create_task(one.run())
        await until(opening.is_set)
        await one.daemon.stop("the power goes in a minute")
        row = one.daemon.journal.info(await starting)
        assert (row["status"], row["reason"]) == ("aborted", "the power goes in a minute")
        with pytest.raises(BusyError, match="is stopping"):
            await one.run()


async def test_a_part_that_breaks_is_loud_and_begun_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd.daemon import daemon as module

    monkeypatch.setattr(module, "AGAIN_S", 0.05)
    calls = []

    async def breaks() -> None:
        calls.append(1)
        if len(calls) < 3:
            raise ValueError("a wheel came off")
        await asyncio.sleep(60)

    async with house(tmp_path) as one:
        one.daemon._begin("cart", breaks)
        await until(lambda: len(calls) == 3)
        assert one.daemon.warnings() == ["cart broke and is begun anew: ValueError: a wheel came off"]


async def test_a_backup_is_a_journal(tmp_path: Path) -> None:
    from benchd.journal import Journal

    async with house(tmp_path) as one:
        await ready(one)
        run = await one.run()
        name = await one.daemon.backup()
        with Journal(tmp_path / "backups" / name) as copy:
            assert [row["run"] for row in copy.runs(5)] == [run]


# --- the jobs of the house --------------------------------------------------------------------------------------------


class Wall:
    """A wall clock that tests turn."""

    def __init__(self, text: str) -> None:
        self.now = datetime.fromisoformat(text).astimezone()

    def __call__(self) -> datetime:
        return self.now


async def test_a_scheduled_run_opens_at_its_time_by_name_or_by_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchd import config
    from benchd.daemon import jobs

    monkeypatch.setattr(jobs, "LOOK_S", 0.02)
    path = tmp_path / "of-our-own.toml"
    path.write_text(config.find_file("hollin-t18", "machine").read_text(encoding="utf-8"), encoding="utf-8")
    at = (time(7, 30), time(7, 31), time(7, 32))
    named = Scheduled("bay-1", "stator", "hollin-t18", at[:1], work_order="WO-CHECK-1")
    by_path = Scheduled("bay-1", "regulator", str(path), at[1:2])
    gone = Scheduled("bay-1", "regulator", str(tmp_path / "gone.toml"), at[2:])
    async with house(tmp_path) as one:
        await ready(one)
        wall = Wall("2026-11-25 07:29:59")
        site = replace(one.daemon.site, schedule=(named, by_path, gone))
        one.daemon.site = site
        house_jobs = jobs.Jobs(one.daemon, wall)
        working = asyncio.create_task(house_jobs.scheduled_runs())
        for step, procedure, work_order in ((1, "stator", "WO-CHECK-1"), (60, "regulator", None)):
            await asyncio.sleep(0.1)
            wall.now += timedelta(seconds=step)
            await until(lambda: one.daemon.bench("bay-1")["run"] is not None)
            run = one.daemon.bench("bay-1")["run"]
            opened = next(iter(one.daemon.reader.read(run)))
            assert (opened["procedure"], opened["work_order"], opened["asked_by"]) == (
                procedure,
                work_order,
                "schedule",
            )
            with suppress(BusyError):  # on a busy machine it may have come to its end
                one.daemon.stop_run(run, "seen")
            await one.ended(run)
        wall.now += timedelta(seconds=60)
        await until(lambda: len(house_jobs.warnings) == 1)
        assert "gone.toml: cannot be read" in house_jobs.warnings[0]
        wall.now += timedelta(hours=23, minutes=50)
        await until(lambda: len(house_jobs.warnings) == 1)
        wall.now += timedelta(hours=1)
        await until(lambda: len(house_jobs.warnings) == 4)
        assert "07:30 on bay-1 was missed" in house_jobs.warnings[1]
        working.cancel()
        await asyncio.gather(working, return_exceptions=True)


async def test_a_clock_that_was_years_ahead_holds_up_neither_schedule_nor_retention(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A computer without a battery for its clock starts anywhere, and is put right a minute later."""
    from benchd.daemon import jobs

    monkeypatch.setattr(jobs, "LOOK_S", 0.02)
    monkeypatch.setattr(jobs, "THIN_LOOK_S", 0.02)
    opened, thinned = [], []
    async with house(tmp_path) as one:
        wall = Wall("2036-01-01 00:00:00")
        one.daemon.site = replace(
            one.daemon.site,
            schedule=(Scheduled("bay-1", "stator", "hollin-t18", (time(7, 30),)),),
            retention=Retention(raw_days=30, at=time(3, 0)),
        )
        its_jobs = jobs.Jobs(one.daemon, wall)

        async def note_opened(moment: datetime, scheduled: Scheduled) -> None:
            opened.append(f"{moment:%Y-%m-%d %H:%M}")

        async def note_thinned() -> None:
            thinned.append(f"{wall.now:%Y-%m-%d %H:%M}")

        monkeypatch.setattr(its_jobs, "_open", note_opened)
        monkeypatch.setattr(its_jobs, "thin_now", note_thinned)
        working = [asyncio.create_task(work) for work in (its_jobs.scheduled_runs(), its_jobs.thinning())]
        await asyncio.sleep(0.1)
        for text in ("2026-11-25 02:59:30", "2026-11-25 03:00:01", "2026-11-25 07:29:50", "2026-11-25 07:30:01"):
            wall.now = datetime.fromisoformat(text).astimezone()
            await asyncio.sleep(0.2)
        for task in working:
            task.cancel()
        await asyncio.gather(*working, return_exceptions=True)
    assert opened == ["2026-11-25 07:30"]
    assert thinned == ["2026-11-25 03:00"]
    assert "set back from 2036-01-01" in its_jobs.warnings[0]


async def test_thinning_goes_by_the_newest_run_and_keeps_the_verdict(tmp_path: Path) -> None:
    async with house(tmp_path, retention=Retention(raw_days=1e-5)) as one:  # 0.9 s
        await ready(one)
        run = await one.run("stator")
        await one.ended(run)

        def kinds() -> list[str]:
            return [record["kind"] for record in one.daemon.reader.read(run)]

        before = kinds()
        assert before.count("reading") > 100
        wall = Wall(datetime.now().astimezone().isoformat())
        wall.now += timedelta(days=3650)
        one.daemon.jobs._now = wall
        await one.daemon.jobs.thin_now()
        assert kinds() == before, "a clock that is ten years ahead thins nothing"
        await asyncio.sleep(1.0)
        await ready(one)
        later = await one.run("stator")
        with suppress(BusyError):
            one.daemon.stop_run(later, "seen")
        await one.ended(later)
        await one.daemon.jobs.thin_now()
        assert kinds().count("reading") == 0
        assert kinds().count("thinned") > 0
        assert kinds().count("sample") == before.count("sample")
        assert not list(one.daemon.journal.verify())


async def test_a_full_disk_is_said_once_and_when_there_is_room_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from benchd.daemon import jobs

    monkeypatch.setattr(jobs, "DISK_EVERY_S", 0.01)
    async with house(tmp_path) as one:
        caplog.set_level("INFO", "benchd.jobs")
        monkeypatch.setattr(one.daemon, "disk", lambda: {"free_bytes": 5_000_000, "low": True})
        await until(lambda: "nearly full" in caplog.text)
        await asyncio.sleep(0.1)
        assert caplog.text.count("nearly full (5 MB free): make room") == 1
        assert any("nearly full" in one for one in one.daemon.warnings())
        monkeypatch.setattr(one.daemon, "disk", lambda: {"free_bytes": 5_000_000_000, "low": False})
        await until(lambda: "has room again" in caplog.text)


class Moody:
    """A forwarder whose state tests set."""

    name = "series"
    settled = 0

    def __init__(self) -> None:
        self.state, self.error = "up to date", ""

    async def run(self) -> None:
        await asyncio.sleep(60)

    def status(self) -> ForwarderStatus:
        return ForwarderStatus("series", "http://store", self.state, 0, 0, 0.0, 0, 0, 0, self.error or None, None)


async def test_the_log_says_when_a_store_goes_away_and_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from benchd.daemon import jobs

    monkeypatch.setattr(jobs, "FORWARDERS_EVERY_S", 0.01)
    caplog.set_level("INFO", "benchd.jobs")
    async with house(tmp_path) as one:
        moody = Moody()
        one.daemon._forwarders = [moody]
        one.daemon._begin("log", jobs.Jobs(one.daemon).forwarders)
        await asyncio.sleep(0.1)
        assert caplog.text == ""
        moody.state, moody.error = "waiting to try again", "connection refused (1)"
        await until(lambda: "connection refused (1)" in caplog.text)
        moody.error = "connection refused (2)"
        await asyncio.sleep(0.1)
        assert caplog.text.count("waiting to try again") == 1
        moody.state = "sending"
        await until(lambda: "http://store takes again what it is sent" in caplog.text)
        one.daemon._forwarders = []
