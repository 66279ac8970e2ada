"""The door to the visits: a daemon if one is up (or is named by BENCHD_SERVER), else this computer's own journal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from benchd.core.causes.knowledge import Knowledge

if TYPE_CHECKING:
    from benchd.client_visits import RemoteVisits
    from benchd.visits.service import Visits


@contextmanager
def open_door() -> Iterator[Visits | RemoteVisits]:
    """A VisitDoor, good inside. ConfigError or AccessError where a daemon is up that cannot be talked to, PortError where
    one of another computer does not answer, StoreError."""
    if (remote := _remote()) is not None:
        yield remote
        return
    from benchd.journal import Journal
    from benchd.visits.service import Visits

    with Journal() as journal:
        yield Visits(journal, Fresh())


def _remote() -> RemoteVisits | None:
    from benchd import client

    found = client.at_hand()
    if found is None:
        return None
    from benchd.client_visits import RemoteVisits

    return RemoteVisits(found)


class Fresh:
    """The knowledge of this home, read again whenever one of its files has changed. ConfigError."""

    def __init__(self) -> None:
        self._stamp: tuple[tuple[str, int, int], ...] | None = None
        self._held: Knowledge | None = None

    def __call__(self) -> Knowledge:
        from benchd.visits import knowledge

        # Before the files are read: what changes meanwhile is read the next time.
        stamp = tuple(
            (str(path), found.st_mtime_ns, found.st_size)
            for path in knowledge.known_paths()
            if path.is_file() and (found := path.stat())
        )
        if self._held is None or stamp != self._stamp:
            self._held, self._stamp = knowledge.load_knowledge(), stamp
        return self._held
