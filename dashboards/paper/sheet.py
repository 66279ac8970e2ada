"""A sheet: what a paper says, before it is HTML or PDF. Plain JSON; every text in it is one that people may read.

    {"title", "over": small line above the title, "shop", "strip": None or {"word", "text"} (said on every page),
     "foot": a line on every page, "printed", "blocks": [block, ...]}

Blocks, by "kind":

    heading   level 1..3, text
    text      text, role '' | 'lead' | 'quote' | 'small' | 'caution'
    list      items [text]
    facts     rows [[name, text]]
    table     head [text], rows [[text]], widths [share]
    figure    svg, alt (what a person who does not see it must know), caption, width (share of the line)
    numbers   items [{"title", "text", "note"}]: large ones, side by side
    notice    word, text: in a heavy frame
    keep      blocks: not to be parted by the end of a page
    fit       blocks, tight: all on one page; in a PDF drawn smaller if they are too high for it
    page      a new page begins
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from benchd_dashboards.paper.words import clean

Block = dict[str, Any]


def heading(level: int, text: object) -> Block:
    return {"kind": "heading", "level": level, "text": clean(text)}


def text(said: object, role: str = "") -> Block:
    return {"kind": "text", "text": clean(said), "role": role}


def items(said: Iterable[object]) -> Block:
    return {"kind": "list", "items": [clean(one) for one in said]}


def facts(rows: Iterable[tuple[str, object]]) -> Block:
    """Rows without anything in them are left out."""
    return {"kind": "facts", "rows": [[clean(name), clean(said)] for name, said in rows if said not in (None, "")]}


def table(head: Sequence[str], rows: Iterable[Sequence[object]], widths: Sequence[float]) -> Block:
    return {
        "kind": "table",
        "head": list(head),
        "rows": [[clean(cell) for cell in row] for row in rows],
        "widths": list(widths),
    }


def figure(svg: str, alt: object, caption: object = "", width: float = 1.0) -> Block:
    return {"kind": "figure", "svg": svg, "alt": clean(alt), "caption": clean(caption), "width": width}


def numbers(each: Iterable[tuple[str, str, str]]) -> Block:
    return {"kind": "numbers", "items": [dict(zip(("title", "text", "note"), one, strict=True)) for one in each]}


def notice(word: str, said: object) -> Block:
    return {"kind": "notice", "word": word, "text": clean(said)}


def keep(blocks: Iterable[Block]) -> Block:
    return {"kind": "keep", "blocks": list(blocks)}


def fit(blocks: Iterable[Block], tight: bool = False) -> Block:
    """`tight`: with less room between lines where a browser prints it."""
    return {"kind": "fit", "blocks": list(blocks), "tight": tight}


def new_page() -> Block:
    return {"kind": "page"}
