"""Machine and bench files: what they become, and what is said of every mistake in them."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from benchd.config import (
    Bench,
    Channel,
    check_file,
    config_folders,
    find_file,
    known_files,
    load_bench,
    load_spec,
    metrology,
)
from benchd.core.readings import Quantity
from benchd.core.specs import AccuracyLine, BatterySpec, RegulatorSpec, Rule, StatorSpec
from benchd.errors import ConfigError

# The contract's example, word for word.
MACHINE = """\
[machine]
name = "Hollin T18 garden tractor"
manual = "service manual, section 6, page 14"
[engine]
full_throttle_rpm = [3350, 3650]
[stator]
min_volts_ac = 28.0
at_rpm = 3600
magnet_poles = 12
[regulator]
rated_amps = 15.0
at_rpm = 3600
settled_volts = [13.8, 14.7]
ceiling_volts = 15.0
[battery]
amp_hours = 28.0
cold_cranking_amps = 300
"""

BENCH = """\
[bench]
name = "bay 1"
[instruments.volts]
driver = "scpi"
port = "visa:TCPIP0::127.0.0.1::5025::SOCKET"
calibration_due = 2027-03-01
[[instruments.volts.accuracy]]
function = "dc volts"
up_to = 20.0
percent = 0.05
counts = 3
resolution = 0.001
[instruments.tach]
driver = "tach-lines"
port = "/dev/tach"
[channels.battery_volts]
instrument = "volts"
function = "dc volts"
[channels.engine_rpm]
instrument = "tach"
pulses_per_rev = 1
"""


@pytest.fixture
def write(tmp_path: Path) -> Any:
    def writing(text: str, name: str = "x.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return writing


def bench_of(write: Any, text: str) -> Bench:
    return load_bench(write(text))


def complaints(load: Any, path: Path) -> list[str]:
    """The lines of the ConfigError, without the file's name."""
    with pytest.raises(ConfigError) as raised:
        load(path)
    lines = str(raised.value).splitlines()
    assert all(line.startswith(f"{path}:") for line in lines), lines
    return [line.removeprefix(f"{path}:") for line in lines]


# --- what files become ----------------------------------------------------------------------------------------------------


def test_the_contracts_machine(write: Any) -> None:
    path = write(MACHINE)
    spec = load_spec(path)
    assert (spec.name, spec.manual) == ("Hollin T18 garden tractor", "service manual, section 6, page 14")
    assert spec.full_throttle_rpm == (3350.0, 3650.0)
    assert spec.stator == StatorSpec(28.0, 3600.0, 12)
    assert spec.regulator == RegulatorSpec(15.0, 3600.0, (13.8, 14.7), 15.0, 13.5, 1.5)
    assert spec.battery == BatterySpec(28.0, 300.0)
    assert spec.source == str(path)


def test_the_contracts_bench(write: Any) -> None:
    bench = bench_of(write, BENCH)
    volts = bench.instruments["volts"]
    assert (volts.driver, volts.port) == ("scpi", "visa:TCPIP0::127.0.0.1::5025::SOCKET")
    assert volts.calibration_due == date(2027, 3, 1)
    assert volts.accuracy == (AccuracyLine(Quantity.DC_VOLTS, 0.05, 3.0, 0.001, 20.0),)
    assert bench.channels == {
        "battery_volts": Channel("battery_volts", "volts", Quantity.DC_VOLTS),
        "engine_rpm": Channel("engine_rpm", "tach", Quantity.SPEED),
    }
    assert (bench.sample_s, bench.lost_after_s, bench.wait_for_meter_s, bench.max_run_s) == (0.5, 3.0, 20.0, 1200.0)
    assert (bench.rule, bench.risk) == (Rule.SIMPLE, 0.05)


def test_every_optional_key_of_a_machine(write: Any) -> None:
    more = {
        "magnet_poles = 12": 'magnet_poles = 12\nlead_pairs = ["a - b", "b - c"]\nmax_volts_ac = 60\n'
        "lead_ohms = [0.1, 0.4]\nmin_ground_ohms = 1e5",
        "ceiling_volts = 15.0": "ceiling_volts = 15.0\nmin_amps = 14\nnear_zero_amps = 2\nmax_drop_volts = 0.5",
    }
    text = MACHINE
    for old, new in more.items():
        text = text.replace(old, new)
    spec = load_spec(write(text))
    assert spec.stator == StatorSpec(28.0, 3600.0, 12, ("a - b", "b - c"), (), 60.0, (0.1, 0.4), 1e5)
    assert spec.regulator == RegulatorSpec(15.0, 3600.0, (13.8, 14.7), 15.0, 14.0, 2.0, 0.5)


