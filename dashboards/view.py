"""A run as a page of text: state x size x look -> exactly `rows` lines. Nothing here knows a terminal.

From the top: what run it is; what the person must do or beware of; the large numbers with their scales; how the
verdict stands; the engine; what is wrong; the curves; the keys.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchd_dashboards import curve, endpage
from benchd_dashboards.dials import TITLES, Dial, dial, main_channels, scale, scale_numbers
from benchd_dashboards.glyphs import Face, big, face_for
from benchd_dashboards.keys import Hand, shortcuts
from benchd_dashboards.look import Look, beside, clock, join
from benchd_dashboards.state import Ask, State
from benchd_dashboards.words import flag_line, gap_line, heading, leaning, number_with_spread
from rich.text import Text

_BEFORE = ("checking", "waiting for full throttle")
_GUTTER = 2


def page(state: State, columns: int, rows: int, look: Look, hand: Hand | None = None, title: str = "") -> list[Text]:
    """The page for this instant, cut to the terminal."""
    hand = hand or Hand(live=False)
    columns, rows = max(columns, 10), max(rows, 1)
    if state.ended:
        lines = endpage.end_page(state, columns, rows, look, hand, title)
    else:
        lines = _live(state, columns, rows, look, hand, title)
    lines = lines[:rows]
    for line in lines:
        line.truncate(columns)
    return lines + [look.text("") for _ in range(rows - len(lines))]


def _live(state: State, columns: int, rows: int, look: Look, hand: Hand, title: str) -> list[Text]:
    sparse, roomy = rows < 16, rows >= 30
    attend = attention(state, columns, 2 if sparse else 8 if roomy else 5, look, hand)
    stand = _standing(state, columns, look)
    why = look.wrap(state.standing.get("why", ""), columns - 2, "head", "  ", 1 if sparse else 3 if roomy else 2)
    wrong = troubles(state, columns, 1 if sparse else 6 if roomy else 3, look)
    engine = [_engine(state, columns, look)]
    taken = 2 + len(attend) + len(stand) + len(wrong) + len(engine) + min(len(why), 1)
    numbers, under = _numbers(state, columns, min(max(rows // 4, 3), rows - taken - 2), look)
    # (what goes first when there is no room: lowest number), in the order on the page
    blocks = [
        (6, [heading(state, columns, look, title)]),
        (9, attend),
        (8, numbers),
        (2, under),
        (9, stand),
        (4, why),
        (1, _estimates(state, columns, look)),
        (5, engine),
        (7, wrong),
    ]
    foot = (3, [_foot(state, columns, look, hand)])
    kept = _fit([*blocks, foot], rows)
    body, last = kept[:-1], kept[-1]
    lines = [line for block in body for line in block]
    lines += _body(state, columns, rows - len(lines) - len(last), look)
    lines += [look.text("") for _ in range(rows - len(lines) - len(last))]
    return lines + last


def _fit(blocks: Sequence[tuple[int, list[Text]]], rows: int) -> list[list[Text]]:
    """The blocks, cut from the least needed one on until they fill no more than `rows`."""
    kept = [list(lines) for _, lines in blocks]
    order = sorted(range(len(blocks)), key=lambda place: blocks[place][0])
    over = sum(map(len, kept)) - rows
    for place in order:
        while over > 0 and kept[place]:
            kept[place].pop()
            over -= 1
    return kept


def attention(state: State, columns: int, most: int, look: Look, hand: Hand) -> list[Text]:
    """What the person must see first: their own half-done command, danger, the prompt, a caution."""
    lines = _hand(state, columns, look, hand)
    if state.over_ceiling:
        text = f" OVER {state.ceiling():g} V, THE CEILING: CLOSE THE THROTTLE"
        lines.append(look.strip(look.text(text), columns, "bad"))
    if state.trouble:
        lines += [
            look.strip(line, columns, "bad")
            for line in look.wrap(f"NOT BEING KEPT: {state.trouble}", columns - 1, "", " ", 2)
        ]
    room = max(most - len(lines), 1)
    lines += _asks(state, columns, room, look, hand)
    caution = state.caution()
    if caution is not None and state.phase not in _BEFORE and len(lines) < most:
        lines += look.wrap(caution.text, columns, "warn", "CAUTION: ", most - len(lines))
    return lines[:most]


def _hand(state: State, columns: int, look: Look, hand: Hand) -> list[Text]:
    if hand.mode == "sure?":
        return [look.strip(look.text(" ABORT THIS RUN? y = yes, any other key = go on"), columns, "bad")]
    if hand.aborted:
        return [look.strip(look.text(" ABORTING: CLOSE THE THROTTLE"), columns, "bad")]
    if hand.mode in ("answer", "mark"):
        label = " MARK: " if hand.mode == "mark" else " ANSWER: "
        room = max(columns - len(label) - 2, 4)
        line = look.text(f"{label}{hand.typed[-room:]}{look.mark('cursor')}")
        return [look.strip(line, columns, "call")]
    return []


def _asks(state: State, columns: int, most: int, look: Look, hand: Hand) -> list[Text]:
    """The instruction and the oldest question that still wants an answer."""
    asks = [ask for ask in (state.instruction, *state.questions[:1]) if ask is not None]
    lines: list[Text] = []
    for ask in sorted(asks, key=lambda one: one.t_s, reverse=True):
        room = most - len(lines)
        if room > 0:
            lines += _ask(ask, columns, room, look, hand)
    return lines


def _ask(ask: Ask, columns: int, most: int, look: Look, hand: Hand) -> list[Text]:
    how = _how(ask, hand)
    lead = f" {look.mark('do')} "
    spare = bool(how) + bool(ask.caution)
    words = look.wrap(ask.text, columns - 1, "", lead, max(most - spare, 1))
    if how and most == 1:
        words = look.wrap(f"{how} {ask.text}", columns - 1, "", lead, 1)
    lines = [look.strip(line, columns, "call") for line in words]
    if how and len(lines) < most:
        lines.append(look.strip(look.text(f"   {how}"), columns, "call"))
    if ask.caution and len(lines) < most:
        lines += look.wrap(ask.caution, columns, "warn", "CAUTION: ", most - len(lines))
    return lines


def _how(ask: Ask, hand: Hand) -> str:
    """Which keys answer it."""
    if not hand.live or not ask.is_question:
        return ""
    if ask.choices is None:
        return "[figures, Enter] answer"
    return "  ".join(f"[{key}] {one}" for key, one in shortcuts(ask))


def _numbers(state: State, columns: int, rows: int, look: Look) -> tuple[list[Text], list[Text]]:
    """The main channels: title, word, large number and scale; and, apart, the numbers under the scale."""
    dials = [dial(state, channel) for channel in main_channels(state)]
    if not dials:
        return [look.text("nothing read yet", "quiet")], []
    stacked = columns < 60 and len(dials) > 1 and rows >= 5
    if stacked:
        each = [_number(one, columns, max((rows - 2) // 2, 1), look) for one in dials]
        return [line for lines, _ in each for line in lines], []
    width = (columns - _GUTTER * (len(dials) - 1)) // len(dials)
    each = [_number(one, width, rows, look) for one in dials]
    shown = [_across(parts, width, look) for parts in zip(*(lines for lines, _ in each), strict=True)]
    under = [_across([below for _, below in each], width, look)]
    return shown, under


def _number(shown: Dial, width: int, rows: int, look: Look) -> tuple[list[Text], Text]:
    title = look.text(
        f"{shown.title} {shown.unit}" if "VOLTS" not in shown.title and "AMPS" not in shown.title else shown.title,
        "quiet",
    )
    word = look.text(shown.word, shown.role)
    face = face_for("88.88", width, rows, look.ascii)
    if title.cell_len + word.cell_len + 1 > width:
        title = look.text(shown.title.split()[-1], "quiet")
    lines = [beside(title, word, width, look)]
    lines += _digits(shown, face, width, look)
    lines.append(scale(shown, width, look))
    return lines, scale_numbers(shown, width, look)


def _digits(shown: Dial, face: Face | None, width: int, look: Look) -> list[Text]:
    style = "quiet" if shown.value is None else "bad" if shown.role == "bad" else "digits"
    if face is None:
        return [look.text(f"{shown.text()} {shown.unit}", style)]
    most = max(
        (
            signs
            for signs in range(1, 9)
            if face.width("-" + "8" * (signs - 2) + "." if signs > 2 else "8" * signs) <= width
        ),
        default=1,
    )
    text = shown.text(most)
    return [look.text(line.rstrip(), "digits" if style == "bad" else style) for line in big(text, face, look.ascii)]


def _across(parts: Sequence[Text], width: int, look: Look) -> Text:
    """Parts side by side in columns of one width."""
    line = look.text("")
    for place, part in enumerate(parts):
        if place:
            line.append(" " * (place * (width + _GUTTER) - line.cell_len))
        cut = part.copy()
        cut.truncate(width, overflow="crop")
        line.append_text(cut)
    return line


def _standing(state: State, columns: int, look: Look) -> list[Text]:
    """How the verdict stands: a bar right under the numbers; two where one is too short."""
    words, role = leaning(state)
    left = look.text(f" {words}")
    right = look.text(_time_left(state) + " ")
    if left.cell_len + right.cell_len + 1 <= columns:
        return [look.strip(beside(left, right, columns, look), columns, role)]
    return [look.strip(line, columns, role) for line in (left, look.text(" " + _time_left(state)))]


def _time_left(state: State) -> str:
    left, limit = state.left_s(), state.left_s("limit_s")
    parts = [] if left is None else [f"about {clock(left)} left"]
    if limit is not None:
        parts.append(f"{clock(limit)} at most")
    return ", ".join(parts)


def _estimates(state: State, columns: int, look: Look) -> list[Text]:
    """Where it will end, and what was delivered."""
    parts = []
    for name, found in dict(state.standing.get("estimates") or {}).items():
        if isinstance(found, Mapping) and found.get("value") is not None:
            parts.append(look.text(f"{_titled(name)} {number_with_spread(found)}"))
    hours = state.standing.get("ampere_hours")
    if hours is not None:
        parts.append(look.text(f"{float(hours):.2f} Ah in"))
    parts += [_also(state, channel, look) for channel in _others(state)]
    lines: list[Text] = []
    for part in parts:
        if lines and lines[-1].cell_len + len(look.mark("sep")) + part.cell_len <= columns:
            lines[-1] = join([lines[-1], part], look.say(look.mark("sep")))
        else:
            lines.append(join([look.text("  "), part], ""))
    return lines


def _titled(name: str) -> str:
    return name.replace("_", " ")


def _others(state: State) -> list[str]:
    shown = {*main_channels(state), "engine_rpm"}
    return [name for name in TITLES if name in state.tracks and name not in shown]


def _also(state: State, channel: str, look: Look) -> Text:
    one = dial(state, channel)
    value = one.word.lower() if one.value is None else f"{one.text()} {one.unit}"
    return look.text(f"{_titled(channel)} {value}")


def _engine(state: State, columns: int, look: Look) -> Text:
    """rpm, its word and its scale on one line, and what the spec wants at this speed."""
    one = dial(state, "engine_rpm")
    line = look.text("ENGINE ", "quiet")
    line.append_text(look.text("---- rpm" if one.value is None else f"{one.text()} rpm", "digits"))
    line.append("  ")
    line.append_text(look.text(one.word, one.role))
    notes = [dial(state, channel).note for channel in main_channels(state)]
    note = look.text("".join(f"  {text}" for text in notes if text), "quiet")
    band = one.bands[0] if one.bands else None
    ends = look.text(f" {band[0]:g} to {band[1]:g}" if band else "", "quiet")
    room = columns - line.cell_len - ends.cell_len - 2
    if room - note.cell_len >= 16:
        room -= note.cell_len
    else:
        note = look.text("")
    if band and room >= 12:
        line.append("  ")
        line.append_text(scale(one, min(room, 40), look))
    line.append_text(ends)
    line.append_text(note)
    return line


def troubles(state: State, columns: int, most: int, look: Look) -> list[Text]:
    """Lost meters, flags with their cure, garbage on a wire; the last line counts what found no room."""
    texts = [(gap_line(name, gap, state.t_s), "bad") for name, gap in state.gaps.items()]
    texts += [(flag_line(where, flag, cure), "warn") for (where, flag), cure in state.flags_now().items()]
    if state.notice is not None and state.t_s - state.notice.t_s < 30:
        texts.append((state.notice.text, "quiet"))
    lines: list[Text] = []
    for place, (text, role) in enumerate(texts):
        room = most - len(lines) - (1 if place < len(texts) - 1 else 0)
        if room <= 0:
            if lines:
                lines[-1] = beside(lines[-1], look.text(f" +{len(texts) - place} more", "bad"), columns, look)
            else:
                lines = look.wrap(f"{text} (+{len(texts) - 1} more)", columns, role, "! ", 1)
            break
        lines += look.wrap(text, columns, role, "! ", min(room, 2))
    return lines


def _body(state: State, columns: int, rows: int, look: Look) -> list[Text]:
    """What fills the rest: before the engine is up, the cautions in full; then the curves."""
    lines: list[Text] = []
    if state.phase in _BEFORE and rows > 0:
        for caution in state.cautions:
            lines += look.wrap(caution.text, columns, "warn", "CAUTION: ", 3)
        lines = lines[:rows]
    rest = rows - len(lines)
    drawn = [dial(state, channel) for channel in main_channels(state) if channel in state.tracks]
    if rest < 5 or columns < 24 or not drawn:
        return lines
    if columns < 60:
        drawn = drawn[:1]
    width = (columns - _GUTTER * (len(drawn) - 1)) // len(drawn)
    parts = [_curve(state, one, width, rest - 1, look) for one in drawn]
    titles = [look.text(_curve_title(one), "quiet") for one in drawn]
    return [*lines, _across(titles, width, look), *(_across(row, width, look) for row in zip(*parts, strict=True))]


def _curve_title(one: Dial) -> str:
    return f"{one.title.lower()} since the start"


def _curve(state: State, one: Dial, width: int, rows: int, look: Look) -> list[Text]:
    track = state.tracks[one.channel]
    return curve.curve(track, state.expected.get(one.channel), one, state.t_s, (width, rows), look)


def _foot(state: State, columns: int, look: Look, hand: Hand) -> Text:
    """The keys, and the last mark."""
    if hand.mode in ("answer", "mark"):
        keys = "Enter sends  Esc leaves the line  Ctrl-C aborts"
    elif hand.live:
        keys = "m mark  a abort"
    else:
        keys = "watching  q leave" if hand.note != "picture" else ""
    mark = look.text("")
    if state.mark is not None:
        count = f" ({state.marks} marks)" if state.marks > 1 else ""
        mark = look.text(f"marked {clock(state.mark.t_s)} {state.mark.text}{count}", "quiet")
        mark.truncate(max(columns - len(keys) - 2, 0), overflow="ellipsis" if not look.ascii else "crop")
    return beside(look.text(keys, "quiet"), mark, columns, look)
