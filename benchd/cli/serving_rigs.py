"""`benchd serve --demo --rigs N`: the daemon over virtual motor-driven benches; the regulator that a run names is mounted for it."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from contextlib import AsyncExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli.serving import Say, serve
from benchd.clock import Clock
from benchd.errors import PortError, UsageError
from benchd.site import Site

if TYPE_CHECKING:
    from benchd.runner import Technician
    from benchd.virtual.rig_bench import RigBench


async def serve_rigs(
    listen: str | None, speed: float, say: Say, rigs: int, planted: Mapping[str, str], drifts: Mapping[str, float]
) -> None:
    """Serve so many virtual rigs, 'rig 1' and so on, units planted with what is wrong with them."""
    from benchd import config
    from benchd.virtual.rig_bench import RigBench

    clock = Clock(speed)
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchd-rigs-")))
        virtual: dict[str, RigBench] = {}
        served = {}
        for number in range(1, rigs + 1):
            slug = f"rig-{number}"
            virtual[slug] = await stack.enter_async_context(RigBench(number, clock, planted, drifts.get(slug, 0.0)))
            path = folder / f"{slug}.toml"
            path.write_text(virtual[slug].bench_toml.replace('"virtual bench"', f'"rig {number}"'), encoding="utf-8")
            served[slug] = config.load_bench(path)

        async def technician(slug: str, procedure: str, unit: str | None) -> Technician | None:
            await virtual[slug].mount(unit or "")
            return virtual[slug].operator

        try:
            await serve(
                Site("Vantry demo", benches=served), listen=listen, say=say, clock=clock, technicians=technician
            )
        except PortError as error:
            raise PortError(f"{error}\nWith --demo: benchd serve --demo --rigs {rigs} --listen 127.0.0.1:0") from error


def parse_planted(text: str) -> tuple[str, str]:
    """SERIAL=FAULT. UsageError says what can be planted."""
    from benchd.virtual.regulators import PLANTED

    serial, _, fault = text.rpartition("=")
    if not serial or fault not in PLANTED:
        raise UsageError(f"--plant {text}: say SERIAL=FAULT, a fault of {', '.join(PLANTED)}")
    return serial, fault


def parse_drift(text: str, rigs: int) -> tuple[str, float]:
    """RIG=PPM. UsageError."""
    rig, _, ppm = text.partition("=")
    slugs = [f"rig-{number}" for number in range(1, rigs + 1)]
    try:
        found = float(ppm)
    except ValueError:
        found = float("nan")
    if rig not in slugs or not abs(found) <= 1e6:
        raise UsageError(f"--drift {text}: say RIG=PPM, as in rig-1=500; rigs are {', '.join(slugs)}")
    return rig, found
