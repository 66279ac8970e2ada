"""What keys must be to one another: ranges in order, channels on instruments that exist, functions that fit.

Works on the parsed file, not on the checked one, so that a file's mistakes of both kinds are told together.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from benchd import registry
from benchd.config_keys import BenchFile, InstrumentKeys, MachineFile, RegulatorFile, complaints, shown
from benchd.core.readings import Quantity
from benchd.core.samples import CHANNELS
from benchd.core.specs import CHARACTERISTIC_UNITS, Measures
from benchd.errors import ConfigError
from benchd.registry import nearest
from benchd.toml_lines import Path
from benchd.wire import Driver

Complaint = tuple[Path, str]

#: Functions by which a channel may be read, beside its own quantity. The second part says whether a ratio is needed.
_OTHER_FUNCTIONS: dict[str, dict[Quantity, bool]] = {
    "charge_amps": {Quantity.DC_VOLTS: True},  # a shunt or a clamp
    "load_amps": {Quantity.DC_VOLTS: True},
    "crank_amps": {Quantity.DC_VOLTS: True},
    "draw_amps": {Quantity.DC_VOLTS: True},
    "battery_celsius": {Quantity.DC_VOLTS: True},  # a sensor of so many mV/degC
    "engine_rpm": {Quantity.FREQUENCY: False, Quantity.PULSES: False},
}


CURRENTS = tuple(name for name, (quantity, _) in CHANNELS.items() if quantity is Quantity.DC_AMPS)


def machine_complaints(data: Mapping[str, Any]) -> list[Complaint]:
    """Everything that is wrong with a parsed machine file."""
    return merged(complaints(MachineFile, data), _machine(Raw(data)))


def regulator_complaints(data: Mapping[str, Any]) -> list[Complaint]:
    """Everything that is wrong with a parsed regulator file."""
    return merged(complaints(RegulatorFile, data), _part(Raw(data)))


def bench_complaints(data: Mapping[str, Any]) -> list[Complaint]:
    """Everything that is wrong with a parsed bench file, drivers' own keys included."""
    return merged(complaints(BenchFile, data), _bench(Raw(data)))


def default_function(channel: str, measures: Collection[Quantity]) -> Quantity:
    """What a channel without a `function` key asks an instrument for that `measures` these."""
    own = CHANNELS[channel][0]
    order = (Quantity.SPEED, Quantity.FREQUENCY, Quantity.PULSES) if channel == "engine_rpm" else (own,)
    return next((one for one in order if one in measures), own)


def merged(first: list[Complaint], second: Iterator[Complaint]) -> list[Complaint]:
    """Both kinds; of a place that is wrong in itself nothing more is said."""
    wrong = {path for path, _ in first}
    for path, said in second:
        if not any(path[:length] in wrong for length in range(1, len(path) + 1)):
            first.append((path, said))
    return first


