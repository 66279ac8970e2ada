"""The MQTT forwarder against a real Mosquitto with passwords; every payload is held to configs/guide/asyncapi.yaml."""

from __future__ import annotations

import asyncio
import json
import random
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from broker import PASSWORD, Broker, Ear, until
from mqtt_world import BRISK, DAEMON, STARTED, World, bench, sample, verdict

from benchd.forward import mqtt_link
from benchd.forward.mqtt_again import MOST_RECENT, RESEND_S, STUMBLES, Recent, Stumbles

STATE = f"benchd/{DAEMON}/state"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    found = Broker(tmp_path)
    found.start()
    yield found
    found.kill()


@pytest.fixture
def world(tmp_path: Path, broker: Broker) -> World:
    return World(tmp_path, broker)


async def test_states_stay_on_the_broker_and_follow_the_bench(world: World, broker: Broker) -> None:
    async with world.running():
        async with Ear(broker) as early:
            await until(lambda: early.of("bay-1/state"))
            world.benches["bay-1"] = bench("in a run", "20261125-080000-000ab")
            await until(lambda: early.of("bay-1/state")[-1].body["state"] == "in a run")
        async with Ear(broker) as late:
            await until(lambda: len(late.heard) == 2)
        assert {(one.topic, one.retain) for one in late.heard} == {
            (STATE, True),
            (f"benchd/{DAEMON}/bay-1/state", True),
        }
        assert late.of("bay-1/state")[0].body["run"] == "20261125-080000-000ab"
        assert late.of(STATE)[0].body["benches"] == ["bay-1"]


async def test_a_state_that_did_not_change_is_not_said_again_before_its_refresh(world: World, broker: Broker) -> None:
    async with world.running(), Ear(broker) as ear:
        await until(lambda: ear.of("bay-1/state"))
        for age_s in (0.1, 0.2, 0.3):  # values and counts change all the time: they make no message
            world.benches["bay-1"]["channels"]["battery_volts"]["age_s"] = age_s
            world.benches["bay-1"]["instruments"][0]["counts"]["readings"] += 1
            await asyncio.sleep(3 * BRISK.state_s)
        assert len(ear.of("bay-1/state")) == 1


async def test_a_clean_stop_says_stopped(world: World, broker: Broker) -> None:
    async with Ear(broker) as ear:
        async with world.running() as forwarder:
            await until(lambda: ear.of("bay-1/state"))
        await until(lambda: ear.of(STATE)[-1].body["state"] == "stopped")
        assert ear.of("bay-1/state")[-1].body["state"] == "stopped"
        assert forwarder.status().state == "stopped"
        await asyncio.sleep(0.3)
        assert ear.of(STATE)[-1].body["state"] == "stopped", "the last will must not fire after an orderly leave"


async def test_samples_come_at_the_chosen_rate_the_newest_first_and_old_ones_never(
    world: World, broker: Broker
) -> None:
    world.book.add("run-1", {"kind": "run-opened"}, sample(0.5, battery_volts=12.4))  # before: stale
    async with Ear(broker) as ear, world.running():
        await until(lambda: ear.of("bay-1/state"))
        began = time.monotonic()
        t_s = 1.0
        while time.monotonic() < began + 2.0:  # 50 samples a second
            rpm = {"engine_rpm": 3460.0} if round(t_s * 50) % 5 == 0 else {}
            world.book.add("run-1", sample(t_s, battery_volts=12.5, **rpm))
            t_s += 0.02
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.3)
    found = [one.body for one in ear.of("/sample")]
    assert 7 <= len(found) <= 12, "2 s at one in 0.2 s"
    assert {one.qos for one in ear.of("/sample")} == {0}
    assert all(one["t_ns"] >= 1_000_000_000 for one in found)
    assert [one["seq"] for one in found] == sorted({one["seq"] for one in found})
    # The tachometer reads every fifth sample: every message has it all the same, with its age.
    assert all("engine_rpm" in one["channels"] for one in found[1:-1])
    assert all(one["channels"]["engine_rpm"]["age_s"] <= 0.2 for one in found[1:-1])
    for one in found:
        assert datetime.fromisoformat(one["time"]) == datetime.fromisoformat(STARTED) + timedelta(
            milliseconds=one["t_ns"] // 1_000_000
        )


