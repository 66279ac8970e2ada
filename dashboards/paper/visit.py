"""The paper of one visit: a page for the customer, then the technical part with every run.

    {"visit": the visit body of benchd/visits/door.py, "shop", "printed" (ISO 8601), "program",
     "runs": {run id: {"opened": {started, bench, rule, versions, warnings, asked_by}, "closed": {status, reason},
              "verdict": the contract object or {}, "instruments": [...], "answers": [{"text", "answer"}],
              "marks": [{"t_s", "text"}], "curve": {channel: [[t_s, least, most], ...]}, "digest", "records"}}}

Whatever is missing is left out; nothing is made up for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd_dashboards.paper import customer, technical
from benchd_dashboards.paper.customer import STRIP_ROOM
from benchd_dashboards.paper.sheet import Block, new_page
from benchd_dashboards.paper.words import clipped, joined, moment, one_line

Data = Mapping[str, Any]


def sheet(data: Data) -> dict[str, Any]:
    body = data["visit"]
    order, machine = one_line(body.get("work_order")), one_line(body.get("machine"))
    unit = f", serial {one_line(body['unit'])}" if body.get("unit") else ""
    blocks: list[Block] = [*customer.page(data), new_page(), *technical.part(data)]
    return {
        "title": clipped(machine or f"Order {order}", 42),
        "over": clipped(f"Work order {order}" + (f" · {machine}{unit}" if machine or unit else ""), 90),
        "shop": clipped(data.get("shop"), 40),
        "strip": strip(body),
        "foot": clipped(
            f"Work order {order}, printed {moment(data.get('printed'))} by {one_line(data.get('program'))}", 95
        ),
        "printed": data.get("printed"),
        "blocks": blocks,
    }


def strip(body: Data) -> dict[str, str] | None:
    """What every page must say: that the machine is not proven fixed, and why. Nothing where it is."""
    state, missing = body.get("state"), (body.get("proof") or {}).get("missing") or []
    if state == "proven":
        return None
    if state == "open":
        still = joined(missing, "and") or "The proof is complete; the order is not closed yet."
        return {
            "word": "OPEN, NOT PROVEN" if missing else "OPEN",
            "text": "The work is not finished. " + clipped(still, STRIP_ROOM),
        }
    reason = body.get("closed_reason") or "no reason was given"
    return {"word": "NOT PROVEN", "text": "Closed without proof: " + clipped(reason, STRIP_ROOM)}