class Raw:
    """A parsed file, asked without trust in what it holds."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._data = data

    def at(self, *path: str | int) -> Any:
        found: Any = self._data
        for step in path:
            if isinstance(step, int):
                found = found[step] if isinstance(found, list) and step < len(found) else None
            else:
                found = found.get(step) if isinstance(found, Mapping) else None
        return found

    def number(self, *path: str | int) -> float | None:
        found = self.at(*path)
        return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None

    def text(self, *path: str | int) -> str | None:
        found = self.at(*path)
        return found if isinstance(found, str) else None

    def tables(self, *path: str) -> dict[str, Mapping[str, Any]]:
        found = self.at(*path)
        if not isinstance(found, Mapping):
            return {}
        return {name: one for name, one in found.items() if isinstance(one, Mapping)}


# --- a machine ------------------------------------------------------------------------------------------------------


def _machine(raw: Raw) -> Iterator[Complaint]:
    for path in (("engine", "full_throttle_rpm"), ("stator", "lead_ohms"), ("regulator", "settled_volts")):
        yield from _in_order(raw, path)
    yield from _regulator(raw)
    if isinstance(raw.at("stator"), Mapping):
        yield from _stator(raw)
        yield from _stator_table(raw)


def _in_order(raw: Raw, path: tuple[str, ...]) -> Iterator[Complaint]:
    low, high = raw.number(*path, 0), raw.number(*path, 1)
    if low is not None and high is not None and low >= high:
        yield path, f"found {shown(raw.at(*path))}, expected the lower number first and the higher second"


def _regulator(raw: Raw) -> Iterator[Complaint]:
    ceiling, high = raw.number("regulator", "ceiling_volts"), raw.number("regulator", "settled_volts", 1)
    if ceiling is not None and high is not None and ceiling <= high:
        said = f"found {ceiling:g}, expected more than the top of settled_volts, {high:g}"
        yield ("regulator", "ceiling_volts"), said
    rated = raw.number("regulator", "rated_amps")
    if rated is None or rated <= 0:
        return
    least, zero = raw.number("regulator", "min_amps"), raw.number("regulator", "near_zero_amps")
    if least is not None and least > rated:
        yield ("regulator", "min_amps"), f"found {least:g}, expected at most rated_amps, {rated:g}"
    top = 0.9 * rated if least is None else least
    if zero is not None and zero >= top:
        said = f"found {zero:g}, expected less than min_amps, {top:g}"
        yield ("regulator", "near_zero_amps"), said


def _stator(raw: Raw) -> Iterator[Complaint]:
    has_table = bool(raw.at("stator", "table"))
    for key in ("min_volts_ac", "at_rpm"):
        if not has_table and raw.at("stator", key) is None:
            words = {"min_volts_ac": "the least volts AC", "at_rpm": "the rpm at which min_volts_ac holds"}[key]
            yield ("stator", key), f"found nothing, expected {words} (or [[stator.table]] rows)"
    if has_table and raw.at("stator", "min_volts_ac") is not None and raw.at("stator", "at_rpm") is None:
        yield ("stator", "at_rpm"), "found nothing, expected the rpm at which min_volts_ac holds"
    poles = raw.at("stator", "magnet_poles")
    if isinstance(poles, int) and not isinstance(poles, bool) and poles % 2:
        yield ("stator", "magnet_poles"), f"found {poles}, expected an even number: magnets come in pairs"
    least, most = raw.number("stator", "min_volts_ac"), raw.number("stator", "max_volts_ac")
    if least is not None and most is not None and most <= least:
        yield ("stator", "max_volts_ac"), f"found {most:g}, expected more than min_volts_ac, {least:g}"
    pairs = raw.at("stator", "lead_pairs")
    if isinstance(pairs, list) and all(isinstance(one, str) for one in pairs) and len(set(pairs)) < len(pairs):
        yield ("stator", "lead_pairs"), f"found {shown(pairs)}, expected every pair once"


def _stator_table(raw: Raw) -> Iterator[Complaint]:
    rows = raw.at("stator", "table")
    if not isinstance(rows, list):
        return
    before = 0.0
    for place in range(len(rows)):
        rpm = raw.number("stator", "table", place, "rpm")
        if rpm is not None and rpm <= before:
            said = f"found {rpm:g} after {before:g}, expected rows by rising rpm"
            yield ("stator", "table", place, "rpm"), said
        before = before if rpm is None else rpm
        volts, at_rpm = raw.number("stator", "table", place, "min_volts_ac"), raw.number("stator", "at_rpm")
        least = raw.number("stator", "min_volts_ac")
        if rpm is not None and rpm == at_rpm and least is not None and volts is not None and volts != least:
            said = f"found {volts:g} at {rpm:g} rpm, expected {least:g} as in stator.min_volts_ac (or leave that out)"
            yield ("stator", "table", place, "min_volts_ac"), said


# --- a regulator that is tested by the lot ----------------------------------------------------------------------------

#: Unit of a characteristic -> how the keys of its limits end: min_volts, max_volts.
LIMIT_WORDS = {"mA": "milliamps", "rpm": "rpm", "V": "volts", "mV": "millivolts", "A": "amps"}

#: What a test needs beside its limits, and what else it may have.
_TEST_KEYS: dict[Measures, tuple[tuple[str, ...], tuple[str, ...]]] = {
    Measures.LEAKAGE: ((), ("at_volts",)),
    Measures.FIRST_OUTPUT: (("rpm", "at_amps"), ()),
    Measures.SET_POINT: (("rpm", "amps"), ()),
    Measures.LOAD_REGULATION: (("between",), ()),
    Measures.GREATEST_OUTPUT: (("rpm", "at_volts"), ()),
    Measures.RIPPLE: (("rpm", "amps"), ()),
    Measures.WARM_UP: (("rpm", "amps", "over_s"), ()),
    Measures.CEILING: ((), ("rpm", "amps")),
}
_WANTED_WORDS = {
    "rpm": "the window of drive speeds in which it is measured, [low, high]",
    "amps": "the window of loads in which it is measured, [low, high]",
    "at_amps": "the amps from which on it charges",
    "at_volts": "the volts to which it is pulled down",
    "over_s": "the seconds that it warms up for",
    "between": "the ids of two set-points that stand before it, [light, rated]",
}


def _part(raw: Raw) -> Iterator[Complaint]:
    yield from _in_order(raw, ("drive", "rated_rpm"))
    most, rated = raw.number("drive", "max_rpm"), raw.number("drive", "rated_rpm", 1)
    if most is not None and rated is not None and most < rated:
        yield ("drive", "max_rpm"), f"found {most:g}, expected at least the top of rated_rpm, {rated:g}"
    tests = raw.at("test")
    before: dict[str, Measures | None] = {}
    for place in range(len(tests) if isinstance(tests, list) else 0):
        try:
            measures = Measures(raw.text("test", place, "measures") or "")
        except ValueError:
            measures = None  # said already
        id = raw.text("test", place, "id")
        if id is not None and id in before:
            yield ("test", place, "id"), f"found {id!r} a second time, expected an id of its own for every test"
        if measures is not None:
            yield from _test_keys(raw, place, measures)
            yield from _test_limits(raw, place, measures)
            yield from _between(raw, place, before)
        yield from _test_windows(raw, place)
        if id is not None:
            before.setdefault(id, measures)


def _test_keys(raw: Raw, place: int, measures: Measures) -> Iterator[Complaint]:
    """Whether a test has what it needs, and nothing that means nothing to it."""
    needed, allowed = _TEST_KEYS[measures]
    for key in needed:
        if raw.at("test", place, key) is None:
            yield ("test", place, key), f"found nothing, expected {_WANTED_WORDS[key]}"
    for key in _WANTED_WORDS:
        if key not in (*needed, *allowed) and raw.at("test", place, key) is not None:
            yield (
                ("test", place, key),
                f"found {shown(raw.at('test', place, key))}, which means nothing for {measures.value!r}: leave it out",
            )


def _test_limits(raw: Raw, place: int, measures: Measures) -> Iterator[Complaint]:
    word = LIMIT_WORDS[CHARACTERISTIC_UNITS[measures]]
    least, most = (raw.number("test", place, f"{end}_{word}") for end in ("min", "max"))
    for other in LIMIT_WORDS.values():
        for end in ("min", "max"):
            if other != word and raw.at("test", place, f"{end}_{other}") is not None:
                said = f"found a limit in {other}, expected {end}_{word} for {measures.value!r}"
                yield ("test", place, f"{end}_{other}"), said
    if least is None and most is None:
        said = f"found no limit at all, expected min_{word}, max_{word} or both for {measures.value!r}"
        yield ("test", place, f"max_{word}"), said
    if least is not None and most is not None and least >= most:
        yield ("test", place, f"max_{word}"), f"found {most:g}, expected more than min_{word}, {least:g}"
    ceiling = raw.number("ceiling", "volts")
    if ceiling is None or word != "volts":
        return
    over = measures is Measures.SET_POINT and most is not None and most >= ceiling
    if over or (measures is Measures.CEILING and most is not None and most > ceiling):
        bound = "less than" if over else "at most"
        yield ("test", place, "max_volts"), f"found {most:g}, expected {bound} the ceiling's volts, {ceiling:g}"


def _between(raw: Raw, place: int, before: Mapping[str, Measures | None]) -> Iterator[Complaint]:
    given = raw.at("test", place, "between")
    if not isinstance(given, list) or len(given) != 2:
        return
    points = [id for id, measures in before.items() if measures is Measures.SET_POINT]
    wrong = [one for one in given if one not in points]
    if wrong or given[0] == given[1]:
        known = ", ".join(points) or "there are none"
        said = f"found {shown(given)}, expected two different set-points that stand before this test: {known}"
        yield ("test", place, "between"), said


def _test_windows(raw: Raw, place: int) -> Iterator[Complaint]:
    where: Path = ("test", place)
    for key in ("rpm", "amps"):
        low, high = raw.number("test", place, key, 0), raw.number("test", place, key, 1)
        if low is not None and high is not None and low >= high:
            found = shown(raw.at("test", place, key))
            yield (*where, key), f"found {found}, expected the lower number first and the higher second"
    top, most = raw.number("test", place, "rpm", 1), raw.number("drive", "max_rpm")
    if top is not None and most is not None and top > most:
        yield (*where, "rpm"), f"found {top:g}, expected at most the drive's max_rpm, {most:g}"
    load, rated = raw.number("test", place, "amps", 1), raw.number("part", "rated_amps")
    if load is not None and rated is not None and load > 1.5 * rated:
        yield (*where, "amps"), f"found {load:g}, expected at most 1.5 times rated_amps, {1.5 * rated:g}"
    limit = raw.number("test", place, "max_rpm")
    if limit is not None and top is not None and limit > top:
        yield (*where, "max_rpm"), f"found {limit:g}, expected a speed within its window of rpm, up to {top:g}"
    volts, ceiling = raw.number("test", place, "at_volts"), raw.number("ceiling", "volts")
    if volts is not None and ceiling is not None and volts >= ceiling:
        yield (*where, "at_volts"), f"found {volts:g}, expected less than the ceiling's volts, {ceiling:g}"
    settle, longest = raw.number("test", place, "settle_s"), raw.number("test", place, "longest_s")
    least = (2.0 if settle is None else settle) + (raw.number("test", place, "over_s") or 0.0)
    if (60.0 if longest is None else longest) <= least:
        found = "60 (where it is not given)" if longest is None else f"{longest:g}"
        yield (*where, "longest_s"), f"found {found}, expected more than settle_s and over_s together, {least:g}"


# --- a bench --------------------------------------------------------------------------------------------------------


def _bench(raw: Raw) -> Iterator[Complaint]:
    drivers: dict[str, Driver] = {}
    for name, keys in raw.tables("instruments").items():
        yield from _instrument(name, keys, drivers)
    yield from _ports(raw)
    for name, keys in raw.tables("channels").items():
        where: Path = ("channels", name)
        if name not in CHANNELS:
            known = ", ".join(CHANNELS)
            yield where, f"found an unknown channel{nearest(name, CHANNELS)}, expected one of {known}"
            continue
        yield from _source(raw, name, keys)
        yield from _ratio(name, keys)
        yield from _function(name, keys, drivers)
    yield from _shared_inputs(raw, drivers)


def _instrument(name: str, keys: Mapping[str, Any], drivers: dict[str, Driver]) -> Iterator[Complaint]:
    """Checks one instrument; a driver that is found is put into `drivers` under the instrument's name."""
    where: Path = ("instruments", name)
    for place, line in enumerate(keys["accuracy"] if isinstance(keys.get("accuracy"), list) else ()):
        yield from _accuracy((*where, "accuracy", place), line)
    wanted = keys.get("driver")
    if not isinstance(wanted, str) or not wanted:
        return
    try:
        driver = registry.driver(wanted)
    except ConfigError as error:
        yield (*where, "driver"), f"found {wanted!r}, expected the name of a driver: {error}"
        return
    drivers[name] = driver
    options = {key: value for key, value in keys.items() if key not in InstrumentKeys.model_fields}
    for key, said in driver.check(options):
        at = _path_of(key)
        hint = nearest(key, InstrumentKeys.model_fields) if at[0] in options and len(at) == 1 else ""
        yield (*where, *at), f"{_as_found(said)}{hint} (driver {wanted!r})"


