"""Records of a run as lines of line protocol, ready to send. Pure: no I/O, no clock, and fast, since an hour of a hall
of benches is millions of points. The schema as users see it stands in configs/guide/time-series.md.

    bench_sample   tags bench, daemon, procedure, turn; fields run_no, seq, a field for every channel that was read
    bench_reading  tags bench, daemon, instrument, point, procedure, quantity, turn; fields run_no, seq, value, rpm
    bench_verdict  tags bench, daemon, machine, procedure, suspect, turn, verdict; fields run_no, seq, run, work_order,
                   unit, digest, duration_s, samples, and for every measured quantity NAME and NAME_u
    bench_unit     tags bench, daemon, lot, machine, mode, verdict; fields run_no, seq, serial_key, serial, run, and for every
                   characteristic ID and ID_su (its standard uncertainty); one point a judged test of a lot, at the run's start
    bench_event    tags bench, daemon, event, procedure, source, state, turn; fields run_no, seq, text

Time is the run's start plus the record's t_ns, in ns. The same record gives the same line, so a point that is sent again
overwrites itself. A value that is missing, no number or not finite is a field that is missing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any

from benchd.core.lots.serials import numbers_of, serial_key
from benchd.core.readings import NOT_A_MEASUREMENT
from benchd.core.samples import CHANNELS
from benchd.site import slug_of

#: Two runs of one bench whose clocks overlap (the wall clock was set back between them) are kept apart by this tag;
#: it has so many values, whatever is run.
TURNS = 16
TAG_MOST = 96  # characters
TEXT_MOST = 1000
LINE_MOST = 32_000  # bytes; stores take 64 KB and more

_MOST = 1.7976931348623157e308
_INT_MOST = 2**63 - 1
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufffe\uffff]")
_TAG_ESCAPES = str.maketrans({",": "\\,", " ": "\\ ", "=": "\\="})
_KEY = r"(?:[^\x00-\x1f\x7f,= \\]++|\\[,= ])++"
_NUMBER = r"-?[0-9]++(?:i|(?:\.[0-9]++)?(?:e[+-]?[0-9]++)?)"
_VALUE = rf'(?:{_NUMBER}|true|false|"(?:[^"\\\x00-\x1f\x7f]++|\\["\\])*+")'
_LINE = re.compile(rf"[a-z_]+(?:,{_KEY}={_KEY})*+ {_KEY}={_VALUE}(?:,{_KEY}={_VALUE})*+ -?[0-9]{{1,19}}")


@dataclass(slots=True)
class RunLines:
    """Makes the lines of one run. `rpm` is the newest engine speed of its samples, None before the first."""

    started_ns: int
    run_no: int
    sample: str  # everything before the seq of a bench_sample
    tags: str  # bench, daemon
    procedure: str
    machine: str
    turn: str
    facts: str  # string fields of the verdict
    readings: bool = False
    rpm: float | None = None
    next_seq: int = 1  # beyond the last record seen
    heads: dict[tuple[str, str, str], str] = field(default_factory=dict)
    digests: Mapping[int, str] = field(default_factory=dict)

    @classmethod
    def of(cls, info: Mapping[str, Any], daemon: str, *, readings: bool = False) -> RunLines:
        """`info`: a row of the list of runs (run, run_no, bench, procedure, spec, work_order, unit, started).

        ValueError if `started` is no moment."""
        run_no = int(info["run_no"])
        tags = f"bench={tag(slug_of(str(info.get('bench') or '')))},daemon={tag(daemon)}"
        turn = f"turn={run_no % TURNS}"
        procedure = f"procedure={tag(info.get('procedure'))}"
        told = {"run": info["run"], "work_order": info.get("work_order"), "unit": info.get("unit")}
        facts = "".join(f",{key}={text(value)}" for key, value in told.items() if value)
        return cls(
            started_ns=ns_of(str(info["started"])),
            run_no=run_no,
            sample=f"bench_sample,{tags},{procedure},{turn} run_no={run_no}i,seq=",
            tags=tags,
            procedure=procedure,
            machine=f"machine={tag(info.get('spec'))}",
            turn=turn,
            facts=facts,
            readings=readings,
        )

    def lines(
        self,
        records: Sequence[Mapping[str, Any]],
        broken: list[tuple[int, str]],
        digests: Mapping[int, str] = MappingProxyType({}),
    ) -> list[str]:
        """The lines of these records, each with its `seq`. Records that make no sense go to `broken` as (seq, why).

        `digests`: seq -> the record's digest in the journal's chain."""
        self.digests = digests
        found: list[str] = []
        add = found.append
        for body in records:
            try:
                kind = body["kind"]
                if kind == "sample":
                    add(self._sample(body))
                elif kind == "verdict":
                    add(self._verdict(body))
                    if body.get("lot"):
                        add(self._unit(body))
                elif kind == "reading":
                    if self.readings:
                        add(self._reading(body))
                elif (make := _RARE.get(kind)) is not None:
                    add(make(self, body))
            except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as error:
                broken.append(
                    (int(body.get("seq", 0)), f"{body.get('kind')!r} record: {type(error).__name__}: {error}")
                )
        if records:
            self.next_seq = int(records[-1]["seq"]) + 1
        return found

    def note_rpm(self, body: Mapping[str, Any]) -> None:
        """Remember the engine speed of a sample whose line is not wanted."""
        value = (body["values"].get("engine_rpm") or [None])[0]
        if value is not None:
            self.rpm = value

    def _sample(self, body: Mapping[str, Any]) -> str:
        fields = ""
        for channel, one in body["values"].items():
            value = one[0]
            if value is not None and -_MOST <= value <= _MOST:
                fields += f",{_KEYS.get(channel) or tag(channel)}={float(value)!r}"
                if channel == "engine_rpm":
                    self.rpm = value
        return f"{self.sample}{int(body['seq'])}i{fields} {self.started_ns + int(body['t_ns'])}"

    def _reading(self, body: Mapping[str, Any]) -> str:
        where = (body["instrument"], body["point"], body["quantity"])
        head = self.heads.get(where) or self._reading_head(where)
        value, flags = body["value"], body["flags"]
        fields = ""
        if value is not None and not (flags and not NOT_A_MEASUREMENT.isdisjoint(flags)):
            value = float(value)  # a journal keeps a decimal as its digits
            if -_MOST <= value <= _MOST:
                fields = f",value={value!r}"
        if self.rpm is not None:
            fields += f",rpm={float(self.rpm)!r}"
        time_ns = self.started_ns + int(body["t_ns"])
        return f"{head}{int(body['seq'])}i{fields} {time_ns}"

    def _reading_head(self, where: tuple[str, str, str]) -> str:
        instrument, point, quantity = (tag(one) for one in where)
        head = (
            f"bench_reading,{self.tags},instrument={instrument},point={point},{self.procedure},quantity={quantity},"
            f"{self.turn} run_no={self.run_no}i,seq="
        )
        if len(self.heads) < HEADS_MOST:
            self.heads[where] = head
        return head

    def _verdict(self, body: Mapping[str, Any]) -> str:
        tags = (
            f"{self.tags},{self.machine},{self.procedure},suspect={tag(body.get('suspect'))},{self.turn},"
            f"verdict={tag(body['verdict'])}"
        )
        fields = [f"run_no={self.run_no}i", f"seq={int(body['seq'])}i{self.facts}"]
        if digest := self.digests.get(body["seq"]):
            fields.append(f"digest={text(digest)}")
        fields += _number("duration_s", body.get("duration_s"))
        if type(samples := body.get("samples")) is int and 0 <= samples <= _INT_MOST:
            fields.append(f"samples={samples}i")
        for name, one in (body.get("measured") or {}).items():
            fields += _number(name, one.get("value"))
            fields += _number(f"{name}_u", one.get("expanded_uncertainty"))
        return f"bench_verdict,{tags} {','.join(fields)} {self._time_ns(body)}"

    def _unit(self, body: Mapping[str, Any]) -> str:
        """A test of a unit. Numbers are rounded as in the journal's own list of tests, so that both say the same of a lot."""
        passed = body["verdict"] == "pass"
        mode = "" if passed else body.get("finding")
        tags = f"{self.tags},lot={tag(body['lot'])},{self.machine},mode={tag(mode)},verdict={tag(body['verdict'])}"
        serial = str(body.get("unit") or "")
        fields = [
            f"run_no={self.run_no}i", f"seq={int(body['seq'])}i", f"serial_key={serial_key(serial)}i", f"serial={text(serial)}",
            f"run={text(body.get('run'))}",
        ]  # fmt: skip
        for id, one in (body.get("measured") or {}).items():
            value, u = numbers_of(one)
            fields += _number(id, value) + _number(f"{id}_su", u)
        return f"bench_unit,{tags} {','.join(fields)} {self.started_ns}"

    def _event(self, event: str, source: Any, state: Any, said: Any, body: Mapping[str, Any]) -> str:
        tags = f"{self.tags},event={event},{self.procedure},source={tag(source)},state={tag(state)},{self.turn}"
        fields = f"run_no={self.run_no}i,seq={int(body['seq'])}i"
        if said:
            fields += f",text={text(said)}"
        return f"bench_event,{tags} {fields} {self._time_ns(body)}"

    def _gap(self, body: Mapping[str, Any]) -> str:
        return self._event("gap", body.get("instrument"), body.get("state"), body.get("what"), body)

    def _flag(self, body: Mapping[str, Any]) -> str:
        return self._event("flag", body.get("channel"), body.get("state"), body.get("flag"), body)

    def _mark(self, body: Mapping[str, Any]) -> str:
        return self._event("mark", None, None, body.get("text"), body)

    def _closed(self, body: Mapping[str, Any]) -> str:
        return self._event("closed", None, body.get("status"), body.get("reason"), body)

    def _time_ns(self, body: Mapping[str, Any]) -> int:
        return self.started_ns + int(body.get("t_ns") or 0)


