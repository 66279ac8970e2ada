// One lot, check standard or gauge study: the shift (scan, test, next), its units, its statistics.

import { actingNote, attention, badge, blob, clock, download, el, failed, field, fill, form, get, inUnits, look, main, mayAct, pairs, percent, plate, post, put, say, segment, sentence, start, sure, table, tell, timeOf, title, wrong } from "./kit.js";
import { Dials } from "./dial.js";
import { gate } from "./gate.js";
import { Live, showLink } from "./live.js";
import { controlChart, histogram, limits, short, standardChart, studyChart } from "./lot-charts.js";

const NAME = decodeURIComponent(location.pathname.split("/")[2]);
const HERE = `/v1/lots/${segment(NAME)}`;
const WHERE = "benchd.shift";
const LOOK_MS = 10000;
const KINDS = { lot: "Lot", standard: "Check standard", study: "Gauge study" };

start(async () => {
  const [body, status, acting] = await Promise.all([get(HERE), get("/v1/status"), mayAct()]);
  title(`${KINDS[body.kind]} ${body.lot}`);
  const page = new LotPage(body, status.benches, acting);
  await page.draw();
});

class LotPage {
  constructor(body, benches, acting) {
    this.body = body;
    this.benches = benches;
    this.acting = acting;
    this.counts = el("div", { class: "row number", role: "status" });
    this.last = el("div");
    this.gates = el("ul", { class: "plain" });
    this.doubtful = el("div");
  }

  async draw() {
    const { body } = this;
    const open = body.state === "open";
    const stats = el("div", {}, el("p", { class: "soft" }, "Working out the statistics ..."));
    fill(
      main(),
      el("h1", {}, `${KINDS[body.kind]} ${body.lot}`),
      plate(
        "",
        pairs([["Part", [body.title, body.part].filter(Boolean).join(", ")], ["Customer", body.customer], ["Planned", body.planned && `${body.planned} units`], ["Sampling plan", body.plan], ["Opened", [timeOf(body.opened), body.opened_by ? ` by ${body.opened_by}` : ""]], ["Closed", body.closed && [timeOf(body.closed), body.closed_reason ? `: ${body.closed_reason}` : ""]]]),
        this.counts,
      ),
      this.doubtful,
      open && this.acting ? (this.shift = new Shift(this)).element : open ? await actingNote() : null,
      el("div", { class: "plates" }, plate("Tested last", this.last), el("section", { class: "plate" }, el("h2", {}, "May the benches judge today?"), this.gates)),
      body.kind === "lot" ? plate("One unit", unitForm(this)) : null,
      el("section", { class: "plate", id: "statistics" }, el("h2", {}, "Statistics"), stats),
      this.papers(),
      open && this.acting ? this.actions() : null,
    );
    this.show();
    if (open) this.follow();
    await this.statistics(stats);
  }

  /** Ask anew and show what changed. */
  async again() {
    const before = JSON.stringify(this.body);
    this.body = await get(HERE);
    if (JSON.stringify(this.body) !== before) this.show();
  }

  /** What others tested meanwhile; while a unit is under test here its own link tells whether the daemon answers. */
  follow() {
    const look = () => document.visibilityState === "visible" && !this.shift?.testing && this.again().then(() => showLink(true), (error) => showLink(false, error.status ? error.message : ""));
    setInterval(look, LOOK_MS);
    document.addEventListener("visibilitychange", look);
  }

  show() {
    const { counts } = this.body;
    const words = [counted(counts.units, "unit"), counts.passed && `${counts.passed} pass`, counts.failed && `${counts.failed} fail`, counts.undecided && `${counts.undecided} undecided`, counts.void && `${counts.void} void`, counts.open && `${counts.open} under test`, counts.retests && counted(counts.retests, "retest")];
    tell(this.counts, words.filter(Boolean).join(", "));
    fill(this.last, testTable(this.body.last));
    fill(this.gates, this.body.benches.map((one) => el("li", {}, gate(one))), this.body.benches.length ? null : el("li", { class: "soft" }, "No bench is served here."));
    fill(this.doubtful, this.body.doubtful.map((one) => attention("caution", `To be tested again: ${one.says}`, el("p", { class: "small" }, one.serials.slice(0, 20).join(", ") + (one.units > 20 ? ` and ${one.units - 20} more` : "")))));
  }

