// Every run that was kept: found by a scan or by what is known of it, laid side by side, taken along as CSV.

import { badge, clock, download, el, failed, field, fill, form, get, main, plate, put, query, segment, start, tell, testName, timeOf, titled, wrong } from "./kit.js";
import { again, each } from "./kept.js";
import { showLink } from "./live.js";

const PAGE = 50;
const MOST_IN_FILE = 10000;
const EVERY_MS = 5000;
const FILTERS = ["text", "unit", "work_order", "lot", "machine", "bench", "procedure", "verdict", "from", "to"];
const IN_WORDS = { text: "holding", unit: "serial number", work_order: "order", lot: "lot", machine: "machine", bench: "bench", procedure: "procedure", verdict: "verdict", from: "from", to: "to" };
const VERDICTS = [["", "any"], ["pass", "pass"], ["fail", "fail"], ["undecided", "undecided"], ["void", "void"], ["none", "ended without one"]];
const DAY = /^\d{4}-\d\d-\d\d$/;

start(async () => {
  const [{ machines }, { parts }, { benches }, { procedures }] = await Promise.all(["machines", "parts", "benches", "procedures"].map((one) => get(`/v1/${one}`)));
  const page = new Page(searching([...machines, ...parts], benches, procedures));
  page.put();
  await page.read();
});

/** What is asked for, in the words of this page's address. */
const inAddress = () => {
  const found = new URLSearchParams(location.search);
  return Object.fromEntries([...FILTERS, "before"].map((name) => [name, found.get(name) ?? ""]));
};

const placeOf = (filter) => `/history${query(filter)}`;

/** The same in the words of the interface: days of this device become moments. */
function asked({ from, to, ...rest }) {
  return { ...rest, since: DAY.test(from) ? moment(from, 0) : "", until: DAY.test(to) ? moment(to, 1) : "" };
}

/** When a day of this device begins, so many days later, UTC. */
function moment(day, later) {
  const [year, month, date] = day.split("-").map(Number);
  const found = new Date(year, month - 1, date + later);
  return Number.isNaN(found.getTime()) ? "" : `${found.toISOString().slice(0, 19)}Z`;
}

function searching(machines, benches, procedures) {
  const select = (label, name, options) => field(label, name, { kind: "select", options: [["", "any"], ...options] });
  const names = (found) => found.map((one) => [one, one]);
  const more = el(
    "details",
    {},
    el("summary", {}, "Search by one thing alone"),
    el(
      "div",
      { class: "fields" },
      field("Serial number", "unit", { maxlength: 128, autocapitalize: "off" }),
      field("Work order", "work_order", { maxlength: 128, autocapitalize: "off" }),
      field("Lot", "lot", { maxlength: 128, autocapitalize: "off" }),
      select("Machine", "machine", names([...new Set(machines.filter((one) => !one.wrong).map((one) => one.name))].sort())),
      select("Bench", "bench", benches.map((one) => [one.bench, one.name])),
      select("Procedure", "procedure", [...new Set([...procedures, "unit"])].map((one) => [one, testName(one)])),
      field("Verdict", "verdict", { kind: "select", options: VERDICTS }),
      field("From", "from", { kind: "date" }),
      field("To, that day too", "to", { kind: "date" }),
    ),
  );
  const text = field("Serial number, order, machine or bench", "text", { hint: "Scan it, or type a part of it and press Enter.", maxlength: 64, autocapitalize: "off", autofocus: true, type: "search", enterkeyhint: "search" });
  return { text, more };
}

class Page {
  constructor({ text, more }) {
    this.more = more;
    this.chosen = new Map(); // run -> its row of the list, two at most
    this.trail = []; // the `before` of the pages that one came through
    this.form = form([text, more], "Search", async (values, made) => this.search(values, made));
    this.clear = el("button", { type: "button", onclick: () => this.go({}) }, "Clear the search");
    this.form.querySelector("button[type=submit]").after(this.clear);
    this.told = el("p", { role: "status", tabindex: "-1" });
    this.rows = el("tbody", { role: "rowgroup" });
    this.list = this.table();
    this.newest = el("button", { type: "button", onclick: () => this.turn("", []) }, "Newest");
    this.newer = el("button", { type: "button", onclick: () => this.turn(this.trail.at(-1), this.trail.slice(0, -1)) }, "Newer");
    this.older = el("button", { type: "button", onclick: () => this.turn(this.last, [...this.trail, this.filter.before]) }, "Older");
    this.save = el("button", { type: "button", onclick: () => this.saveList() }, "Save the list (CSV)");
    this.pair = el("div", { class: "chosen no-print", hidden: true });
    this.again = again(() => this.lookAgain(), EVERY_MS);
    addEventListener("popstate", (event) => {
      this.trail = event.state?.trail ?? [];
      this.read().catch(failed);
    });
  }

