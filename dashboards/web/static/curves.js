// The curves of a run: one chart a quantity, all on one time axis; zoom, read-off, events, and the numbers as a table.

import { charts } from "./charts.js";
import { Track } from "./curve-data.js";
import { Drawing, LEAST_WINDOW_S, LEFT, RIGHT, picture, timeText, timeTicks } from "./drawing.js";
import { clock, el, fahrenheit, fill, put, table, tell } from "./kit.js";

const REDRAW_MS = 100;
const DESCRIBE_MS = 2000;
const LAST_S = 60;
const ROWS = 60;
/** Of less than this the slider's steps are parts of a second. */
const FINE_S = 100;
/** How wide an event's mark is: about so much, and so much a figure. Marks that would touch become one. */
const MARK_PX = [12, 8];

/** One quantity of a run: its curve and what it is drawn against. Values are the daemon's; `turn` makes them this device's. */
export class Chart {
  constructor(name, title, unit) {
    Object.assign(this, { name, title, unit, track: new Track(), zoomed: null, expected: null, behind: null, beside: null, bands: [], ceiling: null, said: {} });
  }

  add(t, value) {
    this.track.add(t, value);
    this.zoomed?.add(t, value);
  }

  expect(t, low, high) {
    this.expected ??= new Track(2, 1000);
    this.expected.add(t, low, high);
  }

  /** The curve as it is drawn: finer where it is zoomed into. */
  get drawn() {
    return this.zoomed ?? this.track;
  }

  get turns() {
    return this.unit === "degC" && fahrenheit();
  }

  turn = (value) => (value !== null && this.turns ? value * 1.8 + 32 : value);

  get shownUnit() {
    return this.turns ? "degF" : this.unit;
  }

  get shownBands() {
    return this.bands.map((band) => band.map(this.turn));
  }

  get shownCeiling() {
    return this.turn(this.ceiling);
  }

  limits() {
    return [...this.shownBands.flat(), this.shownCeiling].filter((one) => one !== null && Number.isFinite(one));
  }

  tracks() {
    return [this.drawn, this.beside, this.behind].filter(Boolean);
  }

  bandText([low, high]) {
    const unit = this.shownUnit;
    if (low === null) return `band up to ${short(high)} ${unit}`;
    return high === null ? `band from ${short(low)} ${unit}` : `band ${short(low)} to ${short(high)} ${unit}`;
  }

  get ceilingText() {
    return `ceiling ${short(this.shownCeiling)} ${this.shownUnit}`;
  }

  number(value) {
    if (value === null || value === undefined || Number.isNaN(value)) return "no reading";
    const shown = this.turn(value);
    const size = Math.abs(shown);
    return `${shown.toFixed(this.unit === "rpm" ? 0 : this.unit === "degC" || size >= 100 ? 1 : size < 1 ? 3 : 2)} ${this.shownUnit}`;
  }

  /** What stood at a time, here and in the runs beside and behind. */
  read(t) {
    const more = [["beside", this.beside], ["last good", this.behind]].map(([name, track]) => [name, track?.at(t) ?? null]).filter(([, value]) => value !== null);
    return [this.number(this.drawn.at(t)), ...more.map(([name, value]) => `${name} ${this.number(value)}`)].join(", ");
  }

  /** The chart in a sentence or two. */
  words(from, to) {
    const seen = this.drawn.extent(from, to);
    const limits = [...this.shownBands.map((band) => this.bandText(band)), ...(this.ceiling === null ? [] : [this.ceilingText])].join(", ");
    if (!seen) return `${this.title}: nothing read from ${timeText(from, 1)} to ${timeText(to, 1)}.`;
    const at = (place) => `${this.number(this.drawn.v[place])} at ${timeText(this.drawn.t[place], 1)}`;
    return `${this.title} from ${timeText(from, 1)} to ${timeText(to, 1)}: least ${at(seen.least)}, most ${at(seen.most)}, newest ${at(seen.newest)}.${limits ? ` The ${limits}.` : ""}`;
  }
}

