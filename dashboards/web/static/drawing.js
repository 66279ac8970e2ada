// One chart of BokehJS: a curve before its band, what was expected, and what went before; and the same as a plain picture
// for paper, or where BokehJS cannot be had. Nothing here knows what a run is.

import { clock, el } from "./kit.js";
import { colour } from "./charts.js";
import { ticks, times } from "./curve-data.js";

export const LEFT = 58; // px from the chart's edge to its time axis: the strip of events lines up by it
export const RIGHT = 14;
export const LEAST_WINDOW_S = 2;
const LEAST_CELSIUS = 4;
const LEAST_SHARE = 0.01; // of the value
const ENDLESS = 1e6; // an open end of a band, far off every chart
const FONT = "13px";
/** How the curves of a chart are told apart: by their dashes first. */
export const DASHES = { track: [], beside: [10, 4], behind: [2, 4] };

export const timeText = (t, step) => (step < 1 ? `${t < 0 ? "-" : ""}${Math.floor(Math.abs(t) / 60)}:${(Math.abs(t) % 60).toFixed(1).padStart(4, "0")}` : `${t < 0 ? "-" : ""}${clock(Math.abs(t))}`);

/** What stands on the time axis between two times: [[time, text]...]. */
export function timeTicks(from, to, width) {
  const found = times(from, to, Math.max(Math.floor(width / 90), 2));
  const step = found.length > 1 ? found[1] - found[0] : 1;
  return found.map((t) => [t, timeText(t, step)]);
}

/** The values that a chart spans: what is seen of its curves, its band, its ceiling. */
export function valueSpan(chart, from, to) {
  const ends = chart.limits();
  for (const track of chart.tracks()) {
    const seen = track.extent(from, to);
    if (seen) ends.push(chart.turn(track.v[seen.least]), chart.turn(track.columns.at(-1)[seen.most]));
  }
  if (!ends.length) return [0, 1];
  let [low, high] = [Math.min(...ends), Math.max(...ends)];
  // What is steady is drawn steady: its last digit would else fill the chart.
  const least = chart.unit === "degC" ? LEAST_CELSIUS : LEAST_SHARE * Math.max(Math.abs(low), Math.abs(high));
  if (high - low < least) [low, high] = [(low + high - least) / 2, (low + high + least) / 2];
  const margin = 0.07 * (high - low || Math.abs(high) || 1);
  const over = chart.ceiling !== null || chart.bands.some((band) => band[1] === null); // words stand over these
  return [low - margin, high + (over ? 2.2 : 1) * margin];
}

export class Drawing {
  /** `chart`: see curves.js. `on`: pointed(t), left(), tapped(t), moved(from, to). */
  constructor(Bokeh, chart, height, on) {
    this.Bokeh = Bokeh;
    this.chart = chart;
    this.x = new Bokeh.Range1d({ start: 0, end: 1, min_interval: LEAST_WINDOW_S });
    this.x.change.connect(() => this.mine || on.moved(this.x.start, this.x.end));
    this.y = new Bokeh.Range1d({ start: 0, end: 1 });
    const figure = new Bokeh.Plotting.figure({
      x_range: this.x,
      y_range: this.y,
      height,
      sizing_mode: "stretch_width",
      tools: "",
      toolbar_location: null,
      min_border_left: LEFT,
      min_border_right: RIGHT,
      min_border_top: 6,
      min_border_bottom: 4,
      lod_threshold: null,
    });
    this.figure = figure;
    this.axes = [figure.below[0], figure.left[0]];
    this.ticker = new Bokeh.FixedTicker({ ticks: [] });
    this.axes[0].ticker = this.ticker;
    this.grids = figure.center.filter((one) => one instanceof Bokeh.Grid);
    this.grids.forEach((grid) => grid.dimension === 0 && (grid.ticker = this.ticker));
    const source = (columns) => new Bokeh.ColumnDataSource({ data: Object.fromEntries(columns.map((name) => [name, []])) });
    this.sources = { track: source(["t", "v"]), beside: source(["t", "v"]), behind: source(["t", "v"]), expected: source(["xs", "ys"]), events: source(["t"]) };
    this.fed = {}; // what each curve was drawn of
    this.expected = figure.patches({ field: "xs" }, { field: "ys" }, { source: this.sources.expected, line_width: 1, line_alpha: 0.7, fill_alpha: 0.14 });
    this.marks = figure.vspan({ field: "t" }, { source: this.sources.events, line_width: 1 });
    this.marks.glyph.line_dash = { value: [1, 3] }; // a list given to the figure would be taken for a column
    this.lines = Object.fromEntries(
      ["behind", "beside", "track"].map((name) => [name, figure.line({ field: "t" }, { field: "v" }, { source: this.sources[name], line_width: name === "track" ? 2 : 1.5, line_join: "round" })]),
    );
    for (const [name, line] of Object.entries(this.lines)) line.glyph.line_dash = DASHES[name];
    this.chosen = new Bokeh.Span({ location: 0, dimension: "height", line_width: 3, line_dash: [6, 3], visible: false, level: "overlay" });
    this.cursor = new Bokeh.Span({ location: 0, dimension: "height", line_width: 1.5, visible: false, level: "overlay" });
    figure.add_layout(this.chosen);
    figure.add_layout(this.cursor);
    this.makeLimits();
    this.tools(on);
  }