  put() {
    this.trail = history.state?.trail ?? [];
    const pages = el("nav", { class: "row no-print", "aria-label": "Pages of the list" }, this.newest, this.newer, this.older, el("span", { class: "push" }), this.save);
    fill(main(), el("h1", {}, "History"), plate("Find runs", this.form), plate("Runs", this.told, this.pair, this.list, pages));
    this.form.parentElement.classList.add("no-print");
  }

  // --- what is asked for ----------------------------------------------------------------------------------------------

  search(values, made) {
    const { from, to } = values;
    if (from && to && from > to) {
      this.more.open = true;
      return wrong(made.elements.to, "this day is before the one it begins with.");
    }
    made.elements.text.select(); // the next scan takes its place
    return this.go(values);
  }

  /** Another search, or none. */
  go(filter) {
    this.trail = [];
    history.pushState({ trail: [] }, "", placeOf(filter));
    return this.read();
  }

  turn(before, trail) {
    this.trail = trail;
    history.pushState({ trail }, "", placeOf({ ...this.filter, before }));
    this.read().then(() => this.told.focus(), failed); // the button may be of no use any more
  }

  /** Read what the address says, and show it. Whatever was asked before is dropped. */
  async read() {
    this.filter = inAddress();
    this.reading?.abort();
    this.reading = new AbortController();
    this.showFilter();
    try {
      const { runs } = await get(`/v1/runs${query({ ...asked(this.filter), limit: PAGE + 1 })}`, this.reading.signal);
      this.show(runs);
    } catch (error) {
      if (error.name === "AbortError") return;
      this.show([]);
      tell(this.told, error.message);
      if (error.status !== 404 && error.status !== 422) throw error;
    }
  }

  async lookAgain() {
    if (this.filter === undefined || this.filter.before) return;
    const filter = this.filter;
    try {
      const { runs } = await get(`/v1/runs${query({ ...asked(filter), limit: PAGE + 1 })}`);
      showLink(true);
      if (filter === this.filter) this.show(runs);
    } catch (error) {
      if (error.status === 0) showLink(false);
    }
  }

  // --- what is shown --------------------------------------------------------------------------------------------------

  showFilter() {
    for (const name of FILTERS) {
      const input = this.form.elements[name];
      const value = this.filter[name];
      // A machine or bench that there is no file of any more.
      if (input.tagName === "SELECT" && ![...input.options].some((one) => one.value === value)) put(input, el("option", { value }, value));
      if (input !== document.activeElement || input.value !== value) input.value = value;
      wrong(input, "");
    }
    const used = FILTERS.filter((name) => this.filter[name]);
    this.more.open = this.more.open || used.some((name) => name !== "text");
    this.clear.hidden = !used.length;
    this.words = used.map((name) => `${IN_WORDS[name]} ${this.form.elements[name].selectedOptions?.[0].text ?? this.filter[name]}`).join(", ");
  }

  show(runs) {
    const shown = runs.slice(0, PAGE);
    this.last = shown.at(-1)?.run ?? "";
    each(this.rows, shown, (one) => one.run, (one) => new Row(one, this));
    this.list.hidden = !shown.length;
    const more = runs.length > PAGE;
    const searched = this.words ? ` (${this.words})` : "";
    const count = `${shown.length === 1 ? "1 run" : `${shown.length} runs`}`;
    if (!shown.length) tell(this.told, this.filter.before ? `There are no older runs${searched}.` : this.words ? `No run fits: ${this.words}.` : "No run was kept yet.");
    else if (this.filter.before) tell(this.told, `${count}${searched}, older ones${more ? "; there are more" : "; these are the first"}.`);
    else tell(this.told, `${more ? `The newest ${count}` : count}${searched}.`);
    this.newest.disabled = !this.filter.before;
    this.newer.disabled = !this.trail.length;
    this.older.disabled = !more;
    this.save.disabled = !shown.length;
    this.showPair();
  }

