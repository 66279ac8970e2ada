// Control charts, histograms and the pictures of a gauge study. Every one has its words and its table beside it.

import { charts, colour } from "./charts.js";
import { el, fill, table } from "./kit.js";

const HEIGHT = 240;

/** A figure of the page's own look in `place`; `draw(figure, Bokeh)` puts in what is seen. */
async function figure(place, label, { x = "", y = "", height = HEIGHT, x_range, y_range }, draw) {
  const Bokeh = await charts();
  const [ink, soft, grid, plate] = ["ink", "soft", "grid", "plate"].map(colour);
  const given = { height, sizing_mode: "stretch_width", tools: "hover", toolbar_location: null, background_fill_color: plate, border_fill_color: plate, outline_line_color: grid };
  if (x_range) given.x_range = x_range;
  if (y_range) given.y_range = y_range;
  const made = Bokeh.Plotting.figure(given);
  for (const axis of [made.xaxis, made.yaxis]) {
    axis.major_label_text_color = ink;
    axis.axis_label_text_color = soft;
    axis.axis_line_color = axis.major_tick_line_color = axis.minor_tick_line_color = grid;
    axis.major_label_text_font_size = axis.axis_label_text_font_size = "13px";
  }
  made.xaxis.axis_label = x;
  made.yaxis.axis_label = y;
  for (const one of [made.xgrid, made.ygrid]) one.grid_line_color = grid;
  draw(made, Bokeh);
  const canvas = el("div", { class: "curve", role: "img", "aria-label": label, style: { "min-height": `${height}px` } });
  fill(place, canvas);
  await Bokeh.Plotting.show(made, canvas);
  return made;
}

function level(made, Bokeh, value, name, dash = [], width = 1.5) {
  if (value === null || value === undefined) return;
  made.add_layout(new Bokeh.Span({ dimension: "width", location: value, line_color: colour(name), line_dash: dash, line_width: width }));
}

const spread = (values) => {
  const there = values.filter((one) => Number.isFinite(one));
  const [low, high] = [Math.min(...there), Math.max(...there)];
  const margin = 0.08 * (high - low || Math.abs(high) || 1);
  return [low - margin, high + margin];
};

const CHARTS = { individuals: "Individuals", "moving range": "Moving ranges", "x-bar": "Means of subgroups", R: "Ranges of subgroups", s: "Standard deviations of subgroups" };

/** One control chart: points, centre, limits, and signals as diamonds. */
export async function controlChart(place, chart, signals, unit) {
  const [at, values] = [chart.points.map((one) => one[0]), chart.points.map((one) => one[1])];
  const mine = signals.filter((one) => one.chart === chart.kind);
  const marked = mine.map((one) => chart.points.find((point) => point[0] === one.at)).filter(Boolean);
  const name = CHARTS[chart.kind] ?? chart.kind;
  const label = `${name}: ${chart.n} points, centre ${short(chart.centre)} ${unit}, limits ${short(chart.low)} to ${short(chart.high)} ${unit}; ${mine.length ? mine.map((one) => one.says).join("; ") : "no signal"}`;
  const y_range = spread([...values, chart.centre, chart.low ?? chart.centre, chart.high ?? chart.centre]);
  await figure(place, label, { x: "unit, in order of testing", y: unit, y_range }, (made, Bokeh) => {
    level(made, Bokeh, chart.centre, "line-2");
    level(made, Bokeh, chart.low, "bad", [6, 4], 2);
    level(made, Bokeh, chart.high, "bad", [6, 4], 2);
    made.line(at, values, { line_color: colour("soft"), line_width: 1 });
    made.scatter(at, values, { size: 5, fill_color: colour("ink"), line_color: null });
    if (marked.length) made.scatter(marked.map((one) => one[0]), marked.map((one) => one[1]), { size: 15, marker: "diamond", fill_color: null, line_color: colour("bad"), line_width: 3 });
  });
  put(place, el("p", { class: "soft small" }, `${name}: ${chart.says}. Dashed: the limits; diamonds: signals.${chart.n > chart.points.length ? ` Drawn: ${chart.points.length} of ${chart.n} points.` : ""}`));
  put(place, numbers("The points", [["Unit", (one) => String(one[0]), true], [unit || "value", (one) => short(one[1]), true]], chart.points));
}

const put = (place, ...children) => place.append(...children);

/** The numbers behind a picture. */
function numbers(title, columns, rows, most = 400) {
  return el("details", { class: "no-print" }, el("summary", {}, `${title} as a table`), table(title, columns, rows.slice(0, most)), rows.length > most ? el("p", { class: "soft" }, `The first ${most} of ${rows.length}; all are in the CSV.`) : null);
}