@pytest.mark.parametrize("part", ["stator", "regulator", "battery"])
def test_a_machine_may_lack_a_part(write: Any, part: str) -> None:
    text = re.sub(rf"\[{part}\]\n(?:[a-z].*\n)+", "", MACHINE)
    assert getattr(load_spec(write(text)), part) is None


def test_a_table_of_volts_stands_for_the_one_row_nearest_full_throttle(write: Any) -> None:
    rows = "table = [{rpm = 2400, min_volts_ac = 18.7}, {rpm = 3600, min_volts_ac = 28}]"
    spec = load_spec(write(MACHINE.replace("min_volts_ac = 28.0\nat_rpm = 3600", rows, 1)))
    assert spec.stator is not None
    assert spec.stator.table == ((2400.0, 18.7), (3600.0, 28.0))
    assert (spec.stator.min_volts_ac, spec.stator.at_rpm) == (28.0, 3600.0)


def test_driver_options_serial_settings_and_bench_times(write: Any) -> None:
    text = BENCH.replace('name = "bay 1"', 'name = "bay 1"\nsample_s = 1\nmax_run_minutes = 5').replace(
        'port = "/dev/tach"', 'port = "/dev/tach"\nbaud = 2400\nparity = "O"\nstop_bits = 2\npattern = "(?P<hertz>.*)"'
    )
    bench = bench_of(write, text)
    assert (bench.sample_s, bench.max_run_s) == (1.0, 300.0)
    assert bench.instruments["tach"].options == {"pattern": "(?P<hertz>.*)"}
    assert bench.instruments["tach"].serial == {"baud": 2400, "parity": "O", "stop_bits": 2.0}


def test_a_file_from_a_windows_editor(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + MACHINE.replace("\n", "\r\n").encode())
    assert load_spec(path).name == "Hollin T18 garden tractor"


# --- what numbers are worth -----------------------------------------------------------------------------------------------


def channel(write: Any, name: str, keys: str, instrument: str = "") -> Any:
    text = BENCH.replace('driver = "scpi"', f'driver = "scpi"\n{instrument}') + f"[channels.{name}]\n{keys}\n"
    return metrology(bench_of(write, text), poles=12).channels[name]


def test_a_shunt_by_its_plate(write: Any) -> None:
    """75 mV at 50 A: 1 V is 666.7 A; it takes 50 A."""
    found = channel(
        write,
        "charge_amps",
        'instrument = "volts"\nfunction = "dc volts"\npoint = "2"\nshunt_millivolts = 75\nshunt_amps = 50\nratio_percent = 0.5',
    )
    assert found.ratio == pytest.approx(50 / 0.075)
    assert (found.instrument_max, found.ratio_percent) == (50.0, 0.5)
    assert found.lines == (AccuracyLine(Quantity.DC_VOLTS, 0.05, 3.0, 0.001, 20.0),)


def test_a_clamps_limit_is_in_amps(write: Any) -> None:
    found = channel(
        write, "charge_amps", 'instrument = "volts"\nfunction = "dc volts"\npoint = "2"\nratio = 10', "max_volts = 6"
    )
    assert found.instrument_max == 60.0  # 6 V x 10 A/V, less than the range's 200 A


def test_a_jacks_limit_is_not_the_volts_of_the_meter(write: Any) -> None:
    found = channel(write, "charge_amps", 'instrument = "volts"', "max_amps = 10\nmax_volts = 1000")
    assert found.instrument_max == 10.0
    assert found.assumed  # nothing is stated for dc amps
    assert metrology(bench_of(write, BENCH)).channels["battery_volts"].instrument_max == 20.0