const short = (value) => String(Number(value.toPrecision(4)));

const numbered = (group) => (group.from === group.until ? String(group.from + 1) : `${group.from + 1}-${group.until + 1}`);
const wide = (group) => Math.max(MARK_PX[0] + MARK_PX[1] * numbered(group).length, 24);

/** A chart's place in the page. */
class Plate {
  constructor(chart) {
    this.chart = chart;
    this.legend = el("p", { class: "legend" });
    this.read = el("p", { class: "read number" });
    this.canvas = el("div", { class: "drawn", "aria-hidden": "true" });
    this.paper = el("div", { class: "on-paper", "aria-hidden": "true" });
    this.image = el("div", { role: "img", "aria-label": chart.title }, this.canvas, this.paper);
    this.element = el("section", { class: "curve", data: { channel: chart.name } }, el("div", { class: "top" }, el("h3", {}, chart.title), this.read, this.legend), this.image);
    this.drawing = null;
  }

  describe(from, to) {
    const { chart } = this;
    const words = chart.words(from, to);
    if (this.image.getAttribute("aria-label") !== words) this.image.setAttribute("aria-label", words);
    const keys = [["track", chart.said.track ?? `this run, ${chart.shownUnit}`], chart.beside && ["beside", chart.said.beside], chart.behind && ["behind", chart.said.behind], chart.expected && ["expected", "expected"]].filter(Boolean);
    const said = JSON.stringify(keys);
    if (said === this.said) return;
    this.said = said;
    fill(this.legend, keys.map(([key, text]) => el("span", {}, el("span", { class: "key", data: { key }, "aria-hidden": "true" }), text)));
  }
}

export class Curves {
  /** `on`: window(from, to, whole) when another part is looked at. */
  constructor(on) {
    this.on = on;
    this.plates = new Map();
    this.events = [];
    this.live = false;
    this.mode = "whole"; // or "last", or [from, to]
    this.pinned = null; // what is read off; null: the newest
    this.pointed = null;
    this.chosen = null;
    this.drawnAt = -REDRAW_MS;
    this.describedAt = -DESCRIBE_MS;
    this.Bokeh = null;
    this.build();
    this.observe();
  }

  build() {
    const button = (text, act, more = {}) => el("button", { type: "button", onclick: act, ...more }, text);
    this.lastButton = button("Last minute", () => this.look("last"), { "aria-pressed": "false" });
    this.wholeButton = button("Whole run", () => this.look("whole"), { "aria-pressed": "true" });
    this.bar = el(
      "div",
      { class: "row no-print", role: "group", "aria-label": "What part of the run is drawn" },
      button("Zoom in", () => this.zoom(0.5)),
      button("Zoom out", () => this.zoom(2)),
      button("Earlier", () => this.shift(-0.5)),
      button("Later", () => this.shift(0.5)),
      this.wholeButton,
      this.lastButton,
      el("span", { class: "soft small hint" }, matchMedia("(pointer: fine)").matches ? "Or draw the part with the mouse, or turn the wheel with Ctrl." : "Or with two fingers."),
    );
    this.strip = el("div", { class: "strip no-print", "aria-hidden": "true" });
    this.stack = el("div", { class: "stack" });
    this.slider = el("input", { type: "range", id: "read-off", min: 0, max: 1, step: "any", value: 1, oninput: () => this.slid(), onkeydown: (event) => this.keyed(event) });
    this.readTime = el("b", { class: "number" });
    this.newest = button("Newest", () => this.pin(null), { "aria-pressed": "true" });
    this.readOff = el("div", { class: "read-off no-print" }, el("label", { for: "read-off" }, "Read off at"), this.readTime, this.slider, this.newest);
    this.rows = el("div");
    this.numbers = el("details", { class: "numbers no-print", ontoggle: () => this.tabulate() }, el("summary", {}, "The numbers as a table"), this.rows);
    this.element = el("div", { class: "curves" }, this.bar, this.readOff, this.strip, this.stack, this.numbers);
    this.list = el("ol", { class: "events" });
  }

