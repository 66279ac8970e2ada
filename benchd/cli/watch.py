"""`benchd watch`: the gauge of a run that goes on, or went on, elsewhere."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchd.cli.sources import Source
    from benchd.runner import Operator

NEXT_S = 0.5  # how often --follow looks for the bench's next run
LEFT = 130


@click.command("watch", short_help="Show the run of a bench, from any terminal, at any moment.")
@click.argument("bench", required=False, metavar="[BENCH]")
@click.option("--run", "run", metavar="RUN", help="This run: its id, the beginning of it, or 'last'.")
@click.option("--follow", is_flag=True, help="Stay for the bench's next runs.")
@click.option("--operate", is_flag=True, help="The keys answer prompts, mark and abort; else they only look.")
@click.option("--headless", is_flag=True, help="No gauge: plain lines on stderr.")
@click.option("--json", "as_json", is_flag=True, help="The verdict on stdout when the run ends, and its exit code.")
@click.pass_context
def command(
    ctx: click.Context,
    bench: str | None,
    run: str | None,
    follow: bool,
    operate: bool,
    headless: bool,
    as_json: bool,
) -> None:
    """Show the gauge of BENCH's run under way, or of its last one; any number of terminals may, at any moment.

    BENCH is a bench's short name (benchd status lists them); it may be left out where only one can be meant. Leaving
    (q, Ctrl-C) leaves the run alone. Without a daemon, the run of another benchd on this computer is shown.

    \b
    Examples:
      benchd watch bay-1
      benchd watch --run last --headless --json
    """
    from benchd.errors import UsageError

    if run is not None and (bench is not None or follow):
        raise UsageError("--run names one run: say neither BENCH nor --follow with it")
    watching = Watching(source(), bench, run, follow=follow, operate=operate, as_json=as_json)
    ctx.exit(watching.to_the_end(headless))


def source() -> Source:
    """The daemon if one is up, else the journal."""
    from benchd import client
    from benchd.cli.sources import FromDaemon, FromJournal

    found = client.find()
    return FromJournal() if found is None else FromDaemon(found)


class Watching:
    """One watcher. With `follow`, run after run goes to the same screen."""

    def __init__(
        self, source: Source, bench: str | None, run: str | None, *, follow: bool, operate: bool, as_json: bool
    ) -> None:
        from benchd.cli.sources import FromDaemon
        from benchd.errors import UsageError

        self._source, self._follow, self._operate, self._as_json = source, follow, operate, as_json
        self._bench = ""
        if operate and not isinstance(source, FromDaemon):
            raise UsageError("--operate needs a daemon: a run conducted by another benchd takes its keys there")
        self._run = self._find(bench, run)

    def _find(self, bench: str | None, run: str | None) -> str | None:
        from benchd.cli.sources import choose
        from benchd.errors import NotFoundError

        if run is not None:
            row = self._source.resolve(run)
            self._bench = str(row["bench"])
            return str(row["run"])
        found = choose(self._source.benches(), bench)
        self._bench = found.name
        if found.run is None and not self._follow:
            raise NotFoundError(f"bench {found.slug} has had no run yet; wait for its first one with --follow")
        return found.run

    def to_the_end(self, headless: bool) -> int:
        """Show it; the exit code."""
        from benchd.cli.common import choose_show

        show = choose_show(headless=headless, title="watching")
        return asyncio.run(self._show(show, headless))

    async def _show(self, show: Any, headless: bool) -> int:
        from benchd.cli.attach import look_on
        from benchd.cli.common import print_json, say, say_verdict, uses_gauge

        seen, whole = await look_on(self._records, show, self._operate_run if self._operate else None)
        if self._follow:
            return 0
        if not whole:
            say(f"left; run {self._run} goes on" if seen.closed is None else f"left run {self._run}")
            return LEFT if self._as_json else 0
        if not self._as_json and seen.verdict is None:
            return 0
        verdict, code = seen.outcome()
        if self._as_json:
            print_json(verdict)
            return code
        if uses_gauge(headless):
            say_verdict(verdict)
        return 0

    def _operate_run(self, tell: Callable[[str, str], None]) -> Operator:
        from benchd.cli.attach import Orders
        from benchd.cli.sources import FromDaemon

        assert isinstance(self._source, FromDaemon)
        return Orders(self._source.client, lambda: self._run or "", tell).operator

    async def _records(self, tell: Callable[[str, str], None]) -> AsyncIterator[dict[str, Any]]:
        while True:
            if self._run is not None:
                async for record in self._of_run(self._run, tell):
                    yield record
                    if self._follow and self._as_json:
                        self._tell(record)
            if not self._follow:
                return
            self._run = await self._next(self._run)

    async def _of_run(self, run: str, tell: Callable[[str, str], None]) -> AsyncIterator[dict[str, Any]]:
        """One run's records. With --follow, whoever gave them and went away is waited for, however long."""
        from benchd.errors import BenchdError, PortError, StoreError

        after = 0
        while True:
            try:
                async for record in self._source.records(run, after, tell):
                    after = int(record["seq"])
                    yield record
                return
            except BenchdError as error:
                if not self._follow:
                    raise
                tell("caution", str(error))
                if not isinstance(error, PortError | StoreError):
                    return
            await asyncio.sleep(NEXT_S)

    def _tell(self, record: dict[str, Any]) -> None:
        """With --follow, every verdict is one line of JSON."""
        from benchd.cli.attach import verdict_of
        from benchd.cli.common import print_json

        if record["kind"] == "verdict":
            print_json(verdict_of(record))

    async def _next(self, before: str | None) -> str:
        """The bench's next run, once it has begun. Trouble on the way is waited out: the watcher stays."""
        from benchd.cli.attach import in_thread
        from benchd.errors import BenchdError

        while True:
            try:
                for one in await in_thread(self._source.benches):
                    if one.name == self._bench and one.run is not None and (before is None or one.run > before):
                        return str(one.run)
            except BenchdError:
                pass
            await asyncio.sleep(NEXT_S)
