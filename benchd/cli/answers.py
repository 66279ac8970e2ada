"""`--answer ID=TEXT`: answers that are known before the run, given when their prompt comes."""

from __future__ import annotations

from collections import deque
from collections.abc import AsyncIterator, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.runner import Operator, Show


class Prepared:
    """Answers by prompt id. One given several times answers the prompt as often as it comes, in that order: what was
    refused is not said again."""

    def __init__(self, texts: Iterable[str]) -> None:
        self._waiting: dict[str, deque[str]] = {}
        for text in texts:
            id, sign, answer = text.partition("=")
            if not sign or not id.strip():
                raise UsageError(f"--answer {text}: expected ID=TEXT, such as --answer battery-celsius=12")
            self._waiting.setdefault(id.strip(), deque()).append(answer.strip())

    def take(self, prompt: Mapping[str, Any]) -> str | None:
        """The next answer to this prompt, if there is one."""
        waiting = self._waiting.get(str(prompt["id"]))
        return waiting.popleft() if waiting else None

    @property
    def left(self) -> list[str]:
        """The ids that were not asked for so often."""
        return [id for id, waiting in self._waiting.items() if waiting]

    def show(self, show: Show) -> Show:
        """The same screen, with somebody beside it who gives the answers."""
        if not self._waiting:
            return show

        async def both(records: AsyncIterator[dict[str, Any]], operator: Operator | None) -> None:
            await show(_Answering(records, operator, self), operator)

        return both


class _Answering(AsyncIterator[dict[str, Any]]):
    """No generator: a screen that breaks must not end it for the next one."""

    def __init__(self, records: AsyncIterator[dict[str, Any]], operator: Operator | None, prepared: Prepared) -> None:
        self._records, self._operator, self._prepared = records, operator, prepared

    async def __anext__(self) -> dict[str, Any]:
        record = await anext(self._records)
        if record.get("kind") == "prompt" and self._operator is not None:
            answer = self._prepared.take(record)
            if answer is not None:
                self._operator("answer", str(record["id"]), answer)
        return record