@pytest.mark.parametrize(
    ("function", "pulses_per_rev", "factor"),
    [("speed", 1, 1.0), ("speed", 2, 0.5), ("frequency", 1, 60.0), ("frequency", 2, 30.0), ("pulses", 0.5, 120.0)],
)
def test_rpm_from_what_a_tachometer_gives(function: str, pulses_per_rev: float, factor: float) -> None:
    found = Channel("engine_rpm", "tach", Quantity(function), pulses_per_rev=pulses_per_rev)
    assert found.factor() == factor


def test_rpm_from_stator_frequency(write: Any) -> None:
    """n = 120 f / p: 12 poles at 360 Hz turn 3600 rpm."""
    text = re.sub(r"\[channels.engine_rpm\](.|\n)*", "", BENCH)
    text += '[channels.stator_hertz]\ninstrument = "volts"\n[channels.engine_rpm]\nfrom_channel = "stator_hertz"\n'
    text = text.replace("[instruments.tach]", '[[instruments.volts.accuracy]]\nfunction = "frequency"\n'
        "percent = 0.01\ncounts = 1\nresolution = 0.01\n[instruments.tach]")  # fmt: skip
    bench = bench_of(write, text)
    known = metrology(bench, poles=12).channels["engine_rpm"]
    assert known.ratio * 360 == pytest.approx(3600)
    assert (known.instrument, known.lines[0].function, known.assumed) == ("volts", Quantity.FREQUENCY, False)
    assert bench.channels["engine_rpm"].factor() is None
    assert metrology(bench).channels["engine_rpm"].assumed


def test_a_recording_needs_no_points(write: Any) -> None:
    """Its readings carry the names of its columns, so two channels of one quantity are two readings."""
    recorded = '[bench]\nname = "r"\n[instruments.all]\ndriver = "replay"\nport = "replay:run.csv"\n'
    recorded += "".join(f'[channels.{name}]\ninstrument = "all"\n' for name in ("stator_volts", "stator_volts_2"))
    assert list(bench_of(write, recorded).channels) == ["stator_volts", "stator_volts_2"]


def test_a_tachometer_that_gives_hertz_is_asked_for_hertz(write: Any) -> None:
    bench = bench_of(write, BENCH.replace('driver = "tach-lines"', 'driver = "tach-pulses"'))
    assert bench.channels["engine_rpm"].function is Quantity.FREQUENCY


# --- mistakes -------------------------------------------------------------------------------------------------------------

