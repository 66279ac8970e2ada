"""Bodies of the routes about visits, in and out. See models.py, and benchd/visits/door.py for what they mean."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints, model_validator

from benchd.server.models import Asked, Segment, Told, Word

_ANY_LINE = "^[^\\x00-\\x1f\\x7f-\\x9f]*$"
_ANY_TEXT = "^[^\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f]*$"  # line ends and tabs are let in
KEPT_PATTERN = r"^[0-9a-f]{64}\.(jpg|png|gif|webp|heic|pdf)$"

Short = Annotated[str, StringConstraints(pattern=_ANY_LINE, max_length=128)]
Long = Annotated[str, StringConstraints(pattern=_ANY_TEXT, max_length=4000)]
Id = Annotated[str, StringConstraints(pattern="^[a-z0-9][a-z0-9_-]*$", min_length=1, max_length=64)]
By = Annotated[Short, Field(description="Who says or does it; without it the token's name.", examples=["Anna Weld"])]

# --- in -----------------------------------------------------------------------------------------------------------------

_A_SPEC: list[JsonValue] = [
    {"required": ["machine"], "properties": {"machine": {"type": "string"}}},
    {"required": ["spec_toml"], "properties": {"spec_toml": {"type": "string"}}},
]


class NewOrder(Asked):
    """A machine that has come in. Give `machine`, or `spec_toml` (then `machine` only says what the file is called)."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "anyOf": _A_SPEC,
            "examples": [
                {"machine": "hollin-t18", "unit": "T18-00317", "complaint": "starts once a week, then clicks"}
            ],
        },
    )

    machine: Segment | None = Field(None, description="The name of a machine file that the daemon has.")
    spec_toml: Annotated[str, StringConstraints(min_length=1, max_length=65536)] | None = Field(
        None, description="The text of a machine file (TOML)."
    )
    complaint: Long = Field("", description="What the customer says, in the customer's words.")
    unit: Short = Field("", description="The machine's serial number.", examples=["T18-00317"])
    customer: Short = Field("", description="Whose machine it is.", examples=["Piet Marlow"])
    work_order: Segment | None = Field(None, description="The order's number; without it the next free one from 1001.")
    by: By = ""

    @model_validator(mode="after")
    def _a_spec(self) -> Self:
        if self.machine is None and self.spec_toml is None:
            raise ValueError("give machine, the name of a machine file, or spec_toml, the text of one")
        return self


class NewOrderAnswer(Asked):
    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"question": "onset", "outcome": "sudden"}]}
    )

    question: Id = Field(description="A question's id, as in /v1/knowledge.")
    outcome: Id | None = Field(description="One of its outcomes; null: skipped, as if it was never asked.")
    note: Long = Field("", description="In the customer's words.")
    by: By = ""


class NewPhoto(Asked):
    """A picture (JPEG, PNG, GIF, WebP, HEIC) or a PDF. Give `data`; or `kept`, if the daemon has it already."""

    name: Annotated[
        str, StringConstraints(pattern="^[^/\\\\\\x00-\\x1f\\x7f-\\x9f]+$", min_length=1, max_length=128)
    ] = Field(description="What the file is called; no path.", examples=["IMG_0042.jpg"])
    data: Annotated[str, StringConstraints(min_length=1)] | None = Field(
        None, description="Its bytes in Base64. The whole request may be as long as the site file's max_body_bytes."
    )
    kept: Annotated[str, StringConstraints(pattern=KEPT_PATTERN)] | None = Field(
        None, description="`kept` of a photo in another finding."
    )

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "oneOf": [
                {"required": ["data"], "properties": {"data": {"type": "string"}, "kept": {"type": "null"}}},
                {"required": ["kept"], "properties": {"kept": {"type": "string"}, "data": {"type": "null"}}},
            ]
        },
    )

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.data is None) == (self.kept is None):
            raise ValueError("give either data, the bytes in Base64, or kept, the name of a photo that is there")
        return self


class NewOrderFinding(Asked):
    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"check": "terminals", "outcome": "loose", "note": "negative, by hand"}]},
    )

    check: Id = Field(description="A look's or a test's id, as in /v1/knowledge.")
    outcome: Id | None = Field(description="One of its outcomes; null takes the finding back.")
    note: Long = Field("", description="What was seen.")
    photos: Annotated[list[NewPhoto], Field(max_length=20)] = Field(default_factory=list)
    by: By = ""


class NewOrderNote(Asked):
    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"text": "the customer fetches it Friday"}]}
    )

    text: Annotated[Long, Field(min_length=1)]
    by: By = ""


class Part(Asked):
    name: Annotated[Short, Field(min_length=1)]
    number: Short = ""
    serial: Short = ""


