"""The keys of machine and bench files: their types, ranges and words for people. pydantic stays behind this module."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from benchd.core.readings import Quantity
from benchd.core.specs import Measures, Rule
from benchd.registry import nearest
from benchd.toml_lines import Path

Text = Annotated[str, Field(min_length=1, max_length=500, description="a text")]
Rpm = Annotated[float, Field(gt=0, le=30000, description="rpm, a number above 0 and up to 30000")]
RpmRange = Annotated[list[Rpm], Field(min_length=2, max_length=2, description="two numbers of rpm, [low, high]")]
Volts = Annotated[float, Field(gt=0, le=1000, description="volts, a number above 0 and up to 1000")]
VoltsRange = Annotated[list[Volts], Field(min_length=2, max_length=2, description="two numbers of volts, [low, high]")]
Amps = Annotated[float, Field(gt=0, le=1000, description="amps, a number above 0 and up to 1000")]
Ohms = Annotated[float, Field(ge=0, le=1e9, description="ohms, a number from 0 up")]
OhmsRange = Annotated[list[Ohms], Field(min_length=2, max_length=2, description="two numbers of ohms, [low, high]")]
Hertz = Annotated[float, Field(ge=0, le=1e7, description="hertz, a number from 0 up")]
Percent = Annotated[float, Field(ge=0, le=100, description="percent, a number from 0 to 100")]
Above0 = Annotated[float, Field(gt=0, le=1e12, description="a number above 0")]
From0 = Annotated[float, Field(ge=0, le=1e12, description="a number from 0 up")]
Anyhow = Annotated[float, Field(ge=-1e12, le=1e12, description="a number")]
Function = Annotated[
    Quantity, Field(strict=False, description=f"one of {', '.join(repr(one.value) for one in Quantity)}")
]


class Keys(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


# --- a machine ------------------------------------------------------------------------------------------------------


class MachineKeys(Keys):
    name: Text
    manual: Text = "manual not named"


class EngineKeys(Keys):
    full_throttle_rpm: RpmRange


class TableRowKeys(Keys):
    rpm: Rpm
    min_volts_ac: Volts


class StatorKeys(Keys):
    min_volts_ac: Volts | None = None
    at_rpm: Rpm | None = None
    magnet_poles: (
        Annotated[int, Field(ge=2, le=200, description="the number of magnets, an even whole number")] | None
    ) = None
    lead_pairs: Annotated[list[Text], Field(min_length=1, max_length=12, description="a list of names")] | None = None
    table: Annotated[
        list[TableRowKeys], Field(min_length=2, description="at least two [[stator.table]] rows by rising rpm")
    ] = Field(default_factory=list)
    max_volts_ac: Volts | None = None
    lead_ohms: OhmsRange | None = None
    min_ground_ohms: Ohms | None = None


class RegulatorKeys(Keys):
    rated_amps: Amps
    at_rpm: Rpm
    settled_volts: VoltsRange
    ceiling_volts: Volts
    min_amps: Amps | None = None
    near_zero_amps: Amps | None = None
    max_drop_volts: Volts | None = None


class BatteryKeys(Keys):
    amp_hours: Annotated[float, Field(gt=0, le=5000, description="ampere-hours, a number above 0 and up to 5000")]
    cold_cranking_amps: Annotated[float, Field(gt=0, le=10000, description="amps, a number above 0")] | None = None
    rating_amps: Annotated[float, Field(gt=0, le=10000, description="amps, a number above 0")] | None = None
    rating_standard: (
        Annotated[
            Literal["CCA", "CA", "MCA", "EN", "IEC", "DIN"],
            Field(description="'CCA', 'CA', 'MCA', 'EN', 'IEC' or 'DIN'"),
        ]
        | None
    ) = None
    full_gravity: Annotated[float, Field(ge=1.2, le=1.32, description="a specific gravity, such as 1.265")] | None = (
        None
    )
    sealed: Annotated[bool, Field(description="true or false")] = False


class StartingKeys(Keys):
    min_cranking_volts: Volts | None = None
    min_cranking_rpm: Rpm | None = None
    max_starter_amps: Annotated[float, Field(gt=0, le=5000, description="amps, a number above 0")] | None = None
    max_crank_s: Annotated[float, Field(gt=0, le=60, description="seconds, a number above 0 up to 60")] = 10.0
    rest_s: Annotated[float, Field(ge=0, le=600, description="seconds, a number from 0 to 600")] = 60.0


Names = Annotated[list[Text], Field(min_length=1, max_length=30, description="a list of names")]
SmallVolts = Annotated[float, Field(gt=0, le=10, description="volts, a number above 0 and up to 10")]


class WiringKeys(Keys):
    joints: Names | None = None
    ground_joints: Names | None = None
    max_joint_volts: SmallVolts | None = None
    max_side_volts: SmallVolts | None = None
    max_total_volts: SmallVolts | None = None
    max_key_off_amps: Annotated[float, Field(gt=0, le=10, description="amps, a number above 0 and up to 10")] | None = (
        None
    )
    breaker_amps: Amps | None = None
    switch: Annotated[
        dict[str, Annotated[list[Text], Field(max_length=20, description="a list of pairs such as 'B - S'")]],
        Field(max_length=10, description="a [wiring.switch] table: position -> pairs of terminals"),
    ] = Field(default_factory=dict)


class MachineFile(Keys):
    machine: Annotated[MachineKeys, Field(description="a [machine] table")]
    engine: Annotated[EngineKeys, Field(description="an [engine] table with full_throttle_rpm")]
    stator: Annotated[StatorKeys | None, Field(description="a [stator] table")] = None
    regulator: Annotated[RegulatorKeys | None, Field(description="a [regulator] table")] = None
    battery: Annotated[BatteryKeys | None, Field(description="a [battery] table")] = None
    starting: Annotated[StartingKeys | None, Field(description="a [starting] table")] = None
    wiring: Annotated[WiringKeys | None, Field(description="a [wiring] table")] = None


# --- a bench ----------------------------------------------------------------------------------------------------------


class BenchKeys(Keys):
    name: Text
    sample_s: Annotated[float, Field(ge=0.02, le=10, description="seconds, a number from 0.02 to 10")] = 0.5
    lost_after_s: Annotated[float, Field(ge=0.5, le=60, description="seconds, a number from 0.5 to 60")] = 3.0
    wait_for_meter_s: Annotated[float, Field(ge=0, le=600, description="seconds, a number from 0 to 600")] = 20.0
    max_run_minutes: Annotated[float, Field(gt=0, le=240, description="minutes, a number above 0 up to 240")] = 20.0


class JudgingKeys(Keys):
    rule: Annotated[Rule, Field(strict=False, description=f"one of {', '.join(repr(one.value) for one in Rule)}")] = (
        Rule.SIMPLE
    )
    risk: Annotated[float, Field(gt=0, lt=0.5, description="a probability above 0 and below 0.5")] = 0.05


class AccuracyKeys(Keys):
    function: Function
    percent: Percent = 0.0
    counts: From0 = 0.0
    resolution: Annotated[float, Field(gt=0, le=1e9, description="one count in the function's SI unit, above 0")]
    up_to: Above0 | None = None
    min_hertz: Hertz | None = None
    max_hertz: Hertz | None = None
    confidence: Annotated[float, Field(gt=0, lt=1, description="a probability such as 0.95")] | None = None


class InstrumentKeys(Keys):
    """Any other key belongs to the driver, which checks it."""

    model_config = ConfigDict(strict=True, extra="allow", allow_inf_nan=False)

    driver: Text
    port: Annotated[
        str,
        Field(
            min_length=1,
            max_length=500,
            description="a port: '/dev/...', 'COM5', 'socket://HOST:PORT', 'rfc2217://HOST:PORT', 'serial:USBSERIALNUMBER', 'visa:RESOURCE' "
            "or 'replay:FILE'",
        ),
    ]
    calibration_due: Annotated[date, Field(description="a date without quotes, such as 2027-03-01")] | None = None
    max_amps: Amps | None = None
    max_volts: Volts | None = None
    average_responding: Annotated[bool, Field(description="true or false")] = False
    accuracy: Annotated[
        list[AccuracyKeys], Field(max_length=200, description="[[instruments.NAME.accuracy]] tables")
    ] = Field(default_factory=list)
    poll_s: Annotated[float, Field(gt=0, le=60, description="seconds between two questions, above 0")] | None = None
    baud: Annotated[int, Field(ge=50, le=4_000_000, description="a whole number of baud, such as 9600")] | None = None
    data_bits: Annotated[Literal[5, 6, 7, 8], Field(description="5, 6, 7 or 8")] | None = None
    parity: Annotated[Literal["N", "E", "O"], Field(description="'N', 'E' or 'O'")] | None = None
    stop_bits: Annotated[float, Field(ge=1, le=2, multiple_of=0.5, description="1, 1.5 or 2")] | None = None
    dtr: Annotated[bool, Field(description="true or false")] | None = None
    rts: Annotated[bool, Field(description="true or false")] | None = None


#: Instrument keys that override the driver's serial settings; named as in `wire.SerialParams`.
SERIAL_KEYS = ("baud", "data_bits", "parity", "stop_bits", "dtr", "rts")


class ChannelKeys(Keys):
    instrument: Text | None = None
    function: Function | None = None
    point: Annotated[str, Field(max_length=200, description="the name of an input of the instrument")] = ""
    ratio: Annotated[float, Field(ge=-1e9, le=1e9, description="channel units per meter unit, not 0")] | None = None
    offset: Anyhow = 0.0
    ratio_percent: Percent = 0.0
    offset_limit: From0 = 0.0
    max_amps: Amps | None = None
    shunt_millivolts: Annotated[float, Field(gt=0, le=10000, description="millivolts, a number above 0")] | None = None
    shunt_amps: Annotated[float, Field(gt=0, le=10000, description="amps, a number above 0")] | None = None
    pulses_per_rev: Annotated[float, Field(gt=0, le=1000, description="pulses, a number above 0")] | None = None
    from_channel: Text | None = None


class BenchFile(Keys):
    bench: Annotated[BenchKeys, Field(description="a [bench] table with a name")]
    judging: Annotated[JudgingKeys, Field(description="a [judging] table")] = JudgingKeys()
    instruments: Annotated[
        dict[str, InstrumentKeys], Field(min_length=1, description="at least one [instruments.NAME] table")
    ]
    channels: Annotated[dict[str, ChannelKeys], Field(min_length=1, description="at least one [channels.NAME] table")]


# --- a regulator that is tested by the lot ----------------------------------------------------------------------------

Slug = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9-]{0,39}$",
        description="a short name of small letters, digits and '-', such as 'set-point-light'",
    ),
]
PartNumber = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9._/ -]{0,39}$",
        description="a part number of up to 40 letters, digits, '-', '.', '/'",
    ),
]
RpmWindow = Annotated[
    list[Annotated[float, Field(ge=0, le=30000, description="rpm, a number from 0 up to 30000")]],
    Field(min_length=2, max_length=2, description="two numbers of rpm, [low, high]"),
]
AmpsWindow = Annotated[
    list[Annotated[float, Field(ge=0, le=1000, description="amps, a number from 0 up to 1000")]],
    Field(min_length=2, max_length=2, description="two numbers of amps, [low, high]"),
]
Limit = Annotated[float, Field(ge=-1e6, le=1e6, description="a number")]
Seconds = Annotated[float, Field(gt=0, le=1200, description="seconds, a number above 0 up to 1200")]


class PartKeys(Keys):
    number: PartNumber
    name: Text
    manual: Text = "manual not named"
    rated_amps: Amps


class DriveKeys(Keys):
    rated_rpm: RpmRange
    max_rpm: Rpm


class PartJudgingKeys(JudgingKeys):
    """A part that is signed for is accepted only where it surely conforms, unless its file says otherwise."""

    rule: Annotated[Rule, Field(strict=False, description=f"one of {', '.join(repr(one.value) for one in Rule)}")] = (
        Rule.GUARDED_ACCEPTANCE
    )


class CeilingKeys(Keys):
    volts: Volts


class CharacteristicKeys(Keys):
    """One characteristic; which of its limits' keys apply follows from what it measures (config_checks)."""

    id: Slug
    measures: Annotated[
        Measures, Field(strict=False, description=f"one of {', '.join(repr(one.value) for one in Measures)}")
    ]
    title: Text | None = None
    rpm: RpmWindow | None = None
    amps: AmpsWindow | None = None
    min_milliamps: Limit | None = None
    max_milliamps: Limit | None = None
    min_rpm: Limit | None = None
    max_rpm: Limit | None = None
    min_volts: Limit | None = None
    max_volts: Limit | None = None
    min_millivolts: Limit | None = None
    max_millivolts: Limit | None = None
    min_amps: Limit | None = None
    max_amps: Limit | None = None
    at_amps: Amps | None = None
    at_volts: Volts | None = None
    over_s: Seconds | None = None
    between: (
        Annotated[list[Slug], Field(min_length=2, max_length=2, description="two ids of set-points: [light, rated]")]
        | None
    ) = None
    settle_s: Annotated[float, Field(ge=0, le=600, description="seconds, a number from 0 to 600")] = 2.0
    longest_s: Seconds = 60.0
    safety: Annotated[bool, Field(description="true or false")] = False


