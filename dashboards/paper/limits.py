"""The limits of a machine file, in the words of a manual."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper.words import limit, one_line, plain, titled

#: Table -> key -> (words, unit). '@' stands for the speed that belongs to it.
_KEYS: dict[str, dict[str, tuple[str, str]]] = {
    "engine": {"full_throttle_rpm": ("speed at full throttle", "rpm")},
    "stator": {
        "min_volts_ac": ("least volts AC, regulator unplugged{at}", "V"),
        "max_volts_ac": ("most volts AC: above it, it is another winding", "V"),
        "magnet_poles": ("magnets in the flywheel", ""),
        "lead_pairs": ("lead pairs to measure", ""),
        "lead_ohms": ("ohms of each pair, cold", "ohm"),
        "min_ground_ohms": ("ohms to ground, at least", "ohm"),
        "table": ("least volts AC, regulator unplugged, ", ""),
    },
    "regulator": {
        "rated_amps": ("rated output{at}", "A"),
        "min_amps": ("least output that counts as rated", "A"),
        "settled_volts": ("volts when settled", "V"),
        "ceiling_volts": ("never above: stop the engine", "V"),
        "near_zero_amps": ("amps that count as none", "A"),
        "max_drop_volts": ("lost between regulator and battery, at most", "V"),
    },
    "battery": {
        "amp_hours": ("capacity", "Ah"),
        "cold_cranking_amps": ("cold-cranking amps (CCA)", "A"),
        "rating_amps": ("rating", "A"),
        "rating_standard": ("rating by", ""),
        "full_gravity": ("specific gravity when full", ""),
        "sealed": ("sealed", ""),
    },
    "starting": {
        "min_cranking_volts": ("battery volts while cranking, at least", "V"),
        "min_cranking_rpm": ("cranking speed, at least", "rpm"),
        "max_starter_amps": ("starter amps, at most", "A"),
        "max_crank_s": ("one go on the starter, at most", "s"),
        "rest_s": ("then let the starter rest", "s"),
    },
    "wiring": {
        "joints": ("joints, positive side", ""),
        "ground_joints": ("joints, ground side", ""),
        "max_joint_volts": ("lost at one joint, at most", "V"),
        "max_side_volts": ("lost on one side, at most", "V"),
        "max_total_volts": ("lost on both sides, at most", "V"),
        "max_key_off_amps": ("with the key off, at most", "A"),
        "breaker_amps": ("breaker or fuse", "A"),
    },
}


#: What a run is judged by beyond the machine file's keys.
_OF_RUNS: dict[str, tuple[str, str]] = {
    "least_volts": ("battery volts under load, at least", "V"),
    "load_amps": ("load", "A"),
    "load_s": ("held for", "s"),
    "state_of_charge": ("charged, at least", "%"),
    "gravity_spread": ("gravity of the cells apart, at most", ""),
    "least_amps": ("amps that must flow, at least", "A"),
    "closed_ohms": ("ohms of a closed contact, at most", "ohm"),
}

#: Given among the limits of a verdict, but none: they stand beside one.
BESIDE_LIMITS = ("at_rpm", "load_within")


def limit_rows(spec: Mapping[str, Any], leave: frozenset[str] = frozenset()) -> list[tuple[str, str, str]]:
    """(part, limit, value) of everything that a machine file asks for, but for the keys to be left out; keys that are
    not known are shown by their name."""
    return [(part if first else "", words, value) for part, first, words, value in _rows(spec, leave)]


def _rows(spec: Mapping[str, Any], leave: frozenset[str]) -> Iterator[tuple[str, bool, str, str]]:
    for part, keys in _KEYS.items():
        given = spec.get(part)
        if not isinstance(given, Mapping):
            continue
        names = [*(one for one in keys if one in given), *(one for one in given if one not in keys and one != "at_rpm")]
        names = [one for one in names if one not in leave]
        for place, name in enumerate(names):
            words, unit = keys.get(name, (titled(name), ""))
            speed = f", at {limit(given['at_rpm'])} rpm" if "at_rpm" in given else ""
            for index, (extra, value) in enumerate(_values(name, given[name], unit)):
                yield part, place == 0 and index == 0, words.replace("{at}", speed) + extra, value


def _values(name: str, value: Any, unit: str) -> Iterator[tuple[str, str]]:
    if name == "table" and isinstance(value, list):
        for row in value:
            yield f"at {plain(row['rpm'])} rpm", f"{plain(row['min_volts_ac'])} V"
    elif name == "switch" and isinstance(value, Mapping):
        for position, pairs in value.items():
            yield f", {one_line(position)}", "joins " + (", ".join(one_line(one) for one in pairs) or "nothing")
    elif name == "full_gravity":
        yield "", f"{float(value):.3f}"
    else:
        yield "", limit(value, unit)


def limit_line(name: str, value: Any, limits: Mapping[str, Any]) -> str:
    """A limit of a verdict on one line: 'volts when settled: 13.8 to 14.7 V'."""
    return ": ".join(limit_words(name, value, limits))


def limit_words(name: str, value: Any, limits: Mapping[str, Any]) -> tuple[str, str]:
    """A limit of a verdict, what and how much: ('volts when settled', '13.8 to 14.7 V')."""
    words, unit = next((keys[name] for keys in (*_KEYS.values(), _OF_RUNS) if name in keys), (titled(name), ""))
    speed = f", at {limit(limits['at_rpm'])} rpm" if limits.get("at_rpm") is not None else ""
    source = one_line(limits.get(f"{name}_from"))
    return words.replace("{at}", speed), limit(_short(value), unit) + (f" ({source})" if source else "")


def _short(value: Any) -> Any:
    """A computed limit (a least voltage between two rows of a table) with no more digits than a meter has."""
    return round(value, 3) if isinstance(value, float) else value
