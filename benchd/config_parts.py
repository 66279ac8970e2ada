"""From the keys of a regulator file to the spec of a part."""

from __future__ import annotations

from benchd.config_checks import LIMIT_WORDS
from benchd.config_keys import CharacteristicKeys, RegulatorFile
from benchd.core.specs import CHARACTERISTIC_UNITS, Characteristic, MachineSpec, PartSpec


def part_spec(keys: RegulatorFile, source: str) -> MachineSpec:
    """A part as a spec of its own: the drive stands for the engine."""
    low, high = keys.drive.rated_rpm
    part = PartSpec(
        keys.part.number,
        keys.part.name,
        keys.part.rated_amps,
        (low, high),
        keys.drive.max_rpm,
        keys.ceiling.volts,
        tuple(_characteristic(one) for one in keys.test),
        keys.judging.rule,
        keys.judging.risk,
    )
    return MachineSpec(keys.part.name, keys.part.manual, (low, high), source=source, part=part)


def _characteristic(keys: CharacteristicKeys) -> Characteristic:
    unit = CHARACTERISTIC_UNITS[keys.measures]
    low, high = (getattr(keys, f"{end}_{LIMIT_WORDS[unit]}") for end in ("min", "max"))
    return Characteristic(
        keys.id,
        keys.measures,
        keys.title or keys.measures.value.capitalize(),
        unit,
        low,
        high,
        None if keys.rpm is None else (keys.rpm[0], keys.rpm[1]),
        None if keys.amps is None else (keys.amps[0], keys.amps[1]),
        keys.settle_s,
        keys.longest_s,
        keys.safety,
        keys.at_amps,
        keys.at_volts,
        keys.over_s,
        None if keys.between is None else (keys.between[0], keys.between[1]),
    )
