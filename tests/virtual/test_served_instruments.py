"""The virtual bench's instruments read through real ports by the real links, drivers and sampler, in bench time."""

import asyncio
import os
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchd import config, registry
from benchd.clock import Clock
from benchd.core.samples import Sample
from benchd.sampler import Sampler
from benchd.virtual import Scenario, VirtualBench
from benchd.virtual import serve as served

REGULATOR = ("battery_volts", "charge_amps", "engine_rpm")
STATOR = ("stator_volts", "stator_hertz", "engine_rpm")
SPEED = 8.0  # a machine that is busy for half a second must not look like a meter that is away
OPENING_S = 9.0


@dataclass
class Heard:
    """What the sampler emitted."""

    records: list[dict[str, Any]] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)

    def __call__(self, item: Any) -> None:
        if isinstance(item, Sample):
            self.samples.append(item)
        else:
            self.records.append(dict(item))

    def numbers(self, channel: str, last: int = 10) -> list[float]:
        found = [one.number(channel) for one in self.samples if channel in one.values]
        return [number for number in found if number is not None][-last:]

    def of(self, kind: str, **keys: Any) -> list[dict[str, Any]]:
        return [one for one in self.records if one["kind"] == kind and all(one.get(k) == v for k, v in keys.items())]

    def gaps(self, **keys: Any) -> list[dict[str, Any]]:
        """Gaps once all ports were open, which takes real time."""
        return [one for one in self.of("gap", **keys) if one["t_ns"] > OPENING_S * 1e9]


async def listen(virtual: VirtualBench, clock: Clock, folder: Path, channels: tuple[str, ...], seconds: float) -> Heard:
    """Read the bench as its file says for so much bench time."""
    path = folder / "bench.toml"
    path.write_text(virtual.bench_toml)
    sampler = Sampler(config.load_bench(path), channels, clock, registry.drivers(), virtual.scenario.poles)
    heard = Heard()
    running = asyncio.ensure_future(sampler.run(heard))
    await clock.sleep(seconds)
    running.cancel()
    await asyncio.wait({running})
    return heard


async def run_engine(
    fault: str | None, folder: Path, channels: tuple[str, ...], seconds: float, strength: float | None = None
) -> tuple[Heard, VirtualBench]:
    """The engine is at full throttle from the first moment on."""
    scenario = Scenario() if fault is None else Scenario().with_fault(fault, strength)
    clock = Clock(SPEED)
    async with VirtualBench(scenario, clock) as virtual:
        virtual.world.plug_regulator("stator_volts" not in channels)
        virtual.world.start_engine()
        virtual.world.throttle(1.0)
        return await listen(virtual, clock, folder, channels, seconds), virtual


async def test_every_channel_reads_what_is_true_within_its_statement(tmp_path):
    heard, virtual = await run_engine(None, tmp_path, REGULATOR, 40.0)
    world = virtual.world
    for channel, true in [
        ("battery_volts", world.battery_volts),
        ("charge_amps", world.charge_amps),
        ("engine_rpm", world.rpm),
    ]:
        numbers = heard.numbers(channel)
        assert len(numbers) == 10, channel
        # the meter's statement, ripple or jitter, and what moved in the last seconds
        assert sum(numbers) / 10 == pytest.approx(true, rel=0.03), channel
    assert not heard.gaps()
    assert not heard.of("flag")
    assert not [one for one in heard.of("notice") if one["notice"] != "timeout"]  # a busy machine may be late
    assert heard.of("instrument", name="volts")[-1]["identity"].startswith("TESSLUND")


async def test_the_stators_channels(tmp_path):
    heard, virtual = await run_engine(None, tmp_path, STATOR, 20.0)
    volts, hertz, rpm = (sum(found) / len(found) for found in map(heard.numbers, STATOR))
    assert hertz == pytest.approx(rpm * virtual.scenario.poles / 120, rel=0.005)
    assert volts == pytest.approx(virtual.scenario.stator_volts_at_3600 * rpm / 3600, rel=0.012)
    assert not heard.gaps()
    assert not [one for one in heard.of("notice") if one["notice"] != "timeout"]  # a busy machine may be late