def _accuracy(where: Path, line: Any) -> Iterator[Complaint]:
    if not isinstance(line, Mapping):
        return
    raw = Raw(line)
    low, high = raw.number("min_hertz"), raw.number("max_hertz")
    if low is not None and high is not None and low >= high:
        yield (*where, "max_hertz"), f"found {high:g}, expected more than min_hertz, {low:g}"
    if not raw.number("percent") and not raw.number("counts"):
        said = "found a statement of no uncertainty at all, expected percent or counts above 0"
        yield (*where, "percent"), said


def _as_found(said: str) -> str:
    """A driver's complaint in the words of all the others, where it keeps to `wire.options`."""
    if said == "is missing":
        return "found nothing, expected it to be given"
    return re.sub(r"^is (?=.*, expected )", "found ", said).replace("unknown key; this", "found an unknown key: this")


def _path_of(key: str) -> Path:
    """A driver's 'registers[0].scale' as steps."""
    steps = re.findall(r"\[(\d+)\]|([^.\[\]]+)", key)
    return tuple(int(place) if place else name for place, name in steps) or (key,)


def _ports(raw: Raw) -> Iterator[Complaint]:
    seen: dict[str, str] = {}
    for name in raw.tables("instruments"):
        port = raw.text("instruments", name, "port")
        if not port or port.startswith("replay:"):
            continue
        if port in seen:
            said = f"found {port!r}, the port of instrument {seen[port]!r} too; expected a port of its own"
            yield ("instruments", name, "port"), said
        seen.setdefault(port, name)


