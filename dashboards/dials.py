"""What a channel's number means against the spec: its band, its ceiling, a word for where it stands."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from benchd_dashboards.look import Look, paint
from benchd_dashboards.state import BEFORE, STALE_S, State, is_open
from rich.text import Text

from benchd.core.samples import CHANNELS

TITLES = {
    "battery_volts": "BATTERY VOLTS",
    "charge_amps": "CHARGE AMPS",
    "stator_volts": "STATOR VOLTS AC",
    "stator_volts_2": "STATOR VOLTS AC, PAIR 2",
    "stator_volts_3": "STATOR VOLTS AC, PAIR 3",
    "stator_hertz": "STATOR FREQUENCY",
    "engine_rpm": "ENGINE RPM",
    "battery_celsius": "BATTERY TEMPERATURE",
    "stator_ohms": "STATOR LEAD TO LEAD",
    "stator_ground_ohms": "STATOR TO GROUND",
    "load_amps": "LOAD AMPS",
    "crank_amps": "STARTER AMPS",
    "draw_amps": "KEY-OFF AMPS",
    "joint_volts": "VOLTS LOST",
    "circuit_ohms": "OHMS",
    "state_of_charge": "CHARGE, PERCENT",
}
#: What stands large: channels, or an estimate of the standing (state_of_charge).
MAIN = {
    "regulator": ("battery_volts", "charge_amps"),
    "stator": ("stator_volts",),
    "charge": ("battery_volts", "state_of_charge"),
    "load": ("battery_volts", "load_amps"),
    "crank": ("battery_volts", "crank_amps"),
    "draw": ("draw_amps", "battery_volts"),
    "drop": ("joint_volts", "charge_amps"),
    "continuity": ("circuit_ohms",),
}
#: Not on every bench: left out until it is read.
_IF_READ = {"crank": ("crank_amps",), "draw": ("battery_volts",)}
#: Channels whose limits come with the standing, as an estimate of the channel's own name or of one of these.
_LIMITS_LIVE = frozenset(MAIN) - {"regulator", "stator"}
NAMED_OTHERWISE = {"battery_volts": "cranking_volts", "crank_amps": "starter_amps", "engine_rpm": "cranking_rpm"}
_FINE = {"joint_volts": 3, "draw_amps": 3}  # decimals worth showing, where two are not enough

#: The contract's defaults where a spec does not say: share of the rated amps that still counts as rated, as near zero.
LEAST_OUTPUT, NEAR_ZERO = 0.9, 0.1


@dataclass(frozen=True, slots=True)
class Dial:
    """A channel as it is drawn. `bands` are (low, high) in its unit (either may be infinite), `low`..`high` what the scale spans."""

    channel: str
    value: float | None
    decimals: int
    word: str
    role: str
    low: float
    high: float
    bands: tuple[tuple[float, float], ...] = ()
    ceiling: float | None = None
    note: str = ""

    @property
    def title(self) -> str:
        return TITLES.get(self.channel, self.channel.upper().replace("_", " "))

    @property
    def limits(self) -> list[float]:
        """The ends of the bands that can be drawn."""
        return [end for band in self.bands for end in band if math.isfinite(end)]

    @property
    def unit(self) -> str:
        if self.channel == "state_of_charge":
            return "%"
        return CHANNELS[self.channel][1] if self.channel in CHANNELS else ""

    def text(self, most_signs: int = 12) -> str:
        """The number with no more decimals than it has and than there is room for; dashes if there is none."""
        if self.value is None:
            return "--.--" if self.decimals else "----"
        texts = (f"{self.value:.{places}f}" for places in range(self.decimals, -1, -1))
        return next((text for text in texts if len(text) <= most_signs), f"{self.value:.0f}")


def main_channels(state: State) -> tuple[str, ...]:
    """The channels whose numbers stand large: the procedure's, or whatever is read first."""
    if state.procedure in MAIN:
        away = [name for name in _IF_READ.get(state.procedure, ()) if name not in state.tracks]
        return tuple(name for name in MAIN[state.procedure] if name not in away)
    return tuple(name for name in CHANNELS if name in state.tracks and name != "engine_rpm")[:2]


def dial(state: State, channel: str) -> Dial:
    """The dial of a channel, or of an estimate that stands large, as things stand."""
    if channel not in CHANNELS and channel in TITLES:
        return _estimated(state, channel)
    value, decimals = state.number(channel), _decimals(state, channel)
    absent = _absent(state, channel)
    made = _maker(state, channel)(state, channel, value, decimals)
    if absent is None:
        return made
    return Dial(channel, None, decimals, *absent, made.low, made.high, made.bands, made.ceiling, made.note)


def _decimals(state: State, channel: str) -> int:
    """Decimals that the display has, two at most: more of them flicker and are read by nobody at two metres."""
    if channel == "engine_rpm":
        return 0
    track, most = state.tracks.get(channel), _FINE.get(channel, 2)
    resolution = None if track is None else track.resolution
    return 2 if not resolution else next((places for places in range(most) if resolution >= 0.999 * 10**-places), most)


