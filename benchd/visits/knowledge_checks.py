"""What the parts of a causes file must be to one another: ids that exist, rows that add up to 1, needs without a circle.

Works on the parsed files as they lie over one another, not on the checked ones, so that mistakes of both kinds are told
together.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from benchd.config_checks import Complaint, Raw, merged
from benchd.config_keys import complaints, shown
from benchd.core.procedures import SHOP_NAMES
from benchd.core.verdicts import Outcome, Suspect
from benchd.registry import nearest
from benchd.toml_lines import Path
from benchd.visits.knowledge_keys import CausesFile

#: How far a row's sum may be from 1.
TOLERANCE = 1e-6

ANY = "*"  # in a pattern: whatever stands there
MOST_NAMED = 12  # ids that a complaint lists

_TABLES = ("questions", "looks", "tests")
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def causes_complaints(data: Mapping[str, Any]) -> list[Complaint]:
    """Everything that is wrong with parsed causes files."""
    return merged(complaints(CausesFile, data), _causes(Raw(data)))


def _causes(raw: Raw) -> Iterator[Complaint]:
    causes = raw.tables("causes")
    items = {(table, id): keys for table in _TABLES for id, keys in raw.tables(table).items()}
    yield from _visits(raw)
    yield from _ids(raw, items)
    for (table, id), keys in items.items():
        where: Path = (table, id)
        yield from _outcomes(where, keys)
        yield from _rows(where, keys, causes)
        yield from _needs(where, keys, items)
        yield from _run(where, keys, items)
    yield from _circles(items)
    yield from _together(raw, causes)
    yield from _repairs(raw, causes)
    for id, keys in raw.tables("repairs").items():
        yield from _needs(("repairs", id), keys, items)


def _visits(raw: Raw) -> Iterator[Complaint]:
    nothing, two = raw.number("visits", "nothing"), raw.number("visits", "two")
    if nothing is not None and two is not None and nothing + two >= 1:
        yield ("visits", "two"), f"found {two:g}, expected less than 1 - nothing, {1 - nothing:g}"


def _ids(raw: Raw, items: Mapping[tuple[str, str], Any]) -> Iterator[Complaint]:
    for table in ("causes", *_TABLES, "repairs"):
        for id in raw.tables(table):
            if not _ID.fullmatch(id):
                yield (table, id), f"found the id {id!r}, expected small letters, digits and dashes"
    for table, id in items:
        others = [other for other, name in items if name == id and other != table]
        if others:
            yield (table, id), f"found the id {id!r}, which is in {' and '.join(others)} too; expected it once"


def _outcomes(where: Path, keys: Mapping[str, Any]) -> Iterator[Complaint]:
    seen: set[str] = set()
    for place, id in enumerate(_outcome_ids(keys)):
        if id in seen:
            yield (*where, "outcomes", place, "id"), f"found {id!r} again, expected every outcome once"
        seen.add(id)


def _outcome_ids(keys: Mapping[str, Any]) -> list[str]:
    found = keys.get("outcomes")
    return [str(one.get("id")) for one in found if isinstance(one, Mapping)] if isinstance(found, list) else []


# --- rows ---------------------------------------------------------------------------------------------------------------


def _rows(where: Path, keys: Mapping[str, Any], causes: Collection[str]) -> Iterator[Complaint]:
    outcomes = _outcome_ids(keys)
    if not outcomes:
        return
    yield from _row((*where, "background"), keys.get("background"), outcomes)
    given = keys.get("given")
    for cause, row in given.items() if isinstance(given, Mapping) else ():
        if cause not in causes:
            yield (*where, "given", cause), _unknown("cause", cause, causes)
        yield from _row((*where, "given", cause), row, outcomes)


def _row(where: Path, row: Any, outcomes: Sequence[str]) -> Iterator[Complaint]:
    if not isinstance(row, list) or not all(isinstance(one, int | float) for one in row):
        return
    if len(row) != len(outcomes):
        said = f"found {len(row)} numbers, expected {len(outcomes)}, one for each outcome: {', '.join(outcomes)}"
        yield where, said
    elif abs(sum(row) - 1) > TOLERANCE:
        yield where, f"found {shown(row)}, which add up to {sum(row):.9g}, expected 1"
    elif row[0] == 0:
        # Else a cause beside it could make all that is seen impossible.
        yield where, f"found 0 for {outcomes[0]!r}, expected some small probability that nothing is to be seen"


# --- needs and runs -------------------------------------------------------------------------------------------------------


def _needs(
    where: Path, keys: Mapping[str, Any], items: Mapping[tuple[str, str], Mapping[str, Any]]
) -> Iterator[Complaint]:
    known = {id: keys for (_, id), keys in items.items()}
    for place, id in enumerate(_list(keys.get("needs"))):
        if id not in known:
            yield (*where, "needs", place), _unknown("question, look or test", id, known)
    for key in ("needs_outcome", "never_after"):
        asked = keys.get(key)
        for id, outcomes in asked.items() if isinstance(asked, Mapping) else ():
            if id not in known:
                yield (*where, key, id), _unknown("question, look or test", id, known)
                continue
            there_are = _outcome_ids(known[id])
            for place, outcome in enumerate(_list(outcomes)):
                if outcome not in there_are:
                    yield (*where, key, id, place), _unknown(f"outcome of {id}", outcome, there_are)


def _run(
    where: Path, keys: Mapping[str, Any], items: Mapping[tuple[str, str], Mapping[str, Any]]
) -> Iterator[Complaint]:
    run = keys.get("run")
    if isinstance(run, str) and run:
        if run not in SHOP_NAMES:
            yield (*where, "run"), _unknown("procedure", run, SHOP_NAMES)
        for (table, id), other in items.items():
            if other.get("run") == run and (table, id) < where:
                yield (*where, "run"), f"found {run!r}, which answers {table}.{id} already; expected one item for a run"
    seen: dict[str, Path] = {}
    outcomes = keys.get("outcomes")
    for place, outcome in enumerate(outcomes if isinstance(outcomes, list) else ()):
        patterns = outcome.get("from_run") if isinstance(outcome, Mapping) else None
        for at, pattern in enumerate(_list(patterns)):
            here: Path = (*where, "outcomes", place, "from_run", at)
            if not run:
                yield here, f"found {pattern!r}, but no run answers this; expected the key run as well"
            if pattern in seen:
                yield here, f"found {pattern!r} again, expected it with one outcome only"
            seen[pattern] = here
            yield from _pattern(here, pattern)


def _pattern(where: Path, pattern: str) -> Iterator[Complaint]:
    verdict, suspect, finding = (*pattern.split("/", 2), None, None)[:3]
    verdicts, suspects = [str(one) for one in Outcome], [str(one) for one in Suspect]
    if verdict not in (ANY, *verdicts):
        yield where, f"found {pattern!r}: {_unknown('verdict', str(verdict), verdicts)}"
    if suspect not in (None, ANY, *suspects):
        yield where, f"found {pattern!r}: {_unknown('suspect', str(suspect), suspects)}"
    if finding == "":
        yield where, f"found {pattern!r}, expected a finding behind the last stroke"


def _circles(items: Mapping[tuple[str, str], Mapping[str, Any]]) -> Iterator[Complaint]:
    """Every item that needs itself in the end, once a circle."""
    needs = {id: [*_list(keys.get("needs")), *_keys(keys.get("needs_outcome"))] for (_, id), keys in items.items()}
    told: set[str] = set()
    for table, id in items:
        if id not in told and (circle := _circle(needs, id)):
            told.update(circle)
            yield (table, id, "needs"), f"found a circle, expected none: {' needs '.join([*circle, circle[0]])}"


def _circle(needs: Mapping[str, Sequence[str]], start: str) -> list[str]:
    """The way from an item back to itself; empty if there is none."""
    ways = [[start]]
    seen: set[str] = set()
    while ways:
        way = ways.pop()
        for one in needs.get(way[-1], ()):
            if one == start:
                return way
            if one not in seen:
                seen.add(one)
                ways.append([*way, one])
    return []


# --- pairs and repairs ----------------------------------------------------------------------------------------------------


def _together(raw: Raw, causes: Collection[str]) -> Iterator[Complaint]:
    entries = raw.at("together")
    seen: set[frozenset[str]] = set()
    for place, entry in enumerate(entries if isinstance(entries, list) else ()):
        if not isinstance(entry, Mapping):
            continue
        where: Path = ("together", place)
        pair, many = entry.get("causes"), entry.get("one_of")
        if (pair is None) == (many is None):
            yield where, "found neither or both of causes and one_of, expected two causes with times, or one_of"
        elif pair is not None and entry.get("times") is None:
            yield (*where, "times"), "found nothing, expected how many times as often as by chance, a number from 0 up"
        key = "causes" if many is None else "one_of"
        ids = _list(entry.get(key))
        for at, id in enumerate(ids):
            if id not in causes:
                yield (*where, key, at), _unknown("cause", id, causes)
        if len(set(ids)) < len(ids):
            yield (*where, key), f"found {shown(ids)}, expected every cause once"
        elif key == "causes" and frozenset(ids) in seen:
            yield (*where, key), f"found {shown(ids)} again, expected every pair once"
        seen.add(frozenset(ids))


def _repairs(raw: Raw, causes: Collection[str]) -> Iterator[Complaint]:
    mended: set[str] = set()
    for id, keys in raw.tables("repairs").items():
        for place, cause in enumerate(_list(keys.get("mends"))):
            mended.add(cause)
            if cause not in causes:
                yield ("repairs", id, "mends", place), _unknown("cause", cause, causes)
    for cause in causes:
        if cause not in mended:
            yield ("causes", cause), "found no repair that mends it, expected one in [repairs.ID]"


def _unknown(what: str, id: str, known: Collection[str]) -> str:
    expected = ", ".join(known) if len(known) <= MOST_NAMED else f"the {len(known)} that there are"
    return f"found the unknown {what} {id!r}{nearest(id, known)}, expected one of {expected}"


def _list(value: Any) -> list[str]:
    return [one for one in value if isinstance(one, str)] if isinstance(value, list) else []


def _keys(value: Any) -> list[str]:
    return list(value) if isinstance(value, Mapping) else []