class NewOrderRepair(Asked):
    """What was done: a `repair` of /v1/knowledge, or `did` in words with `mends` or `touches`."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"repair": "clean-terminals", "did": "both ends", "minutes": 10}]},
    )

    repair: Id | None = Field(None, description="A repair's id.")
    did: Long = Field("", description="What was done, in words.")
    mends: Annotated[list[Id], Field(max_length=10)] = Field(default_factory=list, description="Ids of causes.")
    touches: Annotated[list[Word], Field(max_length=10)] = Field(
        default_factory=list, description="battery, stator, regulator, wiring, starting, engine, use."
    )
    parts: Annotated[list[Part], Field(max_length=50)] = Field(default_factory=list)
    minutes: Annotated[float, Field(ge=0, le=100_000)] | None = Field(None, description="How long it took.")
    by: By = ""


class CloseOrder(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"reason": ""}]})

    reason: Long = Field("", description="Why it is closed without proof; needed only where it is not proven.")
    by: By = ""


# --- out ----------------------------------------------------------------------------------------------------------------

State = Literal["open", "proven", "closed without proof"]


class Listed(Told):
    work_order: str
    state: State
    machine: str
    unit: str
    customer: str
    complaint: str
    opened: str = Field(description="UTC, ISO 8601; so are all times.")
    closed: str | None


class ListedOrder(Listed):
    runs: int = Field(description="How many runs it has.")


class Orders(BaseModel):
    orders: list[ListedOrder]


class Signed(Told):
    at: str
    by: str


class Placed(Signed):
    after_run_no: int = Field(
        description="The newest run that was there when it was written: what came first, by no clock."
    )
    seq: int = Field(description="Its place among the order's records.")


class OrderAnswer(Placed):
    question: str
    ask: str
    outcome: str | None
    text: str
    note: str


class OrderPhoto(Told):
    file: str
    sha256: str
    bytes: int


class OrderFinding(Placed):
    check: str
    title: str
    outcome: str | None
    text: str
    note: str
    photos: list[OrderPhoto]


class OrderNote(Signed):
    text: str


class OrderRepair(Placed):
    repair: str
    title: str
    did: str
    mends: list[str]
    touches: list[str]
    parts: list[dict[str, str]]
    minutes: float | None


class OrderRun(Told):
    run: str
    run_no: int
    procedure: str | None
    status: str | None
    verdict: str | None
    suspect: str | None
    finding: str
    bench: str | None
    started: str | None
    ended: str | None
    reasons: list[str]
    measured: dict[str, Any]
    item: str = Field(description="The item that this run answers, '' if it says nothing.")
    outcome: str
    text: str


class OrderProof(Told):
    proven: bool
    missing: list[str] = Field(description="What is still to be done, a sentence each.")
    runs: list[str]


class Ranking(Told):
    causes: list[dict[str, Any]] = Field(description="By falling probability, each with the reasons that moved it.")
    sets: list[dict[str, Any]] = Field(description="The likeliest explanations of the whole: none, one or two causes.")
    nothing: float | None
    elsewhere: str
    conflict: str


class Plan(Told):
    next: Literal["check", "repair", "prove", "none"]
    why: str
    steps: list[dict[str, Any]]
    advice: dict[str, Any] | None
    locked: dict[str, str]
    expected_minutes: float | None
    by: Literal["minutes", "cost"]


class LogLine(Signed):
    what: str
    line: str


class VisitBody(Listed):
    opened_by: str
    closed_reason: str
    spec: dict[str, Any] = Field(description="The machine file, parsed.")
    spec_text: str
    answers: list[OrderAnswer] = Field(description="The newest last, here and below.")
    findings: list[OrderFinding]
    notes: list[OrderNote]
    repairs: list[OrderRepair]
    runs: list[OrderRun]
    proof: OrderProof
    ranking: Ranking
    plan: Plan
    digest: str = Field(
        description="Of the order's newest record: `benchd verify --anchor ORDER:DIGEST` tells if it changed."
    )
    log: list[LogLine] = Field(description="All of the above in order of time.")


class KnownOutcome(Told):
    id: str
    text: str
    means: str


class KnownItem(Told):
    id: str
    kind: Literal["question", "look", "test"]
    text: str
    minutes: float
    cost: float
    run: str = Field(description="The procedure whose run answers it; '' where it is done by hand.")
    how: str
    caution: str
    tools: str
    origin: str
    right: float | None
    outcomes: list[KnownOutcome]


class KnownRepair(Told):
    id: str
    title: str
    mends: list[str]
    touches: list[str]
    minutes: float
    cost: float
    caution: str


class KnownCause(Told):
    id: str
    title: str
    system: str
    frequency: float
    origin: str
    advice: str
    caution: str


class KnowledgeBody(Told):
    questions: list[KnownItem]
    looks: list[KnownItem]
    tests: list[KnownItem]
    repairs: list[KnownRepair]
    causes: list[KnownCause]
    sources: list[str]