  observe() {
    this.width = 600;
    new ResizeObserver(([entry]) => {
      this.width = entry.contentRect.width || this.width;
      this.changed();
    }).observe(this.stack);
    const repaint = () => this.repaint();
    document.addEventListener("look", repaint);
    for (const asked of ["(prefers-color-scheme: light)", "(forced-colors: active)"]) matchMedia(asked).addEventListener("change", repaint);
    addEventListener("beforeprint", () => this.toPaper());
    matchMedia("print").addEventListener("change", (event) => event.matches && this.toPaper());
  }

  // --- what is drawn --------------------------------------------------------------------------------------------------

  chart(name) {
    return this.plates.get(name)?.chart;
  }

  /** A chart more; it is drawn when BokehJS is there. */
  put(chart) {
    const plate = new Plate(chart);
    this.plates.set(chart.name, plate);
    this.stack.append(plate.element);
    if (this.Bokeh) this.drawn(plate);
    this.describedAt = -DESCRIBE_MS;
    this.changed();
    return chart;
  }

  /** Fetch BokehJS and draw. Where it cannot be had, plain pictures stand in its place. */
  async begin() {
    try {
      this.Bokeh = await charts();
      await Promise.all([...this.plates.values()].map((plate) => this.drawn(plate)));
    } catch (error) {
      this.plain = true;
      put(this.bar, el("span", { class: "soft small" }, error.message));
    }
    this.changed();
  }

  async drawn(plate) {
    const drawing = new Drawing(this.Bokeh, plate.chart, matchMedia("(max-width: 40rem)").matches ? 180 : 210, {
      pointed: (t) => this.point(t),
      left: () => this.point(null),
      tapped: (t) => this.pin(t),
      moved: (start, end) => this.moved(start, end),
    });
    drawing.paint();
    await drawing.into(plate.canvas);
    plate.drawing = drawing;
    this.changed();
  }

  repaint() {
    for (const { drawing } of this.plates.values()) drawing?.paint();
    this.describedAt = -DESCRIBE_MS;
    this.changed();
  }

  /** Draw what is new, soon: at most ten times a second. */
  changed() {
    if (this.waiting) return;
    this.waiting = true;
    setTimeout(() => requestAnimationFrame(() => this.draw()), Math.max(REDRAW_MS - (performance.now() - this.drawnAt), 0));
  }

  draw() {
    this.waiting = false;
    this.drawnAt = performance.now();
    const [from, to] = this.seen();
    const width = Math.max(this.width - LEFT - RIGHT, 100);
    const ticked = timeTicks(from, to, width);
    for (const { drawing } of this.plates.values()) {
      if (!drawing) continue;
      drawing.draw(from, to);
      drawing.tick(ticked);
      drawing.mark(this.pointed ?? this.pinned, this.chosen, this.events);
    }
    this.layEvents(from, to, width);
    this.showReading(from, to);
    this.wholeButton.setAttribute("aria-pressed", String(this.mode === "whole"));
    this.lastButton.setAttribute("aria-pressed", String(this.mode === "last"));
    this.lastButton.hidden = !this.live;
    Object.assign(this.element.dataset, { from: from.toFixed(1), to: to.toFixed(1), draws: Number(this.element.dataset.draws ?? 0) + 1 });
    if (this.drawnAt - this.describedAt >= DESCRIBE_MS) this.describe(from, to);
    else this.later ??= setTimeout(() => ((this.later = null), this.describe(...this.seen())), DESCRIBE_MS);
  }

  describe(from, to) {
    this.describedAt = performance.now();
    for (const plate of this.plates.values()) {
      plate.describe(from, to);
      if (this.plain) fill(plate.canvas, picture(plate.chart, from, to, this.events));
    }
  }

  toPaper() {
    const [from, to] = this.seen();
    this.describe(from, to);
    for (const plate of this.plates.values()) fill(plate.paper, picture(plate.chart, from, to, this.events));
  }

