"""Prints a sheet: HTML by jinja2, PDF by typst. Texts from outside reach both as data, never as source."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

_LONG_WORD, _BREAK_EVERY = 18, 9
_BREAK = "\u200b"


def html(sheet: Mapping[str, Any]) -> str:
    """One file with its style and its pictures inside; it asks nobody for anything."""
    rendered: str = _template().render(sheet=sheet, style=_style())
    return rendered


def pdf(sheet: Mapping[str, Any]) -> bytes:
    """A4. `printed` (ISO 8601) of the sheet is the document's date, so the same sheet gives the same bytes."""
    import typst

    made = typst.compile(
        {"main.typ": _source("paper.typ")},
        sys_inputs={"sheet": json.dumps(_breakable(sheet), ensure_ascii=False)},
        font_paths=[_fonts()],
        format="pdf",
        timestamp=_seconds(sheet.get("printed")),
    )
    assert isinstance(made, bytes)
    return made


def _source(name: str) -> bytes:
    return files(__package__).joinpath(name).read_bytes()


def _style() -> str:
    return _source("paper.css").decode()


@cache
def _template() -> Any:
    import jinja2
    from markupsafe import Markup

    made = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters["picture"] = _picture
    made.filters["as_is"] = Markup  # for our own style sheet alone
    return made.from_string(_source("paper.html").decode())


def _picture(svg: str) -> str:
    """An SVG as the address of an image: nothing in it can run, and its ids meet no other picture's."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


@cache
def _fonts() -> str:
    """The folder of the one font that has most of the world's letters and comes with a library we have anyway."""
    import matplotlib as mpl

    return f"{mpl.get_data_path()}/fonts/ttf"


def _seconds(at: object) -> int:
    try:
        return int(datetime.fromisoformat(str(at)).timestamp())
    except (ValueError, OverflowError):
        return 0


def _breakable(one: Any) -> Any:
    """The sheet with invisible places to break very long words at: typst knows none of its own in a part number."""
    if isinstance(one, str):
        return _broken(one)
    if isinstance(one, Mapping):
        return {key: found if key in ("svg", "kind", "role") else _breakable(found) for key, found in one.items()}
    if isinstance(one, list | tuple):
        return [_breakable(each) for each in one]
    return one


def _broken(text: str) -> str:
    return re.sub(rf"\S{{{_LONG_WORD},}}", lambda word: _cut(word.group()), text)


def _cut(word: str) -> str:
    return _BREAK.join(word[at : at + _BREAK_EVERY] for at in range(0, len(word), _BREAK_EVERY))