def _absent(state: State, channel: str) -> tuple[str, str] | None:
    """(word, role) where there is no number to show."""
    track = state.tracks.get(channel)
    if track is None:
        return ("NOT READ YET", "quiet")
    age_s = track.age_s(state.t_s)
    if age_s > STALE_S:
        return (f"SILENT {age_s:.0f} s", "bad")
    if track.value is None and is_open(state, channel, track.flags):
        return ("OPEN", "head")
    if track.value is None:
        return (" ".join(track.flags).upper() or "NO NUMBER", "bad")
    return None


def _volts(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    settled = state.limits("regulator").get("settled_volts")
    if not settled:
        return _plain(state, channel, value, decimals)
    low, high = map(float, settled)
    ceiling = state.ceiling()
    top = high if ceiling is None else ceiling
    word, role = _banded(value, low, high)
    if value is not None and value < 0:
        word, role = "NEGATIVE: LEADS REVERSED?", "bad"
    elif value is not None and ceiling is not None and value > ceiling:
        word, role = "OVER THE CEILING", "bad"
    span = high - low
    return Dial(channel, value, decimals, word, role, low - 2.5 * span, top + 0.6 * span, ((low, high),), ceiling)


def _amps(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    regulator = state.limits("regulator")
    if not regulator.get("rated_amps"):
        return _plain(state, channel, value, decimals)
    rated = float(regulator["rated_amps"])
    least = float(regulator.get("min_amps") or LEAST_OUTPUT * rated)
    near = float(regulator.get("near_zero_amps") or NEAR_ZERO * rated)
    word, role = "", ""
    if value is not None and value < -near:
        word, role = "FLOWS OUT OF THE BATTERY", "warn"
    elif value is not None:
        word = "NEAR ZERO" if value <= near else "UNDER RATED" if value < least else "AT RATED"
        role = "head" if word == "UNDER RATED" else "good"
    return Dial(channel, value, decimals, word, role, 0.0, 1.25 * rated, ((0.0, near), (least, math.inf)))


def _stator(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    stator = state.limits("stator")
    least = least_stator_volts(stator, state.number("engine_rpm"))
    if least is None:
        return _plain(state, channel, value, decimals)
    most = stator.get("max_volts_ac")
    high = float(most) if most else math.inf
    word, role = "", ""
    if value is not None:
        word, role = ("ENOUGH", "good") if value >= least else ("TOO LOW", "warn")
        if most and value > float(most):
            word, role = "ABOVE THE MOST", "warn"
    top = 1.1 * float(most) if most else 1.5 * least
    rpm = state.number("engine_rpm")
    note = f"at {rpm:.0f} rpm it needs {least:.1f} V" if rpm else f"needs {least:.1f} V at the spec's rpm"
    return Dial(channel, value, decimals, word, role, 0.4 * least, top, ((least, high),), None, note)


def least_stator_volts(stator: Mapping[str, Any], rpm: float | None) -> float | None:
    """What the spec wants at this speed: its table between rows, else in proportion; at the spec's rpm if unknown."""
    rows = [(float(a), float(b)) for a, b in stator.get("table") or ()]
    if rows and rpm:
        return _between(rows, rpm)
    if not stator.get("min_volts_ac"):
        return None
    at = float(stator.get("at_rpm") or 0.0)
    return float(stator["min_volts_ac"]) * (rpm / at if rpm and at else 1.0)


def _between(rows: list[tuple[float, float]], rpm: float) -> float:
    """Linear between rows; beyond the ends in proportion to the last row."""
    if rpm <= rows[0][0]:
        return rows[0][1] * rpm / rows[0][0]
    for (rpm_a, volts_a), (rpm_b, volts_b) in pairwise(rows):
        if rpm <= rpm_b:
            return volts_a + (volts_b - volts_a) * (rpm - rpm_a) / (rpm_b - rpm_a)
    return rows[-1][1] * rpm / rows[-1][0]


def _rpm(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    band = state.limits("engine").get("full_throttle_rpm")
    if not band:
        return _plain(state, channel, value, decimals)
    low, high = map(float, band)
    word, role = _banded(value, low, high)
    if value is not None and value < 100:
        word, role = "NOT TURNING", "quiet"
    span = high - low
    return Dial(channel, value, decimals, word, role, low - 3 * span, high + 2 * span, ((low, high),))


def _maker(state: State, channel: str) -> Callable[[State, str, float | None, int], Dial]:
    """Who makes a channel's dial in this procedure."""
    if state.procedure in _LIMITS_LIVE and not (channel == "engine_rpm" and state.engine_runs):
        return _live_limits
    return _MAKERS.get(channel, _plain)


def _live_limits(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    """By the limits that the newest standing tells for this channel; a scale that holds them and what was read."""
    estimates = state.estimates()
    found = estimates.get(channel) or estimates.get(NAMED_OTHERWISE.get(channel, "")) or {}
    track = state.tracks.get(channel)
    read = [] if track is None else [end for _, low, high in track.points for end in (low, high)]
    return _between_limits(channel, value, decimals, found, read, judged=state.phase not in BEFORE)


def _estimated(state: State, name: str) -> Dial:
    """An estimate as a dial of its own."""
    found = state.estimates().get(name, {})
    value = float(found["value"]) if found else None
    made = _between_limits(name, value, 0, found, [0.0, 100.0], judged=True)
    if value is None:
        return Dial(name, None, 0, "NOT KNOWN YET", "quiet", made.low, made.high)
    return made


def _between_limits(
    channel: str, value: float | None, decimals: int, found: Mapping[str, Any], read: list[float], *, judged: bool
) -> Dial:
    """A dial with the band low..high of an estimate (either may be open). Not judged: no word, it is not measured yet."""
    low, high = (None if found.get(end) is None else float(found[end]) for end in ("low", "high"))
    ends = [*read, *(end for end in (low, high) if end is not None)] or [0.0, 1.0]
    margin = 0.08 * (max(ends) - min(ends) or abs(max(ends)) or 1.0)
    bottom, top = min(ends) - margin, max(ends) + margin
    bottom = max(bottom, 0.0) if min(ends) >= 0 else bottom
    if low is None and high is None:
        return Dial(channel, value, decimals, "", "", bottom, top)
    band = (-math.inf if low is None else low, math.inf if high is None else high)
    word, role = ("", "") if value is None or not judged else _word(value, low, high)
    return Dial(channel, value, decimals, word, role, bottom, top, (band,))


def _word(value: float, low: float | None, high: float | None) -> tuple[str, str]:
    if low is not None and high is not None:
        return _banded(value, low, high)
    if low is not None:
        return ("ENOUGH", "good") if value >= low else ("TOO LOW", "warn")
    assert high is not None
    return ("LOW ENOUGH", "good") if value <= high else ("TOO HIGH", "warn")


def _plain(state: State, channel: str, value: float | None, decimals: int) -> Dial:
    track = state.tracks.get(channel)
    points = [] if track is None else track.points
    low = min((low for _, low, _ in points), default=0.0)
    high = max((high for _, _, high in points), default=1.0)
    return Dial(channel, value, decimals, "", "", min(low, 0.0), high if high > low else low + 1.0)


def _banded(value: float | None, low: float, high: float) -> tuple[str, str]:
    if value is None:
        return "", ""
    if value < low:
        return "BELOW THE BAND", "warn"
    return ("IN THE BAND", "good") if value <= high else ("ABOVE THE BAND", "warn")


_MAKERS = {
    "battery_volts": _volts,
    "charge_amps": _amps,
    "stator_volts": _stator,
    "stator_volts_2": _stator,
    "stator_volts_3": _stator,
    "engine_rpm": _rpm,
}


def scale(shown: Dial, width: int, look: Look) -> Text:
    """The dial as one line: the band between its ends, the ceiling, the needle (an arrow at an end: off the scale)."""
    cells = [(look.mark("line"), "quiet")] * width

    def at(number: float) -> int:
        share = (max(min(number, shown.high), shown.low) - shown.low) / ((shown.high - shown.low) or 1.0)
        return min(max(round(share * (width - 1)), 0), width - 1)

    for low, high in shown.bands:
        for column in range(at(low), at(high) + 1):
            cells[column] = (look.mark("zone"), "band")
        if low >= shown.low:
            cells[at(low)] = (look.mark("open"), "band")
        if high <= shown.high:
            cells[at(high)] = (look.mark("shut"), "band")
    if shown.ceiling is not None:
        cells[at(shown.ceiling)] = (look.mark("ceiling"), "warn")
    if shown.value is not None:
        name = "under" if shown.value < shown.low else "over" if shown.value > shown.high else "needle"
        cells[at(shown.value)] = (look.mark(name), shown.role or "digits")
    return paint(look.text(""), ((char, look.style(role)) for char, role in cells))


def scale_numbers(shown: Dial, width: int, look: Look) -> Text:
    """The numbers of band and ceiling, each under its place on the scale; one that finds no room is left out."""
    line = [" "] * width
    span = (shown.high - shown.low) or 1.0
    wanted = [(end, f"{end:.4g}") for end in shown.limits]
    if shown.ceiling is not None:
        wanted.append((shown.ceiling, f"{shown.ceiling:g} max"))
    for number, text in wanted:
        middle = round((number - shown.low) / span * (width - 1))
        # The ceiling stands close above the band: its number begins at its mark, to leave the band's top its own.
        left = middle if number == shown.ceiling else middle - len(text) // 2
        start = min(max(left, 0), max(width - len(text), 0))
        if all(char == " " for char in line[max(start - 1, 0) : start + len(text) + 1]):
            line[start : start + len(text)] = text
    return look.text("".join(line)[:width], "quiet")