MACHINE_MISTAKES = [
    ("settled_volts = [13.8, 14.7]", 'settled_volts = [13.8, "14.7"]',
     "13: key 'regulator.settled_volts[1]': found '14.7', expected two numbers of volts, [low, high]"),
    ("settled_volts = [13.8, 14.7]", "settled_volts = [14.7, 13.8]",
     "13: key 'regulator.settled_volts': found [14.7, 13.8], expected the lower number first"),
    ("settled_volts = [13.8, 14.7]", "settled_volts = 14.2",
     "13: key 'regulator.settled_volts': found 14.2, expected two numbers of volts, [low, high]"),
    ("settled_volts = [13.8, 14.7]", "settled_volts = [\n  13.8,\n  -14.7,\n]",
     "15: key 'regulator.settled_volts[1]': found -14.7"),
    ("settled_volts", "settled_volt",
     "13: key 'regulator.settled_volt': found an unknown key (did you mean 'settled_volts'?), expected one of rated_amps"),
    ("settled_volts", "settled_volt",
     "10: key 'regulator.settled_volts': found nothing, expected two numbers of volts, [low, high]"),
    ("ceiling_volts = 15.0", "ceiling_volts = 14.5",
     "14: key 'regulator.ceiling_volts': found 14.5, expected more than the top of settled_volts, 14.7"),
    ("ceiling_volts = 15.0", "ceiling_volts = nan", "14: key 'regulator.ceiling_volts': found nan, expected volts"),
    ("ceiling_volts = 15.0", "ceiling_volts = true", "14: key 'regulator.ceiling_volts': found true, expected volts"),
    ("ceiling_volts = 15.0", "ceiling_volts = 15\nmin_amps = 16",
     "15: key 'regulator.min_amps': found 16, expected at most rated_amps, 15"),
    ("ceiling_volts = 15.0", "ceiling_volts = 15\nnear_zero_amps = 14",
     "15: key 'regulator.near_zero_amps': found 14, expected less than min_amps, 13.5"),
    ("full_throttle_rpm = [3350, 3650]", "full_throttle_rpm = [3650, 3350]",
     "5: key 'engine.full_throttle_rpm': found [3650, 3350], expected the lower number first"),
    ("full_throttle_rpm = [3350, 3650]", "", "4: key 'engine.full_throttle_rpm': found nothing, expected two numbers"),
    ("magnet_poles = 12", "magnet_poles = 11", "9: key 'stator.magnet_poles': found 11, expected an even number"),
    ("magnet_poles = 12", "magnet_poles = 12.5", "9: key 'stator.magnet_poles': found 12.5, expected the number of mag"),
    ("magnet_poles = 12", "max_volts_ac = 20", "9: key 'stator.max_volts_ac': found 20, expected more than min_volts_ac"),
    ("magnet_poles = 12", 'lead_pairs = ["a", "a"]', "9: key 'stator.lead_pairs': found ['a', 'a'], expected every pair"),
    ("magnet_poles = 12", "lead_ohms = [0.4, 0.1]", "9: key 'stator.lead_ohms': found [0.4, 0.1], expected the lower"),
    ("magnet_poles = 12", "table = [{rpm = 3000, min_volts_ac = 20}, {rpm = 2500, min_volts_ac = 18}]",
     "9: key 'stator.table[1].rpm': found 2500 after 3000, expected rows by rising rpm"),
    ("magnet_poles = 12", "[[stator.table]]\nrpm = 3000\nmin_volts_ac = 20\n[[stator.table]]\nrpm = 3600\nmin_volts_ac = 9",
     "14: key 'stator.table[1].min_volts_ac': found 9 at 3600 rpm, expected 28 as in stator.min_volts_ac"),
    ("min_volts_ac = 28.0\n", "", "6: key 'stator.min_volts_ac': found nothing, expected the least volts AC"),
    ("[machine]", "[machin]", "1: key 'machin': found an unknown key (did you mean 'machine'?), expected one of machine"),
    ("[battery]", "[battery]\nstator = 3", "16: key 'battery.stator': found an unknown key, expected one of amp_hours, co"),
    ("[battery]", '[battery]\n"amp hours" = 3', "16: key 'battery.amp hours': found an unknown key (did you mean 'amp_h"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), MACHINE_MISTAKES)
def test_mistakes_in_a_machine(write: Any, old: str, new: str, said: str) -> None:
    assert old in MACHINE
    found = complaints(load_spec, write(MACHINE.replace(old, new, 1)))
    assert any(line.startswith(said) for line in found), found