  table() {
    const head = ["Compare", "Begun", "Serial", "Order", "Machine", "Bench", "Procedure", "Verdict", "Suspect", "Lasted", "Samples"];
    return el(
      "table",
      { class: "runs", role: "table" },
      el("caption", { class: "away" }, "Runs, the newest first"),
      el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, head.map((one) => el("th", { scope: "col", role: "columnheader" }, one)))),
      this.rows,
    );
  }

  // --- two side by side -----------------------------------------------------------------------------------------------

  /** Choose a run or take it back; whether it could be chosen. */
  choose(info, wanted) {
    if (!wanted) this.chosen.delete(info.run);
    else if (this.chosen.size < 2) this.chosen.set(info.run, info);
    else return false;
    this.showPair();
    return true;
  }

  showPair() {
    const runs = [...this.chosen.values()];
    const key = runs.map((one) => one.run).join();
    if (this.pair.dataset.key === key) return;
    this.pair.dataset.key = key;
    this.pair.hidden = !runs.length;
    const [first, second] = runs;
    const named = (one) => [one.unit ?? one.run, one.procedure, one.started ? timeOf(one.started) : null].filter(Boolean).flatMap((part, place) => (place ? [", ", part] : [part]));
    const words = second ? [...named(first), " beside ", ...named(second), ". "] : [...named(first ?? {}), ": choose another run to lay beside it. "];
    const none = el("button", { type: "button", onclick: () => this.chooseNone() }, "Choose none");
    fill(this.pair, el("p", { role: "status" }, words), el("div", { class: "row" }, second ? el("a", { class: "button main", href: `/run/${segment(first.run)}?beside=${segment(second.run)}` }, "Show side by side") : null, none));
  }

  chooseNone() {
    const [first] = this.chosen.keys();
    this.chosen.clear();
    for (const { box } of this.rows.kept.values()) box.checked = false;
    this.showPair();
    (this.rows.kept.get(first)?.box ?? this.form.elements.text).focus();
  }

  async saveList() {
    this.save.disabled = true;
    try {
      await download(`/v1/runs${query({ ...asked(this.filter), before: "", limit: MOST_IN_FILE, format: "csv" })}`, "runs.csv");
    } catch (error) {
      failed(error);
    } finally {
      this.save.disabled = false;
    }
  }
}

class Row {
  constructor({ run, run_no: number }, page) {
    this.box = el("input", { type: "checkbox", checked: page.chosen.has(run), "aria-label": `Compare run ${number}` });
    this.box.addEventListener("change", () => {
      if (page.choose(this.info, this.box.checked)) return;
      this.box.checked = false;
      tell(this.full, "Two are chosen already.");
    });
    this.full = el("span", { class: "small", role: "status" });
    this.begun = el("a", { href: `/run/${segment(run)}` });
    this.verdict = el("span");
    this.cells = Object.fromEntries(["machine", "bench", "procedure", "suspect", "lasted"].map((name) => [name, el("span")]));
    this.unit = el("a");
    this.order = el("a");
    const save = el("button", { type: "button", class: "quiet", "aria-label": `Save the samples of run ${number} as CSV`, onclick: () => this.save(save) }, "CSV");
    const cell = (label, ...inside) => el("td", { role: "cell", data: { label } }, inside);
    const { machine, bench, procedure, suspect, lasted } = this.cells;
    this.element = el(
      "tr",
      { role: "row", data: { run } },
      cell("Compare", el("label", { class: "tick" }, this.box), this.full),
      cell("Begun", this.begun),
      cell("Serial", this.unit),
      cell("Order", this.order),
      cell("Machine", machine),
      cell("Bench", bench),
      cell("Procedure", procedure),
      cell("Verdict", this.verdict),
      cell("Suspect", suspect),
      cell("Lasted", lasted),
      cell("Samples", save),
    );
  }

  show(info) {
    this.info = info;
    if (!this.begun.firstChild) put(this.begun, info.started ? timeOf(info.started) : info.run);
    link(this.unit, info.unit, (unit) => placeOf({ unit }));
    link(this.order, info.work_order, (order) => `/visit/${segment(order)}`);
    tell(this.cells.machine, info.spec);
    tell(this.cells.bench, info.bench);
    tell(this.cells.procedure, testName(info.procedure));
    tell(this.cells.suspect, info.suspect && info.suspect !== "none" ? titled(info.suspect) : "");
    tell(this.cells.lasted, info.duration_s === null ? "" : clock(info.duration_s));
    const word = info.status === null ? "Under way" : info.verdict ? "" : titled(info.status);
    if (this.said !== `${info.verdict}${word}`) fill(this.verdict, info.status === null ? el("strong", {}, word) : badge(info.verdict, word));
    this.said = `${info.verdict}${word}`;
    if (this.full.textContent && this.box.checked) tell(this.full, "");
  }

  async save(button) {
    button.disabled = true;
    try {
      await download(`/v1/runs/${segment(this.info.run)}/export?form=csv`, `${this.info.run}.csv`);
    } catch (error) {
      failed(error);
    } finally {
      button.disabled = false;
      button.focus();
    }
  }
}

function link(anchor, text, place) {
  tell(anchor, text);
  if (text) anchor.href = place(text);
  else anchor.removeAttribute("href");
}
