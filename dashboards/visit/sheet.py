"""The desk of a visit as lines of text, for any size of terminal. Pure: tests compare strings."""

from __future__ import annotations

from benchd_dashboards.look import Look, beside, join
from benchd_dashboards.visit.desk import PAGES, Desk, Field, Picker, Row
from rich.text import Text

TITLES = {
    "know": "know it",
    "talk": "talk",
    "look": "look",
    "run": "run it",
    "causes": "causes",
    "plan": "plan",
    "do": "do and prove",
}
STATES = {"open": "OPEN", "proven": "PROVEN", "closed without proof": "NOT PROVEN, CLOSED"}
LEAST_ROWS = 4


def sheet(desk: Desk, columns: int, rows: int, look: Look) -> list[Text]:
    """Exactly `rows` lines of `columns`: whose machine, the pages, the rows, what stands behind one, the line at the foot."""
    head = _head(desk, columns, look)
    foot = _foot(desk, columns, look)
    room = max(rows - len(head) - len(foot), 1)
    middle = _asking(desk, columns, room, look) if desk.picker or desk.asked else _listing(desk, columns, room, look)
    blank = look.text("")
    lines = [*head, *(middle + [blank] * room)[:room], *foot]
    return lines[:rows] if len(lines) > rows else lines


def _head(desk: Desk, columns: int, look: Look) -> list[Text]:
    if desk.body is None:
        title = look.strip(look.text(" Work orders", "bar"), columns, "bar")
        return [title, look.text("")]
    body = desk.body
    state = STATES[body["state"]]
    role = {"open": "bar", "proven": "bar good"}.get(body["state"], "bar warn")
    unit = f"{look.mark('sep')}{body['unit']}" if body["unit"] else ""
    left = look.text(f" Order {body['work_order']}{look.mark('sep')}{body['machine']}{unit}", role)
    top = look.strip(beside(left, look.text(f"{state} ", role), columns, look), columns, role)
    said = look.text(f' "{body["complaint"]}"' if body["complaint"] else " no complaint written down", "quiet")
    said.truncate(columns, overflow="ellipsis" if not look.ascii else "crop")
    return [top, said, _tabs(desk, columns, look), look.text(look.mark("line") * columns, "quiet")]


def _tabs(desk: Desk, columns: int, look: Look) -> Text:
    """The seven steps; the one that is open stands in brackets, so that it is seen without colour."""
    wide = sum(len(TITLES[one]) + 3 for one in PAGES) <= columns
    parts = []
    for place, name in enumerate(PAGES):
        here = place == desk.page
        word = TITLES[name] if wide or here else TITLES[name][:4].strip()
        parts.append(look.text(f"[{word}]" if here else f" {word} ", "call" if here else ""))
    line = join(parts, " " if wide else "")
    line.truncate(columns)
    return line


def _foot(desk: Desk, columns: int, look: Look) -> list[Text]:
    note = look.text(f" {desk.note}", "alarm" if desk.troubled else "good") if desk.note else look.text("")
    if desk.busy and not desk.note:
        note = look.text(" ...", "quiet")
    told = (
        look.wrap(desk.note, columns - 1, "alarm" if desk.troubled else "good", " ", lines=3) if desk.note else [note]
    )
    typed = look.text(f" {look.mark('do')} {desk.typed[-(columns - 6) :]}{look.mark('cursor')}", "digits")
    return [*told, typed, look.text(_keys(desk, columns), "quiet")]


def _keys(desk: Desk, columns: int) -> str:
    if desk.asked is not None:
        words = " type or scan, Enter  Esc: back"
    elif desk.picker is not None:
        words = " up/down or a number, Enter: choose  Esc: back"
    elif desk.body is None:
        words = " up/down, Enter: open  or scan a serial or order number  Esc: leave"
    else:
        words = " left/right: page  up/down, Enter: choose  scan: another machine  Esc: orders"
    return words[:columns]


# --- what is asked ----------------------------------------------------------------------------------------------------


def _asking(desk: Desk, columns: int, room: int, look: Look) -> list[Text]:
    asked: Picker | Field | None = desk.picker or desk.asked
    assert asked is not None
    lines = [look.text(""), *look.wrap(asked.title, columns - 2, "head", " ")]
    if isinstance(asked, Field):
        return lines
    if asked.caution:
        lines += look.wrap(f"CAUTION: {asked.caution}", columns - 2, "warn", " ")
    lines.append(look.text(""))
    options = [
        _marked(f"{place}  {text}", place - 1 == asked.cursor, columns, look)
        for place, (_, text) in enumerate(asked.options, 1)
    ]
    left = max(room - len(lines), 1)
    top = max(0, min(asked.cursor - left // 2, len(options) - left))
    return lines + options[top : top + left]


# --- what there is ------------------------------------------------------------------------------------------------------


def _listing(desk: Desk, columns: int, room: int, look: Look) -> list[Text]:
    """The rows with the cursor in sight, and below them what stands behind the chosen one."""
    rows = desk.rows()
    desk.cursor = min(desk.cursor, max(len(rows) - 1, 0))
    below = _below(rows[desk.cursor] if rows else None, columns, look)
    for_rows = min(len(rows), max(LEAST_ROWS, room - len(below) - 1))
    for_rows = max(1, min(for_rows, room))
    desk.top = min(max(desk.top, desk.cursor - for_rows + 1), desk.cursor)
    shown = [
        _row(one, place == desk.cursor, columns, look)
        for place, one in enumerate(rows[desk.top : desk.top + for_rows], desk.top)
    ]
    left = room - len(shown)
    if not below or left < 2:
        return shown
    rule = look.text(look.mark("edge") * columns, "quiet")
    cut = below[: left - 1]
    if len(below) > len(cut) and cut:
        cut[-1] = look.text(" ...", "quiet")
    return [*shown, rule, *cut]


def _row(row: Row, here: bool, columns: int, look: Look) -> Text:
    state = look.text(f" {row.state} " if row.state else "", row.role if not here else "call")
    return beside(_marked(row.text, here, columns, look, row.role), state, columns, look)


def _marked(text: str, here: bool, columns: int, look: Look, role: str = "") -> Text:
    lead = f"{look.mark('do')} " if here else "  "
    line = look.text(f"{lead}{text}", "call" if here else role)
    line.truncate(columns, overflow="crop")
    return line


def _below(row: Row | None, columns: int, look: Look) -> list[Text]:
    if row is None:
        return [look.text(" nothing here yet", "quiet")]
    # A row that is cut at the edge is told whole below.
    whole = look.wrap(row.text, columns - 2, "head", " ") if len(row.text) + len(row.state) + 4 > columns else []
    return whole + [line for text, role in row.lines for line in look.wrap(text, columns - 2, role, " ")]
