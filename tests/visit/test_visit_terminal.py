"""The Textual shell of the visit's screens: real keys, a made-up house behind them."""

from __future__ import annotations

import asyncio

import visit_bodies as bodies
from benchd_dashboards.look import Look
from benchd_dashboards.shell import Page
from benchd_dashboards.visit.terminal import VisitApp

from benchd.errors import NotFoundError


class House:
    """Orders in memory; what was done is kept."""

    def __init__(self) -> None:
        self.done: list[tuple[str, tuple[str, ...]]] = []

    def orders(self):
        return [bodies.listed("1001", "T18-0042"), bodies.listed("1000", "T18-0007", "proven")]

    def order(self, number):
        return bodies.body(work_order=number)

    def knowledge(self):
        return bodies.KNOWLEDGE

    def machines(self):
        return ["hollin-t18"]

    def do(self, number, action):
        self.done.append((number, action))
        if action[0] == "scan" and action[1] != "T18-0042":
            raise NotFoundError(f"no order and no machine {action[1]!r}")
        said = "" if action[0] in ("open", "scan") else f"kept: {action[0]}"
        return bodies.body(work_order=action[1] if action[0] == "open" else number or "1001"), said


async def settle(app: VisitApp, pilot) -> None:
    await app.workers.wait_for_complete()
    await pilot.pause()


def shown(app: VisitApp) -> str:
    size = app.query_one(Page).size
    return app.draw(size.width, size.height).plain


async def test_from_the_list_to_an_answer() -> None:
    house = House()
    app = VisitApp(house, lambda procedure, number: "", Look())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        assert "1001  Hollin T18 garden tractor T18-0042" in shown(app)
        await pilot.press("enter")
        await settle(app, pilot)
        assert "Order 1001" in shown(app)
        await pilot.press("enter", "2", "enter")
        await settle(app, pilot)
        assert house.done == [("", ("open", "1001")), ("1001", ("find", "terminals", "loose"))]
        assert "kept: find" in shown(app)


async def test_a_trouble_is_told_and_what_was_there_stays() -> None:
    app = VisitApp(House(), lambda procedure, number: "", Look(), "1001")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        await pilot.press("Z", "9", "enter")
        await settle(app, pilot)
        assert "no order and no machine 'Z9'" in shown(app)
        assert "Order 1001" in shown(app)


async def test_another_bench_writes_into_the_same_order() -> None:
    house = House()
    app = VisitApp(house, lambda procedure, number: "", Look(), "1001")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        house.order = lambda number: bodies.body(complaint="written elsewhere meanwhile")
        app._again()
        await settle(app, pilot)
        assert "written elsewhere meanwhile" in shown(app)


async def test_the_sheet_follows_the_size_and_ctrl_c_leaves() -> None:
    app = VisitApp(House(), lambda procedure, number: "", Look(), "1001")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        for columns, rows in ((40, 12), (120, 40)):
            await pilot.resize_terminal(columns, rows)
            await pilot.pause()
            lines = shown(app).split("\n")
            assert (len(lines), max(map(len, lines)) <= columns) == (rows, True)
        await pilot.press("ctrl+c")
        await asyncio.sleep(0)
        assert app._exit
