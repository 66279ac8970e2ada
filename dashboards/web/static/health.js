// How the house is: what needs somebody, benches and their instruments, calibration dates, forwarders, disk, backups.
// Asked every few seconds; texts change in place, so that whoever reads, types or has something open is not disturbed.

import { attention, el, failed, fill, get, main, pairs, plate, post, put, query, say, segment, signIn, start, sure, table, tell, temperature, timeOf, titled, trouble, whole } from "./kit.js";
import { again, each } from "./kept.js";
import { showLink } from "./live.js";

const EVERY_MS = 3000;
const SOON_DAYS = 30;
const DAY_MS = 86400000;
const MOST_HELD = 200;
const STATES = { ready: "Ready", "in a run": "In a run", "instrument missing": "Instrument missing" };
const SAYS = { talking: "Talking", silent: "Silent", "not open": "Not open" };
const COUNTED = { readings: "Readings", garbage: "Garbage", bad_frames: "Bad frames", errors: "Errors", timeouts: "Timeouts", gaps: "Gaps", reconnects: "Reconnects" };
const SCOPES = { look: "look", operate: "look and operate", administer: "do everything" };

start(async (me) => {
  const page = new Page(me);
  page.show(await get("/v1/status"));
  page.put();
  again(() => page.lookAgain(), EVERY_MS);
  document.addEventListener("look", () => page.show(page.status));
});

class Page {
  constructor(me) {
    this.may = me.scope === "administer";
    this.stands = el("p", { role: "status" });
    this.calls = el("div", { class: "calls" });
    this.benches = el("div");
    this.due = el("ul", { class: "plain" });
    this.good = el("ul", { class: "plain" });
    this.goodTold = el("summary");
    this.goodBox = el("details", {}, this.goodTold, this.good);
    this.noDue = el("p", { class: "soft" }, "No bench file states a date: write calibration_due into it.");
    this.forwarders = el("div");
    this.noForwarder = el("p", { class: "soft" }, "No forwarder is set up: nothing leaves this daemon. See [series] and [mqtt] in the site file.");
    this.facts = Object.fromEntries(["name", "version", "up", "disk"].map((name) => [name, el("span")]));
    this.who = el("p", {}, me.name === "this computer" ? "You look without a token, on the daemon's own computer." : `You are signed in as ${me.name} and may ${SCOPES[me.scope]}.`);
  }

  put() {
    const { name, version, up, disk } = this.facts;
    const facts = pairs([["Daemon", name], ["Version", version], ["Up", up], ["Disk", disk]]);
    fill(
      main(),
      el("h1", {}, "Health"),
      plate("What needs somebody", this.stands, this.calls),
      this.benches,
      el("div", { class: "plates" }, plate("Calibration", this.due, this.goodBox, this.noDue), plate("Daemon", facts, this.who, this.may ? null : deeper(), this.backup())),
      plate("Forwarders", this.forwarders, this.noForwarder),
    );
  }

  async lookAgain() {
    try {
      const status = await get("/v1/status");
      showLink(true);
      this.show(status);
    } catch (error) {
      if (error.status === 401) location.assign(signIn());
      else showLink(false, error.status ? error.message : "");
    }
  }

  show(status) {
    this.status = status;
    const calls = needing(status);
    tell(this.stands, calls.length ? `${calls.length} ${calls.length === 1 ? "thing needs" : "things need"} somebody.` : "Nothing: every instrument talks, and everything is handed on.");
    each(this.calls, calls, (one) => one.key, (one) => new Call(one));
    each(this.benches, status.benches, (one) => one.bench, (one) => new Bench(one));
    const dues = calibrations(status.benches);
    const soon = dues.filter((one) => dueIn(one)[1] !== "good");
    const good = dues.slice(soon.length);
    each(this.due, soon, (one) => one.key, () => new Due());
    each(this.good, good, (one) => one.key, () => new Due());
    this.goodBox.hidden = !good.length;
    if (good.length) tell(this.goodTold, `${soon.length ? "All others are" : "All are"} good: ${good.length}, the first of them due ${good[0].calibration_due}`);
    this.noDue.hidden = dues.length > 0;
    each(this.forwarders, status.forwarders, (one) => one.name, (one) => new Forwarder(one, this.may));
    this.noForwarder.hidden = status.forwarders.length > 0;
    tell(this.facts.name, `${status.name} (${status.daemon})`);
    tell(this.facts.version, `benchd ${status.version}`);
    if (!this.facts.up.firstChild) put(this.facts.up, "since ", timeOf(status.started), ", ", (this.upFor = el("span")));
    tell(this.upFor, lasting((Date.now() - new Date(status.started)) / 1000));
    const { free_bytes: free, low } = status.disk;
    tell(this.facts.disk, free === null ? "how much is free is not known" : `${size(free)} free${low ? ": too little" : ""}`);
  }

