"""Bodies of the routes about lots, in and out. See models.py, and benchd/lots/door.py for what they mean."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from benchd.server.models import Asked, Segment
from benchd.server.models_visits import By, Long, Short

LotName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=64)]
Number = Annotated[float, Field(ge=-1e9, le=1e9)]


class Reference(Asked):
    model_config = ConfigDict(extra="forbid")

    value: Number = Field(description="What the characteristic really is, in its unit.")
    expanded_uncertainty: Annotated[float, Field(gt=0, le=1e9)] | None = Field(
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
    planned: Annotated[int, Field(ge=1, le=10_000_000)] | None = Field(None, description="How many units it has.")
    plan: Short = Field("", description="A sampling plan, as in 'attributes, general II, AQL 0.65'.")
    references: Annotated[dict[str, Reference], Field(max_length=50)] = Field(
        default_factory=dict, description="Of a standard: characteristic -> what it really is."
    )
    every_hours: Annotated[float, Field(gt=0, le=10_000)] | None = None
    baseline: Annotated[int, Field(ge=8, le=200)] | None = None
    units: Annotated[list[Short], Field(max_length=50)] = Field(default_factory=list, description="Of a study.")
    raters: Annotated[list[Short], Field(max_length=10)] = Field(default_factory=list, description="Of a study.")
    rated_by: Literal["person", "bench"] = "person"
    trials: Annotated[int, Field(ge=2, le=10)] = 3
    seed: Annotated[int, Field(ge=0, le=2**31)] | None = None
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
    again: bool = Field(
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
    adjusted: bool = Field(
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
    counts: dict[str, int]
    modes: list[dict[str, Any]]
    last: list[dict[str, Any]]
    now: list[dict[str, Any]]
    benches: list[dict[str, Any]]
    records: list[dict[str, Any]]


class ScanAnswer(BaseModel):
    model_config = ConfigDict(extra="allow")

    action: Literal["test", "ask", "refuse"]
    serial: str
    why: str
    attempt: int
    history: list[dict[str, Any]]


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
