"""Readers of the journal are woken when it grows, from its writer's thread, and never wait for what has been."""

from __future__ import annotations

import asyncio
import threading

from benchd.daemon.news import LOOK_S, News


class Looks:
    """What the journal says of runs of other processes."""

    def __init__(self, *answers: tuple[bool, bool]) -> None:
        self.answers = list(answers)

    def __call__(self, run: str, seq: int) -> tuple[bool, bool]:
        return self.answers.pop(0)


def commit(news: News, row: int, **last_seq: int) -> None:
    thread = threading.Thread(target=news.committed, args=(row, last_seq))
    thread.start()
    thread.join()


async def test_rows_are_waited_for_and_old_ones_are_not() -> None:
    news = News(7, Looks())
    assert await news.after(5) == 7
    waiting = asyncio.create_task(news.after(7))
    await asyncio.sleep(0)
    assert not waiting.done()
    commit(news, 9)
    assert await asyncio.wait_for(waiting, 1) == 9
    assert await news.after(9, 0.01) == 9


async def test_a_watcher_of_a_run_is_woken_by_that_run_alone() -> None:
    news = News(0, Looks())
    news.run_opened("a")
    news.run_opened("b")
    waiting = asyncio.create_task(news.run_after("a", 1))
    await asyncio.sleep(0)
    commit(news, 1, b=5)
    await asyncio.sleep(0.01)
    assert not waiting.done()
    commit(news, 2, a=3)
    assert await asyncio.wait_for(waiting, 1) is True


async def test_the_end_of_a_run_is_told_once_all_of_it_is_read() -> None:
    news = News(0, Looks((False, False), (False, False)))
    news.run_opened("a")
    commit(news, 1, a=4)
    news_of_end = asyncio.create_task(news.run_after("a", 9))
    await asyncio.sleep(0.01)
    news.run_closed("a")
    assert await asyncio.wait_for(news_of_end, 1) is False
    assert await news.run_after("a", 3) is True, "record 4 is still to be read"
    assert await news.run_after("a", 4) is False


async def test_a_run_that_could_not_be_closed_is_asked_for_at_its_pace_not_round_and_round() -> None:
    """A full disk: the run has ended here, and the journal still has it open. A watcher would spin."""
    news = News(0, Looks((False, True), (False, True), (True, False), (False, False)))
    news.run_opened("a")
    commit(news, 1, a=4)
    await asyncio.sleep(0)
    news.run_closed("a")
    loop = asyncio.get_running_loop()
    before = loop.time()
    assert await news.run_after("a", 4, 2.0) is True, "its end is still to come"
    assert await news.run_after("a", 4, 2.0) is True
    assert loop.time() - before > 1.9 * LOOK_S
    assert await news.run_after("a", 4, 2.0) is True, "closed by now, and that is to be read"
    assert await news.run_after("a", 5, 2.0) is False


async def test_a_commit_told_after_the_end_is_not_missed() -> None:
    """The run's close may be noted before the loop has heard of its last commit."""
    news = News(0, Looks((True, False)))
    news.run_opened("a")
    news.run_closed("a")
    assert await news.run_after("a", 3) is True


async def test_a_run_of_another_process_is_looked_for() -> None:
    news = News(0, Looks((False, True), (True, True), (True, False), (False, False)))
    assert await news.run_after("other", 1, 0.01) is True
    assert await news.run_after("other", 1) is True
    assert await news.run_after("other", 2) is True, "closed, and not all read"
    assert await news.run_after("other", 3) is False


async def test_who_gives_up_waiting_leaves_nothing_behind() -> None:
    news = News(0, Looks())
    news.run_opened("a")
    for _ in range(3):
        assert await news.run_after("a", 1, 0.001) is True
    waiting = asyncio.create_task(news.after(0))
    await asyncio.sleep(0)
    waiting.cancel()
    await asyncio.gather(waiting, return_exceptions=True)
    assert not news._any
    assert not news._of_run["a"]
