"""`benchd demo --visit`: a whole visit unattended, in plain lines. A virtual technician does what the plan says next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchd import config
from benchd.cli.common import chance_text, say
from benchd.cli.demo import MACHINE, bench_file
from benchd.cli.order_words import head_lines, proof_lines, wrapped
from benchd.cli.stories import STORIES, Story
from benchd.visits.door import NewRepair, NewVisit

if TYPE_CHECKING:
    from benchd.clock import Clock
    from benchd.journal import Journal
    from benchd.virtual.bench import VirtualBench
    from benchd.virtual.scenario import Scenario
    from benchd.visits.service import Visits

Body = Mapping[str, Any]

SPEED = 40.0
MOST_STEPS = 40
WHO = "virtual technician"
LIKELY = 0.05


async def visit(name: str, seed: int, speed: float) -> Body:
    """One story from the complaint to the close, told as it goes; the order's visit body at the end."""
    from benchd.clock import Clock
    from benchd.journal import Journal
    from benchd.virtual.bench import VirtualBench
    from benchd.visits.doors import Fresh
    from benchd.visits.service import Visits

    story, clock = STORIES[name], Clock(speed)
    with Journal() as journal:
        async with VirtualBench(_scenario(story, seed), clock) as virtual:
            with bench_file(virtual.bench_toml) as path:
                visits = Visits(journal, Fresh())
                one = _Visit(story, visits, virtual, journal, clock, config.load_bench(path))
                body = await one.conduct()
        _tell(one.ending(body, str(journal.path)))
    return body


def _scenario(story: Story, seed: int) -> Scenario:
    from benchd.virtual.scenario import Scenario

    found = replace(Scenario(), seed=seed)
    for fault in story.faults:
        found = found.with_fault(fault)
    return found.for_visit()


def _tell(lines: Iterator[str]) -> None:
    for line in lines:
        say(line)


class _Visit:
    def __init__(
        self,
        story: Story,
        visits: Visits,
        virtual: VirtualBench,
        journal: Journal,
        clock: Clock,
        bench: config.Bench,
    ) -> None:
        self._story, self._visits, self._virtual = story, visits, virtual
        self._journal, self._clock, self._bench = journal, clock, bench
        self._spec = config.load_spec(config.find_file(MACHINE, "machine"))
        self._work_order = ""
        self._mended: set[str] = set()

    async def conduct(self) -> Body:
        body: Body = self._visits.open(
            NewVisit(MACHINE, complaint=self._story.complaint, unit="T18-0042", customer="Piet Marlow", by=WHO)
        )
        self._work_order = str(body["work_order"])
        _tell(head_lines(body))
        for number in range(1, MOST_STEPS + 1):
            if body["plan"]["next"] == "none":
                break
            say("")
            body = await self._step(number, body)
            _tell(_likely(body))
        reason = "" if body["proof"]["proven"] else "the demo's technician found nothing more to do"
        return self._visits.close(self._work_order, reason, WHO)

    async def _step(self, number: int, body: Body) -> Body:
        """Do what the plan says, and tell why and what came of it."""
        plan = body["plan"]
        if plan["next"] == "repair":
            advice = plan["advice"]
            _tell(iter(wrapped(f"{number:2d}  REPAIR: {advice['title']}.", "", "    ")))
            _tell(iter(wrapped(plan["why"], "    ")))
            mends = self._visits.known.repairs[advice["repair"]].mends
            self._virtual.repair(mends)
            self._mended |= {*mends}
            return self._visits.repair(self._work_order, NewRepair(str(advice["repair"]), by=WHO))
        step = plan["steps"][0]
        kind = "PROVE" if plan["next"] == "prove" else {"question": "ASK", "look": "LOOK"}.get(step["kind"], "TEST")
        _tell(iter(wrapped(f"{number:2d}  {kind}: {step['text']}", "", "    ")))
        _tell(iter(wrapped(step["why"], "    ")))
        return await self._run(step["run"]) if step["run"] else self._said(step)

    def _said(self, step: Body) -> Body:
        outcome = self._story.says(step["item"], self._mended)
        note = self._visits.answer if step["kind"] == "question" else self._visits.find
        body = note(self._work_order, step["item"], outcome, by=WHO)
        text = next((one["text"] for one in step["branches"] if one["outcome"] == outcome), "left out")
        say(f"    -> {text}")
        return body

    async def _run(self, procedure: str) -> Body:
        from benchd.orders import Order, prepare, run_ready

        await self._virtual.arrive(procedure)
        order = Order(procedure, self._bench, self._spec, self._work_order)
        ready = prepare(order, self._journal, self._clock.wall_utc())
        say(f"    ... on the virtual bench, {self._clock.speed:g} times as fast")
        ended = await run_ready(
            ready, self._journal, clock=self._clock, show=None, technician=self._virtual.operator, warn=say
        )
        verdict = ended.verdict
        _tell(iter(wrapped(f"-> {verdict['verdict'].upper()}: {' '.join(verdict['reasons'][:2])}", "    ", "       ")))
        return self._visits.visit(self._work_order)

    def ending(self, body: Body, path: str) -> Iterator[str]:
        yield ""
        yield f"Order {body['work_order']} is closed: {body['state'].upper()}."
        yield from proof_lines(body)
        yield ""
        number = body["work_order"]
        yield f"kept in {path}; see it again with: benchd order show {number}"
        yield f"the customer's page: benchd order report {number} --output {number}.pdf"


def _likely(body: Body) -> Iterator[str]:
    """What is likely now, in one line."""
    causes = [one for one in body["ranking"]["causes"] if one["probability"] >= LIKELY][:3]
    told = ", ".join(f"{one['title']} {chance_text(one['probability'])}" for one in causes)
    yield from wrapped(f"likely: {told or 'nothing is wrong any more'}", "    ", "            ")
