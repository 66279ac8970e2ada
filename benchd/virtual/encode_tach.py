"""Lines that a tachometer and a pulse counter send."""

from __future__ import annotations


def rpm_line(rpm: float | None, digit: float = 1.0) -> bytes:
    """'03600 rpm', always five figures so that a lost character shows; dashes where it has no number."""
    if rpm is None:
        return b"-----\r\n"
    return f"{max(round(round(rpm / digit) * digit), 0):05d} rpm\r\n".encode("ascii")


class PulseCounter:
    """A running count of pulses with the counter's own milliseconds; `drift` is its crystal's, e.g. 50e-6."""

    def __init__(self, pulses_per_rev: float = 1.0, drift: float = 0.0, bits: int = 32) -> None:
        self.pulses_per_rev, self.drift, self.modulus = pulses_per_rev, drift, 2**bits
        self._pulses = 0.0
        self._last_s: float | None = None

    def line(self, t_s: float, rpm: float) -> bytes:
        """'count,time_ms' at `t_s` of bench time, the engine having turned at `rpm` since the last line."""
        if self._last_s is not None:
            self._pulses += max(rpm, 0.0) / 60 * self.pulses_per_rev * (t_s - self._last_s)
        self._last_s = t_s
        return f"{int(self._pulses) % self.modulus},{round(t_s * (1 + self.drift) * 1000)}\r\n".encode("ascii")