/** How the values lie between the limits. */
export async function histogram(place, one) {
  const { edges, counts, below, above } = one.histogram;
  const outside = below + above ? `; ${below} lie below and ${above} above what is drawn` : "";
  const label = `${one.title}: ${one.n} values from ${short(one.min)} to ${short(one.max)} ${one.unit}, median ${short(one.median)}, limits ${limits(one)}${outside}`;
  await figure(place, label, { x: one.unit, y: "units", x_range: spread([...edges, one.low ?? edges[0], one.high ?? edges.at(-1)]) }, (made, Bokeh) => {
    made.quad({ left: edges.slice(0, -1), right: edges.slice(1), bottom: counts.map(() => 0), top: counts, fill_color: colour("band"), line_color: colour("ink") });
    for (const value of [one.low, one.high]) if (value !== null) made.add_layout(new Bokeh.Span({ dimension: "height", location: value, line_color: colour("bad"), line_dash: [6, 4], line_width: 2 }));
  });
  put(place, el("p", { class: "soft small" }, `${label}. Dashed: the limits.`));
}

/** A standard's chart on one bench. */
export async function standardChart(place, one, unit = "") {
  const rows = one.points.map((value, at) => [at + 1, value, one.times[at]]);
  const { centre = null, low = null, high = null } = one.limits ?? {};
  const label = `${one.title}: ${one.n} measurements${one.limits ? `, centre ${short(centre)}, limits ${short(low)} to ${short(high)} ${unit}` : ", no limits yet"}; ${one.says.join(" ")}`;
  const marked = one.signals.map((each) => rows[each.at - 1]).filter(Boolean);
  await figure(place, label, { x: "measurement", y: unit, y_range: spread([...one.points, ...(one.limits ? [low, high] : [])]) }, (made, Bokeh) => {
    level(made, Bokeh, centre, "line-2");
    level(made, Bokeh, low, "bad", [6, 4], 2);
    level(made, Bokeh, high, "bad", [6, 4], 2);
    made.line(rows.map((row) => row[0]), one.points, { line_color: colour("soft") });
    made.scatter(rows.map((row) => row[0]), one.points, { size: 6, fill_color: colour("ink"), line_color: null });
    if (marked.length) made.scatter(marked.map((row) => row[0]), marked.map((row) => row[1]), { size: 15, marker: "diamond", fill_color: null, line_color: colour("bad"), line_width: 3 });
  });
  put(place, numbers("The measurements", [["No.", (row) => String(row[0]), true], ["Value", (row) => short(row[1]), true], ["When (UTC)", (row) => row[2] ?? ""]], rows));
}

const MARKERS = ["circle", "square", "triangle", "diamond", "inverted_triangle", "hex", "star", "plus", "x", "asterisk"];

/** A study: every rater's mean of every unit. */
export async function studyChart(place, one, design) {
  const units = one.complete;
  if (!units.length) return;
  const label = `${one.title}: means of ${units.length} units by ${design.raters.length} raters, a mark a rater; lines that lie on one another mean that the raters agree`;
  await figure(place, label, { x: "unit", y: one.unit, x_range: units }, (made) => {
    design.raters.forEach((rater, at) => {
      const values = one.means.map((row) => row[at]);
      const stroke = colour(`line-${(at % 4) + 1}`);
      made.line(units, values, { line_color: stroke, legend_label: rater, line_dash: [[], [6, 4], [2, 3], [8, 3, 2, 3]][at % 4] });
      made.scatter(units, values, { size: 9, marker: MARKERS[at % MARKERS.length], fill_color: null, line_color: stroke, line_width: 2, legend_label: rater });
    });
    made.xaxis.major_label_orientation = 0.9;
  });
  put(place, numbers("The means", [["Unit", (row) => row.unit], ...design.raters.map((rater, at) => [rater, (row) => short(row.means[at]), true])], units.map((unit, at) => ({ unit, means: one.means[at] }))));
}

/** A number with four telling digits. */
export function short(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "-";
  if (value === 0) return "0";
  const size = Math.abs(value);
  return size >= 1e6 || size < 1e-4 ? value.toExponential(2) : String(Number(value.toPrecision(size >= 10000 ? 6 : 5)));
}

export function limits({ low, high }) {
  if (low !== null && high !== null) return `${low} to ${high}`;
  return low !== null ? `at least ${low}` : `at most ${high}`;
}
