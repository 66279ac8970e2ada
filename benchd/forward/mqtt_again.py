"""Which verdicts go out a second time, and which one stops to be tried."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

RESEND_S = 60.0
MOST_RECENT = 200
STUMBLES = 5  # connections in a row that end over the same verdict, before it is left behind in quarantine


class Recent:
    """Verdicts that the broker took lately. One that crashes loses what it took but had not passed on or written down
    yet, so after a lost connection they are sent again; a run's id tells a reader that it has it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._taken: deque[tuple[float, str, bytes]] = deque(maxlen=MOST_RECENT)

    def add(self, topic: str, payload: bytes) -> None:
        self._taken.append((self._clock(), topic, payload))

    def again(self) -> list[tuple[str, bytes]]:
        """What is to be sent again now, oldest first; each for RESEND_S after it was first taken."""
        over = self._clock() - RESEND_S
        while self._taken and self._taken[0][0] < over:
            self._taken.popleft()
        return [(topic, payload) for _, topic, payload in self._taken]


@dataclass
class Stumbles:
    """Counts how often in a row the connection ended while the same verdict was on its way. One that always ends it
    would hold up all others: Mosquitto 2.0 refuses what is too long with a reason that MQTT 5 does not allow there, and
    the library hangs up on that."""

    trying: tuple[int, int] | None = None  # row and seq of the verdict that is on its way
    over: tuple[int, int] | None = None
    times: int = 0

    def ended(self) -> None:
        """The other side ended the connection."""
        if self.trying is not None:
            self.times = self.times + 1 if self.over == self.trying else 1
            self.over = self.trying

    @property
    def enough(self) -> bool:
        """Whether the one that is tried now has had its chances."""
        return self.trying is not None and self.trying == self.over and self.times >= STUMBLES
