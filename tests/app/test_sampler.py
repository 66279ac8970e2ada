"""The sampler on recordings under a clock that stands still between steps: every time in it is exact."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchd.clock import Clock, StepClock
from benchd.config import Bench, Channel, Instrument
from benchd.core.readings import CURES, Flag
from benchd.core.samples import Sample
from benchd.errors import ConfigError
from benchd.sampler import Sampler, settings_of, skew_s
from benchd.wire import Driver, Notice, Quantity, Reading, Settings
from benchd.wire.framing import Lines


class Words:
    """A recording whose only column holds 'dc volts 12.60', 'dc volts 12.60 hold', 'frequency 60 @point', or a notice."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.answered = True
        self.connected()

    def connected(self) -> None:
        self.reader = Lines(join=False).reader()

    def request(self) -> None:
        return None

    def timed_out(self) -> list[Reading | Notice]:
        return []

    def receive(self, data: bytes) -> list[Reading | Notice]:
        lines = [line.decode().partition(",")[2] for line in self.reader.feed(data) if isinstance(line, bytes)]
        return [said for line in lines for text in line.split(";") if (said := self.said(text)) is not None]

    def said(self, text: str) -> Reading | Notice | None:
        kind, _, rest = text.partition(" ")
        if kind == "break":
            raise RuntimeError("a mistake in the driver")
        if kind in ("identity", "garbage", "error"):
            return Notice(kind, rest, len(rest) if kind == "garbage" else 1)
        text, _, point = text.partition(" @")
        quantity = next((one for one in Quantity if text.startswith(one.value + " ")), None)
        if quantity is None:
            return None
        number, *flags = text.removeprefix(quantity.value + " ").split(" ", 1)
        words = frozenset(Flag(flag) for flag in flags)
        if number == "-":
            return Reading(quantity, None, flags=words, point=point)
        return Reading.of_text(quantity, number, flags=words, point=point)


WORDS = {"words": Driver("words", "words in a recording", Words)}
VOLTS = Channel("battery_volts", "volts", Quantity.DC_VOLTS)
AMPS = Channel("charge_amps", "amps", Quantity.DC_AMPS)


@dataclass
class Emitted:
    """What a sampler emitted."""

    records: list[dict[str, Any]] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)

    def __call__(self, item: Mapping[str, Any] | Sample) -> None:
        if isinstance(item, Sample):
            self.samples.append(item)
        else:
            self.records.append(dict(item))

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [one for one in self.records if one["kind"] == kind]

    def rows(self) -> list[tuple[float, dict[str, float | None]]]:
        return [(one.t_s, {name: value.value for name, value in one.values.items()}) for one in self.samples]

    def of_channel(self, name: str) -> list[float | None]:
        return [one.values[name].value for one in self.samples if name in one.values]