  async statistics(place) {
    try {
      const found = await get(`${HERE}/report`);
      const draw = { lot: lotReport, standard: standardReport, study: studyReport }[this.body.kind];
      fill(place);
      await draw(place, found, this);
    } catch (error) {
      fill(place, attention("lost", error.message));
    }
  }

  papers() {
    const paper = (name, path, text) => el("button", { type: "button", onclick: () => download(`${HERE}/${path}`, `${NAME}-${name}`).catch(failed) }, text);
    return el("section", { class: "plate no-print" }, el("h2", {}, "Papers and exports"), el("div", { class: "choices" }, paper("report.pdf", "report?format=pdf", "Report, PDF"), paper("report.html", "report?format=html", "Report, HTML"), paper("tests.csv", "export?form=csv", "All tests, CSV"), paper("tests.parquet", "export?form=parquet", "All tests, Parquet")));
  }

  actions() {
    const note = form([field("Note", "text", { kind: "textarea", maxlength: 4000 })], "Write it down", async (values, made) => {
      if (!values.text) return wrong(made.elements.text, "there is nothing to be written down.");
      await post(`${HERE}/notes`, { text: values.text, by: who() });
      made.reset();
      say("Written down.");
      return undefined;
    });
    const closing = form([field("Why, if it is before its end", "reason", { maxlength: 4000 })], "Close it", async (values) => {
      if (!(await sure(`Close ${NAME}? No unit is tested in it any more.`, "Close it"))) return;
      await post(`${HERE}/close`, { reason: values.reason, by: who() });
      location.reload();
    }, { role: "stop" });
    return el("div", { class: "plates no-print" }, plate("Note", note), plate("Close", closing), this.body.kind === "standard" ? plate("A cause was found", this.cleared()) : null);
  }

  cleared() {
    const benches = this.body.benches.map((one) => [one.bench, one.bench]);
    const inputs = [field("Bench", "bench", { kind: "select", options: benches }), field("What the cause was, and what was done", "text", { kind: "textarea", maxlength: 4000 }), field("An instrument was adjusted: the bench's chart is made anew", "adjusted", { kind: "check" })];
    return form(inputs, "Write it down", async (values, made) => {
      if (!values.text) return wrong(made.elements.text, "say what the cause was and what was done.");
      await post(`${HERE}/cleared`, { ...values, by: who() });
      say("Written down: what is measured after this counts afresh.");
      location.reload();
      return undefined;
    });
  }
}

function testTable(tests) {
  const columns = [
    ["Unit", (one) => one.serial],
    ["Came to", (one) => [badge(one.verdict ?? "none", one.verdict ? "" : (one.status ?? "under test")), one.title ? ` ${one.title}` : ""]],
    ["Attempt", (one) => String(one.attempt), true],
    ["Bench", (one) => one.bench ?? ""],
    ["By", (one) => one.by ?? ""],
    ["When", (one) => (one.started ? timeOf(one.started) : "")],
    ["Run", (one) => el("a", { href: `/run/${segment(one.run)}`, "aria-label": `Run of ${one.serial}` }, "look")],
  ];
  return table("Tests", columns, tests, "No unit was tested yet.");
}

const counted = (number, word) => `${number} ${word}${number === 1 ? "" : "s"}`;
const told = (test) => `${(test.verdict ?? test.status ?? "not judged").toUpperCase()}${test.title ? `, ${test.title}` : ""}: ${String(test.started ?? "").slice(0, 16).replace("T", " ")} UTC on ${test.bench ?? "?"}${test.lot ? ` in ${test.lot}` : ""}`;