class RegulatorFile(Keys):
    part: Annotated[PartKeys, Field(description="a [part] table with number, name and rated_amps")]
    drive: Annotated[DriveKeys, Field(description="a [drive] table with rated_rpm and max_rpm")]
    judging: Annotated[PartJudgingKeys, Field(description="a [judging] table")] = PartJudgingKeys()
    ceiling: Annotated[CeilingKeys, Field(description="a [ceiling] table with volts")]
    test: Annotated[
        list[CharacteristicKeys],
        Field(min_length=1, max_length=60, description="at least one [[test]] table, in order of testing"),
    ]


# --- complaints in people's words -----------------------------------------------------------------------------------


def complaints(model: type[BaseModel], data: Mapping[str, Any]) -> list[tuple[Path, str]]:
    """Everything that is wrong with the keys of a parsed file, as (where, 'found ..., expected ...')."""
    try:
        model.model_validate(data)
    except ValidationError as error:
        # A key with two possible types comes once for each; the first says it.
        found: dict[Path, str] = {}
        for one in error.errors(include_url=False):
            path = tuple(step for step in one["loc"])
            found.setdefault(path, _sentence(model, path, one["type"], one["input"]))
        return list(found.items())
    return []


def _sentence(model: type[BaseModel], path: Path, problem: str, value: Any) -> str:
    if problem == "extra_forbidden":
        _, owner = _described(model, path[:-1])
        known = list(owner.model_fields) if owner else []
        return f"found an unknown key{nearest(str(path[-1]), known)}, expected one of {', '.join(known)}"
    text, _ = _described(model, path)
    return f"found {'nothing' if problem == 'missing' else shown(value)}, expected {text}"


