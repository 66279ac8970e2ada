"""Machine and bench files: found, read, checked whole, and handed on as plain dataclasses.

A file with mistakes raises one ConfigError that names all of them, a line each:
`file:line: key 'regulator.settled_volts': found ..., expected ...`.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchd.core.readings import Quantity
from benchd.core.samples import CHANNELS
from benchd.core.specs import (
    AccuracyLine,
    BatterySpec,
    ChannelModel,
    MachineSpec,
    Metrology,
    RegulatorSpec,
    Rule,
    StartingSpec,
    StatorSpec,
    WiringSpec,
)
from benchd.errors import ConfigError

if TYPE_CHECKING:  # pydantic costs 0.1 s to import: only where a file is really read
    from benchd.config_keys import (
        BenchFile,
        ChannelKeys,
        InstrumentKeys,
        MachineFile,
        RegulatorKeys,
        StatorKeys,
        WiringKeys,
    )

Kind = Literal["bench", "machine", "site", "causes", "regulator"]
_FOLDERS: dict[Kind, str] = {
    "bench": "benches",
    "machine": "machines",
    "site": "sites",
    "causes": "causes",
    "regulator": "regulators",
}


@dataclass(frozen=True, slots=True)
class Instrument:
    """One meter or tachometer of a bench. `options` are the driver's own keys; `serial` the serial settings that
    differ from the driver's, named as in `wire.SerialParams`. Limits are the jack's, in the meter's own A and V."""

    name: str
    driver: str
    port: str
    options: Mapping[str, Any] = field(default_factory=dict)
    accuracy: tuple[AccuracyLine, ...] = ()
    calibration_due: date | None = None
    max_amps: float | None = None
    max_volts: float | None = None
    average_responding: bool = False
    serial: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Channel:
    """What stands between one channel of the circuit and the instrument that reads it.

    channel value = reading x factor() - offset. `instrument` is '' where `from_channel` names the channel that this
    one is computed from (engine_rpm from stator_hertz). `max_amps` is the limit of the shunt or clamp itself.
    """

    name: str
    instrument: str
    function: Quantity
    point: str = ""
    ratio: float = 1.0
    offset: float = 0.0
    ratio_percent: float = 0.0
    offset_limit: float = 0.0
    pulses_per_rev: float = 1.0
    from_channel: str | None = None
    max_amps: float | None = None

    def factor(self, poles: int | None = None) -> float | None:
        """What a reading is multiplied with to be in the channel's unit; None where that needs the magnet poles.

        A count of pulses is taken as its rate, pulses/s. A tachometer that shows rpm is taken to count one pulse a
        revolution, so its number is divided by `pulses_per_rev`.
        """
        if self.name != "engine_rpm":
            return self.ratio
        if self.from_channel is not None:
            return None if poles is None else 120 / poles * self.ratio
        return self.ratio * (1 if self.function is Quantity.SPEED else 60) / self.pulses_per_rev


@dataclass(frozen=True, slots=True)
class Bench:
    """A named set of instruments wired to channels, and how its runs are judged. Times in s of the run."""

    name: str
    source: str = ""
    sample_s: float = 0.5
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    channels: Mapping[str, Channel] = field(default_factory=dict)
    rule: Rule = Rule.SIMPLE
    risk: float = 0.05
    lost_after_s: float = 3.0
    wait_for_meter_s: float = 20.0
    max_run_s: float = 1200.0


# --- reading files --------------------------------------------------------------------------------------------------


def load_spec(path: str | Path) -> MachineSpec:
    """The limits of one machine, or of one part that is tested by the lot. ConfigError names everything that is wrong
    with the file."""
    data, text = parsed(path)
    return _limits(data, text, str(path))


def load_spec_text(text: str, name: str) -> MachineSpec:
    """The same from the text of such a file; `name` stands where the file's name would. ConfigError."""
    return _limits(_parsed_text(text, name), text, name)


def _limits(data: Mapping[str, Any], text: str, name: str) -> MachineSpec:
    from benchd.config_checks import machine_complaints, regulator_complaints
    from benchd.config_keys import MachineFile, RegulatorFile
    from benchd.config_parts import part_spec

    if _is_regulator_file(data):
        _refuse(name, text, regulator_complaints(data))
        return part_spec(RegulatorFile.model_validate(data), name)
    _refuse(name, text, machine_complaints(data))
    return _spec(MachineFile.model_validate(data), name)