def _source(raw: Raw, name: str, keys: Mapping[str, Any]) -> Iterator[Complaint]:
    """Whether the channel comes from an instrument or a channel that is there."""
    where: Path = ("channels", name)
    instrument, other = keys.get("instrument"), keys.get("from_channel")
    known = raw.tables("instruments")
    if instrument is None and other is None:
        yield (*where, "instrument"), f"found nothing, expected the name of an instrument: {', '.join(known) or 'none'}"
    elif instrument is not None and other is not None:
        yield (*where, "from_channel"), "found beside instrument, expected one of the two"
    elif isinstance(instrument, str) and instrument not in known:
        names = ", ".join(known) or "none is in this file"
        said = f"found {instrument!r}, expected the name of an instrument{nearest(instrument, known)}: {names}"
        yield (*where, "instrument"), said
    elif other is not None and (name, other) != ("engine_rpm", "stator_hertz"):
        said = f"found {shown(other)}, expected 'stator_hertz', and only on engine_rpm"
        yield (*where, "from_channel"), said
    elif other is not None and other not in raw.tables("channels"):
        yield (*where, "from_channel"), f"found {other!r}, expected a channel of this bench: add [channels.{other}]"


def _ratio(name: str, keys: Mapping[str, Any]) -> Iterator[Complaint]:
    where: Path = ("channels", name)
    raw = Raw(keys)
    if raw.number("ratio") == 0:
        yield (*where, "ratio"), "found 0, expected channel units per meter unit, not 0"
    shunt = [key for key in ("shunt_millivolts", "shunt_amps") if key in keys]
    if len(shunt) == 1:
        missing = "shunt_amps" if shunt[0] == "shunt_millivolts" else "shunt_millivolts"
        yield (*where, missing), f"found nothing beside {shunt[0]}, expected both, such as 75 mV at 50 A"
    if shunt and "ratio" in keys:
        yield (*where, "ratio"), f"found beside {shunt[0]}, expected one or the other"
    if shunt and name not in CURRENTS:
        yield (*where, shunt[0]), f"found on a channel that is no current, expected it on {', '.join(CURRENTS)}"
    if "max_amps" in keys and name not in CURRENTS:
        yield (*where, "max_amps"), f"found on a channel that is no current, expected it on {', '.join(CURRENTS)}"
    if "pulses_per_rev" in keys and (name != "engine_rpm" or "from_channel" in keys):
        yield (*where, "pulses_per_rev"), "expected only on engine_rpm that an instrument reads"


