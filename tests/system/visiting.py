"""A technician at a keyboard: takes a work order from complaint to close over the real command line, doing what the plan
says next, on a machine that a real `benchd serve --demo` process keeps.

What he knows of the machine is a story of benchd/cli/stories.py: how the customer would answer, what a look would show.
He never looks into the virtual machine, and the plan never looks into the story.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from benchd.cli import cli
from benchd.cli.stories import Story
from benchd.daemon.lock import read_holder

UP_S = 40.0
SPEED = 20.0  # times as fast; a load test of 15 s must still be read often enough by a busy computer
MOST_STEPS = 30
Record = dict[str, Any]


class Shop:
    """One home, one daemon with virtual benches. `benches` 0: those of `more`, further words
    for `benchd serve`, alone. `site`: those of a site file instead, which nobody stands at."""

    def __init__(
        self,
        home: Path,
        faults: tuple[str, ...] = (),
        speed: float = SPEED,
        benches: int = 1,
        more: tuple[str, ...] = (),
        site: Path | None = None,
    ) -> None:
        self.home, self.log = home, home / "daemon.log"
        kept = {key: value for key, value in os.environ.items() if not key.startswith("BENCHD_")}
        self.environment = {**kept, "BENCHD_HOME": str(home)}
        count = ["--benches", str(benches)] if benches else []
        demo = ["--demo", *count, "--speed", str(speed)]
        self.words = ["serve", *(demo if site is None else ["--config", str(site)]), *more]
        for fault in faults:
            self.words += ["--fault", fault]
        self.start()

    def start(self, listen: str = "127.0.0.1:0") -> None:
        """Start the daemon; `wait_until_up` waits for it."""
        command = self.command(*self.words, "--listen", listen)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, env=self.environment, stdout=log, stderr=log)

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "benchd", *words]

    def wait_until_up(self) -> None:
        end = time.monotonic() + UP_S
        while (holder := read_holder(self.home)) is None or not holder.url or holder.pid != self.process.pid:
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < end, self.said()
            time.sleep(0.05)

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")[-3000:]

    def benchd(self, *words: str) -> Result:
        """A command as it is typed, but in this process: starting Python each time would take longer than all else."""
        return CliRunner().invoke(cli, words, env={"BENCHD_HOME": str(self.home)}, prog_name="benchd")

    def alone(self, *words: str) -> subprocess.CompletedProcess[str]:
        """The same in a process of its own."""
        return subprocess.run(
            self.command(*words), env=self.environment, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60
        )  # fmt: skip

    def json(self, *words: str, codes: tuple[int, ...] = (0,)) -> Record:
        done = self.benchd(*words, "--json")
        told = f"benchd {' '.join(words)} -> {done.exit_code} {done.exception!r}\n{done.stderr[-2000:]}\n{self.said()}"
        assert done.exit_code in codes, told
        found: Record = json.loads(done.stdout)
        return found

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(15)


@contextmanager
def shop(home: Path, faults: tuple[str, ...], speed: float = SPEED) -> Iterator[Shop]:
    found = Shop(home, faults, speed)
    try:
        found.wait_until_up()
        yield found
    finally:
        found.end()


@dataclass
class Visitor:
    """The order being worked on. `did` tells what was done, a line a step."""

    shop: Shop
    story: Story
    work_order: str = ""
    body: Record = field(default_factory=dict)
    did: list[str] = field(default_factory=list)
    repairs: list[str] = field(default_factory=list)
    runs: list[Record] = field(default_factory=list)

    @property
    def told(self) -> str:
        return "\n".join(self.did)

    def open(self) -> None:
        words = ("--machine", "hollin-t18", "--unit", "T18-0042", "--customer", "Piet Marlow", "--by", "Anna Weld")
        self.body = self.shop.json("order", "new", *words, "--complaint", self.story.complaint)
        self.work_order = self.body["work_order"]

    def order(self, verb: str, *words: str) -> None:
        """One of the commands that answer with the whole order, as it stands then."""
        self.body = self.shop.json("order", verb, self.work_order, *words)

    def step(self) -> str:
        """Do what the plan says next; what it said ('check', 'repair', 'prove', 'none')."""
        plan = self.body["plan"]
        if plan["next"] == "repair":
            self.repair(plan["advice"]["repair"])
        elif plan["next"] in ("check", "prove") and plan["steps"]:
            self.check(plan["steps"][0])
        return str(plan["next"])

    def check(self, step: Record) -> None:
        if step["run"]:
            self.run(step["run"])
            return
        outcome = self.story.says(step["item"], [cause for one in self.body["repairs"] for cause in one["mends"]])
        assert outcome is not None, f"the story does not know of {step['item']}"
        self.order("answer" if step["kind"] == "question" else "find", step["item"], outcome)
        self.did.append(f"{step['item']}: {outcome}")

    def run(self, procedure: str) -> Record:
        words = ("run", procedure, "--bench", "bay-1", "--work-order", self.work_order, "--headless")
        verdict = self.shop.json(*words, codes=(0, 1, 3, 4))
        self.runs.append(verdict)
        found = verdict.get("finding", verdict["ended_because"])
        self.did.append(f"run {procedure}: {verdict['verdict']}, {verdict['suspect']}, {found}")
        self.order("show")
        return verdict

    def repair(self, id: str) -> None:
        self.order("repair", id, "--by", "Anna Weld")
        self.repairs.append(id)
        self.did.append(f"repair {id}")

    def follow(self, most: int = MOST_STEPS) -> None:
        """Follow the plan until it has nothing left to propose."""
        for _ in range(most):
            if self.step() == "none":
                return
            voids = [one["verdict"] for one in self.runs[-3:]]
            assert voids != ["void"] * 3, "the same over and over:\n" + self.told
        raise AssertionError("the plan came to no end:\n" + self.told)

    def close(self) -> subprocess.CompletedProcess[str]:
        done = self.shop.alone("order", "close", self.work_order)
        self.order("show")
        return done