  /** A mouse draws the part it wants to see, or turns its wheel with Ctrl; fingers pinch. A finger that moves scrolls the page. */
  tools(on) {
    const { Bokeh, figure } = this;
    const wheel = new Bokeh.WheelZoomTool({ dimensions: "width", modifiers: { ctrl: true } });
    figure.add_tools(wheel);
    figure.toolbar.active_scroll = wheel;
    if (matchMedia("(pointer: fine)").matches) {
      const box = new Bokeh.BoxZoomTool({ dimensions: "width" });
      figure.add_tools(box);
      figure.toolbar.active_drag = box;
      this.box = box;
    }
    figure.on_event("mousemove", (event) => on.pointed(event.x));
    figure.on_event("mouseleave", () => on.left());
    figure.on_event("tap", (event) => on.tapped(event.x));
  }

  async into(place) {
    this.view = await this.Bokeh.Plotting.show(this.figure, place);
    // The chart stands in the page as a picture with words; what can be done with it, can be done with the page's buttons.
    this.view.canvas_view.events_el.tabIndex = -1;
  }

  /** The page's colours, as they are now. */
  paint() {
    const [ink, soft, edge, grid, plate] = ["ink", "soft", "edge", "grid", "plate"].map(colour);
    Object.assign(this.figure, { background_fill_color: plate, border_fill_color: plate, outline_line_color: edge });
    for (const axis of this.axes) Object.assign(axis, { axis_line_color: edge, major_tick_line_color: edge, minor_tick_line_color: null, major_label_text_color: soft, major_label_text_font_size: FONT });
    for (const one of this.grids) one.grid_line_color = grid;
    const colours = { track: colour("line-1"), beside: colour("line-2"), behind: soft };
    for (const [name, line] of Object.entries(this.lines)) line.glyph.line_color = colours[name];
    Object.assign(this.expected.glyph, { fill_color: colour("line-3"), line_color: colour("line-3") });
    this.marks.glyph.line_color = soft;
    this.chosen.line_color = colour("ask");
    this.cursor.line_color = ink;
    if (this.box) Object.assign(this.box.overlay, { fill_color: colour("ask"), fill_alpha: 0.2, line_color: colour("ask") });
    for (const one of this.limits) this.paintLimit(one);
  }

  paintLimit({ shape, label, ceiling }) {
    if (ceiling) shape.line_color = colour("bad");
    else Object.assign(shape, { fill_color: colour("band"), line_color: colour("band") });
    Object.assign(label, { text_color: ceiling ? colour("bad") : colour("good"), background_fill_color: colour("plate") });
  }