async def test_every_sample_where_every_one_is_wanted(tmp_path: Path, broker: Broker) -> None:
    world = World(tmp_path, broker, {"sample_every_s": 0.0})
    async with Ear(broker) as ear, world.running():
        await until(lambda: ear.of("bay-1/state"))
        for number in range(40):
            world.book.add("run-1", *(sample(number + part / 10, battery_volts=12.5) for part in range(5)))
        await until(lambda: len(ear.of("/sample")) >= 200)
        before = time.process_time()
        await asyncio.sleep(1.0)
        assert time.process_time() - before < 0.3, "without samples there is nothing to do"
    assert [one.body["seq"] for one in ear.of("/sample")] == list(range(1, 201))


async def test_samples_are_not_held_up_by_verdicts_that_are_behind(world: World, broker: Broker) -> None:
    """An hour's backlog is replayed; what is measured now is seen now."""
    for number in range(3000):
        world.book.add(f"old-{number}", verdict(f"old-{number}"))
    async with Ear(broker) as ear, world.running() as forwarder:
        await until(lambda: len(ear.of("/verdict")) > 10)
        world.book.add("new", sample(1.0, battery_volts=12.5))
        await until(lambda: ear.of("/sample"))
        assert forwarder.status().position < 3000
        assert forwarder.status().state == "sending"
        await until(lambda: len(ear.of("/verdict")) == 3000, 60)
        assert len(ear.of("/sample")) == 1


async def test_every_verdict_in_order_once_if_nothing_fails(world: World, broker: Broker) -> None:
    for number in range(120):  # more rows than are read at once
        world.book.add(f"run-{number}", sample(1.0, battery_volts=12.5), verdict(f"run-{number}"))
    async with Ear(broker) as ear:
        async with world.running() as forwarder:
            await until(lambda: len(ear.of("/verdict")) == 120)
            assert [one.body["run"] for one in ear.of("/verdict")] == [f"run-{number}" for number in range(120)]
            assert {(one.qos, one.retain) for one in ear.of("/verdict")} == {(1, False)}
            await until(lambda: forwarder.status().behind_rows == 0)
            assert forwarder.status().state == "up to date"
            assert not ear.of("/sample"), "they are of before"
        world.book.add("run-120", verdict("run-120", "fail"))
        async with world.running():  # a restart goes on at the cursor
            await until(lambda: len(ear.of("/verdict")) > 120)
            await asyncio.sleep(0.3)
        assert [one.body["run"] for one in ear.of("/verdict")[120:]] == ["run-120"]


async def test_broker_killed_and_restarted_in_the_middle(world: World, broker: Broker) -> None:
    """Every verdict arrives at least once, states are back, and what a listener knows is what happened."""
    runs = [f"run-{number}" for number in range(60)]

    async def write() -> None:
        for number, run in enumerate(runs):
            world.book.add(run, sample(1.0, battery_volts=12.5, engine_rpm=3450.0), verdict(run))
            await asyncio.sleep(0.05)
            if number in (15, 35):
                broker.kill()
            if number in (20, 40):
                broker.start()

    async with Ear(broker) as ear, world.running() as forwarder:
        await until(lambda: ear.of(STATE))
        await write()
        await until(lambda: forwarder.status().behind_rows == 0)
        await until(lambda: ear.connections == 3 and set(runs) <= {one.body["run"] for one in ear.of("/verdict")})
        assert forwarder.status().failures >= 2
        assert forwarder.status().last_error is not None
    first_seen = list(dict.fromkeys(one.body["run"] for one in ear.of("/verdict")))
    assert sorted(first_seen) == sorted(runs)
    async with world.running(), Ear(broker) as late:  # a killed broker forgot them; the forwarder told them again
        await until(lambda: {one.topic for one in late.heard} >= {STATE, f"benchd/{DAEMON}/bay-1/state"})