def _described(model: type[BaseModel], path: Path) -> tuple[str, type[BaseModel] | None]:
    """The words for what stands at a path, and the table type there (None for a plain value)."""
    owner: type[BaseModel] | None = model
    text = ""
    free = False  # the next step is a name of the file's own choice
    for step in path:
        if free or isinstance(step, int) or owner is None or step not in owner.model_fields:
            free = False
            continue
        field = owner.model_fields[step]
        text = field.description or _description_within(field.annotation) or text
        free = get_origin(field.annotation) is dict
        owner = _model_within(field.annotation)
    return text, owner


def _description_within(annotation: Any) -> str | None:
    """The description of an optional `Annotated[...] | None`."""
    if get_origin(annotation) in (Union, UnionType):
        return next((text for one in get_args(annotation) if (text := _description_within(one))), None)
    if get_origin(annotation) is Annotated:
        metadata = get_args(annotation)[1:]
        return next((str(one.description) for one in metadata if getattr(one, "description", None)), None)
    return None


def _model_within(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for one in get_args(annotation) if (found := _model_within(one))), None)


def shown(value: Any) -> str:
    """A parsed value about as it stands in the file."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        text = f"[{', '.join(shown(one) for one in value[:8])}{', ...' if len(value) > 8 else ''}]"
    else:
        text = repr(value) if isinstance(value, str | int | float) else str(value)
    return text if len(text) <= 80 else f"{text[:77]}..."
