"""What goes out over MQTT, as JSON-ready dicts: pure functions of records and of what a bench says of itself.

configs/guide/asyncapi.yaml describes every payload; the tests hold the two together.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from benchd.core.samples import CHANNELS

SCHEMA = 1
#: What a bench's state tells of each instrument. Ports stay out: an address on the shop's network is nobody's business.
_OF_INSTRUMENT = ("name", "driver", "identity", "state", "since", "what", "cure", "calibration_due", "overdue")
_OF_BENCH = ("name", "state", "run", "last_run")
MOST_TEXT = 500  # characters of a text that an instrument or a person wrote, in states


def encoded(payload: Mapping[str, Any]) -> bytes:
    """The payload as UTF-8 JSON. Numbers that JSON does not know become null, halves of characters a question mark."""
    return json.dumps(finite(payload), ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode(
        "utf-8", "replace"
    )


def finite(found: Any) -> Any:
    """The same with None for infinity and not-a-number, everywhere inside."""
    if isinstance(found, float):
        return found if math.isfinite(found) else None
    if isinstance(found, Mapping):
        return {str(name): finite(one) for name, one in found.items()}
    if isinstance(found, list | tuple):
        return [finite(one) for one in found]
    return found


def utc(moment: datetime) -> str:
    """ISO 8601 in UTC to the millisecond, with a Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def moment_of(started: str | None, t_ns: int) -> datetime | None:
    """The moment of a record: its run's start and the nanoseconds since then. None where the start is not known."""
    try:
        begun = datetime.fromisoformat(str(started))
        return (begun if begun.tzinfo else begun.replace(tzinfo=UTC)) + timedelta(microseconds=t_ns // 1000)
    except (ValueError, OverflowError):
        return None


def daemon_state(
    daemon: str, state: str, instance: str, now: datetime | None, benches: list[str] | None = None, version: str = ""
) -> dict[str, Any]:
    """`state` is 'up', 'stopped' (ended in order) or 'gone' (the last will; the moment is not known then)."""
    found: dict[str, Any] = {"schema": SCHEMA, "daemon": daemon, "state": state, "instance": instance}
    if now is not None:
        found["time"] = utc(now)
    if benches is not None:
        found |= {"benches": sorted(benches), "program": f"benchd {version}"}
    return found


def bench_facts(status: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a bench's status that is worth a message when it changes: no counts, no values, no ages."""
    found: dict[str, Any] = {name: _short(status.get(name)) for name in _OF_BENCH}
    found["instruments"] = [
        {name: _short(one.get(name)) for name in _OF_INSTRUMENT} for one in status.get("instruments") or ()
    ]
    return found


def bench_state(daemon: str, bench: str, facts: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    """A bench's retained state, from its `bench_facts`."""
    return {"schema": SCHEMA, "daemon": daemon, "bench": bench, "time": utc(now), **facts}


def bench_stopped(daemon: str, bench: str, facts: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    """A bench's retained state once its daemon has ended in order: nobody knows of its instruments any more."""
    told = {name: facts.get(name) for name in _OF_BENCH} | {"state": "stopped", "run": None, "instruments": []}
    return bench_state(daemon, bench, told, now)


def _short(found: Any) -> Any:
    return found[:MOST_TEXT] if isinstance(found, str) else found


class NewestSample:
    """One run's newest sample, completed by what was read since the last payload: at one message a second, a
    tachometer that reads every two samples would otherwise be missing by chance."""

    def __init__(self, run: str) -> None:
        self.run = run
        self.seq = 0
        self.t_ns = 0
        self._values: dict[str, tuple[list[Any], int]] = {}

    @property
    def waits(self) -> bool:
        """Whether there is something that was not sent yet."""
        return bool(self._values)

    def add(self, record: Mapping[str, Any]) -> None:
        """A sample record with its seq. A value in it replaces the older one, flags and all."""
        self.seq, self.t_ns = int(record["seq"]), int(record["t_ns"])
        for channel, value in record["values"].items():
            self._values[channel] = (list(value), self.t_ns)

    def payload(self, daemon: str, bench: str, started: str | None) -> dict[str, Any]:
        """What is to be sent now; ages count at the newest sample. Nothing is sent twice."""
        channels = {name: self._channel(name, *found) for name, found in self._values.items()}
        self._values = {}
        moment = moment_of(started, self.t_ns)
        return {
            "schema": SCHEMA,
            "daemon": daemon,
            "bench": bench,
            "run": self.run,
            "seq": self.seq,
            "time": None if moment is None else utc(moment),
            "t_ns": self.t_ns,
            "channels": channels,
        }

    def _channel(self, name: str, value: list[Any], t_ns: int) -> dict[str, Any]:
        number, resolution, flags, age_s = value
        return {
            "value": number,
            "unit": CHANNELS[name][1] if name in CHANNELS else "",
            "resolution": resolution,
            "flags": list(flags),
            "age_s": round(age_s + (self.t_ns - t_ns) / 1e9, 4),
        }


def verdict(daemon: str, bench: str, record: Mapping[str, Any], run: str, started: str | None) -> dict[str, Any]:
    """The contract object with who says it. `bench` is the slug as in the topic; the bench's name is `bench_name`."""
    told = {name: value for name, value in record.items() if name not in ("kind", "t_ns", "seq")}
    moment = moment_of(told.get("ended"), 0) or moment_of(started, int(record["t_ns"]))
    return {
        "schema": SCHEMA,
        "daemon": daemon,
        **told,
        "run": run,
        "bench": bench,
        "bench_name": told.get("bench"),
        "seq": int(record["seq"]),
        "time": None if moment is None else utc(moment),
        "t_ns": int(record["t_ns"]),
    }


def command_result(
    daemon: str, bench: str, id: str | None, now: datetime, *, reason: str | None = None, result: Any = None
) -> dict[str, Any]:
    """`accepted` with what came of it, or the reason why not. `id` None: the command had none that can be repeated."""
    found: dict[str, Any] = {"schema": SCHEMA, "daemon": daemon, "bench": bench, "id": id, "time": utc(now)}
    if reason is not None:
        return found | {"accepted": False, "reason": reason}
    return found | {"accepted": True, "result": result}
