"""The door to the lots: a daemon if one is up (or is named by BENCHD_SERVER), else this computer's own journal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchd.client_lots import RemoteLots
    from benchd.lots.service import Lots


@contextmanager
def open_door() -> Iterator[Lots | RemoteLots]:
    """A LotDoor, good inside. ConfigError or AccessError where a daemon is up that cannot be talked to, PortError where one of
    another computer does not answer, StoreError."""
    if (remote := _remote()) is not None:
        yield remote
        return
    from benchd.journal import Journal
    from benchd.lots.service import Lots

    with Journal() as journal:
        yield Lots(journal)


def _remote() -> RemoteLots | None:
    from benchd import client

    found = client.at_hand()
    if found is None:
        return None
    from benchd.client_lots import RemoteLots

    return RemoteLots(found)
