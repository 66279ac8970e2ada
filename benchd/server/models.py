"""What goes in and out over HTTP, as the OpenAPI description tells it.

Bodies that come in are checked against these and may hold nothing else. What goes out is the daemon's and the
journal's own objects: described here, and compared with the description by the tests.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from fastapi import Path, Query
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    JsonValue,
    StrictBool,
    StrictInt,
    StringConstraints,
    model_validator,
)

_LINE = "[^\\x00-\\x1f\\x7f-\\x9f]"  # a character of one line of text
RUN_PATTERN = "^[0-9]{8}-[0-9]{6}-[0-9]{3}[a-z]{2}$"
#: One segment of a path: no slash, and not one that a client would take for 'here' or 'up'.
SEGMENT_PATTERN = "^[^/.\\x00-\\x1f\\x7f-\\x9f][^/\\x00-\\x1f\\x7f-\\x9f]*$"
LINE_PATTERN = f"^{_LINE}+$"
KIND_PATTERN = "^[a-z][a-z-]*$"
LARGEST = 2**53 - 1

RunId = Annotated[str, StringConstraints(pattern=RUN_PATTERN)]
Segment = Annotated[str, StringConstraints(pattern=SEGMENT_PATTERN, min_length=1, max_length=128)]
Line = Annotated[str, StringConstraints(pattern=LINE_PATTERN, min_length=1, max_length=128)]
Sentence = Annotated[str, StringConstraints(pattern=LINE_PATTERN, min_length=1, max_length=2000)]
#: In paths and queries.
Name = Annotated[str, Path(pattern=SEGMENT_PATTERN, min_length=1, max_length=128)]
Only = Annotated[str, Query(pattern=LINE_PATTERN, min_length=1, max_length=128)]
Word = Annotated[str, StringConstraints(pattern="^[a-z][a-z0-9_-]*$", min_length=1, max_length=64)]


def whole(value: Any) -> Any:
    """JSON has one kind of number: 3.0 is an integer there."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


class Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Told(BaseModel):
    """What goes out may grow: readers ignore keys that they do not know."""

    model_config = ConfigDict(extra="allow")


# --- in -----------------------------------------------------------------------------------------------------------------

_ONE_SPEC: list[JsonValue] = [
    {
        "required": ["spec"],
        "properties": {"spec": {"type": "string"}, "spec_toml": {"type": "null"}, "lot": {"type": "null"}},
    },
    {
        "required": ["spec_toml"],
        "properties": {"spec_toml": {"type": "string"}, "spec": {"type": "null"}, "lot": {"type": "null"}},
    },
    {
        "required": ["lot"],
        "properties": {"lot": {"type": "string"}, "spec": {"type": "null"}, "spec_toml": {"type": "null"}},
    },
]