async def test_killed_at_random_moments_a_reader_with_a_session_misses_nothing(tmp_path: Path) -> None:
    """What the broker had just taken when it was killed is sent again: every verdict is heard, some twice."""
    keeping = f"persistence true\npersistence_location {tmp_path}/\nautosave_on_changes true\nautosave_interval 1"
    broker = Broker(tmp_path, more=keeping)
    broker.start()
    world, moments, written = World(tmp_path, broker), random.Random(20261125), 0
    try:
        async with Ear(broker, keep=True) as ear, world.running() as forwarder:
            for _ in range(8):
                until_s = time.monotonic() + moments.uniform(0.05, 0.6)
                while time.monotonic() < until_s:
                    world.book.add(f"run-{written}", verdict(f"run-{written}"))
                    written += 1
                    await asyncio.sleep(0.005)
                await asyncio.to_thread(broker.kill)
                await asyncio.to_thread(broker.start)
            await until(lambda: forwarder.status().behind_rows == 0, 30)
            expected = {f"run-{number}" for number in range(written)}
            await until(lambda: {one.body["run"] for one in ear.of("/verdict")} == expected)
            assert forwarder.status().quarantined == 0
    finally:
        broker.kill()


def test_what_is_sent_again_is_of_the_last_minute_and_bounded() -> None:
    now = 0.0
    recent = Recent(lambda: now)
    for number in range(MOST_RECENT + 5):
        recent.add("topic", str(number).encode())
    assert [payload for _, payload in recent.again()] == [str(one).encode() for one in range(5, MOST_RECENT + 5)]
    now = RESEND_S - 1
    recent.add("topic", b"late")
    now = RESEND_S + 1
    assert recent.again() == [("topic", b"late")]


def test_only_the_same_verdict_over_and_over_is_given_up() -> None:
    stumbles = Stumbles()
    for _ in range(STUMBLES - 1):
        stumbles.trying = (7, 130)
        stumbles.ended()
        assert not stumbles.enough
    stumbles.trying = (8, 20)  # another one in between
    stumbles.ended()
    stumbles.trying = (7, 130)
    stumbles.ended()
    assert not stumbles.enough
    for _ in range(STUMBLES - 1):
        stumbles.ended()
    assert stumbles.enough
    stumbles.trying = None
    assert not stumbles.enough


async def test_lag_is_told_while_the_broker_is_away(world: World, broker: Broker) -> None:
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().state == "up to date")
        broker.kill()
        await until(lambda: forwarder.status().state == "waiting to try again")
        world.book.add("run-1", sample(1.0, battery_volts=12.5))
        await until(lambda: forwarder.status().behind_s > 0)
        status = forwarder.status()
        assert status.behind_rows == 1
        assert "is the broker running?" in str(status.last_error)
        broker.start()
        await until(lambda: forwarder.status().behind_rows == 0 and forwarder.status().state == "up to date")
        assert forwarder.status().behind_s == 0


async def test_a_frozen_broker_is_noticed_and_holds_nothing_up(world: World, broker: Broker) -> None:
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().state == "up to date")
        broker.freeze()
        began = time.monotonic()
        world.book.add("run-1", verdict("run-1"))
        await until(lambda: forwarder.status().state == "waiting to try again", 5)
        assert time.monotonic() - began < 2 * BRISK.waits.answer_s + 1
        assert forwarder.status().position == 0, "not acknowledged, not passed"
        worst_s = 0.0
        for _ in range(100):  # the loop that everything else lives in
            before = time.monotonic()
            await asyncio.sleep(0.01)
            worst_s = max(worst_s, time.monotonic() - before)
        assert worst_s < 0.25
        stopping = time.monotonic()
    assert time.monotonic() - stopping < 4, "a stop is not held up either"
    broker.thaw()
    async with Ear(broker) as ear, world.running():
        await until(lambda: [one.body["run"] for one in ear.of("/verdict")][-1:] == ["run-1"])


async def test_stopping_while_the_broker_is_frozen_takes_little_time(world: World, broker: Broker) -> None:
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().state == "up to date")
        broker.freeze()
        began = time.monotonic()
    assert time.monotonic() - began < 4
    broker.thaw()


