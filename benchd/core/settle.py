"""Where will the battery's volts end? From volts, amps and charge delivered together, never from a flat stretch of volts.

The source side (regulator plus the wire to the battery) is a straight line: V = V_end - R * I. While the regulator
regulates, amps fall as charge goes in and the battery walks along that line; where amps reach nothing stands V_end.
While the alternator gives all it has, amps stand and volts rise: no line can be seen, and nothing is known of V_end
however flat the volts look (traps 1, 4, 5 of the trade).

Noise (hunting, ripple) moves along the *battery's* line and would bias a plain fit of volts on amps, so charge
delivered is the instrument: R = -cov(Q, V) / cov(Q, I). Two-stage least squares with one instrument; textbook
econometrics, no data of our own in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchd.core.series import effective_size
from benchd.core.track import Array

#: A drop of 0.1 +/- 0.15 V at rated amps is what a sound harness has (common practice, no source: 0.3 V is the
#: usual limit for the positive side of a 10-25 A small-engine harness).
USUAL_DROP_VOLTS = 0.10
USUAL_DROP_SD = 0.15
LEAST_POINTS = 8
KNEE_DOUBT = 0.5  # of the resistance itself: how far the soft knee may have raised it
WINDOWS_S = (15.0, 22.0, 32.0, 46.0, 66.0, 95.0, 136.0, 195.0, 280.0, 400.0, 570.0, 820.0, 1200.0, 2400.0, 4800.0)


@dataclass(frozen=True, slots=True)
class Trend:
    """Change of a quantity over a window, end minus start of the fitted line, with standard uncertainty."""

    change: float
    u: float

    def falls(self, least: float) -> bool:
        return self.change <= -max(least, 3.0 * self.u)

    def rises(self, least: float) -> bool:
        return self.change >= max(least, 3.0 * self.u)


@dataclass(frozen=True, slots=True)
class SourceLine:
    """The line seen in one window. Volts, ohms, amps; `u_` = standard uncertainty of the fit alone."""

    end_volts: float
    u_end_volts: float
    ohms: float
    u_ohms: float
    amps_now: float
    volts_now: float
    window_s: float
    points: int
    fall: Trend  # of amps over the window
    rise: Trend  # of volts over the window
    noise_volts: float


def trend(x: Array, y: Array, resolution: float) -> Trend:
    """Change of y over the span of x by least squares; u grows with correlated residuals and never falls below
    what half a digit hides."""
    n = len(x)
    xc = x - x.mean()
    sxx = float(xc @ xc)
    if n < 3 or sxx <= 0.0:
        return Trend(0.0, math.inf)
    yc = y - y.mean()
    slope = float(xc @ yc) / sxx
    residual = yc - slope * xc
    span = float(x[-1] - x[0])
    spread = float(residual @ residual) / (n - 2)
    inflation = n / effective_size(residual)
    u_scatter = math.sqrt(spread * inflation / sxx) * span
    return Trend(slope * span, math.hypot(u_scatter, _hidden(y, resolution)))


def _hidden(y: Array, resolution: float) -> float:
    """What the display can hide of a change over the window: a digit while it stands, less once it moves about."""
    moves = int(np.count_nonzero(np.abs(y[1:] - y[:-1]) > 0.5 * resolution)) if resolution > 0 else len(y)
    return 0.6 * resolution / math.sqrt(1.0 + moves)


def _amps_move(q: Array, i: Array) -> bool:
    """A quick look before the costly one: whether amps could have changed at all, taking every reading as independent."""
    qc, ic = q - q.mean(), i - i.mean()
    sqq, sii = float(qc @ qc), float(ic @ ic)
    if sqq <= 0.0 or sii <= 0.0:
        return False
    rho2 = float(qc @ ic) ** 2 / (sqq * sii)
    return rho2 * (len(q) - 2) > 2.0 * (1.0 - rho2)


def fit(q: Array, v: Array, i: Array, t: Array, resolution_v: float, resolution_a: float) -> SourceLine | None:
    """The source line of one window (equal-length arrays: coulombs or ampere-hours delivered, volts, amps, seconds).

    None where the amps did not change enough to see any line.
    """
    n = len(q)
    if n < LEAST_POINTS or not _amps_move(q, i):
        return None
    fall = trend(q, i, resolution_a)
    if abs(fall.change) < 1.5 * fall.u or fall.change == 0.0:
        return None
    rise = trend(q, v, resolution_v)
    qc, vc, ic = q - q.mean(), v - v.mean(), i - i.mean()
    sqi = float(qc @ ic)
    ohms = -float(qc @ vc) / sqi
    residual = vc + ohms * ic
    inflation = n / effective_size(residual)
    spread = float(residual @ residual) / (n - 2)
    u_scatter = math.sqrt(spread * inflation * float(qc @ qc)) / abs(sqi)
    u_ohms = math.hypot(u_scatter, _hidden(v, resolution_v) / abs(fall.change), abs(ohms) * fall.u / abs(fall.change))
    mean_i = float(i.mean())
    u_level = math.sqrt(spread * inflation / n)
    return SourceLine(
        end_volts=float(v.mean()) + ohms * mean_i,
        u_end_volts=math.hypot(u_level, mean_i * u_ohms),
        ohms=ohms,
        u_ohms=u_ohms,
        amps_now=float(i.mean() + fall.change / 2),
        volts_now=float(v.mean() + rise.change / 2),
        window_s=float(t[-1] - t[0]),
        points=n,
        fall=fall,
        rise=rise,
        noise_volts=math.sqrt(spread),
    )


def doubted(line: SourceLine) -> SourceLine:
    """The line of a window that may still hold the knee: its resistance is doubtful by half of itself."""
    u_ohms = math.hypot(line.u_ohms, KNEE_DOUBT * abs(line.ohms))
    mean_i = line.amps_now - line.fall.change / 2
    level = math.sqrt(max(line.u_end_volts**2 - (mean_i * line.u_ohms) ** 2, 0.0))
    return replace(line, u_ohms=u_ohms, u_end_volts=math.hypot(level, mean_i * u_ohms))


def with_usual_wiring(line: SourceLine, rated_amps: float) -> SourceLine:
    """The line with what is known of harnesses in general, unless the window contradicts it.

    Precision-weighted mean of two estimates of R (normal, independent); a bad joint contradicts and stands alone.
    """
    usual, sd = USUAL_DROP_VOLTS / rated_amps, USUAL_DROP_SD / rated_amps
    if abs(line.ohms - usual) > 2.5 * math.hypot(sd, line.u_ohms) or line.u_ohms <= 0.0:
        return line
    weight = line.u_ohms**-2 / (line.u_ohms**-2 + sd**-2)
    ohms = weight * line.ohms + (1 - weight) * usual
    u_ohms = (line.u_ohms**-2 + sd**-2) ** -0.5
    mean_i = line.amps_now - line.fall.change / 2
    mean_v = line.volts_now - line.rise.change / 2
    level = math.sqrt(max(line.u_end_volts**2 - (mean_i * line.u_ohms) ** 2, 0.0))
    u_end = math.hypot(level, mean_i * u_ohms)
    return replace(line, end_volts=mean_v + ohms * mean_i, u_end_volts=u_end, ohms=ohms, u_ohms=u_ohms)


def _straight(q: Array, v: Array, i: Array, line: SourceLine, resolution_v: float) -> bool:
    """Whether the window is one line: its ends do not bow away from its middle by more than noise explains."""
    residual = v - v.mean() + line.ohms * (i - i.mean())
    third = len(residual) // 3
    ends = (float(residual[:third].mean()) + float(residual[-third:].mean())) / 2
    bow = float(residual[third:-third].mean()) - ends
    inflation = len(residual) / effective_size(residual)
    u = math.hypot(line.noise_volts * math.sqrt(inflation * 4.5 / len(residual)), 0.3 * resolution_v)
    return abs(bow) < 3.0 * u + 0.002


def best_line(t: Array, q: Array, v: Array, i: Array, resolution_v: float, resolution_a: float) -> SourceLine | None:
    """The surest straight source line that ends now: windows grow backwards as long as they stay straight."""
    best: SourceLine | None = None
    for window_s in WINDOWS_S:
        start = int(np.searchsorted(t, t[-1] - window_s))
        if len(t) - start < LEAST_POINTS:
            continue
        part = slice(start, None)
        line = fit(q[part], v[part], i[part], t[part], resolution_v, resolution_a)
        if line is not None:
            if best is not None and not _straight(q[part], v[part], i[part], line, resolution_v):
                break
            if abs(line.ohms) < 2.0 and (best is None or line.u_end_volts < best.u_end_volts):
                best = line
        if start == 0:
            break
    return best
