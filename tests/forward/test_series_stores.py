"""The time-series forwarder against a real VictoriaMetrics: what was kept arrives, also over kill -9, and is read back
with the very queries that stand in configs/guide/time-series.md."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from series_runs import DAEMON, Feed, forwarding, reading, sample, samples, until, up_to_date, verdict
from stores import HTTP, InfluxDB, VictoriaMetrics, get, running

from benchd.forward.points import RunLines

GUIDE = Path(__file__).parents[2] / "configs" / "guide" / "time-series.md"
CHANNELS = ("battery_volts", "charge_amps", "engine_rpm")


def documented(name: str, **places: str) -> str:
    """A query of the guide: the fenced block after the comment '<!-- query: NAME -->', its places filled in."""
    found = re.search(rf"<!-- query: {name} -->\s*```\w*\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None, f"the guide has no query {name!r}"
    query = " ".join(found[1].split())
    for place, value in places.items():
        assert place in query, (name, place)
        query = query.replace(place, value)
    return query


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    with running(VictoriaMetrics(tmp_path)) as server:
        yield server


@pytest.fixture
async def feed(tmp_path: Path) -> Any:
    made = Feed(tmp_path)
    yield made
    made.close()


def by_seq(series: list[dict[str, Any]]) -> dict[tuple[str, str], list[tuple[int, float]]]:
    """(metric, turn) -> [(ms, value)...]."""
    return {
        (one["metric"]["__name__"], one["metric"]["turn"]): list(zip(one["timestamps"], one["values"], strict=True))
        for one in series
    }


def kept(feed: Feed) -> dict[tuple[str, str], list[tuple[int, float]]]:
    """What the journal holds, in the same shape."""
    found: dict[tuple[str, str], list[tuple[int, float]]] = {}
    start_ms = 1795507200_000  # 2026-11-24T08:00:00Z, computed with date -u
    with feed.journal.reader() as reader:
        for run in reader.runs(1000):
            turn = str(reader.info(run["run"])["run_no"] % 16)
            for body in reader.read(run["run"]):
                if body["kind"] == "sample":
                    ms = start_ms + body["t_ns"] // 1_000_000
                    values = {name: one[0] for name, one in body["values"].items()} | {"seq": body["seq"]}
                    for name, value in values.items():
                        if value is not None:
                            found.setdefault((f"bench_sample_{name}", turn), []).append((ms, value))
    return found


async def test_every_sample_arrives_with_every_value(feed: Feed, victoria: VictoriaMetrics) -> None:
    for number in range(3):
        writer = feed.open_run(bench=f"bay {number + 1}")
        for one in samples(400, seed=number):
            writer.append(one)
        writer.append(verdict(200.0))
        writer.close({"status": "judged", "reason": "settled", "counts": {}})
    feed.told()
    forwarder = feed.forwarder(victoria.url)
    async with forwarding(forwarder):
        await up_to_date(forwarder)
    found = by_seq(victoria.export('{__name__=~"bench_sample_.*",__name__!="bench_sample_run_no"}'))
    assert found == kept(feed)
    assert sum(len(points) for (name, _), points in found.items() if name == "bench_sample_seq") == 1200
    assert 'vm_rows_invalid_total{type="influx"} 0' in get(victoria.url + "/metrics").decode()
    assert forwarder.status().failures == 0


async def test_a_run_is_read_back_with_the_documented_export(feed: Feed, victoria: VictoriaMetrics) -> None:
    for bench in (
        "bay 1",
        "bay 2",
        "bay 1",
    ):  # one after the other: the two of bay 1 overlap, as if a clock was set back
        writer = feed.open_run(bench=bench)
        for one in samples(50, seed=len(bench)):
            writer.append(one)
        writer.append(reading(1.25, "volts", "dc volts", 14.25))
        writer.append(verdict(25.0, "fail", "stator", work_order="W 7"))
        writer.close({"status": "judged", "reason": "settled", "counts": {}})
    feed.told()
    forwarder = feed.forwarder(victoria.url, readings=True)
    async with forwarding(forwarder):
        await up_to_date(forwarder)
    places = {"DAEMON": DAEMON, "BENCH": "bay-1", "TURN": "3"}
    times = {"start": 1795507200, "end": 1795507200 + 600}
    found = victoria.export(documented("export a run", **places), **times)
    names = {one["metric"]["__name__"] for one in found}
    assert names == {f"bench_sample_{name}" for name in (*CHANNELS, "run_no", "seq")}
    assert {key: points for key, points in by_seq(found).items() if not key[0].endswith("run_no")} == {
        key: points for key, points in kept(feed).items() if key[1] == "3"
    }
    (check,) = [one for one in found if one["metric"]["__name__"] == "bench_sample_run_no"]
    assert set(check["values"]) == {3}
    (volts,) = victoria.export(documented("export the readings of a run", **places, INSTRUMENT="volts"), **times)
    assert (volts["values"], volts["timestamps"]) == ([14.25], [1795507201250])
    answer = json.loads(
        get(victoria.url + "/api/v1/query", query=documented("failed runs", DAEMON=DAEMON), time=1795507300)
    )
    assert [one["metric"]["suspect"] for one in answer["data"]["result"]] == ["stator", "stator"]
    counted = {(one["metric"]["bench"], one["value"][1]) for one in answer["data"]["result"]}
    assert counted == {("bay-1", "2"), ("bay-2", "1")}
    volts_now = json.loads(
        get(
            victoria.url + "/api/v1/query",
            query=documented("newest values", DAEMON=DAEMON, BENCH="bay-2"),
            time=1795507224.5,
        )
    )
    newest = {one["metric"]["__name__"]: float(one["value"][1]) for one in volts_now["data"]["result"]}
    assert newest["bench_sample_engine_rpm"] == kept(feed)["bench_sample_engine_rpm", "2"][-1][1]


async def test_a_run_is_read_back_with_the_documented_influxql(feed: Feed, tmp_path: Path) -> None:
    writer = feed.open_run(work_order="W 7, 'o\"clock'", unit="S/N 1")
    records = samples(50)
    for one in records:
        writer.append(one)
    writer.append(verdict(25.0, "fail", "stator"))
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    with feed.journal.reader() as reader, running(InfluxDB(tmp_path)) as influx:
        for row in reader.tail(0):
            made = RunLines.of(reader.info(row.run), DAEMON)
            assert influx.write(*made.lines(row.records, [], row.digests)) == ""
        places = {"DAEMON": DAEMON, "BENCH": "bay-1", "TURN": "1"}
        times = {"START": "2026-11-24T08:00:00Z", "END": "2026-11-24T09:00:00Z"}
        found = influx.query(documented("influxql a run", **places, **times))
        assert [one["battery_volts"] for one in found] == [one["values"]["battery_volts"][0] for one in records]
        assert [one["charge_amps"] for one in found] == [one["values"]["charge_amps"][0] for one in records]
        assert [one["engine_rpm"] for one in found] == [one["values"]["engine_rpm"][0] for one in records]
        assert [one["seq"] for one in found] == list(range(2, 52))
        assert {one["run_no"] for one in found} == {1}
        run = reader.resolve("last")
        (told,) = influx.query(documented("influxql the verdict of a run", RUN=run))
        assert (told["verdict"], told["suspect"], told["settled_volts"], told["settled_volts_u"]) == (
            "fail",
            "stator",
            14.31,
            0.021,
        )
        assert (told["work_order"], told["unit"]) == ("W 7, 'o\"clock'", "S/N 1")
        (row,) = [row for row in reader.tail(0) if any(one["kind"] == "verdict" for one in row.records)]
        assert told["digest"] == row.digest(int(told["seq"]))


async def test_kill_9_in_the_middle_loses_nothing_in_the_end_and_nothing_is_there_twice(
    feed: Feed, victoria: VictoriaMetrics
) -> None:
    """Samples go on all the time; the store is killed four times, each time with points it acknowledged unsaved."""
    forwarder = feed.forwarder(victoria.url, resend_s=20.0, flush_s=0.02)
    writer = feed.open_run()
    stream = iter(samples(600))
    sent = 0

    async def produce(count: int) -> None:
        nonlocal sent
        for _ in range(count):
            writer.append(next(stream))
            sent += 1
            if sent % 5 == 0:
                writer.flush()
                feed.told()
                await asyncio.sleep(0.004)

    async with forwarding(forwarder):
        for _ in range(4):
            await produce(100)
            await until(lambda: forwarder.status().sent > 0)
            victoria.kill()
            await produce(50)
            victoria.start()
        writer.close({"status": "aborted", "reason": "stopped by the operator", "counts": {}})
        feed.told()
        await up_to_date(forwarder, 60)
    assert forwarder.status().quarantined == 0
    found = by_seq(victoria.export('{__name__=~"bench_sample_.*",__name__!="bench_sample_run_no"}'))
    assert found == kept(feed)
    assert len(found["bench_sample_seq", "1"]) == 600


async def test_a_store_killed_and_back_between_two_requests_is_noticed(feed: Feed, victoria: VictoriaMetrics) -> None:
    """No request ever meets the dead store; what it acknowledged and forgot is sent again all the same."""
    writer = feed.open_run()
    for one in samples(200):
        writer.append(one)
    writer.flush()
    feed.told()
    forwarder = feed.forwarder(victoria.url, resend_s=20.0)
    forwarder._tick_s = 1.0
    async with forwarding(forwarder):
        await up_to_date(forwarder)
        sent = forwarder.status().sent
        victoria.kill()
        victoria.start()
        await until(lambda: forwarder.status().sent >= 2 * sent, 30)
        await up_to_date(forwarder)
    assert (
        by_seq(victoria.export('{__name__="bench_sample_seq"}'))["bench_sample_seq", "1"]
        == kept(feed)["bench_sample_seq", "1"]
    )


async def test_a_store_that_stands_still_is_waited_out(feed: Feed, victoria: VictoriaMetrics) -> None:
    writer = feed.open_run()
    forwarder = feed.forwarder(victoria.url, timeout_s=0.5)
    async with forwarding(forwarder):
        await up_to_date(forwarder)
        victoria.pause()
        for one in samples(30):
            writer.append(one)
        writer.flush()
        feed.told()
        await until(lambda: "no answer within" in str(forwarder.status().last_error))
        victoria.resume()
        await up_to_date(forwarder)
    assert len(by_seq(victoria.export('{__name__="bench_sample_seq"}'))["bench_sample_seq", "1"]) == 30


async def test_hostile_text_reaches_the_store_as_data(feed: Feed, victoria: VictoriaMetrics) -> None:
    evil = 'x\nbench_sample,daemon=evil run_no=1i 1\\,\x1b[31m"'
    writer = feed.open_run(bench=evil, procedure=evil, machine=evil, work_order=evil, unit=evil)
    writer.append(sample(0.5, battery_volts=14.0))
    writer.append(reading(0.5, evil, evil, 14.0, point=evil))
    writer.append(verdict(1.0, evil, evil))
    writer.append({"kind": "mark", "t_ns": 1, "text": evil})
    writer.close({"status": evil, "reason": evil, "counts": {}})
    feed.told()
    forwarder = feed.forwarder(victoria.url, readings=True)
    async with forwarding(forwarder):
        await up_to_date(forwarder)
    assert forwarder.status().quarantined == 0
    metrics = get(victoria.url + "/metrics").decode()
    assert 'vm_rows_invalid_total{type="influx"} 0' in metrics
    found = victoria.export('{__name__=~"bench_.*"}')
    assert {one["metric"]["daemon"] for one in found} == {DAEMON}
    (volts,) = [one for one in found if one["metric"]["__name__"] == "bench_reading_value"]
    assert volts["metric"]["instrument"] == 'x?bench_sample,daemon=evil run_no=1i 1/,?[31m"'
    assert volts["values"] == [14.0]


async def test_user_and_password_of_a_store_without_tokens(
    feed: Feed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchd.site import Secret

    monkeypatch.setenv("SHOP_STORE", "anna:wrong")
    writer = feed.open_run()
    for one in samples(5):
        writer.append(one)
    writer.flush()
    feed.told()
    server = VictoriaMetrics(tmp_path, "-httpAuth.username=anna", "-httpAuth.password=pass")
    with running(server):
        forwarder = feed.forwarder(server.url, token=Secret(variable="SHOP_STORE"))
        async with forwarding(forwarder):
            await until(lambda: forwarder.status().state == "refused")
            monkeypatch.setenv("SHOP_STORE", "anna:pass")
            await up_to_date(forwarder)
        signed_in = {"Authorization": "Basic YW5uYTpwYXNz"}
        assert HTTP.request("GET", server.url + "/internal/force_flush", headers=signed_in).status == 200
        url = server.url + "/api/v1/export?match[]=bench_sample_seq&start=0"
        answer = HTTP.request("GET", url, headers=signed_in)
        assert json.loads(answer.data)["values"] == [2, 3, 4, 5, 6]
