"""A run as a page of text: state x size x look -> exactly `rows` lines. Nothing here knows a terminal.

From the top: what run it is; what the person must do or beware of; the large numbers with their scales; how the
verdict stands; the engine; what is wrong; the curves; the keys.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd_dashboards import curve, endpage
from benchd_dashboards.dials import NAMED_OTHERWISE, TITLES, Dial, dial, main_channels, scale, scale_numbers
from benchd_dashboards.glyphs import Face, big, face_for
from benchd_dashboards.keys import Hand, shortcuts
from benchd_dashboards.look import Look, beside, clock
from benchd_dashboards.state import BEFORE, Ask, State
from benchd_dashboards.words import flag_line, gap_line, heading, leaning, number_with_spread
from rich.text import Text

_SHORT = {
    "battery_volts": "VOLTS",
    "charge_amps": "AMPS",
    "load_amps": "AMPS",
    "crank_amps": "AMPS",
    "joint_volts": "LOST",
}
_STACKED_ROWS = 5  # the least height that makes two numbers one above the other worth their rows
_GUTTER = 4  # with a line in it: two numbers must not be read as one
_NARROW = 60  # columns below which two large numbers do not stand side by side


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
    sparse, roomy, narrow = rows < 16, rows >= 30, columns < _NARROW
    before = state.phase in BEFORE  # words matter more than numbers
    most = 2 if sparse else 8 if roomy or before else 5
    attend = attention(state, columns, most, look, hand)
    stand = _standing(state, columns, look, 1 if sparse else 2)
    why = look.wrap(state.standing.get("why", ""), columns - 2, "head", "  ", 1 if sparse else 3 if roomy else 2)
    wrong = troubles(state, columns, 1 if sparse else 6 if roomy else 3, look)
    room = rows - 3 - len(attend) - len(stand) - len(wrong)  # heading, engine, foot
    share = room - 2 if narrow else min(room - 3, rows // 4)
    numbers, under = _numbers(state, columns, max(share, 3), look)
    # (what goes first when there is no room: lowest number), in the order on the page
    blocks = [
        (6, [heading(state, columns, look, title)]),
        (9, attend),
        (8, numbers),
        (2, under),
        (9, stand),
        (3, why),
        (1, _estimates(state, columns, look)),
        (5, _engine(state, columns, look)),
        (7, wrong),
        (4, [_foot(state, columns, look, hand)]),
    ]
    *kept, foot = _fit(blocks, rows, columns)
    lines = [line for block in kept for line in block]
    lines += _body(state, columns, rows - len(lines) - len(foot), look)
    return lines + [look.text("") for _ in range(rows - len(lines) - len(foot))] + foot


def _fit(blocks: Sequence[tuple[int, list[Text]]], rows: int, columns: int) -> list[list[Text]]:
    """The blocks, cut from the least needed one on until they fill no more than `rows`."""
    kept = [list(lines) for _, lines in blocks]
    over = sum(map(len, kept)) - rows
    for place in sorted(range(len(blocks)), key=lambda place: blocks[place][0]):
        cut = min(max(over, 0), len(kept[place]))
        if cut:
            over -= cut
            del kept[place][len(kept[place]) - cut :]
            if kept[place]:
                last = kept[place][-1]
                if last.cell_len > columns - 4:
                    last.truncate(max(last.plain[: columns - 3].rfind(" "), 0))
                last.append(" ...")  # half a sentence must not be read as a whole one
    return kept


def attention(state: State, columns: int, most: int, look: Look, hand: Hand) -> list[Text]:
    """What the person must see first: their own half-done command, danger, the prompt, a caution."""
    lines = _hand(state, columns, look, hand)
    if state.over_ceiling:
        text = f" OVER {state.ceiling():g} V, THE CEILING: CLOSE THROTTLE"
        lines.append(look.strip(look.text(text), columns, "bad"))
    if state.trouble:
        lines += [
            look.strip(line, columns, "bad")
            for line in look.wrap(f"NOT BEING KEPT: {state.trouble}", columns - 1, "", " ", 2)
        ]
    room = max(most - len(lines), 1)
    lines += _asks(state, columns, room, look, hand)
    caution = state.caution()
    if caution is not None and state.phase not in BEFORE and len(lines) < most:
        lines += look.wrap(caution.text, columns, "warn", "CAUTION: ", most - len(lines))
    return lines[:most]


def _hand(state: State, columns: int, look: Look, hand: Hand) -> list[Text]:
    if hand.mode == "sure?":
        return [look.strip(look.text(" ABORT THIS RUN? y = yes, any other key = go on"), columns, "bad")]
    if hand.aborted:
        told = "CLOSE THE THROTTLE" if state.engine_runs else "LET GO, SWITCH OFF"
        return [look.strip(look.text(f" ABORTING: {told}"), columns, "bad")]
    if hand.mode in ("answer", "mark"):
        label = " MARK: " if hand.mode == "mark" else " ANSWER: "
        room = max(columns - len(label) - 2, 4)
        line = look.text(f"{label}{hand.typed[-room:]}{look.mark('cursor')}")
        return [look.strip(line, columns, "call")]
    return []


def _asks(state: State, columns: int, most: int, look: Look, hand: Hand) -> list[Text]:
    """The instruction and the oldest question that still wants an answer."""
    lines: list[Text] = []
    for ask in _asks_now(state):
        room = most - len(lines)
        if room > 0:
            lines += _ask(ask, columns, room, look, hand)
    return lines


def _asks_now(state: State) -> list[Ask]:
    """Before the engine is up one step at a time: the hook-up is done before it is told how to start. Then the
    instruction leads: to close the throttle cannot wait for a figure."""
    question, instruction = state.questions[:1], state.instruction
    if instruction is None:
        return question
    if state.phase in BEFORE and question and question[0].t_s <= instruction.t_s:
        return question
    return [instruction, *question]


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
    if columns < _NARROW and len(dials) > 1:
        each_rows = rows // len(dials) - 1
        if each_rows >= _STACKED_ROWS:
            each = [_number(one, columns, each_rows, look) for one in dials]
            return [line for lines, _ in each for line in lines], []
        rows = 3
    width = (columns - _GUTTER * (len(dials) - 1)) // len(dials)
    each = [_number(one, width, rows, look) for one in dials]
    shown = [_across(parts, width, look) for parts in zip(*(lines for lines, _ in each), strict=True)]
    under = [_across([below for _, below in each], width, look)]
    return shown, under


def _number(shown: Dial, width: int, rows: int, look: Look) -> tuple[list[Text], Text]:
    title = look.text(shown.title, "quiet")
    word = look.text(shown.word, shown.role)
    face = face_for("88.88", width, rows, look.ascii)
    if title.cell_len + word.cell_len + 1 > width:
        title = look.text(_SHORT.get(shown.channel, shown.title.split()[0]), "quiet")
        word.truncate(max(width - title.cell_len - 1, 0), overflow="crop")
    lines = [beside(title, word, width, look)]
    lines += _digits(shown, face, width, look)
    lines.append(scale(shown, width, look))
    return lines, scale_numbers(shown, width, look)


def _digits(shown: Dial, face: Face | None, width: int, look: Look) -> list[Text]:
    style = "quiet" if shown.value is None else "alarm" if shown.role == "bad" else "digits"
    if face is None:
        return [look.text(f"{shown.text()} {shown.unit}", style)]
    # Fewer decimals rather than a smaller face: the size must not jump with the number.
    texts = (shown.text(signs) for signs in range(12, 0, -1))
    text = next((text for text in texts if face.width(text) <= width), "--")
    return [look.text(line.rstrip(), style) for line in big(text, face, look.ascii)]


def _across(parts: Sequence[Text], width: int, look: Look) -> Text:
    """Parts side by side in columns of one width."""
    line = look.text("")
    for place, part in enumerate(parts):
        if place:
            line.append(" " * (place * (width + _GUTTER) - line.cell_len - _GUTTER // 2))
            line.append(look.mark("axis"), look.style("quiet"))
            line.append(" " * (place * (width + _GUTTER) - line.cell_len))
        cut = part.copy()
        cut.truncate(width, overflow="crop")
        line.append_text(cut)
    return line


def _standing(state: State, columns: int, look: Look, most: int) -> list[Text]:
    """How the verdict stands: a bar right under the numbers; a second one where one is too short."""
    words, role = leaning(state)
    left, times = look.text(f" {words}"), _time_left(state)
    rights = [look.text(", ".join(times) + " ")]
    if most == 1 and times:
        rights.append(look.text(f"{times[0]} "))
        rights.append(look.text(times[0].removeprefix("about ")))
    for right in rights:
        if left.cell_len + right.cell_len < columns:
            return [look.strip(beside(left, right, columns, look), columns, role)]
    lines = [left, look.text(" " + ", ".join(times))]
    return [look.strip(line, columns, role) for line in lines[:most]]


def _time_left(state: State) -> list[str]:
    left, limit = state.left_s(), state.left_s("limit_s")
    # With no longest time the procedure knows its end to the second: a countdown.
    found = [] if left is None else [f"{clock(left)} to go" if limit is None else f"about {clock(left)} left"]
    return found if limit is None else [*found, f"{clock(limit)} at most"]


def _estimates(state: State, columns: int, look: Look) -> list[Text]:
    """Where it will end, what was delivered, and the channels that have no large number."""
    parts = []
    large = {*main_channels(state), *(NAMED_OTHERWISE.get(name, name) for name in main_channels(state))}
    for name, found in state.estimates().items():
        if name not in large:
            parts.append(f"{_titled(name)} {number_with_spread(found)}")
        elif found.get("u") is not None:  # its limits stand under its number
            parts.append(f"{_titled(name)} {number_with_spread({**found, 'low': None, 'high': None})}")
    hours = state.standing.get("ampere_hours")
    if hours is not None:
        parts.append(f"{float(hours):.2f} Ah in")
    parts += [_also(state, channel) for channel in _others(state)]
    sep, rows = look.mark("sep"), [""]
    for part in parts:
        longer = f"{rows[-1]}{sep}{part}" if rows[-1] else part
        if len(look.say(longer)) <= columns - 2:
            rows[-1] = longer
        else:
            rows.append(part)
    return [line for row in rows if row for line in look.wrap(row, columns, "", "  ")]


def _titled(name: str) -> str:
    return name.replace("_", " ")


def _others(state: State) -> list[str]:
    shown = {*main_channels(state), "engine_rpm"}
    return [name for name in TITLES if name in state.tracks and name not in shown]


def _also(state: State, channel: str) -> str:
    one = dial(state, channel)
    value = one.word.lower() if one.value is None else f"{one.text()} {one.unit}"
    return f"{_titled(channel)} {value}"


def _engine(state: State, columns: int, look: Look) -> list[Text]:
    """rpm, its word and its scale on one line, and what the spec wants at this speed; nothing where no engine turns."""
    if not state.engine_runs and "engine_rpm" not in state.tracks:
        return []
    one = dial(state, "engine_rpm")
    line = look.text("ENGINE ", "quiet")
    line.append_text(look.text("---- rpm" if one.value is None else f"{one.text()} rpm", "digits"))
    line.append("  ")
    line.append_text(look.text(one.word, one.role))
    notes = [dial(state, channel).note for channel in main_channels(state)]
    note = look.text("".join(f"  {text}" for text in notes if text), "quiet")
    band = one.bands[0] if one.bands else None
    ends = look.text(f" {_span(*band)}" if band else "", "quiet")
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
    return [line]


def _span(low: float, high: float) -> str:
    if math.isinf(low) or math.isinf(high):
        return f"from {low:g}" if math.isinf(high) else f"up to {high:g}"
    return f"{low:g}-{high:g}"


def troubles(state: State, columns: int, most: int, look: Look) -> list[Text]:
    """Lost meters, flags with their cure, garbage on a wire; the last line counts what found no room."""
    texts = [(gap_line(name, gap, state.t_s), "bad") for name, gap in state.gaps.items()]
    texts += [(flag_line(where, flag, cure), "warn") for (where, flag), cure in state.flags_now().items()]
    if state.notice is not None and state.t_s - state.notice.t_s < 30:
        total = sum(state.thrown.values())
        texts.append((state.notice.text + (f" ({total} so far)" if total > 1 else ""), "quiet"))
    lines: list[Text] = []
    for place, (text, role) in enumerate(texts):
        room = most - len(lines)
        if room <= 0:
            count = look.text(f" +{len(texts) - place} more", "bad")
            lines[-1] = beside(lines[-1], count, columns, look)
            break
        lines += look.wrap(text, columns, role, "! ", 1 if len(texts) - place > room else min(room, 2))
    return lines


def _body(state: State, columns: int, rows: int, look: Look) -> list[Text]:
    """What fills the rest: before the engine is up, the cautions in full; then the curves."""
    lines: list[Text] = []
    if state.phase in BEFORE:
        lines = _cautions(state, columns, rows, look)
    rest = rows - len(lines)
    drawn = [dial(state, channel) for channel in main_channels(state) if channel in state.tracks]
    if rest < 5 or columns < 24 or not drawn:
        return lines
    if columns < _NARROW:
        drawn = drawn[:1]
    width = (columns - _GUTTER * (len(drawn) - 1)) // len(drawn)
    parts = [_curve(state, one, width, rest - 1, look) for one in drawn]
    titles = [look.text(_curve_title(state, one, width, look), "quiet") for one in drawn]
    return [*lines, _across(titles, width, look), *(_across(row, width, look) for row in zip(*parts, strict=True))]


def _cautions(state: State, columns: int, rows: int, look: Look) -> list[Text]:
    """Every caution that does not stand above already; in turn where there is no room for all of them."""
    above = {ask.caution for ask in _asks_now(state)}
    blocks = [look.wrap(one.text, columns, "warn", "CAUTION: ") for one in state.cautions if one.text not in above]
    if sum(map(len, blocks)) > rows and blocks:
        first = int(state.t_s / 8) % len(blocks)
        blocks = blocks[first:] + blocks[:first]
    lines: list[Text] = []
    for block in blocks:
        if len(lines) + len(block) <= rows:
            lines += block
    return lines


def _curve_title(state: State, one: Dial, width: int, look: Look) -> str:
    """What is drawn; what the dots are, where there are some."""
    title = f"{one.title.lower()} since the start"
    if state.behind(one.channel) is None:
        return title
    day = str(state.opened["last_good"].get("started") or "")[:10]
    dots = look.mark("behind") * 3
    longer = [f"{title}, {dots} last good run {day}", f"{one.title.lower()}, {dots} last good {day}"]
    longer.append(f"{one.title.lower()}, {dots} last good")
    return next((text for text in longer if len(text) <= width), title)


def _curve(state: State, one: Dial, width: int, rows: int, look: Look) -> list[Text]:
    track = state.tracks[one.channel]
    size, behind = (width, rows), state.behind(one.channel)
    return curve.curve(track, state.expected.get(one.channel), one, state.t_s, size, look, behind)


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