function shiftKept() {
  try {
    return JSON.parse(localStorage.getItem(WHERE) || "{}");
  } catch {
    return {};
  }
}

const who = () => shiftKept().by ?? "";

// --- the shift --------------------------------------------------------------------------------------------------------

class Shift {
  constructor(page) {
    this.page = page;
    this.asked = "";
    this.waiting = "";
    this.testing = "";
    const kept = shiftKept();
    const benches = page.benches.map((one) => one.bench);
    const raters = page.body.kind === "study" ? page.body.design.raters : null;
    this.bench = field("Bench", "bench", { kind: "select", options: benches.map((one) => [one, one]), value: kept.bench ?? "" });
    this.by = raters && page.body.design.by === "person" ? field("Rater", "by", { kind: "select", options: raters.map((one) => [one, one]), value: kept.by ?? "" }) : field("Who tests", "by", { value: kept.by ?? "", maxlength: 128 });
    this.scan = field(page.body.kind === "standard" ? "Scan the standard" : "Scan the next unit", "scan", { maxlength: 1000, autocapitalize: "off", spellcheck: "false", autofocus: true });
    this.said = el("div", { role: "status" });
    this.now = el("div");
    this.stop = el("button", { type: "button", class: "stop", hidden: true, onclick: () => this.end() }, "Stop this test");
    this.form = el("form", { novalidate: true }, el("div", { class: "fields" }, this.bench, this.by), this.scan, el("button", { type: "submit", class: "main" }, "Test it"));
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.take(this.box.value).catch((error) => this.tells(error.message, [], "refused"));
    });
    this.form.addEventListener("change", () => this.keep());
    this.next = el("p", { class: "soft" });
    this.element = el("section", { class: "plate shift no-print" }, el("h2", {}, "Scan, test, next"), this.next, this.form, this.said, this.now, this.stop);
    // A scanner types wherever the focus is: letters that no field wants go to the scan line.
    document.addEventListener("keydown", (event) => {
      const free = document.activeElement === document.body || document.activeElement === main();
      if (free && event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) this.box.focus();
    });
    this.tellNext();
    const under = page.body.now.find((one) => one.bench === this.benchName);
    if (under) this.watch(under.run, under.serial);
  }

  get box() {
    return this.form.elements.scan;
  }

  get benchName() {
    return this.form.elements.bench.value;
  }

  keep() {
    localStorage.setItem(WHERE, JSON.stringify({ bench: this.benchName, by: this.form.elements.by.value.trim() }));
    this.tellNext();
  }

  /** Of a study: which trial is the next one of this rater. */
  tellNext() {
    const { body } = this.page;
    if (body.kind !== "study") return;
    const rater = body.design.by === "bench" ? this.benchName : this.form.elements.by.value;
    const trial = body.next.find((one) => one[1] === rater);
    tell(this.next, trial ? `Next for ${rater}: unit ${trial[0]}, trial ${trial[2]}. ${body.left.length} trials are left.` : `${rater || "Nobody"} has no trial left. ${body.left.length} trials are left altogether.`);
    this.trial = trial;
  }

  tells(text, more = [], trouble = "") {
    // What is told is about this scan: the verdict of the unit before it steps back.
    this.now.classList.toggle("before", Boolean(trouble) && !this.testing);
    fill(this.said, text ? (trouble ? attention(trouble, text) : el("p", {}, text)) : null, more.length ? el("ul", { class: "plain small" }, more.map((one) => el("li", {}, one))) : null);
  }

  async take(text) {
    if (this.testing) {
      this.waiting = text;
      this.box.value = "";
      this.tells(`${this.testing} is under test. ${text.trim()} is kept and looked up when it has ended.`, [], "notice");
      return;
    }
    if (this.busy) return;
    this.busy = true;
    this.keep();
    try {
      const again = this.asked !== "" && text.trim() === this.asked;
      this.asked = "";
      const by = this.form.elements.by.value.trim();
      const answer = await post(`${HERE}/scans`, { text, bench: this.benchName, again, by });
      this.box.value = "";
      const history = answer.history.map(told);
      if (answer.action === "ask") {
        this.asked = answer.serial;
        this.tells(`${sentence(answer.why)} Scan it again to test it again: that is counted and shown. Any other scan goes on.`, history, "ask");
      } else if (answer.action === "refuse") this.tells(answer.why, history, "refused");
      else await this.begin(answer, by, again, history);
    } finally {
      this.busy = false;
      this.box.focus();
    }
  }

  async begin(answer, by, again, history) {
    const wanted = { bench: this.benchName, procedure: "unit", lot: NAME, unit: answer.serial, retest: again };
    if (by) wanted.by = by;
    if (this.page.body.kind === "study") wanted.trial = this.trial ?? null;
    const { run } = await post("/v1/runs", wanted);
    this.tells(answer.attempt > 1 ? `Attempt ${answer.attempt} of ${answer.serial}.` : "", history.slice(0, 3));
    this.watch(run, answer.serial);
  }

  watch(run, serial) {
    this.testing = serial;
    this.stop.hidden = false;
    this.run = run;
    const view = new UnitView(serial, run);
    fill(this.now, view.element);
    this.live?.close();
    this.live = new Live({ run, after: 0 }, {
      run: (message) => {
        if (message.view) view.show(message.view);
        if (!message.open) this.ended(message.view);
      },
      state: showLink,
    });
  }

  async ended() {
    if (!this.testing) return;
    this.testing = "";
    this.stop.hidden = true;
    this.live.close();
    showLink(true);
    await this.page.again().catch(failed);
    this.tellNext();
    const { waiting } = this;
    this.waiting = "";
    if (waiting) {
      this.box.value = waiting;
      this.tells(`Scanned meanwhile: ${waiting.trim()}. Enter looks it up once it is mounted.`, [], "do");
    }
    this.box.focus();
  }

  async end() {
    if (await sure(`Stop the test of ${this.testing}? It counts as no test.`, "Stop it")) await post(`/v1/runs/${this.run}/stop`, { because: "stopped on the page" }).catch(failed);
  }
}