  // --- what part is looked at -----------------------------------------------------------------------------------------

  /** The first and last time that was read, here and beside. */
  extent() {
    const tracks = [...this.plates.values()].flatMap(({ chart }) => [chart.track, chart.beside]).filter((one) => one?.n);
    return [Math.min(0, ...tracks.map((one) => one.first)), Math.max(0, ...tracks.map((one) => one.last))];
  }

  /** All there is. While more comes, with some room ahead, so that the scale stands still for a while. */
  whole() {
    const [from, to] = this.extent();
    if (!this.live) return [from, Math.max(to, from + LEAST_WINDOW_S)];
    const step = [5, 10, 30, 60, 120, 300, 600].find((one) => one >= to / 15) ?? 1200;
    return [from, Math.max(Math.ceil((to + step / 4) / step) * step, 30)];
  }

  seen() {
    if (this.mode === "whole") return this.whole();
    if (this.mode !== "last") return this.mode;
    const to = Math.max(this.extent()[1], LAST_S);
    return [to - LAST_S, to];
  }

  look(mode) {
    this.mode = mode;
    const whole = mode === "whole";
    if (mode !== "last" || !this.live) for (const { chart } of this.plates.values()) if (whole) chart.zoomed = null;
    this.on.window?.(...this.seen(), mode);
    this.describedAt = -DESCRIBE_MS;
    this.changed();
    this.tabulate();
  }

  /** A part, kept within the whole; what is nearly all is all. */
  part(from, to) {
    const [first, last] = this.whole();
    const length = Math.max(Math.min(to - from, last - first), LEAST_WINDOW_S);
    if (length >= 0.98 * (last - first)) return this.look("whole");
    const start = Math.min(Math.max(from, first), last - length);
    return this.look([start, start + length]);
  }

  zoom(factor) {
    const [from, to] = this.seen();
    const middle = this.pinned !== null && this.pinned >= from && this.pinned <= to ? this.pinned : (from + to) / 2;
    this.part(middle - (middle - from) * factor, middle + (to - middle) * factor);
  }

  shift(share) {
    const [from, to] = this.seen();
    this.part(from + share * (to - from), to + share * (to - from));
  }

  /** BokehJS moved a chart's axis (a wheel, fingers, a box drawn): the others follow. Start and end come one by one. */
  moved(start, end) {
    clearTimeout(this.movedLater);
    this.movedLater = setTimeout(() => this.part(start, end), 0);
  }

  // --- reading off ----------------------------------------------------------------------------------------------------

  point(t) {
    this.pointed = t;
    this.changed();
  }

  pin(t) {
    this.pinned = t;
    if (t !== null) this.slider.value = String(t);
    this.changed();
    this.valueText();
  }

  slid() {
    this.pinned = Number(this.slider.value);
    this.changed();
    this.valueText();
  }

  /** Arrows go a hundredth of what is seen; with Page Up and Down a tenth. */
  keyed(event) {
    const steps = { ArrowLeft: -0.01, ArrowDown: -0.01, ArrowRight: 0.01, ArrowUp: 0.01, PageDown: -0.1, PageUp: 0.1 };
    if (!(event.key in steps)) return;
    event.preventDefault();
    const [from, to] = this.seen();
    const now = this.pinned ?? this.extent()[1];
    this.pin(Math.min(Math.max(now + steps[event.key] * (to - from), from), to));
  }

  valueText() {
    this.slider.setAttribute("aria-valuetext", this.readText(this.pinned ?? this.extent()[1]));
  }

  /** As fine as the slider's step: every press of an arrow is told. */
  readText(t) {
    const [from, to] = this.seen();
    return `${timeText(t, to - from < FINE_S ? 0.1 : 1)}: ${[...this.plates.values()].map(({ chart }) => `${chart.title} ${chart.read(t)}`).join(", ")}`;
  }

