"""What a channel's number is worth: the meter's accuracy statement, its display, and the shunt or clamp before it.

Statement +/-(p % of reading + n counts): limits a = |reading| p/100 + n x resolution of the range in use, taken as
rectangular unless the maker states a coverage.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from scipy import special

from benchd.core import budget
from benchd.core.budget import Component
from benchd.core.readings import UNITS, Quantity
from benchd.core.samples import CHANNELS
from benchd.core.specs import AccuracyLine, ChannelModel

#: Form factor (RMS over mean of the absolute value) of a sine, to which average-responding meters are calibrated.
SINE_FORM_FACTOR = math.pi / (2 * math.sqrt(2))

#: 'No statement given: assumed': quantity -> rows (resolution up to and with, percent, counts); the last row holds
#: for anything coarser. Common practice, no source.
_ASSUMED: dict[Quantity, tuple[tuple[float, float, float], ...]] = {
    Quantity.DC_VOLTS: ((0.001, 0.1, 2), (0.01, 0.5, 1), (math.inf, 1.0, 1)),
    Quantity.AC_VOLTS: ((math.inf, 1.0, 3),),
    Quantity.DC_AMPS: ((math.inf, 1.5, 2),),
    Quantity.AC_AMPS: ((math.inf, 2.0, 3),),
    Quantity.FREQUENCY: ((math.inf, 0.1, 1),),
    Quantity.SPEED: ((math.inf, 0.2, 1),),
    Quantity.RESISTANCE: ((math.inf, 1.0, 3),),
    Quantity.TEMPERATURE: ((math.inf, 1.0, 2),),
}

#: One count where a recording does not tell it. Common practice, no source.
_ASSUMED_RESOLUTION: dict[Quantity, float] = {
    Quantity.DC_VOLTS: 0.01,
    Quantity.AC_VOLTS: 0.1,
    Quantity.DC_AMPS: 0.1,
    Quantity.AC_AMPS: 0.1,
    Quantity.FREQUENCY: 0.1,
    Quantity.SPEED: 10.0,
    Quantity.RESISTANCE: 0.1,
    Quantity.TEMPERATURE: 1.0,
}


def assumed_model(channel: str, resolution: float | None = None) -> ChannelModel:
    """The model of a channel of which nobody stated anything (recorded data): an ordinary meter, nothing before it.

    KeyError for a name that is no channel.
    """
    quantity = CHANNELS[channel][0]
    count = resolution or _ASSUMED_RESOLUTION[quantity]
    # A hair of room: 0.001 read from text may be 0.0010000000000000009.
    percent, counts = next(row[1:] for row in _ASSUMED[quantity] if count <= row[0] * (1 + 1e-9))
    line = AccuracyLine(quantity, percent, counts, count)
    return ChannelModel(channel, (line,), instrument="no statement given: assumed", assumed=True)


def _holds_at(line: AccuracyLine, hertz: float | None) -> bool:
    """Whether the line's band holds the frequency; an unknown one is not held against it."""
    if hertz is None:
        return True
    return (line.min_hertz or 0.0) <= hertz <= (math.inf if line.max_hertz is None else line.max_hertz)


def line_for(
    model: ChannelModel,
    quantity: Quantity | None,
    raw_value: float,
    hertz: float | None = None,
    resolution: float | None = None,
) -> AccuracyLine | None:
    """The statement that holds for a meter reading, or None where the maker promises nothing.

    `raw_value` and `resolution` are the meter's own, before the channel's ratio. `quantity` None takes any function.
    The displayed resolution tells which range is in use: a line with finer counts than the display shows is passed
    over for a wider one, if there is one. With `hertz` unknown the worst of the bands counts.
    """
    reach = abs(raw_value) * (1 - 1e-12)
    fitting = [
        line
        for line in model.lines
        if (quantity is None or line.function is quantity)
        and _holds_at(line, hertz)
        and (line.up_to is None or reach <= line.up_to)
    ]
    if resolution is not None:
        coarser = [line for line in fitting if line.resolution >= resolution * (1 - 1e-9)]
        fitting = coarser or sorted(fitting, key=lambda line: line.resolution)[-1:]
    if not fitting:
        return None
    narrowest = min(math.inf if line.up_to is None else line.up_to for line in fitting)
    same_range = [line for line in fitting if (math.inf if line.up_to is None else line.up_to) == narrowest]
    return max(same_range, key=lambda line: _limit(line, raw_value, resolution))


def _limit(line: AccuracyLine, raw_value: float, resolution: float | None) -> float:
    count = max(line.resolution, resolution or 0.0)
    return abs(raw_value) * line.percent / 100 + line.counts * count


def _statement(line: AccuracyLine, raw_value: float, resolution: float | None) -> float:
    limit = _limit(line, raw_value, resolution)
    if line.confidence is None:
        return budget.rectangular(limit)
    return limit / float(special.ndtri((1 + line.confidence) / 2))


def uncertainty(
    model: ChannelModel,
    value: float,
    *,
    resolution: float | None = None,
    hertz: float | None = None,
    with_display: bool = True,
) -> list[Component]:
    """The budget of one channel value, in the channel's unit; [] where nothing is stated, which means unknown.

    `value` and `resolution` (one displayed count) in the channel's unit; `hertz` the frequency of an AC quantity.
    `with_display` False leaves out the rounding, for means that already carry it.
    """
    if model.assumed and not model.lines:
        model = assumed_model(model.channel, resolution)
    ratio = abs(model.ratio)
    raw = (value + model.offset) / model.ratio
    raw_resolution = None if resolution is None else resolution / ratio
    line = line_for(model, None, raw, hertz, raw_resolution)
    if line is None:
        return []
    count = line.resolution * ratio if resolution is None else resolution
    found = [Component("meter's accuracy statement", _statement(line, raw, raw_resolution) * ratio)]
    if with_display:
        found.append(Component("meter's display", budget.display(count)))
    if model.ratio_percent:
        limit = abs(raw * model.ratio) * model.ratio_percent / 100
        found.append(Component("tolerance of the ratio", budget.rectangular(limit)))
    if model.offset_limit:
        found.append(Component("offset", budget.rectangular(model.offset_limit)))
    return found


def out_of_band(model: ChannelModel, hertz: float) -> str | None:
    """A sentence where the frequency is outside every band that the meter's statement covers, else None."""
    if not model.lines or any(_holds_at(line, hertz) for line in model.lines):
        return None
    return (
        f"{model.channel}: {hertz:.0f} Hz is outside the band of {model.instrument or 'the meter'}, whose accuracy is"
        f" stated for {' and '.join(_bands(model.lines))} Hz: use a meter with a wider AC band"
    )


def _bands(lines: Iterable[AccuracyLine]) -> list[str]:
    bands = sorted({(line.min_hertz or 0.0, line.max_hertz or math.inf) for line in lines})
    return [f"{low:g} to {high:g}" for low, high in bands]


def average_responding_error(form_factor: float) -> float:
    """Relative error of an average-responding, sine-calibrated meter on a wave of this form factor (RMS / ARV).

    0 for a sine, +0.1107 for a square wave, -0.0381 for a triangle.
    """
    return SINE_FORM_FACTOR / form_factor - 1


def stated_limit(model: ChannelModel) -> str:
    """Up to where the statement reaches, as a phrase for a message ('20 V'), or '' where it is open or absent."""
    reaches = [line.up_to for line in model.lines]
    widest = max((reach for reach in reaches if reach is not None), default=None)
    if widest is None or None in reaches:
        return ""
    return f"{widest:g} {UNITS[model.lines[0].function]}"