  backup() {
    if (!this.may) return null;
    const made = el("p", { role: "status" });
    const make = el("button", { type: "button", onclick: () => act() }, "Back the journal up now");
    const act = () =>
      busy(make, async () => {
        tell(made, "Copying...");
        try {
          const { file } = await post("/v1/backups");
          tell(made, `Kept as ${file}, in the folder backups beside the journal.`);
        } catch (error) {
          tell(made, "");
          throw error;
        }
      });
    return el("div", { class: "no-print" }, make, made);
  }
}

/** While something is done its button rests; afterwards it has the focus again. */
async function busy(button, act) {
  if (button.getAttribute("aria-disabled") === "true") return;
  button.setAttribute("aria-disabled", "true");
  try {
    await act();
  } catch (error) {
    failed(error);
  } finally {
    button.removeAttribute("aria-disabled");
  }
}

/** Why there is no button for what only an administrator may. */
const deeper = () => el("p", { class: "soft no-print", data: { note: "administer" } }, "To make backups and to release what a store refused, ", el("a", { href: signIn() }, "sign in"), " with a token that may administer.");

// --- what needs somebody ------------------------------------------------------------------------------------------------

/** [{key, kind, text, more}], the worst first. */
function needing(status) {
  const lost = status.benches.flatMap((bench) => bench.instruments.filter((one) => one.state !== "talking").map((one) => [bench, one]));
  const overdue = status.benches.flatMap((bench) => bench.instruments.filter((one) => one.overdue).map((one) => [bench, one]));
  return [
    ...lost.map(([bench, one]) => {
      const [what, cure] = trouble(one);
      return { key: `lost ${bench.bench} ${one.name}`, kind: "lost", text: `${bench.name}, ${one.name}: ${what || SAYS[one.state].toLowerCase()}`, more: cure };
    }),
    ...status.warnings.map((text) => ({ key: `warning ${text}`, kind: "caution", text: whole(text), more: "" })),
    ...overdue.map(([bench, one]) => ({ key: `due ${bench.bench} ${one.name}`, kind: "caution", text: `${bench.name}, ${one.name}: its calibration was due ${one.calibration_due}.`, more: "Have it calibrated, and write the new date into the bench file." })),
    ...status.forwarders.filter((one) => one.quarantined).map((one) => ({ key: `held ${one.name}`, kind: "notice", text: `Forwarder ${one.name}: ${one.quarantined} refused for good by ${one.target}.`, more: "They are kept: see Forwarders below." })),
  ];
}

class Call {
  constructor({ kind, text, more }) {
    this.more = el("p");
    this.element = attention(kind, text, this.more);
    this.text = this.element.firstElementChild;
    this.show({ text, more });
  }

  show({ text, more }) {
    tell(this.text, text);
    tell(this.more, more);
    this.more.hidden = !more;
  }
}

// --- benches ------------------------------------------------------------------------------------------------------------

class Bench {
  constructor({ name }) {
    this.state = el("strong");
    this.run = el("a");
    this.reads = el("p", { class: "soft" });
    this.rows = el("tbody", { role: "rowgroup" });
    this.counts = el("tbody");
    const head = ["Instrument", "State", "Since", "What it is", "Port", "Trouble"];
    const list = el(
      "table",
      { class: "runs", role: "table" },
      el("caption", { class: "away" }, `Instruments of ${name}`),
      el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, head.map((one) => el("th", { scope: "col", role: "columnheader" }, one)))),
      this.rows,
    );
    const counts = el(
      "div",
      { class: "scroll", tabindex: "0", role: "region", "aria-label": `Counts of ${name}` },
      el("table", {}, el("thead", {}, el("tr", {}, ["Instrument", ...Object.values(COUNTED)].map((one, place) => el("th", { scope: "col", class: place ? "number" : null }, one)))), this.counts),
    );
    this.element = plate(name, el("p", {}, this.state, " ", this.run), this.reads, list, el("details", {}, el("summary", {}, "What was counted since the daemon began"), counts));
    this.element.dataset.bench = name;
  }

  show(bench) {
    tell(this.state, STATES[bench.state] ?? titled(bench.state));
    const run = bench.run ?? bench.last_run;
    tell(this.run, run ? (bench.run ? "the run under way" : "the last run") : "");
    if (run) this.run.href = `/run/${segment(run)}`;
    const reads = Object.entries(bench.channels).map(([name, one]) => reading(name, one)).filter(Boolean);
    tell(this.reads, reads.length ? `Shows ${reads.join(", ")}.` : "");
    this.reads.hidden = !reads.length;
    each(this.rows, bench.instruments, (one) => one.name, () => new Instrument());
    each(this.counts, bench.instruments, (one) => one.name, () => new Counts());
  }
}

