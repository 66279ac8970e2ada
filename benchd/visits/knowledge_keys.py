"""The keys of causes files: their types, ranges and words for people. pydantic stays behind this module."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchd.config_keys import From0, Keys

#: What one line of a narrow screen takes.
Short = Annotated[str, Field(min_length=1, max_length=60, description="a text of at most 60 letters")]
Words = Annotated[str, Field(min_length=1, max_length=40, description="a few words, at most 40 letters")]
Maybe = Annotated[str, Field(max_length=300, description="a text")]
Origin = Annotated[
    str,
    Field(
        min_length=1,
        max_length=300,
        description="where the numbers come from: 'common practice, no source', 'estimate', or a source by its own description",
    ),
]
Id = Annotated[str, Field(min_length=1, max_length=60, description="the id of something in this file")]
Ids = Annotated[list[Id], Field(max_length=60, description="a list of ids")]
Share = Annotated[float, Field(gt=0, lt=1, description="a probability above 0 and below 1")]
Chance = Annotated[float, Field(ge=0, le=1, description="a probability from 0 to 1")]
Row = Annotated[list[Chance], Field(min_length=2, max_length=20, description="a probability for each outcome")]
Pattern = Annotated[
    str, Field(min_length=1, max_length=120, description="'verdict', 'verdict/suspect' or 'verdict/suspect/finding'")
]
System = Annotated[
    Literal["battery", "wiring", "stator", "regulator", "starting", "engine", "use"],
    Field(description="'battery', 'wiring', 'stator', 'regulator', 'starting', 'engine' or 'use'"),
]


class VisitsKeys(Keys):
    nothing: Annotated[float, Field(ge=0, lt=1, description="a probability from 0 up to below 1")]
    two: Annotated[float, Field(ge=0, lt=1, description="a probability from 0 up to below 1")]
    prove_minutes: From0
    origin: Origin
    learned: Maybe = ""


class CauseKeys(Keys):
    title: Words
    system: System
    frequency: Share
    origin: Origin
    advice: Maybe = ""
    caution: Maybe = ""


class TogetherKeys(Keys):
    causes: Annotated[list[Id] | None, Field(min_length=2, max_length=2, description="two ids of causes")] = None
    one_of: Annotated[list[Id] | None, Field(min_length=2, max_length=30, description="a list of ids of causes")] = None
    times: Annotated[float | None, Field(ge=0, le=1e6, description="a number from 0 up")] = None
    origin: Origin


class OutcomeKeys(Keys):
    id: Id
    text: Words
    means: Maybe = ""
    from_run: Annotated[list[Pattern], Field(max_length=40, description="a list of what a run may come to")] = Field(
        default_factory=list
    )


Needed = Annotated[
    dict[str, Annotated[list[Id], Field(min_length=1, max_length=20, description="a list of its outcomes")]],
    Field(max_length=20, description="a table: item -> its outcomes"),
]


class ItemKeys(Keys):
    text: Short
    outcomes: Annotated[
        list[OutcomeKeys], Field(min_length=2, max_length=20, description="at least two outcomes { id, text }")
    ]
    background: Row
    given: Annotated[dict[str, Row], Field(description="a table: cause -> a probability for each outcome")] = Field(
        default_factory=dict
    )
    origin: Origin
    minutes: From0 = 0.0
    cost: From0 = 0.0
    right: Annotated[Chance | None, Field(description="a probability from 0 to 1")] = None
    run: Maybe = ""
    how: Maybe = ""
    caution: Maybe = ""
    tools: Maybe = ""
    needs: Ids = Field(default_factory=list)
    needs_outcome: Needed = Field(default_factory=dict)
    never_after: Needed = Field(default_factory=dict)


class RepairKeys(Keys):
    title: Short
    mends: Annotated[list[Id], Field(min_length=1, max_length=60, description="a list of ids of causes")]
    touches: Annotated[
        list[System],
        Field(
            min_length=1,
            max_length=7,
            description="a list of 'battery', 'stator', 'regulator', 'wiring', 'starting', 'engine' and 'use'",
        ),
    ]
    minutes: From0
    cost: From0
    origin: Origin
    right: Chance = 0.97
    caution: Maybe = ""
    needs: Ids = Field(default_factory=list)
    never_after: Needed = Field(default_factory=dict)


Items = dict[str, ItemKeys]


class CausesFile(Keys):
    """All files laid over one another."""

    visits: Annotated[VisitsKeys, Field(description="a [visits] table")]
    causes: Annotated[dict[str, CauseKeys], Field(min_length=1, description="at least one [causes.ID] table")]
    together: Annotated[list[TogetherKeys], Field(description="[[together]] tables")] = Field(default_factory=list)
    questions: Annotated[Items, Field(description="[questions.ID] tables")] = Field(default_factory=dict)
    looks: Annotated[Items, Field(description="[looks.ID] tables")] = Field(default_factory=dict)
    tests: Annotated[Items, Field(description="[tests.ID] tables")] = Field(default_factory=dict)
    repairs: Annotated[dict[str, RepairKeys], Field(description="[repairs.ID] tables")] = Field(default_factory=dict)