BENCH_MISTAKES = [
    ('driver = "scpi"', 'driver = "scpy"',
     "4: key 'instruments.volts.driver': found 'scpy', expected the name of a driver: no driver 'scpy' is installed "
     "(did you mean 'scpi'?); there are "),
    ('port = "/dev/tach"', "", "13: key 'instruments.tach.port': found nothing, expected a port: '/dev/...'"),
    ('port = "/dev/tach"', 'port = "visa:TCPIP0::127.0.0.1::5025::SOCKET"',
     "15: key 'instruments.tach.port': found 'visa:TCPIP0::127.0.0.1::5025::SOCKET', the port of instrument 'volts' too"),
    ('port = "/dev/tach"', 'port = "/dev/tach"\nbauds = 9600',
     "16: key 'instruments.tach.bauds': found an unknown key: this driver takes line_end, pattern (did you mean 'baud'?)"),
    ('port = "/dev/tach"', 'port = "/dev/tach"\nline_end = "x"',
     "16: key 'instruments.tach.line_end': found 'x', expected '\\n' or '\\r' or '\\r\\n' (driver 'tach-lines')"),
    ('port = "/dev/tach"', 'port = "/dev/tach"\nparity = "even"', "16: key 'instruments.tach.parity': found 'even', expec"),
    ("calibration_due = 2027-03-01", 'calibration_due = "2027-03-01"',
     "6: key 'instruments.volts.calibration_due': found '2027-03-01', expected a date without quotes, such as 2027-03-01"),
    ("calibration_due = 2027-03-01", "calibration_due = 2027-03-01 10:00:00", "6: key 'instruments.volts.calibration_due'"),
    ("percent = 0.05\ncounts = 3", "percent = 0",
     "10: key 'instruments.volts.accuracy[0].percent': found a statement of no uncertainty at all, expected percent"),
    ('function = "dc volts"\nup_to', 'function = "dc volt"\nup_to',
     "8: key 'instruments.volts.accuracy[0].function': found 'dc volt', expected one of 'dc volts', 'ac volts'"),
    ("counts = 3", "counts = 3\nmin_hertz = 500\nmax_hertz = 40",
     "13: key 'instruments.volts.accuracy[0].max_hertz': found 40, expected more than min_hertz, 500"),
    ("counts = 3", "counts = 3\nconfidence = 95", "12: key 'instruments.volts.accuracy[0].confidence': found 95, expected a"),
    ('instrument = "volts"', 'instrument = "volt"',
     "17: key 'channels.battery_volts.instrument': found 'volt', expected the name of an instrument "
     "(did you mean 'volts'?): volts, tach"),
    ('instrument = "volts"', "", "16: key 'channels.battery_volts.instrument': found nothing, expected the name of an inst"),
    ("[channels.battery_volts]", "[channels.battery_volt]",
     "16: key 'channels.battery_volt': found an unknown channel (did you mean 'battery_volts'?), expected one of battery"),
    ('function = "dc volts"\n[channels.engine_rpm]', 'function = "ac volts"\n[channels.engine_rpm]',
     "18: key 'channels.battery_volts.function': found 'ac volts', expected 'dc volts' for battery_volts"),
    ("[channels.battery_volts]", "[channels.charge_amps]",
     "18: key 'channels.charge_amps.function': found 'dc volts' without a ratio, expected ratio (A per V) or shunt_milliv"),
    ("[channels.battery_volts]", "[channels.charge_amps]\nshunt_amps = 50",
     "16: key 'channels.charge_amps.shunt_millivolts': found nothing beside shunt_amps, expected both, such as 75 mV at 50"),
    ("[channels.battery_volts]", "[channels.charge_amps]\nratio = 0", "17: key 'channels.charge_amps.ratio': found 0, expec"),
    ('instrument = "tach"', 'instrument = "tach"\nfunction = "pressure"', "21: key 'channels.engine_rpm.function': found 'p"),
    ('instrument = "volts"', 'instrument = "tach"',
     "18: key 'channels.battery_volts.function': found 'dc volts', expected what driver 'tach-lines' measures: 'freq"),
    ("pulses_per_rev = 1", "pulses_per_rev = 0", "21: key 'channels.engine_rpm.pulses_per_rev': found 0, expected pulses, a"),
    ('instrument = "tach"\npulses_per_rev = 1', 'from_channel = "stator_hertz"',
     "20: key 'channels.engine_rpm.from_channel': found 'stator_hertz', expected a channel of this bench: add [channels.st"),
    ('instrument = "tach"', 'instrument = "tach"\nfrom_channel = "stator_hertz"',
     "21: key 'channels.engine_rpm.from_channel': found beside instrument, expected one of the two"),
    ("[channels.engine_rpm]", '[channels.stator_volts]\ninstrument = "volts"\n[channels.stator_volts_2]\n'
     'instrument = "volts"\n[channels.engine_rpm]',
     "21: key 'channels.stator_volts_2.point': found the same input as channels.stator_volts (ac volts of 'volts')"),
    ("[bench]", '[judging]\nrule = "strict"\n[bench]',
     "2: key 'judging.rule': found 'strict', expected one of 'simple acceptance', 'guarded acceptance', 'guarded rejecti"),
    ('name = "bay 1"', 'name = "bay 1"\nsample_s = 0', "3: key 'bench.sample_s': found 0, expected seconds, a number from"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), BENCH_MISTAKES)
def test_mistakes_in_a_bench(write: Any, old: str, new: str, said: str) -> None:
    assert old in BENCH
    found = complaints(load_bench, write(BENCH.replace(old, new, 1)))
    assert any(line.startswith(said) for line in found), found


def test_a_drivers_own_tables_are_checked_on_their_lines(write: Any) -> None:
    text = BENCH.replace('driver = "tach-lines"\n', 'driver = "modbus"\n').replace(
        'port = "/dev/tach"',
        'port = "/dev/tach"\n[[instruments.tach.registers]]\npoint = "rpm"\naddress = 70000\n'
        'type = "uint16"\nunit = "speed"',
    )
    assert complaints(load_bench, write(text)) == [
        "18: key 'instruments.tach.registers[0].address': found 70000, expected a whole number from 0 to 65535 "
        "(driver 'modbus')"
    ]


