"""What a visit's answers, findings and runs say as evidence for the causes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import zip_longest
from typing import Any

from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.visit import Mended, Observed, Visit

NOTHING = ("", "")
ANY = "*"  # in a pattern: whatever stands there


def meaning(knowledge: Knowledge, run: Mapping[str, Any]) -> tuple[str, str]:
    """(item, outcome) that a run answers, ('', '') if it says nothing.

    `run` has procedure, status, verdict, suspect and finding. Of the patterns that fit ('verdict', 'verdict/suspect',
    'verdict/suspect/finding') the one that says most counts.
    """
    if run["status"] != "judged" or not run["verdict"]:
        return NOTHING
    said = (str(run["verdict"]), str(run["suspect"] or ""), str(run["finding"] or ""))
    best, found = (0, 0), NOTHING
    for item in knowledge.items.values():
        if item.run != run["procedure"]:
            continue
        for outcome in item.outcomes:
            for pattern in outcome.from_run:
                if (words := _fits(pattern, said)) > best:
                    best, found = words, (item.id, outcome.id)
    return found


def _fits(pattern: str, said: tuple[str, str, str]) -> tuple[int, int]:
    """How much a pattern that fits says: (how far it goes, how many words of it are not 'any'); (0, 0) if it does not."""
    parts = pattern.split("/", 2)
    if not all(part in (ANY, word) for part, word in zip(parts, said, strict=False)):
        return 0, 0
    return len(parts), sum(part != ANY for part in parts)


def evidence_of(knowledge: Knowledge, visit: Visit) -> list[Observed | Mended]:
    """All that counts, in order. `visit.runs` have `item` and `outcome`, as `meaning` says; '' says nothing.

    Of one item the newest counts between two repairs, of a question the newest of all: answers tell of the time before
    the visit. What was skipped or taken back is not there at all.
    """
    asked: dict[str, Observed | None] = {}
    spans: list[dict[str, Observed]] = [{}]  # what was seen before, between and after the repairs
    repairs: list[Mended] = []
    for one in sorted([*_observed(visit), *_mended(visit)], key=lambda one: one[0]):
        _, item, what = one
        if isinstance(what, Mended):
            repairs.append(what)
            spans.append({})
        elif _is_question(knowledge.items.get(item)):
            asked[item] = what
        elif what is None:  # taken back: the newest of it, though something was repaired since
            next((span for span in reversed(spans) if item in span), {}).pop(item, None)
        else:
            spans[-1][item] = what
    found: list[Observed | Mended] = [one for one in asked.values() if one is not None]
    for span, mended in zip_longest(spans, repairs):
        found += [*span.values(), *([] if mended is None else [mended])]
    return found


_At = tuple[tuple[int, int], str, Observed | Mended | None]


def _observed(visit: Visit) -> Iterator[_At]:
    for records, key in ((visit.answers, "question"), (visit.findings, "check")):
        for one in records:
            at, item = (int(one["after_run_no"]), int(one["seq"])), str(one[key])
            yield at, item, None if one.get("outcome") is None else Observed(at, item, str(one["outcome"]))
    for run in visit.runs:
        if run.get("item"):
            at = (int(run["run_no"]), 0)
            yield at, str(run["item"]), Observed(at, str(run["item"]), str(run["outcome"]), str(run["run"]))


def _mended(visit: Visit) -> Iterator[_At]:
    for one in visit.repairs:
        at = (int(one["after_run_no"]), int(one["seq"]))
        yield at, "", Mended(at, tuple(one["mends"]), tuple(one["touches"]), str(one["repair"]))


def _is_question(item: Item | None) -> bool:
    return item is not None and item.kind == "question"


#: A test that said nothing so often since the last repair is not proposed again; what proves the machine always is.
IN_VAIN = 2
_PROVING = ("regulator", "stator")


def passed_over(knowledge: Knowledge, visit: Visit) -> frozenset[str]:
    """Items that are not to be proposed again: questions and looks that were skipped, tests that were run in vain. What
    others wait for (is it frozen?) is proposed until it is answered: else they would wait for ever."""
    newest: dict[str, object] = {}
    for records, key in ((visit.answers, "question"), (visit.findings, "check")):
        newest |= {str(one[key]): one.get("outcome") for one in records}
    needs = [*(one.needs for one in knowledge.items.values()), *(one.needs for one in knowledge.repairs.values())]
    needed = {need for of_one in needs for need in of_one}
    skipped = {id for id, outcome in newest.items() if outcome is None} - needed
    since = max((int(one["after_run_no"]) for one in visit.repairs), default=0)
    runs = [run for run in visit.runs if int(run["run_no"]) > since and run["status"] is not None]
    for item in knowledge.items.values():
        if item.run and item.id not in _PROVING:
            mine = [run for run in runs if run["procedure"] == item.run and not run.get("foreign")][-IN_VAIN:]
            if len(mine) == IN_VAIN and not any(run.get("item") for run in mine):
                skipped.add(item.id)
    return frozenset(skipped)