/** A unit under test, and what it came to. */
class UnitView {
  constructor(serial, run) {
    this.serial = serial;
    this.head = el("h3", {}, serial);
    this.call = el("div");
    this.dialsAt = el("div", { class: "plates" });
    this.dials = new Dials(this.dialsAt);
    this.verdict = el("div", { role: "status", class: "unit-verdict" });
    this.rows = el("div");
    this.element = el("div", { class: "unit", data: { run } }, this.head, this.verdict, this.call, this.dialsAt, this.rows, el("p", { class: "small" }, el("a", { href: `/run/${segment(run)}` }, "The whole run")));
  }

  show(view) {
    const { stands } = view;
    tell(this.head, view.ended ? this.serial : `${this.serial}, ${clock(view.t_s)}${stands.left_s !== null ? `, ${clock(stands.left_s)} left` : ""}. ${inUnits(stands.why)}`);
    const calls = JSON.stringify(view.attention);
    if (calls !== this.called) {
      this.called = calls;
      fill(this.call, view.attention.map((one) => attention(one.kind, one.text, one.caution ? el("p", { class: "small" }, `Caution: ${inUnits(one.caution)}`) : null)));
    }
    this.dialsAt.hidden = view.ended;
    if (!view.ended) this.dials.show(view.dials);
    else if (this.told !== view.verdict.verdict) {
      this.told = view.verdict.verdict;
      const { verdict, word, suspect, reasons, next_step: next, cautions } = view.verdict;
      fill(this.verdict, el("p", { class: "huge" }, badge(verdict, word)), suspect ? el("p", { class: "large" }, suspect) : null, cautions.map((one) => attention("caution", one)), verdict === "pass" ? null : [reasons.slice(0, 3).map((one) => el("p", {}, inUnits(one))), next ? el("p", {}, `Next: ${inUnits(next)}`) : null]);
    }
    const rows = JSON.stringify(view.characteristics);
    if (rows !== this.listed) {
      this.listed = rows;
      fill(this.rows, table("Characteristics", [["Characteristic", (one) => one.title], ["Value", (one) => one.value, true], ["Limits", (one) => one.limits], ["Stands", (one) => el("span", { class: "word", data: { role: one.role } }, one.word)]], view.characteristics ?? []));
    }
  }
}