_RARE = {
    "gap": RunLines._gap,
    "flag": RunLines._flag,
    "mark": RunLines._mark,
    "run-closed": RunLines._closed,
}

# Names are few and come by the million: what they look like escaped is kept. Bounded, whatever a journal holds.
HEADS_MOST = 500
_KEYS = {name: name for name in CHANNELS}


def tag(value: Any) -> str:
    """A tag's value, escaped. It has no form for control characters, backslashes and nothing: '?', '/' and 'none'."""
    clean = _UNPRINTABLE.sub("?", str(value if value is not None else "")).replace("\\", "/").strip()[:TAG_MOST].strip()
    return (clean or "none").translate(_TAG_ESCAPES)


def text(value: Any) -> str:
    """A string field, quoted. Line ends become spaces and other control characters '?': a line is a line."""
    clean = re.sub(r"\r\n|[\r\n\t]", " ", str(value)[:TEXT_MOST])
    clean = _UNPRINTABLE.sub("?", clean).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{clean}"'


def ns_of(started: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 moment; without an offset it is UTC. ValueError."""
    moment = datetime.fromisoformat(started)
    since = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return ((since.days * 86400 + since.seconds) * 1_000_000 + since.microseconds) * 1000


def complaint(line: str) -> str | None:
    """What is wrong with a line, None if a store must be able to read it: looked at before it is sent, since some
    stores throw lines away without a word."""
    if _LINE.fullmatch(line) is None:
        return "this is no line protocol"
    if len(line) > LINE_MOST // 4 and len(line.encode()) > LINE_MOST:
        return f"the line is longer than {LINE_MOST} bytes"
    return None


def _number(name: str, value: Any) -> list[str]:
    if isinstance(value, int | float) and not isinstance(value, bool) and -_MOST <= value <= _MOST:
        return [f"{tag(name)}={float(value)!r}"]
    return []