async def at_once(folder: Path, runs: dict[str, tuple[str, tuple[str, ...], float, float]]) -> dict[str, Heard]:
    """Benches side by side, since they do little but wait: name -> (fault, channels, seconds, strength)."""

    async def one(name: str) -> Heard:
        fault, channels, seconds, strength = runs[name]
        (folder / name).mkdir()
        return (await run_engine(fault, folder / name, channels, seconds, strength))[0]

    return dict(zip(runs, await asyncio.gather(*map(one, runs)), strict=True))


@pytest.mark.parametrize(
    ("channels", "cases"),
    [
        (
            REGULATOR,
            [
                ("meter-hold", "battery_volts", "hold"),
                ("meter-overload", "charge_amps", "overload"),
                ("meter-wrong-dial", "battery_volts", "wrong function"),
            ],
        ),
        (
            STATOR,
            [
                ("meter-hold", "stator_volts", "hold"),
                ("meter-overload", "stator_volts", "overload"),
                ("meter-wrong-dial", "stator_volts", "wrong function"),
            ],
        ),
    ],
    ids=["regulator", "stator"],
)
async def test_a_display_that_is_no_measurement_is_flagged(tmp_path, channels, cases):
    all_heard = await at_once(tmp_path, {fault: (fault, channels, 20.0, 10.0) for fault, _, _ in cases})
    for fault, channel, flag in cases:
        heard = all_heard[fault]
        assert heard.of("flag", channel=channel, flag=flag, state="on"), fault
        tail = [one.values[channel] for one in heard.samples[-6:] if channel in one.values]
        assert tail, fault
        assert all(one.value is None for one in tail), fault


async def test_a_meter_that_sleeps_is_lost(tmp_path):
    asleep = {"shunt": REGULATOR, "stator": STATOR}
    runs = {name: ("meter-sleep", channels, 22.0, 10.0) for name, channels in asleep.items()}
    for instrument, heard in (await at_once(tmp_path, runs)).items():
        lost = heard.gaps(instrument=instrument, state="lost")
        times_s = [one["t_ns"] / 1e9 for one in lost]
        assert [10.0 < one < 19.0 for one in times_s] == [True], (
            instrument,
            times_s,
        )  # 3 s, and what ports take at a fast clock


async def test_a_meter_is_unplugged_and_plugged_in_again(tmp_path):
    pulled = {"volts": REGULATOR, "stator": STATOR}
    runs = {name: ("meter-unplugged", channels, 45.0, 12.0) for name, channels in pulled.items()}
    for instrument, heard in (await at_once(tmp_path, runs)).items():
        gaps = heard.gaps(instrument=instrument)
        assert [one["state"] for one in gaps][:2] == ["lost", "back"], instrument
        assert gaps[-1]["state"] == "back", instrument
        assert heard.numbers(pulled[instrument][0], 3), instrument


async def test_reversed_leads_read_negative(tmp_path):
    heard, _ = await run_engine("meter-leads-reversed", tmp_path, REGULATOR, 15.0)
    assert max(heard.numbers("charge_amps", 6)) < -10.0


async def test_cut_frames_are_told_and_none_is_read(tmp_path):
    cut = {"charge_amps": REGULATOR, "stator_volts": STATOR}
    runs = {name: ("meter-cut-frames", channels, 30.0, 0.4) for name, channels in cut.items()}
    for channel, heard in (await at_once(tmp_path, runs)).items():
        assert heard.of("notice"), channel
        numbers = heard.numbers(channel, 20)
        assert len(numbers) > 4, channel
        assert max(numbers) - min(numbers) < 0.2 * max(numbers), channel


async def test_without_pseudo_terminals_all_is_served_on_tcp(tmp_path, monkeypatch):
    monkeypatch.setattr(served, "HAS_PTY", False)
    heard, virtual = await run_engine(None, tmp_path, REGULATOR, 15.0)
    assert not heard.gaps()
    assert heard.numbers("engine_rpm")[-1] == pytest.approx(virtual.world.rpm, rel=0.02)
    ports = [one["port"] for one in tomllib.loads(virtual.bench_toml)["instruments"].values()]
    assert all("127.0.0.1" in port for port in ports)


def there(path: str) -> bool:
    return os.path.exists(path)