async def test_a_wrong_password_is_told_without_the_password(tmp_path: Path, broker: Broker, caplog) -> None:
    world = World(tmp_path, broker, password="wrong horse 9")
    caplog.set_level(0)
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().state == "refused")
        said = json.dumps(forwarder.status().to_json())
        assert "does not let user 'benchd' in" in said
        assert "wrong horse" not in said + caplog.text
        # Once the password file is right it is used, without a restart.
        (tmp_path / "mqtt-password").write_text(PASSWORD)
        await until(lambda: forwarder.status().state == "up to date")
        assert PASSWORD not in json.dumps(forwarder.status().to_json()) + caplog.text


async def test_a_missing_password_file_is_told(world: World, tmp_path: Path) -> None:
    (tmp_path / "mqtt-password").unlink()
    async with world.running() as forwarder:
        await until(lambda: "mqtt-password" in str(forwarder.status().last_error))
        assert forwarder.status().state == "waiting to try again"


async def test_the_last_will_is_said_when_the_client_is_killed(tmp_path: Path, broker: Broker) -> None:
    """The forwarder in a process of its own, ended by kill -9; another one takes its place at once."""
    (tmp_path / "other").mkdir()
    script = Path(__file__).with_name("mqtt_child.py")
    async with Ear(broker) as ear:
        child = await asyncio.create_subprocess_exec(
            sys.executable, str(script), str(tmp_path / "other"), str(broker.port)
        )
        try:
            await until(lambda: [one for one in ear.of(STATE) if one.body["state"] == "up"], 30)
        finally:
            child.kill()
            await child.wait()
        await until(lambda: ear.of(STATE)[-1].body["state"] == "gone")
        async with World(tmp_path, broker).running():
            await until(lambda: ear.of(STATE)[-1].body["state"] == "up")
        assert len({one.body["instance"] for one in ear.of(STATE)}) == 2


async def test_a_late_last_will_of_the_forerunner_is_corrected(world: World, broker: Broker) -> None:
    gone = {"schema": 1, "daemon": DAEMON, "state": "gone", "instance": "0123456789abcdef"}
    async with world.running() as forwarder, Ear(broker) as ear:
        await until(lambda: ear.of(STATE))
        async with broker.client() as office:
            await office.publish(STATE, json.dumps(gone), 1, True)
        await until(lambda: len(ear.of(STATE)) >= 3)
        assert [one.body["state"] for one in ear.of(STATE)][-2:] == ["gone", "up"]
        assert not forwarder.warnings()


async def test_two_daemons_with_one_identity_warn_both_and_do_not_quarrel(tmp_path: Path, broker: Broker) -> None:
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir()
    async with (
        World(folders[0], broker).running() as first,
        Ear(broker) as ear,
    ):
        await until(lambda: ear.of(STATE))
        async with World(folders[1], broker).running() as second:
            await until(lambda: first.warnings() and second.warnings())
            assert "copied BENCHD_HOME" in str(first.status().last_error)
            await asyncio.sleep(1.0)
            assert len(ear.of(STATE)) < 8, "they answer each other once, not for ever"
        await until(lambda: not first.warnings())
        await until(lambda: ear.of(STATE)[-1].body["state"] == "up")  # the one that is left corrects the state


async def test_a_journal_that_cannot_be_read_leaves_the_states_alone(world: World, broker: Broker) -> None:
    world.book.broken = True
    async with world.running() as forwarder, Ear(broker) as ear:
        await until(lambda: ear.of("bay-1/state"))
        assert "the disk is away" in str(forwarder.status().last_error)
        world.book.broken = False
        world.book.add("run-1", verdict("run-1"))
        await until(lambda: ear.of("/verdict"))


