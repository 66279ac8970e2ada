"""What was worked out, kept until what it was made from has changed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import RLock
from typing import Generic, TypeVar

T = TypeVar("T")


class Kept(Generic[T]):
    """At most `most` things by key, the one longest not asked for goes first. In any thread; one thing is made at a time."""

    def __init__(self, most: int) -> None:
        self._most, self._lock = most, RLock()
        self._held: OrderedDict[Hashable, tuple[Hashable, T]] = OrderedDict()

    def get(self, key: Hashable, stamp: Hashable, make: Callable[[], T]) -> T:
        """What is kept under `key` if it was made at this `stamp`, else made now."""
        with self._lock:
            held = self._held.get(key)
            if held is None or held[0] != stamp:
                held = (stamp, make())
            self._held[key] = held
            self._held.move_to_end(key)
            while len(self._held) > self._most:
                self._held.popitem(last=False)
            return held[1]
