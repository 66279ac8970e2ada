"""Whether somebody else speaks under our daemon's name: heard on the topic of its own retained state."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any

ALIVE_S = 90.0  # three refreshes without a word, and it counts as gone
_MOST_BYTES = 4096
_MOST = 16


class Twins:
    """Every daemon repeats its state, with a word of its own for the process. A retained state of another process is
    most often our own forerunner's; one that is said while we listen is a twin's.

    A last will of a forerunner that fires late overwrites our state on the broker: `answer_wanted` says so once. A new
    twin is answered once, so that it hears of us too; two of them never answer each other for ever.
    """

    def __init__(self, instance: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._instance, self._clock = instance, clock
        self._heard: dict[str, float] = {}
        self._answer = False

    def heard(self, payload: bytes | bytearray, *, retained: bool) -> None:
        """A message on the topic of our own state; anything may be in it."""
        if retained:
            return
        body = _parsed(payload)
        instance = str(body.get("instance", ""))[:64]
        if instance == self._instance:
            return
        if body.get("state") == "up" and instance:
            if instance not in self._heard:
                if len(self._heard) >= _MOST:
                    return
                self._answer = True
            self._heard[instance] = self._clock()
            return
        self._heard.pop(instance, None)
        self._answer = True  # what stands on the broker now is not our state

    def alive(self) -> bool:
        """Whether a twin was heard of lately."""
        over = self._clock() - ALIVE_S
        self._heard = {name: at for name, at in self._heard.items() if at > over}
        return bool(self._heard)

    def answer_wanted(self) -> bool:
        """Whether our state should be said again; asking answers it."""
        wanted, self._answer = self._answer, False
        return wanted


def _parsed(payload: bytes | bytearray) -> dict[str, Any]:
    if len(payload) > _MOST_BYTES:
        return {}
    try:
        found = json.loads(bytes(payload))
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
