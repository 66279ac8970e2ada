"""Carries out commands that came over MQTT and were let in there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchd.daemon.interface import RunRequest
from benchd.errors import BusyError, UsageError

if TYPE_CHECKING:
    from benchd.daemon.daemon import Daemon


class Commands:
    """A forward.mqtt_commands.CommandSink."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon

    async def execute(self, bench: str, command: str, parameters: Mapping[str, str], asked_by: str) -> dict[str, Any]:
        """{"run": id}. BenchdError says why not."""
        asked = f"{asked_by} over MQTT"
        if command == "start":
            given: dict[str, Any] = dict(parameters)
            return {"run": await self._daemon.start_run(RunRequest(bench=bench, asked_by=asked, **given))}
        run = self._run(bench, parameters.get("run"))
        if command == "stop":
            self._daemon.stop_run(run, parameters.get("because") or f"stopped by {asked}")
        elif command == "mark":
            self._daemon.mark(run, parameters["text"])
        elif command == "answer":
            self._daemon.answer(run, parameters["prompt"], parameters["text"])
        else:
            raise UsageError(f"there is no command {command!r}")
        return {"run": run}

    def _run(self, bench: str, run: str | None) -> str:
        """The run that is meant, which must be that bench's."""
        under_way = self._daemon.bench(bench)["run"]
        if under_way is None or run not in (None, under_way):
            raise BusyError(f"bench {bench} is not in run {run}" if run else f"bench {bench} is in no run")
        return str(under_way)