// --- one unit ---------------------------------------------------------------------------------------------------------

function unitForm() {
  const place = el("div");
  const made = form([field("Serial number", "serial", { hint: "Scan or type it: its label and its certificate.", maxlength: 64 })], "Look it up", async (values, here) => {
    if (!values.serial) return wrong(here.elements.serial, "scan or type a serial number.");
    const path = `${HERE}/units/${values.serial.split("/").map(segment).join("/")}`;
    const found = await get(`${path}/certificate`);
    const file = (name, what) => el("button", { type: "button", onclick: () => download(`${path}/${what}`, `${values.serial.replaceAll("/", "-")}-${name}`).catch(failed) }, name);
    const image = el("div", { class: "label" });
    const label = async (symbol) => {
      const picture = URL.createObjectURL(await blob(`${path}/label?symbol=${symbol}&form=svg`));
      fill(image, el("img", { src: picture, alt: `Label of ${values.serial}`, width: 300 }));
    };
    fill(
      place,
      el("h3", {}, values.serial),
      el("p", {}, badge(found.unit.verdict), found.unit.title ? ` ${found.unit.title}` : ""),
      found.doubtful ? attention("caution", "It is to be tested again: it was judged on a bench that was found wrong.") : null,
      testTable(found.attempts),
      el("div", { class: "choices no-print" }, file("certificate.pdf", "certificate?format=pdf"), file("certificate.html", "certificate?format=html"), file("label.pdf", "label?symbol=code128&form=pdf"), el("button", { type: "button", onclick: () => label("code128").catch(failed) }, "Show its label, Code 128"), el("button", { type: "button", onclick: () => label("datamatrix").catch(failed) }, "Show its label, Data Matrix")),
      image,
    );
    return undefined;
  });
  return el("div", {}, made, place);
}

// --- statistics -------------------------------------------------------------------------------------------------------

const share = (one) => `${(100 * one.part).toFixed(1)} % (${one.count} of ${one.of}; ${Math.round(100 * one.confidence)} % interval ${(100 * one.low).toFixed(1)} to ${(100 * one.high).toFixed(1)} %)`;
const index = (one) => (one === null || one === undefined ? "-" : `${one.value.toFixed(2)} (${one.low.toFixed(2)} to ${one.high.toFixed(2)})`);