  /** Room for two bands and a ceiling; what a chart has none of is not seen. */
  makeLimits() {
    const { Bokeh, figure } = this;
    const words = { x: 6, x_units: "screen", y: 0, text: "", text_font_size: FONT, background_fill_alpha: 0.7, visible: false };
    const band = () => ({ shape: new Bokeh.BoxAnnotation({ bottom: 0, top: 0, fill_alpha: 0.28, line_width: 1, level: "underlay", visible: false }), label: new Bokeh.Label({ ...words, text_baseline: "top", y_offset: -2 }), ceiling: false });
    const ceiling = { shape: new Bokeh.Span({ location: 0, dimension: "width", line_width: 2, line_dash: [8, 4], visible: false }), label: new Bokeh.Label({ ...words, text_baseline: "bottom", y_offset: 1 }), ceiling: true };
    this.limits = [band(), band(), ceiling];
    for (const { shape, label } of this.limits) for (const one of [shape, label]) figure.add_layout(one);
  }

  /** The spec's band and ceiling, drawn and labelled; set only where they changed. */
  limit() {
    const { chart } = this;
    const bands = chart.shownBands;
    const key = JSON.stringify([bands, chart.shownCeiling, chart.shownUnit]);
    if (key === this.limited) return;
    this.limited = key;
    this.limits.forEach(({ shape, label, ceiling }, place) => {
      const band = ceiling ? null : bands[place];
      const there = ceiling ? chart.shownCeiling !== null : Boolean(band);
      if (there && ceiling) (shape.location = chart.shownCeiling), label.setv({ y: chart.shownCeiling, text: chart.ceilingText });
      else if (there) shape.setv({ bottom: band[0] ?? -ENDLESS, top: band[1] ?? ENDLESS }), label.setv({ y: band[1] ?? band[0], text: chart.bandText(band), text_baseline: band[1] === null ? "bottom" : "top", y_offset: band[1] === null ? 2 : -2 });
      shape.visible = label.visible = there;
    });
  }

  /** What changed since the last time: the part that is seen, curves, limits, and the values that are spanned. */
  draw(from, to) {
    this.mine = true;
    if (this.x.start !== from || this.x.end !== to) this.x.setv({ start: from, end: to });
    this.mine = false;
    this.limit();
    this.feed("track", this.chart.drawn);
    this.feed("beside", this.chart.beside);
    this.feed("behind", this.chart.behind);
    const { expected } = this.chart;
    if (this.isNew("expected", expected)) this.sources.expected.data = expected ? patches(expected, this.chart.turn) : { xs: [], ys: [] };
    const [low, high] = valueSpan(this.chart, from, to);
    if (this.y.start !== low || this.y.end !== high) this.y.setv({ start: low, end: high });
  }

  feed(name, track) {
    if (this.isNew(name, track)) this.sources[name].data = track ? { t: track.t.slice(0, track.n), v: track.v.slice(0, track.n).map(this.chart.turn) } : { t: [], v: [] };
  }

  isNew(name, track) {
    const before = this.fed[name];
    const now = [track, track?.n, track?.last, this.chart.turns];
    this.fed[name] = now;
    return now.some((one, place) => one !== before?.[place]);
  }

  tick(ticked) {
    const key = ticked.join();
    if (key === this.ticked) return;
    this.ticked = key;
    this.axes[0].major_label_overrides = new Map(ticked);
    this.ticker.ticks = ticked.map(([t]) => t);
  }

  /** Where it is read off, which event was chosen, and all events. */
  mark(cursor, chosen, events) {
    const put = (span, t) => {
      if (t !== null && span.location !== t) span.location = t;
      if (span.visible !== (t !== null)) span.visible = t !== null;
    };
    put(this.cursor, cursor);
    put(this.chosen, chosen);
    if (events.length === this.marked) return;
    this.marked = events.length;
    this.sources.events.data = { t: events.map((one) => one.t_s) };
  }
}