def _is_regulator_file(data: Mapping[str, Any]) -> bool:
    return bool(data.keys() & {"part", "drive", "ceiling", "test"})


def load_bench(path: str | Path) -> Bench:
    """A bench, its drivers' own keys checked too. ConfigError names everything that is wrong with the file."""
    from benchd.config_checks import bench_complaints
    from benchd.config_keys import BenchFile

    data, text = parsed(path)
    _refuse(path, text, bench_complaints(data))
    return _bench(BenchFile.model_validate(data), str(path))


def check_file(name: str | Path) -> str:
    """Load a bench, machine, regulator or site file, whichever it is, and say in a few words what it holds. ConfigError.

    What a causes file holds is checked by those who read it (benchd/visits/knowledge.py).
    """
    kind, path = kind_of(name)
    if kind == "causes":
        raise ConfigError(f"{path}: this is a causes file; check it with: benchd causes check {path}")
    if kind == "site":
        from benchd.site import load_site, summary

        return summary(load_site(path))
    if kind == "regulator":
        part = load_spec(path).part
        assert part is not None
        return f"regulator {part.number!r}, {len(part.ids)} characteristics: {', '.join(part.ids)}"
    if kind == "machine":
        spec = load_spec(path)
        held = [
            table
            for table in ("stator", "regulator", "battery", "starting", "wiring")
            if getattr(spec, table) is not None
        ]
        return f"machine {spec.name!r}, limits for {', '.join(held) or 'nothing'}"
    bench = load_bench(path)
    return f"bench {bench.name!r}, instruments {', '.join(bench.instruments)}, channels {', '.join(bench.channels)}"


def kind_of(name: str | Path) -> tuple[Kind, Path]:
    """What sort of file this is, by what it holds, and where it stands. ConfigError if there is none."""
    errors = []
    for kind in _FOLDERS:
        try:
            path = find_file(name, kind)
        except ConfigError as error:
            errors.append(str(error))
            continue
        data = parsed(path)[0]
        if data.keys() & {"site", "server", "series", "mqtt", "retention", "schedule"} or _is_list(data.get("bench")):
            return "site", path
        if data.keys() & {"visits", "causes", "questions", "looks", "tests", "repairs", "together"}:
            return "causes", path
        if _is_regulator_file(data):
            return "regulator", path
        return ("bench" if data.keys() & {"bench", "instruments", "channels", "judging"} else "machine"), path
    raise ConfigError("\n".join(dict.fromkeys(errors)))


def _is_list(value: object) -> bool:
    return isinstance(value, list)


def parsed(path: str | Path) -> tuple[dict[str, Any], str]:
    """A TOML file's content and its text. ConfigError if it cannot be read or is not TOML."""
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{path}:{line}: found a byte that is not UTF-8, expected a text saved as UTF-8") from error
    return _parsed_text(text, path), text


