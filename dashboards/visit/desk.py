"""What a key means at the desk of a visit. Pure: keys in, actions out; the shell carries them out and brings the news.

Letters and digits always go to the line at the foot, so that a scanner that types can be used at any moment: what it
reads and ends with Enter is an answer's number where a choice is open, a part where one is asked for, else an order's
number or a machine's serial. All else is arrows, Enter and Escape.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.plaintext import harmless_record

#: (kind, arguments): 'orders', 'open' N, 'scan' TEXT, 'new' MACHINE UNIT COMPLAINT, 'answer' Q OUTCOME,
#: 'find' CHECK OUTCOME NOTE PHOTO, 'note' TEXT, 'repair' ID PART, 'close' REASON, 'run' PROCEDURE, 'report' FILE, 'leave'.
Action = tuple[str, ...]

PAGES = ("know", "talk", "look", "run", "causes", "plan", "do")
MOST_TYPED = 300
RUN_MACHINE = "run-machine"
RECENT_RUNS = 8


@dataclass(frozen=True, slots=True)
class Row:
    """A line that can be chosen. `kind` says what Enter does; `lines` are shown below while the cursor stands on it."""

    kind: str
    key: str
    text: str
    state: str = ""
    role: str = ""
    lines: tuple[tuple[str, str], ...] = ()  # (text, role)


@dataclass(slots=True)
class Picker:
    """A choice: (key, text) each; `act` is the action that the chosen key is added to."""

    title: str
    options: Sequence[tuple[str, str]]
    act: Action
    caution: str = ""
    cursor: int = 0


@dataclass(slots=True)
class Field:
    """A line to be typed or scanned. `act` as in Picker; `empty` whether Enter alone is an answer."""

    title: str
    act: Action
    empty: bool = True


@dataclass(slots=True)
class Desk:
    """Where the person is: the list of orders (no `body`), or an order on one of PAGES."""

    knowledge: Mapping[str, Any] = field(default_factory=dict)
    orders: Sequence[Mapping[str, Any]] = ()
    machines: Sequence[str] = ()
    body: Mapping[str, Any] | None = None
    page: int = PAGES.index("plan")
    cursor: int = 0
    top: int = 0  # the first row that is drawn
    typed: str = ""
    picker: Picker | None = None
    asked: Field | None = None
    note: str = ""  # what the last action came to
    troubled: bool = False
    busy: bool = False
    scroll: int = 0  # of the lines below
    new: dict[str, str] = field(default_factory=dict)

    # --- keys -------------------------------------------------------------------------------------------------------

    def press(self, key: str, char: str) -> list[Action]:
        """What to do about this key (named as Textual names keys; `char` '' if it prints nothing)."""
        if key == "ctrl+c":
            return [("leave",)]
        if key == "escape":
            return self._back()
        if key == "enter":
            return self._enter()
        if key == "backspace":
            self.typed = self.typed[:-1]
        elif key == "ctrl+u":
            self.typed = ""
        elif key in _MOVES:
            self._move(_MOVES[key])
        elif key in ("left", "right", "tab", "shift+tab"):
            self._turn(1 if key in ("right", "tab") else -1)
        elif char and char.isprintable():
            self.paste(char)
        return []

    def paste(self, text: str) -> None:
        self.typed = (self.typed + "".join(c for c in text if c.isprintable()))[:MOST_TYPED]

    def _back(self) -> list[Action]:
        if self.typed:
            self.typed = ""
        elif self.picker or self.asked:
            self.picker = self.asked = None
        elif self.body is not None:
            return [("orders",)]
        else:
            return [("leave",)]
        return []

    def _move(self, step: int) -> None:
        if self.picker is not None:
            self.picker.cursor = min(max(self.picker.cursor + step, 0), len(self.picker.options) - 1)
        elif self.asked is None:
            self.cursor = min(max(self.cursor + step, 0), max(len(self.rows()) - 1, 0))
            self.scroll = 0

    def _turn(self, step: int) -> None:
        if self.body is not None and self.picker is None and self.asked is None:
            self.page = (self.page + step) % len(PAGES)
            self.cursor = self.top = self.scroll = 0

    def _enter(self) -> list[Action]:
        typed, self.typed = self.typed.strip(), ""
        self.note, self.troubled = "", False
        if self.asked is not None:
            return self._fill(typed)
        if self.picker is not None:
            return self._pick(typed)
        if typed:
            return [("scan", typed)]
        rows = self.rows()
        return self._choose(rows[self.cursor]) if self.cursor < len(rows) else []

    def _fill(self, typed: str) -> list[Action]:
        asked = self.asked
        assert asked is not None
        if not typed and not asked.empty:
            self.say("Type something, or Escape.", trouble=True)
            return []
        self.asked = None
        return self._acted((*asked.act, typed))

    def _pick(self, typed: str) -> list[Action]:
        picker = self.picker
        assert picker is not None
        keys = [key for key, _ in picker.options]
        if typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(keys):
            chosen = keys[int(typed) - 1]
        elif typed in keys or not typed:
            chosen = typed or keys[picker.cursor]
        else:
            self.say(f"{typed!r} is none of 1 to {len(keys)}.", trouble=True)
            return []
        self.picker = None
        return self._acted((*picker.act, chosen))

    def _acted(self, action: Action) -> list[Action]:
        """An action whose last argument was just chosen: some ask for one thing more."""
        kind, last = action[0], action[-1]
        if kind == "find" and len(action) == 3 and last in ("+note", "+photo"):
            return self._more(action[1], last)
        if kind == "repair" and len(action) == 2:
            self.asked = Field("Part used: scan or type its number; Enter if none.", action)
            return []
        if kind == "new":
            return self._newer(action)
        return [action]

    def _more(self, check: str, what: str) -> list[Action]:
        newest = latest(self.body, "findings", "check", check)
        outcome = "" if newest is None else str(newest["outcome"] or "")
        if not outcome:
            self.say("First choose what was found.", trouble=True)
        elif what == "+note":
            self.asked = Field("Note:", ("find+note", check, outcome), empty=False)
        else:
            self.asked = Field("Photo: the file's path.", ("find+photo", check, outcome), empty=False)
        return []

    def _newer(self, action: Action) -> list[Action]:
        """A new order asks for machine, serial and complaint, one after the other."""
        if len(action) == 2:
            self.asked = Field("Serial number: scan or type it; Enter if it has none.", action)
        elif len(action) == 3:
            self.asked = Field("Complaint, in the customer's words:", action)
        else:
            return [action]
        return []

    # --- rows -------------------------------------------------------------------------------------------------------

    def rows(self) -> list[Row]:
        """The rows of where the person is."""
        if self.body is None:
            return [*(order_row(one) for one in self.orders), Row("new", "", "+ a machine has come in: open an order")]
        from benchd_dashboards.visit import rows

        made: list[Row] = rows.PAGES[PAGES[self.page]](self.body, self.knowledge)
        return made

    def _choose(self, row: Row) -> list[Action]:
        if row.kind == "order":
            return [("open", row.key)]
        if row.kind == "new":
            self.picker = Picker("Which machine?", [(one, one) for one in self.machines], ("new",))
            return []
        if self.body is not None and self.body["state"] != "open" and row.kind not in ("report", "text"):
            self.say(f"This order is {self.body['state']}: nothing can be added. Open a new one.", trouble=True)
            return []
        return self._do(row)

    def _do(self, row: Row) -> list[Action]:
        """What Enter on a row of an open order begins."""
        if row.kind in ("question", "look"):
            self.picker = self._outcomes(row)
        elif row.kind == "run":
            return [("run", row.key)]
        elif row.kind == "repair":
            chosen = [(one["id"], one["title"]) for one in self._repairs(row.key)]
            self.picker = Picker("Which repair was made?", chosen, ("repair",))
        elif row.kind == "note":
            self.asked = Field("Note:", ("note",), empty=False)
        elif row.kind == "report":
            self.asked = Field("Report: file name ending in .pdf or .html; Enter for order-N.pdf.", ("report",))
        elif row.kind == "close":
            return self._close()
        return []

    def _close(self) -> list[Action]:
        assert self.body is not None
        if self.body["proof"]["proven"]:
            return [("close", "")]
        self.asked = Field(
            "NOT PROVEN. Close it all the same? Then say why; Escape leaves it open.", ("close",), empty=False
        )
        return []

    def _outcomes(self, row: Row) -> Picker:
        item = item_of(self.knowledge, row.key)
        options = [(str(one["id"]), str(one["text"])) for one in item["outcomes"]]
        kind = "answer" if row.kind == "question" else "find"
        if kind == "find":
            options += [("+note", "(write a note to it)"), ("+photo", "(add a photo)")]
        options.append(("skip", "(not asked)" if kind == "answer" else "(take it back)"))
        return Picker(str(item["text"]), options, (kind, row.key), str(item["caution"]))

    def _repairs(self, advised: str) -> list[Mapping[str, Any]]:
        """The repairs, the advised one first."""
        return sorted(self.knowledge["repairs"], key=lambda one: one["id"] != advised)

    def list(self, orders: Sequence[Mapping[str, Any]]) -> None:
        """The orders as they are now."""
        self.orders = harmless_record(orders)

    # --- news -------------------------------------------------------------------------------------------------------

    def say(self, text: str, *, trouble: bool = False) -> None:
        self.note, self.troubled = text, trouble

    def show(self, body: Mapping[str, Any] | None) -> None:
        """The order as it is now, its texts made harmless; None goes back to the list."""
        body = harmless_record(body)
        same = body is not None and self.body is not None and body["work_order"] == self.body["work_order"]
        self.body = body
        if not same:
            self.page, self.cursor, self.top, self.scroll = PAGES.index("plan"), 0, 0, 0
            self.picker = self.asked = None
        self.cursor = min(self.cursor, max(len(self.rows()) - 1, 0))


_MOVES = {"up": -1, "down": 1, "pageup": -8, "pagedown": 8, "home": -(10**6), "end": 10**6}


def order_row(one: Mapping[str, Any]) -> Row:
    unit = f" {one['unit']}" if one["unit"] else ""
    said = f'"{one["complaint"]}"' if one["complaint"] else "no complaint written down"
    opened = f"opened {str(one['opened'])[:16].replace('T', ' ')}"
    lines = ((said, ""), (opened, "quiet"))
    return Row(
        "order", str(one["work_order"]), f"{one['work_order']}  {one['machine']}{unit}", str(one["state"]), "", lines
    )


def item_of(knowledge: Mapping[str, Any], id: str) -> Mapping[str, Any]:
    """A question, look or test by its id."""
    for kind in ("questions", "looks", "tests"):
        for one in knowledge[kind]:
            if one["id"] == id:
                found: Mapping[str, Any] = one
                return found
    raise KeyError(id)


def latest(body: Mapping[str, Any] | None, kind: str, key: str, id: str) -> Mapping[str, Any] | None:
    """The newest answer or finding of one item."""
    found = () if body is None else reversed(body[kind])
    return next((one for one in found if one[key] == id), None)
