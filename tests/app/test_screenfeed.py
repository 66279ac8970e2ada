"""A slow screen misses samples, never a prompt, and never holds up a run."""

from __future__ import annotations

from benchd.screenfeed import ScreenFeed


async def test_a_full_feed_drops_the_oldest_samples_and_keeps_the_rest() -> None:
    feed = ScreenFeed(bound=10)
    feed.put({"kind": "prompt", "id": "hook-up"})
    for n in range(100):
        feed.put({"kind": "sample", "n": n})
    feed.put({"kind": "verdict"})
    feed.end()
    got = [one async for one in feed]
    assert got[0]["kind"] == "prompt"
    assert got[-1]["kind"] == "verdict"
    assert [one["n"] for one in got[1:-1]] == list(range(92, 100))
    assert feed.skipped == 92


async def test_nothing_that_matters_is_dropped_even_past_the_bound() -> None:
    feed = ScreenFeed(bound=3)
    for n in range(8):
        feed.put({"kind": "flag", "n": n})
    feed.end()
    assert [one["n"] async for one in feed] == list(range(8))
    assert feed.skipped == 0


async def test_records_after_the_end_are_not_taken() -> None:
    feed = ScreenFeed()
    feed.end()
    feed.put({"kind": "prompt"})
    assert [one async for one in feed] == []