function reading(name, one) {
  if (one.age_s === null || one.age_s === undefined) return "";
  const [value, unit] = one.unit === "degC" && one.value !== null ? temperature(one.value) : [one.value, one.unit ?? ""];
  const told = value === null ? "no number" : `${Number(value.toPrecision(4))} ${unit}`;
  const flags = one.flags?.length ? ` (${one.flags.join(", ")})` : "";
  return `${name.replaceAll("_", " ").replace("celsius", "temperature")} ${told}${flags}${one.age_s >= 3 ? ", not of now" : ""}`;
}

class Instrument {
  constructor() {
    this.cells = Object.fromEntries(["name", "state", "since", "identity", "port", "trouble"].map((name) => [name, el("span")]));
    const cell = (label, name) => el("td", { role: "cell", data: { label } }, this.cells[name]);
    this.cells.state.className = "word";
    this.element = el("tr", { role: "row" }, cell("Instrument", "name"), cell("State", "state"), cell("Since", "since"), cell("What it is", "identity"), cell("Port", "port"), cell("Trouble", "trouble"));
  }

  show(one) {
    const { name, state, since, identity, port, trouble: wrong } = this.cells;
    tell(name, one.name);
    tell(state, SAYS[one.state] ?? titled(one.state));
    state.dataset.role = one.state === "talking" ? "good" : "bad";
    if (this.since !== one.since) fill(since, one.since ? timeOf(one.since) : "");
    this.since = one.since;
    tell(identity, one.identity || one.driver);
    tell(port, one.port);
    tell(wrong, one.state === "talking" ? "" : trouble(one).filter(Boolean).join(" "));
  }
}

class Counts {
  constructor() {
    this.name = el("th", { scope: "row" });
    this.cells = Object.keys(COUNTED).map((name) => [name, el("td", { class: "number" })]);
    this.element = el("tr", {}, this.name, this.cells.map(([, cell]) => cell));
  }

  show(one) {
    tell(this.name, one.name);
    for (const [name, cell] of this.cells) tell(cell, String(one.counts[name] ?? 0));
  }
}

// --- calibration --------------------------------------------------------------------------------------------------------

/** Every instrument with a date, the first due first. */
function calibrations(benches) {
  const found = benches.flatMap((bench) => bench.instruments.filter((one) => one.calibration_due).map((one) => ({ key: `${bench.bench} ${one.name}`, bench: bench.name, ...one })));
  return found.sort((a, b) => (a.calibration_due < b.calibration_due ? -1 : a.calibration_due > b.calibration_due ? 1 : a.key < b.key ? -1 : 1));
}

class Due {
  constructor() {
    this.words = el("span", { class: "word" });
    this.what = el("span");
    this.element = el("li", {}, this.words, " ", this.what);
  }

  show(one) {
    const [words, role] = dueIn(one);
    tell(this.words, words);
    this.words.dataset.role = role;
    tell(this.what, `${one.bench}, ${one.name}${one.identity ? ` (${one.identity})` : ""}: ${one.calibration_due}`);
  }
}

function dueIn({ calibration_due: due, overdue }) {
  const now = new Date();
  const days = Math.round((new Date(`${due}T00:00:00Z`) - Date.UTC(now.getFullYear(), now.getMonth(), now.getDate())) / DAY_MS);
  const count = (number) => `${number} ${number === 1 ? "day" : "days"}`;
  if (overdue || days < 0) return [days < 0 ? `Overdue by ${count(-days)}.` : "Overdue.", "bad"];
  if (days === 0) return ["Due today.", "warn"];
  return days <= SOON_DAYS ? [`Due soon, in ${count(days)}.`, "warn"] : [`Good for ${count(days)}.`, "good"];
}

// --- forwarders ---------------------------------------------------------------------------------------------------------

