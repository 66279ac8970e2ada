"""Where a watcher gets runs from: the daemon that is up, or the journal alone."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from benchd.errors import NotFoundError, UsageError
from benchd.plaintext import harmless

if TYPE_CHECKING:
    from benchd.client import Client
    from benchd.journal import Journal

#: So many of the newest runs tell which benches there are where no daemon says it.
RUNS_LOOKED_AT = 200


@dataclass(frozen=True, slots=True)
class BenchSeen:
    """A bench with its newest run: the one under way, else the last one."""

    slug: str
    name: str
    run: str | None
    busy: bool


class Source(Protocol):
    """All of it blocks for a moment, but for `records`."""

    def benches(self) -> list[BenchSeen]: ...

    def resolve(self, name: str) -> Mapping[str, Any]:
        """The listing row of a run by its id, the beginning of it, or 'last'."""

    def records(self, run: str, after: int, tell: Callable[[str, str], None]) -> AsyncIterator[dict[str, Any]]:
        """Those beyond seq `after` to the one that closes the run, live if it is under way. `tell` says what is in the
        way."""


class FromDaemon:
    def __init__(self, client: Client) -> None:
        self.client = client

    def benches(self) -> list[BenchSeen]:
        return [
            BenchSeen(str(one["bench"]), str(one["name"]), one["run"] or one["last_run"], one["run"] is not None)
            for one in self.client.status()["benches"]
        ]

    def resolve(self, name: str) -> Mapping[str, Any]:
        return self.client.run(self.client.resolve(name))

    def records(self, run: str, after: int, tell: Callable[[str, str], None]) -> AsyncIterator[dict[str, Any]]:
        from benchd.client_stream import stream

        return stream(self.client, run, after, said=tell)


class FromJournal:
    """Follows the file; whoever writes it knows nothing of us."""

    def __init__(self, path: Path | None = None) -> None:
        from benchd import journal

        self.path = path or journal.home() / journal.FILE_NAME

    def benches(self) -> list[BenchSeen]:
        from benchd.site import slug_of

        found: dict[str, BenchSeen] = {}
        with self._open() as journal:
            for row in journal.runs(RUNS_LOOKED_AT):  # newest first; one that is under way goes before
                name, busy = str(row["bench"]), row["status"] is None
                if name not in found or (busy and not found[name].busy):
                    found[name] = BenchSeen(slug_of(name), name, str(row["run"]), busy)
        return list(found.values())

    def resolve(self, name: str) -> Mapping[str, Any]:
        with self._open() as journal:
            run = journal.resolve(name)
            with_reader = journal.reader()
            try:
                return with_reader.info(run)
            finally:
                with_reader.close()

    def records(self, run: str, after: int, tell: Callable[[str, str], None]) -> AsyncIterator[dict[str, Any]]:
        from benchd.cli.attach import follow_journal

        return follow_journal(self.path, run, after)

    def _open(self) -> Journal:
        from benchd.journal import Journal

        return Journal(self.path)


def choose(benches: Sequence[BenchSeen], wanted: str | None) -> BenchSeen:
    """The bench that is meant: by slug or name, the only one, the only one that is in a run. UsageError lists them."""
    there = ", ".join(harmless(one.slug or one.name) for one in benches)
    if wanted is not None:
        for one in benches:
            if wanted in (one.slug, one.name):
                return one
        raise NotFoundError(
            f"no bench {wanted!r} is known; there are {there}" if benches else f"no run of bench {wanted!r} is kept yet"
        )
    busy = [one for one in benches if one.busy]
    for found in (list(benches), busy, [one for one in benches if one.run]):
        if len(found) == 1:
            return found[0]
    if not benches:
        raise NotFoundError(
            "no run is kept yet, and no daemon is up: begin with benchd run, benchd serve or benchd demo"
        )
    raise UsageError(f"several benches are known: name one of {there}")