def _function(name: str, keys: Mapping[str, Any], drivers: Mapping[str, Driver]) -> Iterator[Complaint]:
    """Whether the function fits the channel, and the driver can measure it."""
    where: Path = ("channels", name, "function")
    own, others = CHANNELS[name][0], _OTHER_FUNCTIONS.get(name, {})
    has_ratio = "ratio" in keys or "shunt_amps" in keys
    given = keys.get("function")
    if given is not None:
        try:
            function = Quantity(given)
        except ValueError:
            return  # said already
        if function is not own and function not in others:
            fits = " or ".join(repr(one.value) for one in (own, *others))
            yield where, f"found {given!r}, expected {fits} for {name}"
            return
        if others.get(function) and not has_ratio:
            keys_wanted = "ratio (A per V) or shunt_millivolts and shunt_amps" if name in CURRENTS else "ratio"
            yield where, f"found {given!r} without a ratio, expected {keys_wanted} with it"
    driver = drivers.get(str(keys.get("instrument")))
    if driver is None or not driver.quantities:
        return
    function = Quantity(given) if given is not None else default_function(name, driver.quantities)
    if function not in driver.quantities:
        can = ", ".join(repr(str(one)) for one in sorted(driver.quantities))
        yield where, f"found {function.value!r}, expected what driver {driver.name!r} measures: {can}"


def _shared_inputs(raw: Raw, drivers: Mapping[str, Driver]) -> Iterator[Complaint]:
    """Two channels on one function of one input would be one reading under two names."""
    seen: dict[tuple[str, str, str], str] = {}
    for name, keys in raw.tables("channels").items():
        instrument = keys.get("instrument")
        if not isinstance(instrument, str) or name not in CHANNELS or instrument not in drivers:
            continue
        function = str(keys.get("function") or CHANNELS[name][0])
        if (raw.text("instruments", instrument, "port") or "").startswith("replay:"):
            continue  # a recording's columns carry the channels' names
        key = (instrument, function, str(keys.get("point", "")))
        if key in seen:
            said = (
                f"found the same input as channels.{seen[key]} ({function} of {instrument!r}), "
                "expected an instrument or a point of its own"
            )
            yield ("channels", name, "point"), said
        seen.setdefault(key, name)
