"""A page of the gauge as an SVG: for the README and for reports. Nothing in it is fetched from anywhere."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping
from typing import Any

from benchd_dashboards.keys import Hand
from benchd_dashboards.look import Look
from benchd_dashboards.state import State
from benchd_dashboards.view import page
from rich.console import Console
from rich.terminal_theme import TerminalTheme

_INK, _PAPER = (213, 221, 229), (20, 24, 28)
_BLUE, _ORANGE, _YELLOW = (92, 184, 255), (255, 122, 69), (242, 224, 92)
_THEME = TerminalTheme(_PAPER, _INK, [_PAPER, _ORANGE, _BLUE, _YELLOW, _BLUE, _ORANGE, _BLUE, _INK])

_MARGIN = 12  # as in the frame below

# Our own frame, and letters a little larger than rich's, so that blocks in two rows meet: rich's frame carries fonts from the internet and the buttons of a window.
_FRAME = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {terminal_width} {terminal_height}" role="img">
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; font-size: 21px; }}
{styles}
</style>
<defs>{lines}</defs>
<rect x="-12" y="-12" width="100%" height="100%" rx="6" fill="#14181c"/>
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</svg>
"""


def svg(records: Iterable[Mapping[str, Any]], columns: int = 80, rows: int = 24, title: str = "") -> str:
    """The page after the last of the records (a run cut anywhere shows the gauge as it stood there).

    The same records give the same text.
    """
    state = State()
    for record in records:
        state.apply(record)
    console = Console(
        width=columns,
        height=rows,
        file=io.StringIO(),
        record=True,
        force_terminal=True,
        color_system="truecolor",
        legacy_windows=False,
        highlight=False,
        _environ={},
    )
    for line in page(state, columns, rows, Look(), Hand(live=False, note="picture"), title):
        console.print(line, end="\n", no_wrap=True, overflow="crop")
    drawn = console.export_svg(title=title, theme=_THEME, code_format=_FRAME, unique_id="gauge")
    return re.sub(r'viewBox="0 0 (\S+) (\S+)"', _with_margin, drawn, count=1)


def _with_margin(box: re.Match[str]) -> str:
    width, height = (float(side) + 2 * _MARGIN for side in box.groups())
    return f'viewBox="{-_MARGIN} {-_MARGIN} {width:g} {height:g}"'
