"""How numbers, rules and heads of a lot stand on its papers and on a terminal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper.sheet import Block, items, table, text
from benchd_dashboards.paper.words import clipped, moment, number, one_line, places_of, plain, sentence

Data = Mapping[str, Any]

OUTCOMES = {"pass": "pass", "fail": "FAIL", "undecided": "UNDECIDED", "void": "VOID", "skipped": "not measured"}
NONE = "-"  # in a cell: there is none, or it cannot be known; a sentence beside the table says why

_RULES = {
    "guarded acceptance": (
        "Guarded acceptance (decision rule by ISO 14253-1 and ILAC-G8:09/2019, with a guard band): a characteristic passes only where its "
        "value lies within the limits and the probability that it does not conform is at most {risk}. Inside the limits but not surely so "
        "is undecided, and does not pass; outside them fails."
    ),
    "guarded rejection": (
        "Guarded rejection (ILAC-G8:09/2019): a characteristic fails only where its value lies outside the limits and the probability that "
        "it conforms is at most {risk}. Outside but not surely so is undecided."
    ),
    "simple acceptance": (
        "Simple acceptance that says when it is too close to call (ILAC-G8:09/2019): pass or fail only where the probability of being "
        "wrong is at most {risk}, undecided between."
    ),
}  # fmt: skip


def rule_words(rule: object, risk: object) -> str:
    """A decision rule with its standard and the risk that it accepts."""
    name, share = one_line(rule), number(risk)
    said = "a risk that is not on record" if share is None else f"{100 * share:g} %"
    return _RULES[name].format(risk=said) if name in _RULES else f"{name}, accepted risk {said}"


def share_words(share: float | None) -> str:
    """A share or a probability as per cent: never rounded to 0 or to 100 where it is neither."""
    if share is None:
        return NONE
    for places in (1, 2, 3, 4):
        said = f"{100 * share:.{places}f}"
        if float(said) not in (0.0, 100.0) or share in (0.0, 1.0):
            return f"{said.rstrip('0').rstrip('.') if places > 1 or share in (0.0, 1.0) else said} %"
    return "under 0.0001 %" if share < 0.5 else "over 99.9999 %"


def risk_words(risk: object) -> str:
    """A risk as per cent: no risk is none at all."""
    found = number(risk)
    return NONE if found is None else share_words(max(found, 1e-12))


def confidence_words(confidence: object) -> str:
    """'95 %'."""
    return f"{100 * (number(confidence) or 0.95):g} %"


def yield_words(one: Data) -> str:
    """'53 of 60; 95 % interval 77.4 % to 95.2 %'."""
    if one.get("part") is None:
        return "no unit was judged"
    confidence = confidence_words(one.get("confidence"))
    return (
        f"{one['count']} of {one['of']}; {confidence} interval {share_words(one['low'])} to {share_words(one['high'])}"
    )


def unit_places(one: Data) -> int | None:
    """Decimals in which a characteristic's values stand: two digits of the smaller of spread and uncertainty."""
    known = [place for place in (places_of(one.get("u")), places_of(one.get("sd"))) if place is not None]
    return max(known) if known else None


def fixed(value: object, places: int | None) -> str:
    found = number(value)
    if found is None:
        return NONE
    return f"{found:.5g}" if places is None else f"{found:.{places}f}"


def digits(value: object, count: int = 3) -> str:
    """A spread with so many digits that count, without a power of ten where it can be helped."""
    found = number(value)
    if found is None:
        return NONE
    if found == 0.0:
        return "0"
    places = max(0, count - 1 - math.floor(math.log10(abs(found))))
    return f"{found:.{places}f}" if 1e-5 <= abs(found) < 1e7 else f"{found:.{count}g}"


def index_words(one: Data | None, apart: str = " ") -> str:
    """'1.13 (0.91 to 1.35)'."""
    if not one or number(one.get("value")) is None:
        return NONE
    low, high = number(one.get("low")), number(one.get("high"))
    return f"{one['value']:.2f}" + ("" if low is None or high is None else f"{apart}({low:.2f} to {high:.2f})")


def limits_words(one: Data, unit: str = "") -> str:
    """'14 to 14.6 V', '2 mA at most'."""
    low, high = number(one.get("low")), number(one.get("high"))
    if low is None and high is None:
        return "no limits"
    if low is not None and high is not None:
        return f"{plain(low)} to {plain(high)} {unit}".rstrip()
    bound = f"{plain(low if low is not None else high or 0.0)} {unit}".rstrip()
    return f"{bound} at {'least' if low is not None else 'most'}"


def part_words(lot: Data, part: Data | None = None) -> str:
    """'Vantry VR-20 (VR-20)', by the report or by the part's file."""
    of_file = (lot.get("spec") or {}).get("part") or {}
    name = one_line((part or {}).get("name") or of_file.get("name"))
    code = one_line((part or {}).get("number") or lot.get("part"))
    return f"{name} ({code})" if name and code and name != code else name or code


