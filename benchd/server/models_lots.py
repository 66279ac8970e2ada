"""Bodies of the routes about lots, in and out. See models.py, and benchd/lots/door.py for what they mean."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StringConstraints,
    model_validator,
)

from benchd.server.models import Asked, Segment, whole
from benchd.server.models_visits import By, Long, Short

LotName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=64)]
Number = Annotated[float, Field(strict=True, ge=-1e9, le=1e9)]
Whole = Annotated[StrictInt, BeforeValidator(whole)]


class Reference(Asked):
    model_config = ConfigDict(extra="forbid")

    value: Number = Field(description="What the characteristic really is, in its unit.")
    expanded_uncertainty: Annotated[float, Field(strict=True, gt=0, le=1e9)] | None = Field(
        None, description="Of that value, k = 2."
    )


class NewLotBody(Asked):
    """A lot, a check standard or a gauge study. Give `part`, or `spec_toml` (then `part` only says what the file is called)."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [{"kind": "lot", "part": "vantry-vr20", "planned": 200, "customer": "Marlow Farm Supply"}]
        },
    )

    kind: Literal["lot", "standard", "study"] = "lot"
    lot: LotName | None = Field(None, description="Its name; without it the part's number and the next free number.")
    part: Segment | None = Field(None, description="The name of a regulator file that the daemon has.")
    spec_toml: Annotated[str, StringConstraints(min_length=1, max_length=65536)] | None = Field(
        None, description="The text of a regulator file (TOML)."
    )
    title: Short = ""
    customer: Short = ""
    planned: Annotated[Whole, Field(ge=1, le=10_000_000)] | None = Field(None, description="How many units it has.")
    plan: Short = Field("", description="A sampling plan, as in 'attributes, general II, AQL 0.65'.")
    references: Annotated[dict[str, Reference], Field(max_length=50)] = Field(
        default_factory=dict, description="Of a standard: characteristic -> what it really is."
    )
    every_hours: Annotated[float, Field(strict=True, gt=0, le=10_000)] | None = None
    baseline: Annotated[Whole, Field(ge=5, le=200)] | None = Field(
        None, description="Of a standard: how many measurements set the limits of a bench's chart; usual are 10."
    )
    units: Annotated[list[Short], Field(max_length=50)] = Field(default_factory=list, description="Of a study.")
    raters: Annotated[list[Short], Field(max_length=10)] = Field(default_factory=list, description="Of a study.")
    rated_by: Literal["person", "bench"] = "person"
    trials: Annotated[Whole, Field(ge=2, le=10)] = 3
    seed: Annotated[Whole, Field(ge=0, le=2**31)] | None = None
    by: By = ""

    @model_validator(mode="after")
    def _a_spec(self) -> Self:
        if self.part is None and self.spec_toml is None:
            raise ValueError("give part, the name of a regulator file, or spec_toml, the text of one")
        return self


class NewScan(Asked):
    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"text": "VR20-004211", "bench": "rig-1"}]}
    )

    text: Annotated[str, StringConstraints(max_length=1000)] = Field(description="What the scanner read, as it is.")
    bench: Segment = Field(description="The bench's slug.")
    again: StrictBool = Field(
        False, description="Whether a unit that was judged in this lot is to be tested again; counted and kept."
    )
    by: By = ""


class NewLotNote(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"text": "second pallet"}]})

    text: Annotated[Long, Field(min_length=1)]
    by: By = ""


class NewCleared(Asked):
    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"bench": "rig-1", "text": "lead replaced"}]}
    )

    bench: Segment
    text: Annotated[Long, Field(min_length=1, description="What the cause was, and what was done about it.")]
    adjusted: StrictBool = Field(
        False, description="Whether an instrument was adjusted: then the bench's chart is made anew."
    )
    by: By = ""


class CloseLot(Asked):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"reason": ""}]})

    reason: Long = Field("", description="Why, where it is closed before its end.")
    by: By = ""


# --- out ----------------------------------------------------------------------------------------------------------------


class LotEntry(BaseModel):
    model_config = ConfigDict(extra="allow")

    lot: str
    kind: Literal["lot", "standard", "study"]
    state: Literal["open", "closed"]
    part: str | None
    title: str | None
    opened: str
    closed: str | None
    tests: int
    units: int


class LotList(BaseModel):
    lots: list[LotEntry]


class LotBody(LotEntry):
    """Of a study also `left` and `next`: the trials [unit, rater, number] that are left, and the next of every rater."""

    counts: dict[str, int]
    modes: list[dict[str, Any]]
    last: list[dict[str, Any]]
    now: list[dict[str, Any]]
    benches: list[dict[str, Any]]
    doubtful: list[dict[str, Any]] = Field(
        description="What is to be tested again: judged on a bench between the last good check of a standard and a bad one."
    )
    records: list[dict[str, Any]] = Field(description="The first and the newest 499.")


class ScanAnswer(BaseModel):
    model_config = ConfigDict(extra="allow")

    action: Literal["test", "ask", "refuse"]
    serial: str
    why: str
    attempt: int
    history: list[dict[str, Any]] = Field(
        description="Earlier tests of this serial number in any lot, the newest first."
    )


class GateBody(BaseModel):
    bench: str
    part: str
    fit: bool
    reasons: list[str]
    do: list[str]
    standards: list[dict[str, Any]]
    instruments: list[dict[str, Any]]


class ReportBody(BaseModel):
    model_config = ConfigDict(extra="allow")

    lot: dict[str, Any]
    made: str
    program: dict[str, str]


class CertificateBody(ReportBody):
    unit: dict[str, Any]
    attempts: list[dict[str, Any]]
    verdict: dict[str, Any]
    digest: str