class Rig:
    """A bench whose instruments are recordings of words."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.instruments: dict[str, Instrument] = {}
        self.clock = StepClock(77_000_000_000)
        self.emitted = Emitted()

    def meter(self, name: str, *said: tuple[float, str], options: Mapping[str, Any] | None = None) -> None:
        path = self.folder / f"{name}.csv"
        path.write_text("t_s,said\n" + "".join(f"{t_s},{text}\n" for t_s, text in said), encoding="utf-8")
        self.instruments[name] = Instrument(name, "words", f"replay:{path}", options or {})

    def bench(self, *channels: Channel, **keys: Any) -> Bench:
        return Bench(
            "a test's bench", instruments=self.instruments, channels={one.name: one for one in channels}, **keys
        )

    async def run(self, seconds: float, *channels: Channel, poles: int | None = None, **keys: Any) -> Emitted:
        bench = self.bench(*channels, **keys)
        sampler = Sampler(bench, list(bench.channels), self.clock, WORDS, poles)
        task = asyncio.create_task(sampler.run(self.emitted))
        await self.clock.advance(seconds)
        task.cancel()
        await asyncio.wait({task})
        if not task.cancelled():
            await task
        return self.emitted


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def every(step_s: float, text: str, until_s: float, since_s: float = 0.0) -> Sequence[tuple[float, str]]:
    return [(since_s + step_s * number, text) for number in range(round((until_s - since_s) / step_s))]


# --- samples --------------------------------------------------------------------------------------------------------


async def test_a_sample_holds_what_came_since_the_last_and_nothing_twice(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.60"), (0.4, "dc volts 12.61"), (1.2, "dc volts 12.62"), (9, "dc volts 1"))
    found = await rig.run(2.0, VOLTS)
    assert found.rows() == [(0.5, {"battery_volts": 12.61}), (1.0, {}), (1.5, {"battery_volts": 12.62}), (2.0, {})]
    value = found.samples[0].values["battery_volts"]
    assert (value.resolution, value.age_s) == (0.01, pytest.approx(0.1))


async def test_two_meters_are_aligned_by_arrival_and_their_skew_is_in_the_ages(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.60"), (0.45, "dc volts 12.70"), (9, "dc volts 1"))
    rig.meter("amps", (0.0, "dc amps 14"), (0.2, "dc amps 15"), (9, "dc amps 1"))
    found = await rig.run(0.5, VOLTS, AMPS)
    (sample,) = found.samples
    assert {name: (one.value, round(one.age_s, 3)) for name, one in sample.values.items()} == {
        "battery_volts": (12.7, 0.05),
        "charge_amps": (15.0, 0.3),
    }
    assert skew_s(sample) == pytest.approx(0.25)
    assert skew_s(Sample(0)) == 0.0


async def test_every_reading_is_told_with_its_time_and_digits(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.60"), (0.25, "dc volts 12.70 hold"), (9, "dc volts 1"))
    found = await rig.run(0.4, VOLTS)
    first, second = found.of("reading")
    assert first == {
        "kind": "reading",
        "t_ns": 0,
        "instrument": "volts",
        "quantity": "dc volts",
        "point": "",
        "value": 12.6,
        "resolution": 0.01,
        "flags": [],
    }
    assert (second["t_ns"], second["value"], second["flags"]) == (250_000_000, 12.7, ["hold"])


class Late(StepClock):
    """A clock whose computer is held up for 1.7 s once."""

    async def sleep(self, seconds: float) -> None:
        await super().sleep(seconds)
        if 1_000_000_000 <= self._now_ns < 1_100_000_000:
            self._now_ns += 1_700_000_000


async def test_steps_that_a_stalled_computer_missed_are_left_out(rig: Rig) -> None:
    rig.meter("volts", *every(0.25, "dc volts 12.60", 9))
    rig.clock = Late()
    found = await rig.run(4.0, VOLTS, sample_s=0.5)
    times = [one.t_s for one in found.samples]
    assert times[:1] == [0.5]
    assert times[2:] == [3.0, 3.5, 4.0]
    assert not found.of("gap")


# --- channels -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "said", "value", "resolution"),
    [
        (Channel("charge_amps", "m", Quantity.DC_VOLTS, ratio=50 / 0.075), "dc volts 0.0225", 15.0, 0.0666667),
        (Channel("battery_volts", "m", Quantity.DC_VOLTS, ratio=2.0, offset=0.5), "dc volts 7.00", 13.5, 0.02),
        (Channel("charge_amps", "m", Quantity.DC_AMPS, ratio=-1.0), "dc amps -15.0", 15.0, 0.1),
        (Channel("engine_rpm", "m", Quantity.SPEED), "speed 3600", 3600.0, 1.0),
        (Channel("engine_rpm", "m", Quantity.SPEED, pulses_per_rev=2), "speed 7200", 3600.0, 0.5),
        (Channel("engine_rpm", "m", Quantity.FREQUENCY), "frequency 60.0", 3600.0, 6.0),
        (Channel("engine_rpm", "m", Quantity.FREQUENCY, pulses_per_rev=0.5), "frequency 30.0", 3600.0, 12.0),
        (Channel("stator_volts", "m", Quantity.AC_VOLTS, point="left"), "ac volts 40.1 @left", 40.1, 0.1),
        (Channel("stator_volts", "m", Quantity.AC_VOLTS), "ac volts 40.1 @stator_volts", 40.1, 0.1),
    ],
)
async def test_a_channel_is_the_reading_times_ratio_minus_offset(
    rig: Rig, channel: Channel, said: str, value: float, resolution: float
) -> None:
    rig.meter("m", (0, said), (9, said))
    found = (await rig.run(0.5, channel)).samples[0].values[channel.name]
    assert found.value == pytest.approx(value)
    assert found.resolution == pytest.approx(resolution)


async def test_rpm_from_stator_frequency_is_120_f_over_poles(rig: Rig) -> None:
    """Textbook: f = p n / 120 with p poles (not pole pairs) and n in rpm."""
    rig.meter("hertz", (0, "frequency 360.0"), (9, "frequency 1"))
    hertz = Channel("stator_hertz", "hertz", Quantity.FREQUENCY)
    rpm = Channel("engine_rpm", "", Quantity.FREQUENCY, from_channel="stator_hertz")
    found = await rig.run(0.5, hertz, rpm, poles=12)
    assert found.rows() == [(0.5, {"stator_hertz": 360.0, "engine_rpm": pytest.approx(3600.0)})]
    with pytest.raises(ConfigError, match=r"channels\.engine_rpm comes from stator_hertz, .*magnet_poles"):
        Sampler(rig.bench(hertz, rpm), ["engine_rpm"], rig.clock, WORDS, None)


async def test_rpm_from_a_bare_count_is_its_rate(rig: Rig) -> None:
    rig.meter("tach", *((number / 4, f"pulses {100 + 15 * number}") for number in range(40)))
    found = await rig.run(2.9, Channel("engine_rpm", "tach", Quantity.PULSES), sample_s=0.55)
    assert [round(one or 0, 6) for one in found.of_channel("engine_rpm")] == [3600.0] * 4
    assert found.samples[-1].values["engine_rpm"].resolution == pytest.approx(60.0)


async def test_readings_of_other_points_are_kept_but_belong_to_no_channel(rig: Rig) -> None:
    rig.meter("m", (0, "dc volts 12.6 @a;dc volts 5.0 @b;ac volts 1 @b"), (9, "dc volts 1 @a"))
    found = await rig.run(0.5, Channel("battery_volts", "m", Quantity.DC_VOLTS, point="a"))
    assert found.rows() == [(0.5, {"battery_volts": 12.6})]
    assert len(found.of("reading")) == 3
    assert not found.of("flag")


def test_a_driver_is_told_the_functions_its_channels_want(rig: Rig) -> None:
    rig.meter("m", options={"poll_s": 0.1, "key": 7})
    hertz = Channel("stator_hertz", "m", Quantity.FREQUENCY)
    rpm = Channel("engine_rpm", "", Quantity.FREQUENCY, from_channel="stator_hertz")
    bench = rig.bench(Channel("stator_volts", "m", Quantity.AC_VOLTS, point="left"), hertz, rpm, VOLTS)
    expected = ((Quantity.AC_VOLTS, "left"), (Quantity.FREQUENCY, ""))
    assert settings_of(bench, rig.instruments["m"]) == Settings(expected, {"key": 7})
    assert settings_of(bench, rig.instruments["m"], ["engine_rpm"]).functions == ((Quantity.FREQUENCY, ""),)


def test_what_cannot_be_read_is_a_mistake_in_the_files(rig: Rig) -> None:
    rig.meter("volts")
    with pytest.raises(ConfigError, match=r"instruments\.volts: driver 'words' is not there; there are other"):
        Sampler(rig.bench(VOLTS), ["battery_volts"], rig.clock, {"other": WORDS["words"]})
    with pytest.raises(ConfigError, match="no instrument reads any of"):
        Sampler(rig.bench(VOLTS), [], rig.clock, WORDS)


# --- flags ----------------------------------------------------------------------------------------------------------


async def test_a_reading_that_is_no_measurement_has_no_value_and_its_cure_is_told(rig: Rig) -> None:
    rig.meter(
        "volts",
        (0, "dc volts 12.60"),
        (0.6, "dc volts 12.60 hold"),
        (1.1, "dc volts 12.60 hold"),
        (1.6, "dc volts 12.70"),
        (2.1, "dc volts - overload"),
        (2.6, "dc volts -"),
        (3.1, "dc volts 12.60 low battery"),
        (9, "dc volts 1"),
    )
    found = await rig.run(3.5, VOLTS)
    assert found.of_channel("battery_volts") == [12.6, None, None, 12.7, None, None, 12.6]
    told = [(one["flag"], one["state"], one["channel"]) for one in found.of("flag")]
    assert told == [
        (flag, state, "battery_volts")
        for flag, state in [
            ("hold", "on"),
            ("hold", "off"),
            ("overload", "on"),
            ("no number", "on"),
            ("overload", "off"),
            ("low battery", "on"),
            ("no number", "off"),
        ]
    ]
    assert found.of("flag")[0]["cure"] == CURES[Flag.HOLD]


async def test_a_wrong_dial_is_never_read_as_a_measurement(rig: Rig) -> None:
    rig.meter("volts", *every(0.4, "ac volts 12.60", 2), (2.1, "dc volts 12.61"), (9, "dc volts 1"))
    found = await rig.run(2.5, VOLTS)
    assert found.of_channel("battery_volts") == [None, None, None, None, 12.61]
    assert found.samples[0].values["battery_volts"].flags == {Flag.WRONG_FUNCTION}
    on, off = found.of("flag")
    assert on["cure"] == CURES[Flag.WRONG_FUNCTION] + " (it shows ac volts, battery_volts needs dc volts)"
    assert (on["t_ns"], on["state"], off["t_ns"], off["state"]) == (0, "on", 2_100_000_000, "off")


async def test_a_dial_turned_during_the_run_is_named_within_two_seconds(rig: Rig) -> None:
    rig.meter("volts", *every(0.25, "dc volts 12.60", 2), *every(0.25, "ac volts 0.01", 9, 2))
    found = await rig.run(5, VOLTS)
    (flag,) = found.of("flag")
    assert 2.0 < flag["t_ns"] / 1e9 < 3.5
    assert set(found.of_channel("battery_volts")) == {12.6, None}


async def test_a_meter_with_two_displays_has_no_wrong_dial(rig: Rig) -> None:
    rig.meter("m", *every(0.5, "ac volts 30.1;frequency 360.0", 9))
    found = await rig.run(4, Channel("stator_volts", "m", Quantity.AC_VOLTS))
    assert found.of_channel("stator_volts") == [30.1] * 8
    assert not found.of("flag")


async def test_functions_read_in_turn_are_no_wrong_dial(rig: Rig) -> None:
    rig.meter("m", *every(2, "ac volts 30.1", 12), *every(2, "frequency 360.0", 12, 1))
    path = rig.folder / "m.csv"
    header, *rows = path.read_text().splitlines()
    path.write_text("\n".join([header, *sorted(rows, key=lambda row: float(row.partition(",")[0]))]) + "\n")
    both = (Channel("stator_volts", "m", Quantity.AC_VOLTS), Channel("stator_hertz", "m", Quantity.FREQUENCY))
    found = await rig.run(9, *both)
    assert not found.of("flag")
    assert set(found.of_channel("stator_volts")) == {30.1}


async def test_a_function_that_never_comes_in_its_turn_is_a_wrong_dial(rig: Rig) -> None:
    rig.meter("m", *every(0.5, "ac volts 30.1", 12))
    both = (Channel("stator_volts", "m", Quantity.AC_VOLTS), Channel("stator_hertz", "m", Quantity.FREQUENCY))
    found = await rig.run(9, *both)
    (flag,) = found.of("flag")
    assert (flag["channel"], flag["flag"]) == ("stator_hertz", "wrong function")
    assert set(found.of_channel("stator_volts")) == {30.1}
    assert set(found.of_channel("stator_hertz")) == {None}


# --- notices --------------------------------------------------------------------------------------------------------


async def test_garbage_is_counted_and_told_at_once_then_once_a_second(rig: Rig) -> None:
    rig.meter("volts", *every(0.1, "garbage xyz;dc volts 12.6", 3.05), (9, "dc volts 1"))
    found = await rig.run(5, VOLTS)
    told = [(one["t_ns"] / 1e9, one["count"]) for one in found.of("notice")]
    assert told[0] == (0, 3)
    assert all(later - earlier >= 1 for (earlier, _), (later, _) in pairwise(told))
    assert sum(count for _, count in told) == 3 * 30
    assert len(told) <= 5


async def test_an_instruments_errors_are_told_each_in_its_words(rig: Rig) -> None:
    rig.meter("volts", (0, "error -113 Undefined header;error -222 Data out of range;dc volts 12"), (9, "dc volts 1"))
    found = await rig.run(0.5, VOLTS)
    assert [one["text"] for one in found.of("notice")] == ["-113 Undefined header", "-222 Data out of range"]


async def test_who_answers_is_told_and_another_one_is_noticed(rig: Rig) -> None:
    rig.meter("volts", (0, "identity Hollin M1;dc volts 1"), (1, "identity Hollin M1"), (2, "identity Hollin M2"))
    found = await rig.run(2.5, VOLTS)
    assert [one["identity"] for one in found.of("instrument")] == [None, "Hollin M1", "Hollin M2"]
    assert found.of("instrument")[0]["name"] == "volts"
    (notice,) = found.of("notice")
    assert notice["text"] == "another instrument answers on this port: Hollin M2; before it was Hollin M1"


async def test_a_broken_driver_costs_its_instrument_not_the_run(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.6"), (0.2, "break"))
    rig.meter("amps", *every(0.5, "dc amps 15", 20))
    found = await rig.run(4, VOLTS, AMPS)
    assert found.of_channel("charge_amps") == [15.0] * 8
    assert "driver 'words' broke (RuntimeError: a mistake in the driver)" in found.of("gap")[0]["what"]
    assert found.of("gap")[1]["state"] == "back"  # the recording begins anew with every connection


# --- silence --------------------------------------------------------------------------------------------------------


async def test_a_silent_meter_is_named_within_three_seconds_and_stops_no_other(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.6"), (1, "dc volts 12.6"), (8, "dc volts 12.7"), (99, "dc volts 1"))
    rig.meter("amps", *every(0.5, "dc amps 15", 20))
    found = await rig.run(4.5, VOLTS, AMPS)
    gap = found.of("gap")[0]
    assert 3.5 < gap["t_ns"] / 1e9 <= 4.0
    assert (gap["instrument"], gap["state"], gap["since_ns"]) == ("volts", "lost", 1_000_000_000)
    assert gap["port"] in gap["what"]
    assert gap["cure"] == "wake the meter, switch its data output on, check its cable"
    assert found.of_channel("charge_amps") == [15.0] * 9


async def test_a_meter_that_never_says_anything_is_lost_from_the_start(rig: Rig) -> None:
    rig.meter("volts", (0, "garbage xx"), *every(0.3, "garbage xx", 30, 0.3))
    found = await rig.run(4, VOLTS)
    (gap,) = found.of("gap")
    assert gap["t_ns"] / 1e9 <= 3.0
    assert "bytes come, but no reading is among them: check the instrument's driver, baud" in gap["what"]


async def test_a_meter_that_comes_back_says_how_long_it_was_away(rig: Rig) -> None:
    """The link is opened again meanwhile, so this recording starts anew: its first reading ends the gap."""
    rig.meter("volts", (0, "dc volts 12.6"), (1, "dc volts 12.6"), (99, "dc volts 1"))
    found = await rig.run(6, VOLTS)
    lost, back = found.of("gap")[:2]
    assert (lost["state"], back["state"]) == ("lost", "back")
    assert back["duration_s"] == pytest.approx((back["t_ns"] - 1_000_000_000) / 1e9)
    assert back["since_ns"] == 1_000_000_000


async def test_a_slow_instrument_has_the_time_its_driver_says(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(WORDS, "words", Driver("words", "slow", Words, silent_s=8.0))
    rig.meter("volts", (0, "dc volts 12.6"), (7, "dc volts 12.6"), (99, "dc volts 1"))
    found = await rig.run(10, VOLTS)
    assert not found.of("gap")


async def test_a_missing_port_is_named_at_once_and_tried_again(rig: Rig) -> None:
    rig.instruments["volts"] = Instrument("volts", "words", f"replay:{rig.folder}/late.csv")
    bench = rig.bench(VOLTS)
    task = asyncio.create_task(Sampler(bench, ["battery_volts"], rig.clock, WORDS).run(rig.emitted))
    await rig.clock.advance(2)
    assert "late.csv: cannot be read: No such file" in rig.emitted.of("gap")[0]["what"]
    rig.meter("late", (0, "dc volts 12.6"), (99, "dc volts 1"))
    await rig.clock.advance(5)
    task.cancel()
    await asyncio.wait({task})
    assert [one["state"] for one in rig.emitted.of("gap")][:2] == ["lost", "back"]
    assert 12.6 in rig.emitted.of_channel("battery_volts")


async def test_tries_go_from_a_fifth_of_a_second_to_five(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = []
    from benchd import sampler

    opened = sampler.open_link
    monkeypatch.setattr(
        sampler, "open_link", lambda *args, **keys: tries.append(rig.clock.now_ns()) or opened(*args, **keys)
    )
    rig.instruments["volts"] = Instrument("volts", "words", "replay:nowhere.csv")
    await rig.run(30, VOLTS)
    waits = [round((later - earlier) / 1e9, 3) for earlier, later in pairwise(tries)]
    assert waits == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0, 5.0]


# --- the end --------------------------------------------------------------------------------------------------------


async def test_it_ends_when_all_recordings_have_and_nothing_is_left_out(rig: Rig) -> None:
    rig.meter("volts", (0, "dc volts 12.6"), (0.6, "dc volts 12.7"))
    sampler = Sampler(rig.bench(VOLTS), ["battery_volts"], rig.clock, WORDS)
    task = asyncio.create_task(sampler.run(rig.emitted))
    await rig.clock.advance(5)
    assert task.done()
    await task
    assert rig.emitted.rows() == [(0.5, {"battery_volts": 12.6}), (0.6, {"battery_volts": 12.7})]
    assert "the recording has come to its end" in rig.emitted.of("gap")[-1]["what"]
    assert sampler.counts == {"volts": {"readings": 2, "gaps": 1}}


class Full(Exception):
    """The journal's disk is full."""


async def test_what_emit_raises_ends_it_as_it_is(rig: Rig) -> None:
    rig.meter("volts", *every(0.5, "dc volts 12.6", 9))

    def emit(item: object) -> None:
        if isinstance(item, Sample):
            raise Full

    task = asyncio.create_task(Sampler(rig.bench(VOLTS), ["battery_volts"], rig.clock, WORDS).run(emit))
    await rig.clock.advance(1)
    with pytest.raises(Full):
        await task


async def test_a_clock_of_another_speed_shares_its_time_out(tmp_path: Path) -> None:
    clock = Clock(50.0)
    before_ns, wall = clock.now_ns(), clock.wall_utc()
    await clock.sleep(5.0)
    slept_s = (clock.now_ns() - before_ns) / 1e9
    assert 5.0 <= slept_s < 25.0
    assert (clock.wall_utc() - wall).total_seconds() == pytest.approx(slept_s, abs=2.0)
    assert clock.real_s(5.0) == 0.1
    with pytest.raises(ValueError, match="above 0"):
        Clock(0)