/** A band as closed shapes, one for each piece without a break. */
function patches(track, turn) {
  const found = { xs: [], ys: [] };
  let from = 0;
  const close = (until) => {
    if (until - from > 1) {
      const t = track.t.slice(from, until);
      const [low, high] = track.columns.map((one) => one.slice(from, until).map(turn));
      found.xs.push([...t, ...t.toReversed()]);
      found.ys.push([...low, ...high.toReversed()]);
    }
    from = until + 1;
  };
  for (let i = 0; i < track.n; i += 1) if (Number.isNaN(track.v[i])) close(i);
  close(track.n);
  return found;
}

// --- on paper ---------------------------------------------------------------------------------------------------------

const PAPER = { width: 680, height: 190, left: 52, right: 10, top: 14, bottom: 22 };

/** A chart as a plain picture in black and white: SVG, as wide as the paper. */
export function picture(chart, from, to, events) {
  const { width, height, left, right, top, bottom } = PAPER;
  const [low, high] = valueSpan(chart, from, to);
  const x = (t) => left + ((t - from) / (to - from || 1)) * (width - left - right);
  const y = (value) => top + ((high - value) / (high - low)) * (height - top - bottom);
  const inside = (value) => Math.min(Math.max(value, low), high);
  const line = (x1, y1, x2, y2, kind) => el("line", { x1, y1, x2, y2, class: kind });
  const text = (px, py, said, anchor = "start") => el("text", { x: px, y: py, "text-anchor": anchor }, said);
  const parts = [];
  for (const band of chart.shownBands) {
    const [bottomOf, topOf] = [inside(band[0] ?? low), inside(band[1] ?? high)];
    parts.push(el("rect", { class: "band", x: left, width: width - left - right, y: y(topOf), height: Math.max(y(bottomOf) - y(topOf), 0) }), text(left + 4, y(topOf) + 11, chart.bandText(band)));
  }
  for (const value of ticks(low, high, 4)) parts.push(line(left, y(value), width - right, y(value), "grid"), text(left - 4, y(value) + 4, String(value), "end"));
  for (const [t, said] of timeTicks(from, to, width)) parts.push(line(x(t), top, x(t), height - bottom, "grid"), text(x(t), height - 8, said, "middle"));
  const ceiling = chart.shownCeiling;
  if (ceiling !== null) parts.push(line(left, y(ceiling), width - right, y(ceiling), "ceiling"), text(left + 4, y(ceiling) - 3, chart.ceilingText));
  if (chart.expected) parts.push(el("path", { class: "expected", d: outline(chart.expected, chart.turn, x, (value) => y(inside(value)), from, to) }));
  for (const [name, track] of [["behind", chart.behind], ["beside", chart.beside], ["track", chart.drawn]]) if (track) parts.push(el("path", { class: name, d: path(track, (v) => y(inside(chart.turn(v))), x, from, to) }));
  let free = 0; // numbers that would stand on one another are left out
  events.forEach((one, place) => {
    if (one.t_s < from || one.t_s > to) return;
    parts.push(line(x(one.t_s), top, x(one.t_s), height - bottom, "event"));
    if (x(one.t_s) < free) return;
    free = x(one.t_s) + 18;
    parts.push(text(x(one.t_s), 10, String(place + 1), "middle"));
  });
  parts.push(el("rect", { class: "frame", x: left, y: top, width: width - left - right, height: height - top - bottom }));
  return el("svg", { class: "paper", viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" }, parts);
}

function path(track, y, x, from, to) {
  let [found, pen] = ["", "M"];
  for (let i = Math.max(track.place(from) - 1, 0); i < track.n && track.t[i] <= to; i += 1) {
    if (track.t[i] < from) continue;
    if (Number.isNaN(track.v[i])) pen = "M";
    else {
      found += `${pen}${x(track.t[i]).toFixed(1)} ${y(track.v[i]).toFixed(1)}`;
      pen = "L";
    }
  }
  return found;
}

function outline(track, turn, x, y, from, to) {
  const { xs, ys } = patches(track, turn);
  return xs.map((one, place) => `M${one.map((t, i) => `${x(Math.min(Math.max(t, from), to)).toFixed(1)} ${y(ys[place][i]).toFixed(1)}`).join("L")}Z`).join("");
}
