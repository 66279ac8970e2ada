from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from http_world import World, world_in


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """One server for the tests of a module; each looks only at runs of its own."""
    with world_in(tmp_path_factory.mktemp("home")) as found:
        yield found


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[World]:
    """A server that nobody else uses."""
    with world_in(tmp_path) as found:
        yield found