class NewRun(Asked):
    """A run that is wanted. Give `spec`, or `spec_toml`, or, for a unit's test, `lot`."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "oneOf": _ONE_SPEC,
            "examples": [{"bench": "bay-1", "procedure": "regulator", "spec": "hollin-t18", "work_order": "1042"}],
        },
    )

    bench: Segment = Field(description="The bench's slug, as in /v1/benches.", examples=["bay-1"])
    procedure: Word = Field(
        description="'stator', 'regulator', 'unit' or another; `benchd run --help` lists them.", examples=["regulator"]
    )
    spec: Segment | None = Field(
        None, description="The name of a machine file that the daemon has.", examples=["hollin-t18"]
    )
    spec_toml: Annotated[str, StringConstraints(min_length=1, max_length=65536)] | None = Field(
        None, description="The text of a machine file (TOML)."
    )
    work_order: Line | None = Field(None, description="The work order that this run belongs to.", examples=["1042"])
    unit: Line | None = Field(None, description="The unit's serial number.", examples=["T18-00317"])
    rule: Literal["simple", "guarded-acceptance", "guarded-rejection"] | None = Field(
        None, description="How the uncertainty weighs; by default as in the bench file."
    )

    lot: Segment | None = Field(
        None, description="Of a unit's test: its lot, check standard or study, which says by which file it is judged."
    )
    by: Line | None = Field(None, description="Who tests, in a lot; without it the token's name.")
    retest: StrictBool = Field(False, description="Whether a unit that was judged in the lot is tested again.")
    trial: tuple[Line, Line, Annotated[int, Field(ge=1, le=10)]] | None = Field(
        None, description="Of a study: unit, rater, number of the trial."
    )

    @model_validator(mode="after")
    def _one_spec(self) -> Self:
        if self.lot is not None:
            if self.spec is not None or self.spec_toml is not None:
                raise ValueError("give lot, or spec, or spec_toml; one of them")
            return self
        if (self.spec is None) == (self.spec_toml is None):
            raise ValueError("give either spec, the name of a machine file, or spec_toml, the text of one")
        return self


class NewAnswer(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"id": "hook-up", "text": "done"}]})

    id: Word = Field(description="The prompt's id.")
    text: Annotated[str, StringConstraints(pattern=f"^{_LINE}*$", max_length=2000)] = Field(
        description="One of the prompt's choices, or free text."
    )


class NewMark(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"text": "headlights on"}]})

    text: Sentence = Field(description="What happened, for whoever reads the run later.")


class Stop(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"because": "the belt came off"}]})

    because: Sentence = Field("stopped by the operator", description="Why; kept with the run.")
    ctrl_c: StrictBool = Field(False, description="Whether it was Ctrl-C, whose exit code is another.")


class Release(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"no": None}]})

    no: Annotated[StrictInt, Field(ge=1, le=LARGEST), BeforeValidator(whole)] | None = Field(
        None, description="Which one; null: all of them."
    )


# --- out ----------------------------------------------------------------------------------------------------------------


class ErrorBody(BaseModel):
    kind: Literal[
        "not-found", "busy", "configuration", "port", "store", "access", "not-fit", "invalid", "too-much",
        "internal",
    ]  # fmt: skip
    message: str = Field(description="A sentence for a person: what is wrong, where, what to do.")


class Error(BaseModel):
    error: ErrorBody


class Health(BaseModel):
    status: Literal["ok"]


class Session(BaseModel):
    name: str
    scope: Literal["look", "operate", "administer"]
    shop: str = Field(description="The daemon's name.")


class Instrument(Told):
    name: str
    driver: str
    port: str
    identity: str | None
    state: Literal["talking", "silent", "not open"]
    since: str | None
    what: str | None = None
    cure: str | None = None
    calibration_due: str | None = None
    overdue: bool | None = None
    counts: dict[str, int]


class Bench(Told):
    bench: str = Field(description="The slug; stable.")
    name: str
    state: Literal["ready", "in a run", "instrument missing"]
    run: str | None = Field(description="The run under way.")
    last_run: str | None
    source_sha256: str | None = None
    channels: dict[str, Any] = Field(description="Channel -> its newest value, unit, age in s and flags.")
    instruments: list[Instrument]


class ForwarderState(Told):
    name: str
    target: str
    state: str
    position: int
    behind_rows: int
    behind_s: float | None
    sent: int
    quarantined: int
    failures: int
    last_error: str | None
    last_error_at: str | None


class Disk(Told):
    free_bytes: int | None
    low: bool


class Status(Told):
    daemon: str
    name: str
    version: str
    started: str
    benches: list[Bench]
    forwarders: list[ForwarderState]
    disk: Disk
    warnings: list[str]


class Benches(BaseModel):
    benches: list[Bench]


class Instruments(BaseModel):
    instruments: list[Instrument]


class Run(Told):
    run: RunId
    run_no: int = Field(ge=1, description="In the order of opening.")
    procedure: str | None
    bench: str | None = Field(description="The bench's name.")
    spec: str | None = Field(description="The machine's name.")
    work_order: str | None
    unit: str | None
    started: str | None = Field(description="UTC, ISO 8601.")
    ended: str | None
    duration_s: float | None
    status: str | None = Field(description="null while the run is open.")
    reason: str | None
    verdict: str | None
    suspect: str | None


class Runs(BaseModel):
    runs: list[Run]


class Opened(BaseModel):
    run: RunId


class VerdictBody(Told):
    verdict: Literal["pass", "fail", "undecided", "void"]
    suspect: str
    procedure: str
    reasons: list[str]
    measured: dict[str, Any]


class Machine(BaseModel):
    file: str = Field(description="The name that a run or an order is opened with.")
    name: str
    manual: str
    wrong: str = Field(description="Why this file cannot be used; '' if it can.")


class Machines(BaseModel):
    machines: list[Machine]


class KnownPart(BaseModel):
    file: str = Field(description="The name that a lot is opened with.")
    number: str
    name: str
    wrong: str = Field(description="Why this file cannot be used; '' if it can.")


class Parts(BaseModel):
    parts: list[KnownPart]


class Procedures(BaseModel):
    procedures: list[str]


class DrawnChannel(BaseModel):
    t: list[float | None] = Field(description="Seconds of the run.")
    v: list[float | None] = Field(description="In the unit; null: nothing was read, the line is broken here.")
    unit: str
    n: int = Field(description="How many there are altogether.")


class DrawnBand(BaseModel):
    t: list[float | None]
    low: list[float | None]
    high: list[float | None]


class DrawnLine(BaseModel):
    t: list[float | None]
    v: list[float | None]


class DrawnEvent(Told):
    t_s: float
    kind: str
    text: str = Field("", description="What happened, in the words of the screens.")
    role: str = Field("", description="good, warn, bad, ask, or nothing.")


class Curve(BaseModel):
    run: Run
    opened: dict[str, Any] = Field(description="The run's first record, without the long parts.")
    channels: dict[str, DrawnChannel]
    expected: dict[str, DrawnBand] = Field(description="Where the curve of a good machine would run.")
    last_good: dict[str, Any] | None = Field(description="Which run stands behind this one: run, started.")
    behind: dict[str, DrawnLine] = Field(description="The last good run of this unit, on this run's time axis.")
    events: list[DrawnEvent]
    measuring_s: float | None = Field(description="Since when it is measured.")
    duration_s: float
    samples: int
    thinned: bool
    view: dict[str, Any] | None = Field(description="How it stands, in the words of the screens.")
    next: int = Field(description="The cursor from which a stream goes on.")
    open: bool
    digest: str | None = Field(description="Of the last record, once the run is closed: see `benchd verify`.")


class Record(Told):
    kind: str
    seq: int = Field(ge=1)


class Slice(BaseModel):
    records: list[Record]
    next: int = Field(description="The cursor: ask with after=next.")
    open: bool = Field(description="Whether more may come after `next`; false once the run's last record was in here.")


class WorkOrder(BaseModel):
    work_order: str
    runs: list[Run]
    outcomes: dict[str, str] = Field(description="Procedure -> verdict of its newest run that was judged.")


class Forwarders(BaseModel):
    forwarders: list[ForwarderState]


class Quarantined(Told):
    no: int
    at: str
    run: str | None
    row: int | None
    line: str
    reason: str


class Quarantine(BaseModel):
    quarantine: list[Quarantined]


class Released(BaseModel):
    released: int


class Backup(BaseModel):
    file: str = Field(description="Its name in the folder 'backups' beside the journal.")