def test_all_mistakes_of_a_file_are_told_together_by_line(write: Any) -> None:
    text = BENCH.replace('"scpi"', '"scpy"').replace("percent = 0.05", "percent = -1").replace('"tach"\n', '"tch"\n')
    found = complaints(load_bench, write(text))
    assert [line.split(":")[0] for line in found] == ["4", "10", "20"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[machine\n", ":1: not TOML: Expected ']' at the end of a table declaration; the line is: [machine"),
        ("[machine]\nname = T18\n", ":2: not TOML: Invalid value; the line is: name = T18"),
        ("[machine]\nname = 'a'\nname = 'b'\n", ":3: not TOML: Cannot overwrite a value; the line is: name = 'b'"),
        ("[machine]\nname =", ":2: not TOML: Invalid value at the end; the line is: name ="),
    ],
)
def test_text_that_is_no_toml(write: Any, text: str, said: str) -> None:
    path = write(text)
    with pytest.raises(ConfigError) as raised:
        load_spec(path)
    assert str(raised.value) == f"{path}{said}"


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'[machine]\nname = "M\xe4her"\n')
    with pytest.raises(ConfigError, match=r"latin.toml:2: found a byte that is not UTF-8"):
        load_spec(tmp_path / "latin.toml")
    with pytest.raises(ConfigError, match=r"none.toml: cannot be read: No such file"):
        load_bench(tmp_path / "none.toml")


# --- finding files --------------------------------------------------------------------------------------------------------


@pytest.fixture
def users(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a user's own machine files."""
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    folder = tmp_path / "home" / "configs" / "machines"
    folder.mkdir(parents=True)
    return folder


def test_a_users_file_goes_before_the_shipped_one(users: Path) -> None:
    shipped = find_file("hollin-t18", "machine")
    assert shipped.name == "hollin-t18.toml"
    (users / "hollin-t18.toml").write_text(MACHINE)
    assert find_file("hollin-t18", "machine") == users / "hollin-t18.toml"
    assert find_file("hollin-t18.toml", "machine") == users / "hollin-t18.toml"
    assert find_file(shipped, "machine") == shipped
    assert known_files("machine")["hollin-t18"] == users / "hollin-t18.toml"


def test_a_name_that_is_not_there_lists_those_that_are(users: Path) -> None:
    (users / "mine.toml").write_text(MACHINE)
    with pytest.raises(ConfigError) as raised:
        find_file("holin-t18", "machine")
    said = str(raised.value)
    assert said.startswith(
        "holin-t18: no machine has this name, and no file (did you mean 'hollin-t18'?); by name there"
    )
    assert "mine" in said
    with pytest.raises(ConfigError, match=r"specs/t18.toml: there is no such file; by name there are .*hollin-t18"):
        find_file("specs/t18.toml", "machine")


def test_either_kind_of_file_is_checked(write: Any) -> None:
    assert check_file(write(MACHINE)) == "machine 'Hollin T18 garden tractor', limits for stator, regulator, battery"
    assert check_file(write(BENCH)).startswith("bench 'bay 1', instruments volts, tach, channels battery_volts, engine")
    with pytest.raises(ConfigError, match=r"no bench has this name(.|\n)*no machine has this name"):
        check_file("nonsense")


SHIPPED = [
    path for kind in ("machine", "bench") for folder in config_folders(kind) for path in sorted(folder.glob("*.toml"))
]  # type: ignore[arg-type]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_file_is_right(path: Path) -> None:
    assert path.parent.name[:-1] in check_file(path) or "bench" in check_file(path)


def test_there_are_files_of_both_kinds() -> None:
    assert {"hollin-t18", "caldmoor-z42", "ostrick-r9"} <= known_files("machine").keys()
    assert {"bay-1", "bay-2"} <= known_files("bench").keys()


def test_a_shipped_bench_says_what_its_channels_are_worth() -> None:
    for name in ("bay-1", "bay-2"):
        for one in metrology(load_bench(find_file(name, "bench"))).channels.values():
            assert one.lines, one.channel
            assert not one.assumed, one.channel