async def test_nothing_is_left_behind(tmp_path):
    before = {one for one in asyncio.all_tasks()}
    async with VirtualBench(Scenario(), Clock(SPEED)) as virtual:
        port = tomllib.loads(virtual.bench_toml)["instruments"]["shunt"]["port"]
        assert there(port)
        virtual.operator({"id": "start-engine"})
    assert not there(os.path.dirname(port))
    assert {one for one in asyncio.all_tasks()} == before


async def test_nobody_reading_costs_nothing_and_blocks_nothing():
    clock = Clock(200.0)
    async with VirtualBench(Scenario(), clock) as virtual:
        await clock.sleep(400.0)  # 800 frames: more than a terminal holds
        assert virtual.world.t_s > 300.0


# --- the technician -----------------------------------------------------------------------------------------------------


async def wait_until(clock: Clock, true: Any, seconds: float) -> None:
    end_ns = clock.now_ns() + int(seconds * 1e9)
    while not true():
        assert clock.now_ns() < end_ns, "it never came to it"
        await clock.sleep(0.2)


async def test_the_technician_hooks_up_starts_and_opens_the_throttle():
    clock = Clock(50.0)
    async with VirtualBench(Scenario(), clock) as virtual:
        world = virtual.world
        assert virtual.operator({"id": "hook-up", "text": "Hook-up, engine stopped: unplug the regulator."}) == "done"
        assert world.regulator_plugged is False
        assert virtual.operator({"id": "hook-up", "text": "regulator plugged in"}) == "done"
        assert world.regulator_plugged is True
        assert virtual.operator({"id": "start-engine"}) is None
        assert virtual.operator({"id": "start-engine"}) is None  # twice is not two engines
        assert world.rpm == 0.0
        await wait_until(clock, lambda: world.rpm > 3400, 120.0)
        assert virtual.operator({"id": "close-throttle"}) is None
        await wait_until(clock, lambda: world.rpm < 20 and not world.key_on, 30.0)


async def test_leads_are_moved_only_when_the_engine_stands():
    clock = Clock(50.0)
    async with VirtualBench(Scenario(), clock, "stator") as virtual:
        world = virtual.world
        virtual.operator({"id": "hook-up"})
        assert world.regulator_plugged is False
        virtual.operator({"id": "start-engine"})
        await wait_until(clock, lambda: world.rpm > 3400, 120.0)
        virtual.operator({"id": "close-throttle"})
        virtual.operator({"id": "lead-pair:2"})
        virtual.operator({"id": "start-engine"})
        await wait_until(clock, lambda: world.lead_pair == 2, 60.0)
        assert world.rpm < 20
        await wait_until(clock, lambda: world.rpm > 3400, 120.0)


async def test_what_else_the_technician_answers():
    clock = Clock(400.0)
    async with VirtualBench(Scenario(start_charge=0.9), clock, "regulator") as virtual:
        assert float(virtual.operator({"id": "battery-celsius"})) == round(virtual.scenario.celsius)
        assert virtual.operator({"id": "lead-ohms:1"}) == ""
        before = virtual.world.battery_volts
        assert virtual.operator({"id": "discharge"}) == "done"
        await clock.sleep(20.0 * 60)
        assert virtual.world.battery_volts < before - 0.03
    async with VirtualBench(Scenario().with_fault("battery-nearly-full"), clock) as virtual:
        assert virtual.operator({"id": "discharge"}) == "skip"


async def test_a_run_after_another_begins_on_a_machine_and_meters_that_have_come_to_rest() -> None:
    """A meter still showed the volts of the run before: their fall to rest was read as a crank that never ended."""
    clock = Clock(60.0)
    async with VirtualBench(Scenario().for_visit(), clock) as virtual:
        virtual.world.start_engine()
        virtual.world.throttle(1.0)
        await clock.sleep(30.0)
        assert virtual.world.battery_volts > 13.0
        await virtual.arrive("crank")
        shown = {one.meter.channel: one.newest.value for one in virtual._places if one.newest is not None}
        assert shown["engine_rpm"] == 0.0
        assert shown["charge_amps"] == pytest.approx(0.0, abs=0.5)
        assert shown["battery_volts"] == pytest.approx(virtual.world.battery.emf(), abs=0.05)