class Forwarder {
  constructor({ name }, may) {
    this.name = name;
    this.may = may;
    this.facts = Object.fromEntries(["state", "lag", "target", "sent", "last"].map((key) => [key, el("span")]));
    const { state, lag, target, sent, last } = this.facts;
    state.className = "word";
    this.last = [el("dt", {}, "Last trouble"), el("dd", {}, last)];
    const facts = pairs([["State", state], ["Behind", lag], ["To", target], ["Handed on", sent]]);
    put(facts, this.last);
    this.summary = el("summary");
    this.held = el("div");
    this.box = el("details", { ontoggle: () => this.look() }, this.summary, this.held);
    this.element = el("section", { data: { forwarder: name } }, el("h3", {}, name), facts, this.box);
  }

  show(one) {
    const { state, lag, target, sent, last } = this.facts;
    tell(state, titled(one.state));
    state.dataset.role = { "up to date": "good", sending: "good", refused: "bad" }[one.state] ?? "warn";
    tell(lag, one.behind_rows ? `${one.behind_rows} ${one.behind_rows === 1 ? "row" : "rows"}, ${lasting(one.behind_s ?? 0)}` : "nothing");
    tell(target, one.target);
    tell(sent, `${one.sent} since the daemon began${one.failures ? `, ${one.failures} ${one.failures === 1 ? "attempt" : "attempts"} failed` : ""}`);
    for (const part of this.last) part.hidden = !one.last_error;
    const trouble = `${one.last_error_at} ${one.last_error}`;
    if (one.last_error && this.trouble !== trouble) fill(last, timeOf(one.last_error_at), `: ${one.last_error}`);
    this.trouble = trouble;
    tell(this.summary, one.quarantined ? `Quarantine: ${one.quarantined} refused for good` : "Quarantine: empty");
    const changed = this.count !== one.quarantined;
    this.count = one.quarantined;
    if (changed) this.look();
  }

  /** What is held back, once somebody has opened it. */
  async look() {
    if (!this.box.open) return;
    try {
      const { quarantine } = await get(`/v1/forwarders/${segment(this.name)}/quarantine${query({ limit: MOST_HELD })}`);
      this.list(quarantine);
    } catch (error) {
      failed(error);
    }
  }

  list(held) {
    const here = this.held.contains(document.activeElement);
    const columns = [
      ["No.", (one) => String(one.no), true],
      ["Refused", (one) => timeOf(one.at)],
      ["Why", (one) => one.reason],
      ["Run", (one) => (one.run ? el("a", { href: `/run/${segment(one.run)}` }, one.run) : "")],
      ["What", (one) => el("code", {}, one.line)],
    ];
    if (this.may) columns.push(["Release", (one) => this.button("Send again", `Send number ${one.no} again`, one.no)]);
    const shown = held.length < this.count ? `The newest ${held.length} of ${this.count}.` : "";
    const all = this.may && held.length > 1 ? el("div", { class: "row" }, this.button("Send all of them again", null, null)) : null;
    const told = el("p", { class: "soft", tabindex: "-1" }, held.length ? ["Mend what they were refused for first; else they come back here. ", shown] : "Nothing is held back.");
    fill(this.held, told, held.length ? table(`Refused by ${this.name}, the newest first`, columns, held) : null, all, held.length && !this.may ? deeper() : null);
    if (here) told.focus();
  }

  button(text, label, no) {
    const made = el("button", { type: "button", "aria-label": label, onclick: () => busy(made, () => this.release(no)) }, text);
    return made;
  }

  async release(no) {
    if (no === null && !(await sure(`Send all that ${this.name} holds back once more?`, "Send all", "main"))) return;
    const { released } = await post(`/v1/forwarders/${segment(this.name)}/quarantine/release`, no === null ? {} : { no });
    say(released === 1 ? "One is sent again." : `${released} are sent again.`);
    await this.look();
  }
}

// --- words --------------------------------------------------------------------------------------------------------------

/** Seconds as somebody says them: '12 s', '5 min', '3 h 20 min', '4 days'. */
function lasting(seconds) {
  const whole_ = Math.max(Math.round(seconds), 0);
  if (whole_ < 90) return `${whole_} s`;
  const minutes = Math.round(whole_ / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  return `${Math.floor(hours / 24)} days`;
}

function size(count) {
  let found = count;
  for (const unit of ["bytes", "kB", "MB", "GB"]) {
    if (found < 1000) return `${unit === "bytes" || found >= 100 ? Math.round(found) : found.toFixed(1)} ${unit}`;
    found /= 1000;
  }
  return `${found.toFixed(1)} TB`;
}
