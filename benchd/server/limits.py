"""How much one client may ask: token buckets of bounded number."""

from __future__ import annotations

import ipaddress
import math
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

MOST_CLIENTS = 4096


@dataclass(slots=True)
class _Bucket:
    left: float
    at: float


class Buckets:
    """A bucket a client: `rate` a second, sustained, and `burst` at once. The clients not heard of for longest are
    forgotten first; a forgotten one begins with a full bucket."""

    def __init__(self, rate: float, burst: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._rate = rate
        self._burst = burst
        self._clock = clock
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def __len__(self) -> int:
        return len(self._buckets)

    def take(self, client: str) -> int:
        """0 if one more is within the limit, else after how many seconds to ask again."""
        now = self._clock()
        bucket = self._buckets.pop(client, None) or _Bucket(self._burst, now)
        bucket.left = min(self._burst, bucket.left + (now - bucket.at) * self._rate)
        bucket.at = now
        self._buckets[client] = bucket
        if len(self._buckets) > MOST_CLIENTS:
            self._buckets.popitem(last=False)
        if bucket.left >= 1:
            bucket.left -= 1
            return 0
        return max(1, math.ceil((1 - bucket.left) / self._rate))


def client_key(host: str | None) -> str:
    """One client: an IPv4 address, or the /64 that one site has of IPv6."""
    try:
        address = ipaddress.ip_address((host or "").partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)
