"""What can be known before the engine starts: limits of the meters, what is missing, what is out of date, which ports.

Everything that is wrong is told at once: a bench with six meters should not need six starts.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from benchd.config import Bench, metrology
from benchd.core import procedures
from benchd.core.procedures import Procedure
from benchd.core.specs import MachineSpec, Metrology, Rule
from benchd.errors import ConfigError, PortError


def known_of(
    bench: Bench | None, rule: Rule | None = None, poles: int | None = None
) -> tuple[Metrology, dict[str, float]]:
    """(what is known of the meters, the procedure's waiting times); without a bench nothing is."""
    found = Metrology() if bench is None else metrology(bench, poles)
    timing = {} if bench is None else {"wait_s": bench.wait_for_meter_s, "max_run_s": bench.max_run_s}
    return (found if rule is None else replace(found, rule=rule)), timing


def poles_of(spec: MachineSpec) -> int | None:
    return None if spec.stator is None else spec.stator.magnet_poles


def wanted_channels(bench: Bench, procedure: Procedure) -> tuple[str, ...]:
    """The channels of this bench that the procedure reads, in its order."""
    names = dict.fromkeys((*procedure.channels_needed, *procedure.channels_used))
    return tuple(name for name in names if name in bench.channels)


def instruments_of(bench: Bench, channels: Iterable[str]) -> list[str]:
    """Names of the instruments behind these channels; a channel made from another one needs that one's."""
    names: dict[str, None] = {}
    for channel in channels:
        found = bench.channels[channel]
        source = bench.channels[found.from_channel] if found.from_channel else found
        if source.instrument:
            names[source.instrument] = None
    return list(names)


def instrument_records(bench: Bench, names: Iterable[str] | None = None) -> list[dict[str, Any]]:
    """The verdict's `instruments`: name, driver, port, identity (not asked yet), calibration due."""
    chosen = bench.instruments if names is None else names
    return [
        {
            "name": one.name,
            "driver": one.driver,
            "port": one.port,
            "identity": None,
            "calibration_due": None if one.calibration_due is None else one.calibration_due.isoformat(),
        }
        for one in (bench.instruments[name] for name in chosen)
    ]


# --- configuration --------------------------------------------------------------------------------------------------


def check_spec(spec: MachineSpec, procedure_name: str) -> None:
    """ConfigError if the machine file lacks the limits of this procedure."""
    kind = procedures.PROCEDURES[procedure_name]
    missing = [_no_table(spec, table, procedure_name) for table in kind.spec_needs if getattr(spec, table) is None]
    wrong = missing or list(kind.spec_complaints(spec))
    if wrong:
        raise ConfigError("\n".join(f"{spec.source or spec.name}: {one}" for one in wrong))


def _no_table(spec: MachineSpec, table: str, procedure_name: str) -> str:
    if table == "part":
        return "this is a machine file; a unit's test goes by a regulator file, such as configs/regulators/vantry-vr20.toml."
    if spec.part is not None:
        return f"this is a regulator file, for units of a lot; a {procedure_name} run goes by a machine file."
    return (
        f"no [{table}] table, so there is nothing to judge a {procedure_name} run by. Copy the limits from the machine's "
        "technical manual into it."
    )


def check_bench(bench: Bench, known: Metrology, procedure: Procedure) -> None:
    """ConfigError with everything on this bench that makes this run impossible or unsafe for a meter."""
    missing = [name for name in procedure.channels_needed if name not in bench.channels]
    complaints = [
        f"[channels.{name}] is missing: a {procedure.name} run needs it. Say which instrument reads it."
        for name in missing
    ]
    for channel, least, unit, why in procedure.least_ranges():
        model = known.channels.get(channel)
        if model is None or model.instrument_max is None or model.instrument_max >= least:
            continue
        complaints.append(
            f"[channels.{channel}] instrument {model.instrument!r} takes at most {model.instrument_max:g} {unit}; "
            f"this run needs {least:.3g} {unit} ({why}). Use a higher jack or range, a shunt or a clamp."
        )
    if complaints:
        raise ConfigError("\n".join([f"{bench.source or bench.name}: not fit for this run:", *_indented(complaints)]))


def overdue(bench: Bench, names: Iterable[str], today: date) -> list[str]:
    """A sentence for each instrument whose calibration is overdue; the run goes on, the verdict says it."""
    return [
        f"{name}: its calibration was due on {due.isoformat()}; the stated uncertainty may not hold."
        for name in names
        if (due := bench.instruments[name].calibration_due) is not None and due < today
    ]


def _indented(lines: Iterable[str]) -> list[str]:
    return [f"  {line}" for text in lines for line in text.splitlines()]


# --- ports ----------------------------------------------------------------------------------------------------------


async def check_ports(
    bench: Bench, names: Sequence[str], try_open: Callable[[str], Any], there_are: Callable[[], Sequence[str]]
) -> None:
    """Open and close every instrument's port, all at once; PortError with all that are missing and what there is.

    `try_open(instrument name)` is awaited and raises PortError where the port cannot be opened.
    """
    results = await asyncio.gather(*(try_open(name) for name in names), return_exceptions=True)
    missing: list[str] = []
    for name, result in zip(names, results, strict=True):
        if isinstance(result, PortError):
            missing.append(f"[instruments.{name}] port {bench.instruments[name].port}: {result}")
        elif isinstance(result, BaseException):
            raise result
    if not missing:
        return
    ports = there_are()
    lines = [f"{len(missing)} of {len(names)} instruments cannot be reached:", *_indented(missing)]
    lines.append("ports on this computer:" if ports else "no serial port was found on this computer")
    raise PortError("\n".join([*lines, *_indented(ports)]))


def versions(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """The programs that made a run: benchd, Python, and the libraries that read or compute."""
    import platform
    from importlib.metadata import PackageNotFoundError, version

    from benchd import __version__

    found = {"benchd": __version__, "python": platform.python_version(), "system": platform.platform()}
    for name in ("numpy", "scipy", "pyserial", "pyvisa", "pyvisa-py", "pymodbus"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found | dict(extra or {})
