"""Orders and runs of one daemon: a run takes its unit from its order, proves it, and none is opened on a closed one."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from houses import House, house

from benchd.errors import BusyError, NotFoundError
from benchd.visits.door import NewRepair, NewVisit


async def ready(one: House) -> None:
    async with asyncio.timeout(15):
        while one.daemon.bench("bay-1")["state"] != "ready":  # noqa: ASYNC110 - what is waited for makes no event
            await asyncio.sleep(0.02)


async def test_a_run_belongs_to_its_order_from_the_complaint_to_the_close(tmp_path: Path) -> None:
    async with house(tmp_path) as one:
        await ready(one)
        visits = one.daemon.visits
        with pytest.raises(NotFoundError, match="no machine 'holin-t18' is known to this daemon"):
            await asyncio.to_thread(visits.open, NewVisit("holin-t18"))
        body = await asyncio.to_thread(visits.open, NewVisit("hollin-t18", unit="T18-0042", complaint="dead"))
        at = body["work_order"]
        await asyncio.to_thread(visits.repair, at, NewRepair("clean-terminals"))
        run = await one.run(work_order=at)
        # While a run is written, orders are too.
        for number in range(5):
            await asyncio.to_thread(visits.note, at, f"note {number}")
        body = await asyncio.to_thread(visits.visit, at)
        assert "A run of this order is still open: let it end." in body["proof"]["missing"]
        verdict = await one.ended(run)
        assert (verdict["verdict"], verdict["unit"]) == ("pass", "T18-0042")
        await ready(one)
        body = await asyncio.to_thread(visits.close, at)
        assert (body["state"], body["proof"]["runs"]) == ("proven", [run])
        (listed,) = body["runs"]
        assert (listed["unit"], listed["item"]) == ("T18-0042", "regulator")
        with pytest.raises(BusyError, match=f"work order {at} was closed .*no run can be added to it"):
            await one.run(work_order=at)
        assert one.daemon.bench("bay-1")["state"] == "ready"
        assert [str(finding) for finding in one.daemon.journal.verify()] == []