async function lotReport(place, found) {
  const { report } = found;
  put(place, report.says.map((one) => el("p", {}, sentence(one))));
  if (!report.counts.units) return;
  put(place, el("h3", {}, "Yield"), pairs([["At the first test", share(report.yield.first_pass)], ["In the end", share(report.yield.final)]]));
  if (report.sampling) put(place, el("h3", {}, "Acceptance sampling"), el("p", {}, sentence(report.sampling.says)));
  put(place, el("h3", {}, "What failed"), modes(report.modes));
  put(place, el("h3", {}, "Risks"), el("p", {}, sentence(report.risk.says)));
  put(
    place,
    el("h3", {}, "Capability"),
    table("Capability", [["Characteristic", (one) => el("a", { href: `#${one.id}` }, one.title)], ["Limits", (one) => `${limits(one)} ${one.unit}`], ["Mean", (one) => short(one.mean), true], ["s", (one) => short(one.sd), true], ["Cp", (one) => index(one.capability?.cp), true], ["Cpk", (one) => index(one.capability?.cpk), true], ["Pp", (one) => index(one.capability?.pp), true], ["Ppk", (one) => index(one.capability?.ppk), true], ["Signals", (one) => String(one.signals_found ?? 0), true]], report.characteristics),
    el("p", { class: "soft small" }, "In brackets the 95 % interval."),
  );
  if (report.benches.length > 1) put(place, el("h3", {}, "Between the benches"), table("Benches", [["Bench", (one) => one.bench], ["Units", (one) => String(one.units), true], ["First pass", (one) => share(one.first_pass)]], report.benches));
  if (report.earlier.length) put(place, el("h3", {}, "Earlier lots"), table("Earlier lots", [["Lot", (one) => el("a", { href: `/lot/${segment(one.lot)}` }, one.lot)], ["Units", (one) => String(one.units), true], ["First pass", (one) => (one.first_pass ? share(one.first_pass) : "-")], ["What differs", (one) => one.characteristics.map((each) => each.says).filter(Boolean).map(sentence).join(" ")]], report.earlier));
  const details = report.characteristics.map((one) => characteristic(one));
  place.addEventListener("click", (event) => {
    const wanted = event.target.closest("a[href^='#']");
    if (wanted) document.getElementById(wanted.hash.slice(1)).open = true;
  });
  put(place, el("h3", {}, "Characteristic by characteristic"), details);
  const worst = ["out_of_control", "signals_found"].map((key) => report.characteristics.findIndex((one) => one[key]));
  details[Math.max(worst.find((at) => at >= 0) ?? 0, 0)].open = true;
}

function modes(found) {
  if (!found.length) return el("p", {}, "Nothing failed.");
  const most = Math.max(...found.map((one) => one.units));
  return el(
    "ol",
    { class: "bars" },
    found.map((one) => el("li", {}, el("span", {}, `${one.title}: ${counted(one.units, "unit")}, ${percent(one.part)}`), el("span", { class: "stick", style: { width: `${(100 * one.units) / most}%` } }))),
  );
}

const AT_ONCE = 5;

/** The first signals stand there, more of them on demand: the pictures shall be near. */
function toldSignals(signals) {
  const list = (some) => el("ul", {}, some.map((each) => el("li", {}, sentence(each.says))));
  const rest = signals.slice(AT_ONCE, 20);
  return [list(signals.slice(0, AT_ONCE)), rest.length ? el("details", {}, el("summary", {}, `${rest.length} more`), list(rest)) : null];
}

/** All of one characteristic; its pictures are drawn when it is opened. */
function characteristic(one) {
  const pictures = el("div", { class: "plates" });
  const said = [one.capability?.says, one.drift?.says, one.risk?.says, one.between_benches?.says, one.charts_says, one.says].filter(Boolean);
  const signals = one.signals ?? [];
  const made = el(
    "details",
    { id: one.id },
    el("summary", {}, `${one.title}: ${limits(one)} ${one.unit}${one.out_of_control ? ", out of control" : signals.length ? `, ${counted(one.signals_found, "signal")}` : ""}`),
    el("ul", {}, said.map((text) => el("li", {}, sentence(text)))),
    signals.length ? [el("p", {}, `${counted(one.signals_found, "signal")}; by chance alone about ${one.signals_expected.toFixed(1)} would be expected.`), toldSignals(signals)] : null,
    pictures,
    one.worst?.length ? table("Nearest to a limit", [["Unit", (each) => each.serial], ["Value", (each) => `${short(each.value)} ${one.unit}`, true], ["To the limit", (each) => short(each.margin), true], ["Bench", (each) => each.bench]], one.worst) : null,
    one.benches?.length > 1 ? table("By bench", [["Bench", (each) => each.bench], ["n", (each) => String(each.n), true], ["Mean", (each) => short(each.mean), true], ["Against the others", (each) => `${short(each.bias)} (${short(each.low)} to ${short(each.high)})`, true]], one.benches) : null,
  );
  const draw = async () => {
    if (!made.open || made.dataset.drawn) return;
    made.dataset.drawn = "yes";
    const places = [...(one.charts ?? []).map((chart) => (place) => controlChart(place, chart, signals, one.unit)), ...(one.histogram ? [(place) => histogram(place, one)] : [])];
    for (const picture of places) {
      const place = el("div", { class: "picture" });
      pictures.append(place);
      await picture(place).catch((error) => fill(place, attention("lost", error.message)));
    }
  };
  made.addEventListener("toggle", draw);
  return made;
}