def _parsed_text(text: str, name: str | Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(_syntax(name, text, str(error))) from error


def _syntax(path: str | Path, text: str, message: str) -> str:
    """tomllib's message with its line in front, and the line itself."""
    found = re.search(r" \(at line (\d+), column (\d+)\)", message)
    lines = text.splitlines() or [""]
    number = int(found[1]) if found else len(lines)
    shown = lines[min(number, len(lines)) - 1].strip()
    if re.search("token|password|secret", shown, re.IGNORECASE):
        shown = "not shown, for it may hold a secret"
    said = message.replace(found[0], "") if found else message.replace(" (at end of document)", " at the end")
    return f"{path}:{number}: not TOML: {said}; the line is: {shown[:80]}"


def _refuse(path: str | Path, text: str, complaints: Iterable[tuple[tuple[str | int, ...], str]]) -> None:
    """ConfigError with all complaints, by line."""
    if found := told(path, text, complaints):
        raise ConfigError("\n".join(found))


def told(path: str | Path, text: str, complaints: Iterable[tuple[tuple[str | int, ...], str]]) -> list[str]:
    """All complaints about a file's keys as people read them, by line."""
    from benchd.toml_lines import key_lines, line_of

    found = list(complaints)
    lines = key_lines(text) if found else {}
    rows = sorted(((line_of(lines, where), _dotted(where), said) for where, said in found), key=lambda row: row[0])
    return [f"{path}:{line}: key '{key}': {said}" for line, key, said in rows]


def _dotted(path: tuple[str | int, ...]) -> str:
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.removeprefix(".")


# --- finding files --------------------------------------------------------------------------------------------------


def find_file(name_or_path: str | Path, kind: Kind) -> Path:
    """A file by its path, or by its bare name in the user's configs, then in those that ship with benchd.

    ConfigError lists the names that exist.
    """
    given = Path(name_or_path)
    if given.is_file():
        return given
    bare = os.path.basename(str(name_or_path)) == str(name_or_path)
    name = str(name_or_path).removesuffix(".toml")
    if bare:
        for folder in config_folders(kind):
            if (path := folder / f"{name}.toml").is_file():
                return path
    from benchd.registry import nearest

    known = known_files(kind)
    there_are = f"by name there are {', '.join(known)}" if known else "by name there are none"
    if not bare:
        raise ConfigError(f"{name_or_path}: there is no such file; {there_are}")
    raise ConfigError(f"{name_or_path}: no {kind} has this name, and no file{nearest(name, known)}; {there_are}")


def known_files(kind: Kind) -> dict[str, Path]:
    """Name -> file of every bench, machine or site that can be named without a path; the user's before the shipped."""
    found: dict[str, Path] = {}
    for folder in config_folders(kind):
        for path in sorted(folder.glob("*.toml")):
            found.setdefault(path.stem, path)
    return dict(sorted(found.items()))


def config_folders(kind: Kind) -> list[Path]:
    """Where bare names are looked up, in order; folders that are not there are left out."""
    from benchd.journal import home

    package = Path(__file__).parent
    # In a wheel the shipped files are inside the package; in an editable install they stand beside it.
    shipped = package / "configs" if (package / "configs").is_dir() else package.parent / "configs"
    return [folder for base in (home() / "configs", shipped) if (folder := base / _FOLDERS[kind]).is_dir()]


# --- from keys to dataclasses ---------------------------------------------------------------------------------------


def _spec(keys: MachineFile, source: str) -> MachineSpec:
    low, high = keys.engine.full_throttle_rpm
    battery = keys.battery
    return MachineSpec(
        keys.machine.name,
        keys.machine.manual,
        (low, high),
        None if keys.stator is None else _stator(keys.stator, (low + high) / 2),
        None if keys.regulator is None else _regulator(keys.regulator),
        None if battery is None else BatterySpec(**battery.model_dump()),
        source,
        None if keys.starting is None else StartingSpec(**keys.starting.model_dump()),
        None if keys.wiring is None else _wiring(keys.wiring),
    )


def _wiring(keys: WiringKeys) -> WiringSpec:
    given = keys.model_dump(exclude_none=True)
    for name in ("joints", "ground_joints"):
        if name in given:
            given[name] = tuple(given[name])
    given["switch"] = {position: tuple(pairs) for position, pairs in keys.switch.items()}
    return WiringSpec(**given)


def _stator(keys: StatorKeys, throttle_rpm: float) -> StatorSpec:
    table = tuple((row.rpm, row.min_volts_ac) for row in keys.table)
    if keys.min_volts_ac is not None and keys.at_rpm is not None:
        at_rpm, volts = keys.at_rpm, keys.min_volts_ac
    else:  # the table's row nearest to full throttle stands for it
        at_rpm, volts = min(table, key=lambda row: abs(row[0] - (keys.at_rpm or throttle_rpm)))
    given: dict[str, Any] = {}
    if keys.lead_pairs is not None:
        given["lead_pairs"] = tuple(keys.lead_pairs)
    if keys.lead_ohms is not None:
        given["lead_ohms"] = tuple(keys.lead_ohms)
    return StatorSpec(
        volts,
        at_rpm,
        keys.magnet_poles,
        table=table,
        max_volts_ac=keys.max_volts_ac,
        min_ground_ohms=keys.min_ground_ohms,
        **given,
    )


def _regulator(keys: RegulatorKeys) -> RegulatorSpec:
    low, high = keys.settled_volts
    given = {} if keys.max_drop_volts is None else {"max_drop_volts": keys.max_drop_volts}
    return RegulatorSpec(
        keys.rated_amps,
        keys.at_rpm,
        (low, high),
        keys.ceiling_volts,
        0.9 * keys.rated_amps if keys.min_amps is None else keys.min_amps,
        0.1 * keys.rated_amps if keys.near_zero_amps is None else keys.near_zero_amps,
        **given,
    )


def _bench(keys: BenchFile, source: str) -> Bench:
    return Bench(
        keys.bench.name,
        source,
        keys.bench.sample_s,
        {name: _instrument(name, one) for name, one in keys.instruments.items()},
        {name: _channel(name, one, keys) for name, one in keys.channels.items()},
        keys.judging.rule,
        keys.judging.risk,
        keys.bench.lost_after_s,
        keys.bench.wait_for_meter_s,
        60 * keys.bench.max_run_minutes,
    )


def _instrument(name: str, keys: InstrumentKeys) -> Instrument:
    from benchd.config_keys import SERIAL_KEYS

    return Instrument(
        name,
        keys.driver,
        keys.port,
        dict(keys.model_extra or {}) | ({} if keys.poll_s is None else {"poll_s": keys.poll_s}),
        tuple(AccuracyLine(**line.model_dump()) for line in keys.accuracy),
        keys.calibration_due,
        keys.max_amps,
        keys.max_volts,
        keys.average_responding,
        {key: value for key in SERIAL_KEYS if (value := getattr(keys, key)) is not None},
    )


def _channel(name: str, keys: ChannelKeys, file: BenchFile) -> Channel:
    from benchd import registry
    from benchd.config_checks import default_function

    measures = () if keys.instrument is None else registry.driver(file.instruments[keys.instrument].driver).quantities
    ratio, limits = keys.ratio or 1.0, [keys.max_amps] if keys.max_amps else []
    if keys.shunt_amps is not None and keys.shunt_millivolts is not None:
        ratio = keys.shunt_amps / (keys.shunt_millivolts / 1000)
        limits.append(keys.shunt_amps)
    return Channel(
        name,
        keys.instrument or "",
        keys.function or default_function(name, measures),
        keys.point,
        ratio,
        keys.offset,
        keys.ratio_percent,
        keys.offset_limit,
        keys.pulses_per_rev or 1.0,
        keys.from_channel,
        min(limits, default=None),
    )


# --- what the numbers are worth -------------------------------------------------------------------------------------


def metrology(bench: Bench, poles: int | None = None) -> Metrology:
    """The channel models of a bench. `poles` of the machine, for rpm that is computed from stator frequency."""
    models = {name: _model(bench, channel, poles) for name, channel in bench.channels.items()}
    return Metrology(models, bench.rule, bench.risk)


def _model(bench: Bench, channel: Channel, poles: int | None) -> ChannelModel:
    source = bench.channels[channel.from_channel] if channel.from_channel else channel
    instrument = bench.instruments[source.instrument]
    factor = channel.factor(poles)
    lines = tuple(line for line in instrument.accuracy if line.function is source.function)
    if factor is None:  # rpm of a machine whose poles are not known: nothing is
        return ChannelModel(channel.name, instrument=instrument.name, assumed=True)
    computed = source is not channel  # then what stands before the source counts too
    return ChannelModel(
        channel.name,
        lines,
        factor * source.ratio if computed else factor,
        channel.offset + (source.offset * factor if computed else 0.0),
        channel.ratio_percent + (source.ratio_percent if computed else 0.0),
        channel.offset_limit + (source.offset_limit * abs(factor) if computed else 0.0),
        _most(instrument, channel, lines),
        instrument.average_responding,
        instrument.name,
        assumed=not lines,
    )


def _most(instrument: Instrument, channel: Channel, lines: tuple[AccuracyLine, ...]) -> float | None:
    """The most that jack, range and shunt take, in the channel's unit; None where nothing is stated."""
    if channel.name == "engine_rpm":
        return None
    jack = {
        Quantity.DC_AMPS: instrument.max_amps,
        Quantity.AC_AMPS: instrument.max_amps,
        Quantity.DC_VOLTS: instrument.max_volts,
        Quantity.AC_VOLTS: instrument.max_volts,
    }.get(channel.function)
    limits = [] if jack is None else [jack * abs(channel.ratio)]
    ranges = [line.up_to for line in lines]
    if ranges and None not in ranges:
        limits.append(max(one for one in ranges if one is not None) * abs(channel.ratio))
    if channel.max_amps is not None and CHANNELS[channel.name][0] is Quantity.DC_AMPS:
        limits.append(channel.max_amps)
    return min(limits, default=None)
