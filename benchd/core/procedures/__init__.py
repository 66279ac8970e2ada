"""The procedures, by name. A new one is a class with base.Procedure's methods and a line in the table."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping
from typing import Any

from benchd.core.procedures.base import Procedure, Range
from benchd.core.specs import MachineSpec, Metrology

#: Name -> where its class stands; imported when it is asked for.
_PLACES = {
    "charge": "charge:ChargeTest",
    "load": "load:LoadTest",
    "crank": "crank:CrankTest",
    "draw": "draw:DrawTest",
    "stator": "stator:StatorRun",
    "regulator": "regulator:RegulatorRun",
    "drop": "drop:DropTest",
    "continuity": "continuity:ContinuityTest",
    "unit": "unit:UnitTest",
}

NAMES = tuple(_PLACES)
#: Those of a machine, in the order in which a technician comes to them; a unit of a lot has its own.
SHOP_NAMES = tuple(name for name in NAMES if name != "unit")


class _Classes(Mapping[str, Any]):
    """Name -> class of the procedure."""

    def __getitem__(self, name: str) -> Any:
        module, _, own = _PLACES[name].partition(":")
        return getattr(importlib.import_module(f"{__name__}.{module}"), own)

    def __iter__(self) -> Iterator[str]:
        return iter(_PLACES)

    def __len__(self) -> int:
        return len(_PLACES)

    def __contains__(self, name: object) -> bool:
        return name in _PLACES


PROCEDURES: Mapping[str, Any] = _Classes()


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
    made: Procedure = PROCEDURES[name](spec, metrology or Metrology(), earlier or {}, **timing)
    return made


__all__ = ["NAMES", "PROCEDURES", "SHOP_NAMES", "Procedure", "Range", "make"]