async function standardReport(place, found, page) {
  if (!found.benches.length) put(place, el("p", {}, "It was not measured on any bench yet: scan it above."));
  const spec = new Map((page.body.spec.test ?? []).map((one) => [one.id, one]));
  for (const bench of found.benches) {
    put(place, el("h3", {}, bench.bench), el("p", {}, badge(bench.fit ? "pass" : "fail", bench.fit ? "In control" : "Not fit"), ` ${counted(bench.measurements, "measurement")}`));
    for (const one of bench.characteristics) {
      const at = el("div", { class: "picture" });
      put(place, el("h4", {}, `${one.title}: ${one.state}`), el("ul", {}, [...one.says, ...(one.en_says ? [one.en_says] : []), ...one.do.map((text) => `Do: ${text}`)].map((text) => el("li", {}, sentence(text)))), at);
      await standardChart(at, one, spec.get(one.id)?.unit ?? "").catch((error) => fill(at, attention("lost", error.message)));
    }
  }
}

const SHARES = { repeatability: "Repeatability", reproducibility: "Reproducibility", gauge: "Gauge, both", units: "Between units", total: "Total" };

async function studyReport(place, found) {
  put(place, el("p", {}, found.left.length ? `${found.left.length} trials are still to be made.` : "Every trial was made."));
  for (const one of found.characteristics) {
    put(place, el("h3", {}, `${one.title}: ${limits(one)} ${one.unit}`), el("ul", {}, one.says.map((text) => el("li", {}, sentence(text)))));
    for (const [method, words] of [["anova", "Analysis of variance"], ["range", "Average and range"]]) {
      const made = one[method];
      if (!made) continue;
      put(place, el("h4", {}, `${words}: ${made.categories ?? "-"} distinct categories`), table(words, [["Part", (each) => SHARES[each.name] ?? each.name], ["s", (each) => short(each.sd), true], ["% of study variation", (each) => short(each.percent_study), true], ["% of tolerance", (each) => short(each.percent_tolerance), true], ["% contribution", (each) => short(each.percent_contribution), true]], made.components));
    }
    if (one.anova) put(place, el("details", {}, el("summary", {}, "The table of the analysis"), table("Analysis of variance", [["Source", (each) => each.source], ["Sum of squares", (each) => short(each.ss), true], ["Degrees of freedom", (each) => String(each.df), true], ["Mean square", (each) => short(each.ms), true], ["F", (each) => short(each.f), true], ["p", (each) => short(each.p), true]], one.anova.rows)));
    if (one.bias.length) put(place, table("Bias against the mean of the others", [["Rater", (each) => each.rater], ["Mean", (each) => short(each.mean), true], ["Bias", (each) => `${short(each.bias)} (${short(each.low)} to ${short(each.high)})`, true]], one.bias));
    const at = el("div", { class: "picture" });
    put(place, at);
    await studyChart(at, one, found.design).catch((error) => fill(at, attention("lost", error.message)));
  }
}

document.addEventListener("look", () => look() && location.reload());
