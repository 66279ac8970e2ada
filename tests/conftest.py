"""What holds for all tests."""

from __future__ import annotations

import os
import sys
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# How long an example takes says how busy the machine is; what must be quick has a test that says so.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

# The hundreds of processes that the tests start need not compile benchd anew each, whatever the shell around us says.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

#: Modules of ten seconds and more, in the order in which they begin: with a few workers, what is mostly computing goes on
#: beside what is mostly waiting, and nothing long is left for the end.
LONG = (
    "system/test_demo.py",
    "server/test_schemathesis.py",
    "system/test_live_run.py",
    "system/test_daemon_faults.py",
    "page/test_pages.py",
    "system/test_visits_battery.py",
    "system/test_visits.py",
    "system/test_visits_two_causes.py",
    "app/test_cli_daemon.py",
    "core/test_regulator_run.py",
    "forward/test_mqtt.py",
    "page/test_run.py",
    "page/test_lots_page.py",
    "page/test_visits_page.py",
    "page/test_wall.py",
    "page/test_history_health.py",
    "system/test_lots.py",
    "virtual/test_served_instruments.py",
    "forward/test_series_forwarder.py",
    "forward/test_dashboards.py",
    "drivers/test_driver_conformance.py",
    "virtual/test_visit_runs.py",
    "forward/test_fleet.py",
    "app/test_journal_kept.py",
    "server/test_hostile.py",
    "server/test_live.py",
    "server/test_stream.py",
    "system/test_meters.py",
    "daemon/test_daemon.py",
    "core/test_plan.py",
    "paper/test_visit_paper.py",
    "outside/test_battery_traces.py",
    "forward/test_lot_series.py",
    "app/test_client.py",
    "app/test_operations_guide.py",
    "app/test_service_files.py",
    "app/test_journal_old.py",
    "app/test_journal_faults.py",
    "app/test_journal.py",
    "app/test_discover.py",
)
PLACES = {f"tests/{name}": place for place, name in enumerate(LONG)}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda one: PLACES.get(one.nodeid.partition("::")[0], len(LONG)))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A module goes to one worker as a whole, so that what its tests share is made once."""
    from xdist.scheduler import LoadScopeScheduling

    if config.getvalue("dist") != "worksteal":  # the usual one, of pyproject.toml
        return None
    config.option.loadscopereorder = False  # ours is the better order
    return LoadScopeScheduling(config, log)
