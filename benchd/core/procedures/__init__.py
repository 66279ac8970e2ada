"""The procedures, by name. A new one is a class with base.Procedure's methods and a line in PROCEDURES."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.core.procedures.base import Procedure
from benchd.core.procedures.regulator import RegulatorRun
from benchd.core.procedures.stator import StatorRun
from benchd.core.specs import MachineSpec, Metrology

PROCEDURES: dict[str, type[RegulatorRun] | type[StatorRun]] = {"stator": StatorRun, "regulator": RegulatorRun}


def make(
    name: str,
    spec: MachineSpec,
    metrology: Metrology | None = None,
    earlier: Mapping[str, str] | None = None,
    **timing: Any,
) -> Procedure:
    """A fresh procedure.

    `earlier` holds the last outcome of each procedure of the same work order ('stator' -> 'pass'). `timing` may give
    `wait_s` (how long a lost meter is waited for), `max_run_s`, and `quiet` (no standings: nobody looks, same verdict). ValueError if the name is unknown or the spec has no
    section for it.
    """
    if name not in PROCEDURES:
        raise ValueError(f"no procedure {name!r}; there are: {', '.join(PROCEDURES)}")
    return PROCEDURES[name](spec, metrology or Metrology(), earlier or {}, **timing)


__all__ = ["PROCEDURES", "Procedure", "RegulatorRun", "StatorRun", "make"]