  showReading(from, to) {
    const t = this.pointed ?? this.pinned ?? this.extent()[1];
    const { slider } = this;
    if (Number(slider.min) !== from || Number(slider.max) !== to) Object.assign(slider, { min: String(from), max: String(to) });
    if (document.activeElement !== slider || this.pinned === null) slider.value = String(this.pinned ?? t);
    tell(this.readTime, timeText(t, to - from < FINE_S ? 0.1 : 1));
    for (const plate of this.plates.values()) tell(plate.read, plate.chart.read(t));
    if (!slider.hasAttribute("aria-valuetext")) this.valueText();
    this.newest.setAttribute("aria-pressed", String(this.pinned === null));
  }

  // --- events ---------------------------------------------------------------------------------------------------------

  /** {t_s, kind, text, role}: marked on the axis by their number, told in the list. */
  addEvents(events) {
    const box = this.list.parentElement;
    const atEnd = box && box.scrollTop + box.clientHeight >= box.scrollHeight - 8;
    for (const one of events) {
      this.events.push(one);
      const place = this.events.length - 1;
      const item = el(
        "button",
        { type: "button", onclick: () => this.choose(place) },
        el("span", { class: "number soft" }, `${place + 1}.`),
        el("span", { class: "number" }, timeText(one.t_s, 1)),
        el("span", {}, one.text),
      );
      this.list.append(el("li", { data: { role: one.role ?? "", kind: one.kind } }, item));
    }
    if (events.length) this.changed();
    if (events.length && this.live && atEnd) box.scrollTop = box.scrollHeight;
  }

  choose(place) {
    const one = this.events[place];
    [...this.list.querySelectorAll("button")].forEach((button, other) => (other === place ? button.setAttribute("aria-current", "true") : button.removeAttribute("aria-current")));
    this.chosen = one.t_s;
    this.pin(one.t_s);
    const [from, to] = this.seen();
    if (one.t_s < from || one.t_s > to) this.part(one.t_s - (to - from) / 2, one.t_s + (to - from) / 2);
  }

  /** Numbered marks over the axis; those that would stand on one another share one. */
  layEvents(from, to, width) {
    const groups = [];
    this.events.forEach((one, place) => {
      if (one.t_s < from || one.t_s > to) return;
      const x = ((one.t_s - from) / (to - from)) * width;
      groups.push({ x, from: place, until: place });
      while (groups.length > 1 && groups.at(-1).x - groups.at(-2).x < (wide(groups.at(-1)) + wide(groups.at(-2))) / 2) groups.at(-2).until = groups.pop().until;
    });
    const key = JSON.stringify(groups.map((one) => [Math.round(one.x), one.from, one.until]));
    if (key === this.laid) return;
    this.laid = key;
    fill(
      this.strip,
      groups.map((one) => el("button", { type: "button", tabindex: "-1", title: this.events.slice(one.from, one.until + 1).map((event) => `${timeText(event.t_s, 1)} ${event.text}`).join("\n"), style: { left: `${LEFT + one.x}px` }, onclick: () => this.choose(one.from) }, numbered(one))),
    );
  }

  // --- as a table -----------------------------------------------------------------------------------------------------

  tabulate() {
    if (!this.numbers.open) return;
    const [from, to] = this.seen();
    const step = Math.max((to - from) / ROWS, 0.1);
    const until = Math.min(to, this.extent()[1]);
    const rows = [];
    for (let t = from; t <= until + 1e-9; t += step) rows.push(t);
    const columns = [...this.plates.values()].flatMap(({ chart }) => [
      [chart.title, (t) => chart.number(chart.drawn.at(t)), true],
      ...(chart.beside ? [[`${chart.title}, beside`, (t) => chart.number(chart.beside.at(t)), true]] : []),
    ]);
    const told = `Every ${step < 10 ? `${step.toFixed(1)} s` : clock(step)} from ${timeText(from, 1)} to ${timeText(until, 1)}; zoom in for a finer table.`;
    fill(this.rows, el("p", { class: "soft small" }, told, this.live ? " As it was when this was opened." : ""), table("The numbers of the curves", [["Time", (t) => timeText(t, step), true], ...columns], rows));
  }
}