def told(text: object) -> str:
    """A sentence that begins with a capital."""
    said = sentence(text)
    return said[:1].upper() + said[1:]


def by_words(at: object, by: object) -> str:
    """'2026-11-26 01:59 UTC by Ines Calder'."""
    said = moment(at) if at else ""
    return f"{said} by {one_line(by)}" if said and by else said or one_line(by)


_LIBRARIES = ("numpy", "scipy")


def program_words(found: object) -> str:
    """'benchd 0.1.0 (Python 3.11.7, numpy 2.4.6, scipy 1.17.1)' of versions; a text as it is."""
    if not isinstance(found, Mapping):
        return one_line(found)
    more = [f"Python {found['python']}"] if found.get("python") else []
    more += [f"{name} {found[name]}" for name in _LIBRARIES if found.get(name)]
    return one_line(f"benchd {found.get('benchd', '')}" + (f" ({', '.join(more)})" if more else ""))


def short_program(found: object) -> str:
    return one_line(f"benchd {found.get('benchd', '')}" if isinstance(found, Mapping) else found)


def frame(data: Data, title: str, what: str, strip: Data | None = None) -> dict[str, Any]:
    """The sheet around the blocks. `what` stands on every page, as do the program and the journal's digest."""
    digest = f", journal {one_line(data['digest'])[:12]}" if data.get("digest") else ""
    return {
        "title": clipped(title, 60),
        "over": clipped(what, 90),
        "shop": clipped(data.get("shop"), 40),
        "strip": strip,
        "foot": clipped(f"{what}, made {moment(data.get('made'))}, {short_program(data.get('program'))}{digest}", 118),
        "printed": data.get("made"),
    }


def open_strip(lot: Data) -> dict[str, str] | None:
    if lot.get("state") != "open":
        return None
    return {"word": "OPEN", "text": f"{one_line(lot['lot'])} is not closed: what stands here may still change."}


def gate_blocks(gates: object, when: str = "when this was made") -> Iterator[Block]:
    """Check standards and calibration dates of the benches, as they stood `when`."""
    found = list(gates) if isinstance(gates, list | tuple) else []
    yield text(
        "A unit of a lot is judged only on a bench whose check standards are in control and fresh and whose instruments are within their "
        "calibration when the test begins; elsewhere the test is refused."
    )
    if not found:
        yield text(
            "How they stood at each test is in the journal: with the measurements of the check standards, and, for instruments and their "
            "calibration dates, on the certificate of each unit."
        )
        return
    yield text(f"As the benches stood {when}:", "small")
    rows = [(one["bench"], "yes" if one["fit"] else "NO", _standards(one), _instruments(one)) for one in found]
    yield table(
        ("bench", "fit for lots", "check standards", "instruments, calibration due"), rows, (1.2, 0.9, 4.2, 3.2)
    )
    reasons = [reason for one in found for reason in one.get("reasons") or ()]
    if reasons:
        yield items(reasons)


def _standards(gate: Data) -> str:
    rows = []
    for one in gate.get("standards") or ():
        last = f"last measured {moment(one['last'])}" if one.get("last") else "never measured here"
        rows.append(f"{one_line(one['standard'])}: {'in control' if one['in_control'] else 'NOT in control'}, {last}")
    return "\n".join(rows) or "none is kept"


def _instruments(gate: Data) -> str:
    rows = [
        f"{one_line(one['name'])}: {one_line(one['calibration_due']) or 'not known'}{', OVERDUE' if one['overdue'] else ''}"
        for one in gate.get("instruments") or ()
    ]
    return "\n".join(rows) or "not known here"


def notes_of(lot: Data) -> list[str]:
    """Notes that were written on a lot."""
    return [
        f"{moment(one.get('at'))}{', ' + one_line(one['by']) if one.get('by') else ''}: {one_line(one.get('text'))}"
        for one in lot.get("notes") or ()
    ]


def counts_words(counts: Data, planned: object) -> str:
    """'60 of 60 units; 63 tests, 3 of them retests of 3 units, 1 void'."""
    of = f" of {planned} planned" if planned else ""
    said = [f"{counts['units']} {'unit' if counts['units'] == 1 else 'units'}{of} judged", f"{counts['tests']} tests"]
    if counts.get("retests"):
        said.append(f"{counts['retests']} of them retests of {counts['retested']} units")
    said += [f"{counts[key]} {word}" for key, word in (("void", "void"), ("open", "not ended")) if counts.get(key)]
    return ", ".join(said)


_ASCII = {
    "±": "+/-",
    "°": " deg ",
    "–": "-",
    "—": "-",
    "·": ".",
    "µ": "u",
    "Ω": "ohm",
    "…": "...",
    "≤": "<=",
    "≥": ">=",
}


def ascii_line(line: str) -> str:
    """For a terminal that shows no more: what has no stand-in is a question mark."""
    return "".join(letter if letter.isascii() else _ASCII.get(letter, "?") for letter in line)
