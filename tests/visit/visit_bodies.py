"""A made-up visit and made-up knowledge for the screens: small, and shaped as benchd/visits/door.py says."""

from __future__ import annotations

from typing import Any


def item(id: str, kind: str, text: str, *outcomes: str, **more: Any) -> dict[str, Any]:
    made = {"id": id, "kind": kind, "text": text, "minutes": 2.0, "cost": 0.0, "run": "", "how": "", "caution": ""}
    made |= {"tools": "", "origin": "estimate", "right": 0.9}
    pairs = [one.split(":") for one in outcomes]
    return made | {"outcomes": [{"id": id, "text": words, "means": ""} for id, words in pairs]} | more


KNOWLEDGE: dict[str, Any] = {
    "questions": [
        item(
            "holds-charge", "question", "Does the battery hold its charge overnight?", "yes:it holds", "no:flat again"
        ),
        item("cranks", "question", "How does it crank?", "well:as ever", "slow:slowly", "not:not at all"),
    ],
    "looks": [
        item(
            "frozen", "look", "Battery case cold and bulged?", "no:no", "yes:frozen", caution="A frozen battery bursts."
        ),
        item("terminals", "look", "Battery terminals and cables", "tight:tight and clean", "loose:loose or corroded"),
        item("run-machine", "look", "Run the machine", "charges:charging light goes out", "not:it does not"),
    ],
    "tests": [
        item("charge", "test", "State of charge", "ok:charged", "low:discharged", run="charge", minutes=4.0),
        item("regulator", "test", "Regulator run", "pass:passes", "fail:fails", run="regulator", minutes=10.0),
    ],
    "repairs": [
        {"id": "new-battery", "title": "Replace the battery", "mends": [], "touches": ["battery"], "minutes": 15.0},
        {"id": "clean-terminals", "title": "Clean and tighten", "mends": [], "touches": ["wiring"], "minutes": 10.0},
    ],
    "causes": [],
    "sources": [],
}


def cause(id: str, title: str, probability: float, *reasons: tuple[str, float]) -> dict[str, Any]:
    told = [{"item": "x", "outcome": "y", "text": text, "factor": factor} for text, factor in reasons]
    return {
        "id": id, "title": title, "system": "wiring", "probability": probability, "prior": 0.1,
        "advice": "tighten it", "reasons": told,
    }  # fmt: skip


def step(item: str, kind: str, text: str, run: str = "", **more: Any) -> dict[str, Any]:
    branches = [
        {"outcome": "tight", "text": "tight and clean", "probability": 0.6, "then": "then the battery is next"},
        {"outcome": "loose", "text": "loose or corroded", "probability": 0.4, "then": "then tighten them"},
    ]
    made = {"item": item, "kind": kind, "text": text, "minutes": 2.0, "cost": 0.0, "why": "It costs least.", "run": run}
    return made | {"branches": branches, "how": "", "caution": ""} | more


def body(**more: Any) -> dict[str, Any]:
    plan = {
        "next": "check", "why": "", "advice": None, "expected_minutes": 14.0, "by": "minutes",
        "steps": [
            step("terminals", "look", "Battery terminals and cables", caution="Negative cable off first."),
            step("charge", "test", "State of charge", "charge"),
        ],
        "locked": {"regulator": "first the state of charge: a flat battery hides the answer"},
    }  # fmt: skip
    ranking = {
        "causes": [
            cause("joint-loose", "Loose or corroded terminal", 0.62, ("It cranks: slowly", 3.4), ("Grounds: good", 0.4)),
            cause("battery-sulphated", "Sulphated battery", 0.21),
        ],
        "sets": [], "nothing": 0.02, "elsewhere": "", "conflict": "",
    }  # fmt: skip
    made: dict[str, Any] = {
        "work_order": "1001", "state": "open", "machine": "Hollin T18 garden tractor", "unit": "T18-0042",
        "customer": "Piet Marlow", "complaint": "cranks slowly since last week", "opened": "2026-11-25T19:00:00.000+00:00",
        "opened_by": "Anna Weld", "closed": None, "closed_reason": "",
        "spec": {
            "machine": {"name": "Hollin T18 garden tractor", "manual": "section 6"},
            "engine": {"full_throttle_rpm": [3350, 3650]},
            "stator": {"min_volts_ac": 28.0, "at_rpm": 3600}, "regulator": {"rated_amps": 15.0},
            "wiring": {"breaker_amps": 20.0},
        },
        "spec_text": "", "answers": [], "findings": [], "notes": [], "repairs": [], "runs": [],
        "proof": {"proven": False, "missing": ["No regulator run was made."], "runs": []},
        "ranking": ranking, "plan": plan, "log": [{"at": "", "by": "", "what": "order", "line": "opened"}],
    }  # fmt: skip
    return made | more


def listed(number: str, unit: str, state: str = "open") -> dict[str, Any]:
    return {
        "work_order": number, "state": state, "machine": "Hollin T18 garden tractor", "unit": unit, "customer": "",
        "complaint": "starts once a week", "opened": "2026-11-24T08:00:00.000+00:00", "closed": None, "runs": 0,
    }  # fmt: skip