async def test_a_broker_that_will_not_have_verdicts_is_told_and_nothing_is_passed(tmp_path: Path) -> None:
    """MQTT 5 says in the acknowledgement that a message was thrown away; the version before could not."""
    broker = Broker(tmp_path, acl=f"user benchd\ntopic readwrite {STATE}\ntopic write benchd/+/+/state\n")
    broker.start()
    world = World(tmp_path, broker)
    try:
        world.book.add("run-1", verdict("run-1"))
        async with world.running() as forwarder:
            await until(lambda: forwarder.status().state == "refused")
            assert "/bay-1/verdict" in str(forwarder.status().last_error)
            assert forwarder.status().position == 0
    finally:
        broker.kill()


async def test_a_verdict_too_long_for_the_broker_goes_into_quarantine(tmp_path: Path) -> None:
    broker = Broker(tmp_path, more="message_size_limit 4000")
    broker.start()
    world = World(tmp_path, broker)
    try:
        world.book.add("run-1", verdict("run-1") | {"reasons": ["x" * 5000]})
        world.book.add("run-2", verdict("run-2"))
        async with world.running() as forwarder, Ear(broker) as ear:
            await until(lambda: ear.of("/verdict"))
            assert [one.body["run"] for one in ear.of("/verdict")] == ["run-2"]
            assert forwarder.status().quarantined == 1
            (kept,) = world.store.quarantine("mqtt")
            assert (kept.run, json.loads(kept.line)["run"]) == ("run-1", "run-1")
            # Released too early it comes back once and the rest goes on; with a broker that takes it, it is gone.
            world.store.release("mqtt")
            world.book.add("run-3", verdict("run-3"))
            await until(
                lambda: [one.reason for one in world.store.quarantine("mqtt")][-1:] == [f"tried again: {kept.reason}"]
            )
            await until(lambda: [one.body["run"] for one in ear.of("/verdict")][-1:] == ["run-3"])
            broker.kill()
            conf = tmp_path / "mosquitto.conf"
            conf.write_text(conf.read_text().replace("message_size_limit 4000", ""))
            broker.start()
            world.store.release("mqtt")
            world.book.add("run-4", verdict("run-4"))
            await until(lambda: {"run-1", "run-4"} <= {one.body["run"] for one in ear.of("/verdict")})
            await until(lambda: forwarder.status().quarantined == 0)
    finally:
        broker.kill()


async def test_a_restored_journal_is_told_from_the_start_again(world: World, broker: Broker) -> None:
    for number in range(3):
        world.book.add(f"run-{number}", verdict(f"run-{number}"))
    async with Ear(broker) as ear:
        async with world.running():
            await until(lambda: len(ear.of("/verdict")) == 3)
        world.book.made = "another"
        del world.book.rows[1:]  # put back from a copy, and gone on with other runs
        for number in range(7, 10):
            world.book.add(f"run-{number}", verdict(f"run-{number}"))
        async with world.running():
            await until(
                lambda: [one.body["run"] for one in ear.of("/verdict")][3:] == ["run-0", "run-7", "run-8", "run-9"]
            )


async def test_nobody_there_and_an_address_that_swallows(tmp_path: Path, broker: Broker) -> None:
    """A listener that accepts and never answers: bounded, told, and the stop is not held up."""
    silent = await asyncio.start_server(lambda reader, writer: asyncio.sleep(30), "127.0.0.1", 0)
    world = World(tmp_path, broker, {"port": silent.sockets[0].getsockname()[1]})
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().failures > 0)
        assert "did not answer within 1 s" in str(forwarder.status().last_error)
        began = time.monotonic()
    assert time.monotonic() - began < 4
    silent.close()
    with suppress(TimeoutError):
        await asyncio.wait_for(silent.wait_closed(), 1)


async def test_who_was_cancelled_ends_though_the_library_kept_it_to_itself() -> None:
    """As asyncio.wait_for does before Python 3.12 when the answer comes at the same moment; then nobody ever hears of it."""

    async def answered_at_that_moment() -> str:
        with suppress(asyncio.CancelledError):
            await asyncio.sleep(10)
        return "the answer"

    task = asyncio.create_task(mqtt_link._heard(answered_at_that_moment()))
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait({task}, timeout=5)
    assert task.cancelled()
    assert await mqtt_link._heard(asyncio.sleep(0, "an answer")) == "an answer"
