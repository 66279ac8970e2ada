// One work order, from the complaint to the machine proven fixed. What to do next stands first; everything else can be done
// at any time. What somebody types stays under their hands: only what changed is drawn again.

import { actingNote, attention, badge, download, el, failed, field, fill, form, get, inUnits, main, mayAct, pairs, percent, plate, post, query, say, segment, sentence, start, sure, table, tell, testName, timeOf, title, wrong } from "./kit.js";
import { showLink } from "./live.js";
import { packed, shown } from "./photos.js";

const ORDER = decodeURIComponent(location.pathname.split("/")[2]);
const HERE = `/v1/orders/${segment(ORDER)}`;
const LOOK_MS = 5000;
const BY = "benchd.by";
const DRAFT = `benchd.draft.${ORDER}`;
const STATES = { open: "Open", proven: "Proven", "closed without proof": "Closed without proof" };
const PARTS = [["next", "Next"], ["interview", "Interview"], ["inspection", "Inspection"], ["tests", "Tests"], ["causes", "Likely causes"], ["repairs", "Repairs"], ["proof", "Proof"], ["log", "Log"]];

start(async () => {
  const [body, knowledge, acting] = await Promise.all([get(HERE).catch(absent), get("/v1/knowledge"), mayAct()]);
  if (!body) return;
  title(`Order ${body.work_order}`);
  await new VisitPage(body, knowledge, acting).draw();
});

/** A number under which runs may have been made, but no order was opened. */
function absent(error) {
  if (error.status !== 404) throw error;
  fill(
    main(),
    el("h1", {}, `Order ${ORDER}`),
    attention("absent", `No work order ${ORDER} was opened here.`),
    el("p", { class: "choices" }, el("a", { class: "button", href: `/history${query({ work_order: ORDER })}` }, "Runs made under this number"), el("a", { class: "button", href: "/visits" }, "All work orders")),
  );
  return null;
}

class VisitPage {
  constructor(body, knowledge, acting) {
    this.body = body;
    this.known = knowledge;
    this.acting = acting && body.state === "open";
    this.items = [];
    this.at = Object.fromEntries(["head", "next", "tests", "causes", "done", "proof", "log", "ending"].map((name) => [name, el("div")]));
    this.drafts = JSON.parse(sessionStorage.getItem(DRAFT) || "{}");
  }

  get by() {
    return this.who?.value.trim() ?? "";
  }

  async draw() {
    const { known, at } = this;
    const questions = known.questions.map((one) => this.item(one));
    const looks = known.looks.map((one) => this.item(one));
    const byHand = known.tests.map((one) => this.item(one));
    const closed = this.body.state !== "open";
    const mine = localStorage.getItem(BY) ?? "";
    const name = field("Your name", "by", { value: mine, maxlength: 128, hint: "Stands beside everything you write down here." });
    this.who = name.querySelector("input");
    this.who.addEventListener("change", () => localStorage.setItem(BY, this.by));
    const section = (id, heading, ...children) => el("section", { class: "plate", id, "aria-labelledby": `${id}-h` }, el("h2", { id: `${id}-h`, tabindex: "-1" }, heading), ...children);
    fill(
      main(),
      el("h1", {}, `Order ${this.body.work_order}`),
      at.head,
      el("nav", { class: "jumps no-print", "aria-label": "Parts of this order" }, el("ul", {}, PARTS.map(([id, words]) => el("li", {}, el("a", { href: `#${id}` }, words))))),
      closed ? el("p", {}, "This order is closed: nothing more can be written into it.") : this.acting ? el("section", { class: "plate no-print" }, name) : await actingNote(),
      section("next", "Next", at.next),
      section("interview", "Interview", el("p", { class: "soft" }, "What whoever works with the machine says. Skipped is not 'no': it says nothing."), questions),
      section("inspection", "Inspection", looks),
      section("tests", "Tests", at.tests, this.acting ? this.starting() : null, el("details", {}, el("summary", {}, "A test made by hand, without the bench"), byHand)),
      section("causes", "Likely causes", at.causes),
      section("repairs", "Repairs", at.done, this.acting ? this.repairing() : null),
      section("proof", "Proof", at.proof, at.ending),
      section("log", "Log", at.log, this.acting ? this.noting() : null),
      this.papers(),
    );
    if (this.acting) fill(at.ending, this.closing());
    this.show();
    const look = () => document.visibilityState === "visible" && !this.busy && this.again().then(() => showLink(true), (error) => showLink(false, error.status ? error.message : ""));
    setInterval(look, LOOK_MS);
    document.addEventListener("visibilitychange", look);
    if (location.hash) document.getElementById(location.hash.slice(1))?.scrollIntoView();
  }

  /** What somebody else wrote down meanwhile. */
  async again() {
    const body = await get(HERE);
    const changed = body.digest !== this.body.digest || JSON.stringify(body.runs) !== JSON.stringify(this.body.runs);
    if (body.state !== this.body.state) location.reload();
    this.body = body;
    if (changed) this.show();
  }

  /** Write something down; the page then shows the order as it stands. Whatever fails is thrown. */
  async write(what, body) {
    this.busy = true;
    try {
      this.body = await post(`${HERE}/${what}`, { ...body, by: this.by });
      this.show();
    } finally {
      this.busy = false;
    }
  }

  show() {
    const { body, at } = this;
    fill(at.head, plate("", el("p", { class: "row" }, el("strong", { class: "state", data: { state: body.state } }, STATES[body.state] ?? body.state), el("span", {}, [body.machine, body.unit].filter(Boolean).join(", "))), pairs([["Complaint", body.complaint || "none written down"], ["Customer", body.customer], ["Opened", [timeOf(body.opened), body.opened_by ? ` by ${body.opened_by}` : ""]], ["Closed", body.closed && [timeOf(body.closed), body.closed_reason ? `: ${body.closed_reason}` : ""]]])));
    this.showNext();
    for (const one of this.items) one.show(body);
    fill(at.tests, table("Runs of this order", [["Test", (one) => el("a", { href: `/run/${segment(one.run)}` }, testName(one.procedure))], ["Came to", (one) => badge(one.verdict ?? "none", one.verdict ? "" : (one.status ?? "under way"))], ["What", (one) => [one.suspect && one.suspect !== "none" ? `Suspect: ${one.suspect}. ` : "", one.text, one.foreign ? " Of another machine: it says nothing here." : ""]], ["Bench", (one) => one.bench ?? ""], ["When", (one) => timeOf(one.started)]], body.runs, "No test was run yet."));
    fill(at.causes, causes(body.ranking));
    fill(at.done, body.repairs.length ? el("ul", { class: "plain" }, body.repairs.map((one) => el("li", {}, el("strong", {}, [one.title, one.did].filter(Boolean).join(": ")), one.parts.length ? ` (${one.parts.map((part) => [part.name, part.number, part.serial].filter(Boolean).join(" ")).join("; ")})` : "", one.minutes ? `, ${one.minutes} min` : "", el("span", { class: "soft" }, ` ${one.by}, `, timeOf(one.at))))) : el("p", { class: "soft" }, "Nothing was repaired yet."));
    fill(at.proof, proof(body));
    fill(at.log, el("ol", { class: "plain" }, body.log.map((one) => el("li", {}, el("span", { class: "soft" }, timeOf(one.at), one.by ? ` ${one.by}: ` : " "), one.run ? el("a", { href: `/run/${segment(one.run)}` }, one.line) : one.line))));
  }

  // --- next -----------------------------------------------------------------------------------------------------------

  showNext() {
    const { plan } = this.body;
    const key = JSON.stringify([plan.next, plan.why, plan.steps[0]?.item, plan.advice?.repair, plan.steps.length]);
    if (key === this.planned) return;
    const had = this.at.next.contains(document.activeElement);
    this.planned = key;
    const [step] = plan.steps;
    const words = { check: "Check", prove: "Prove it", repair: "Repair", none: "Nothing more" };
    fill(this.at.next, plan.next === "repair" ? this.advice(plan.advice, plan.why) : step ? this.step(step, words[plan.next]) : el("p", {}, inUnits(plan.why)), this.later(plan), Object.keys(plan.locked).length ? el("details", {}, el("summary", {}, "What has to wait"), el("ul", {}, Object.entries(plan.locked).map(([item, why]) => el("li", {}, `${this.named(item)}: ${why}`)))) : null);
    if (had) document.getElementById("next-h").focus();
  }

  named(item) {
    const { questions, looks, tests, repairs } = this.known;
    const found = [...questions, ...looks, ...tests, ...repairs].find((one) => one.id === item);
    return found?.text ?? found?.title ?? item;
  }

  step(step, word) {
    const many = step.branches.filter((one) => one.probability >= 0.005);
    const meaning = el("details", { open: true }, el("summary", {}, "What each outcome would mean"), el("ul", {}, many.map((one) => el("li", {}, el("strong", {}, one.text), ` (${percent(one.probability)}): `, inUnits(one.then)))));
    const kinds = { question: "Ask", look: "Look", test: "Test" };
    const known = [...this.known.questions, ...this.known.looks].find((one) => one.id === step.item);
    const how = step.run ? (step.how ?? "").replace(/^benchd run \S+ --work-order N(?: - |$)/, "") : step.how; // the button says it here
    const doing = step.run ? this.runLink(step.run) : this.acting && known ? new Item(this, known, "next").element : null;
    return [
      el("p", { class: "large" }, `${word === "Prove it" ? word : (kinds[step.kind] ?? word)}: ${step.text}`),
      el("p", {}, inUnits(step.why)),
      step.caution ? attention("caution", step.caution) : null,
      how ? el("p", { class: "soft" }, inUnits(how)) : null,
      doing,
      meaning,
    ];
  }

  runLink(procedure) {
    if (!this.acting) return null;
    return el("p", {}, el("a", { class: "button main", href: `/run/new?order=${segment(ORDER)}&procedure=${segment(procedure)}` }, `Run it on a bench: ${testName(procedure)}`));
  }

  advice(advice, why) {
    const go = () => {
      this.repairForm.elements.repair.value = advice.repair;
      this.repairForm.elements.repair.dispatchEvent(new Event("change"));
      document.getElementById("repairs").scrollIntoView();
      this.repairForm.elements.did.focus();
    };
    return [
      el("p", { class: "large" }, `Repair: ${advice.title}`),
      el("p", {}, inUnits(why)),
      advice.caution ? attention("caution", advice.caution) : null,
      el("p", { class: "soft" }, `About ${Math.round(advice.minutes)} minutes. Probability that it is needed: ${percent(advice.probability)}.`),
      this.acting ? el("button", { type: "button", class: "main", onclick: go }, "It was done: write it down") : null,
    ];
  }

  later(plan) {
    const rest = plan.steps.slice(1);
    const minutes = plan.expected_minutes ? el("p", { class: "soft" }, `Until it is mended and proven: about ${Math.round(plan.expected_minutes)} minutes of work on the average.`) : null;
    return [minutes, rest.length ? el("details", {}, el("summary", {}, "After that, as it looks now"), el("ol", {}, rest.map((one) => el("li", {}, one.text)))) : null];
  }

  // --- what is filled in ------------------------------------------------------------------------------------------------

  item(one) {
    const made = new Item(this, one);
    this.items.push(made);
    return made.element;
  }

  keepDraft(key, text) {
    if (text) this.drafts[key] = text;
    else delete this.drafts[key];
    sessionStorage.setItem(DRAFT, JSON.stringify(this.drafts));
  }

  starting() {
    const tests = this.known.tests.filter((one) => one.run);
    return el("details", {}, el("summary", {}, "Run a test on a bench"), el("div", { class: "choices" }, tests.map((one) => el("a", { class: "button", href: `/run/new?order=${segment(ORDER)}&procedure=${segment(one.run)}` }, one.text))));
  }

  repairing() {
    const { repairs, causes: all } = this.known;
    const choose = field("What was done", "repair", { kind: "select", options: [["", "something else, in words"], ...repairs.map((one) => [one.id, one.title])] });
    const caution = el("div");
    const meant = field("What it mends", "mends", { kind: "select", options: [["", "not known"], ...all.map((one) => [one.id, one.title])], hint: "Of a repair in words." });
    const inputs = [
      choose,
      caution,
      meant,
      field("In words", "did", { kind: "textarea", maxlength: 4000, value: this.drafts.did ?? "" }),
      el("div", { class: "fields" }, field("Part", "name", { maxlength: 128 }), field("Part number", "number", { maxlength: 128, hint: "Scan it." }), field("Its serial number", "serial", { maxlength: 128 }), field("Minutes", "minutes", { kind: "number", min: 0, max: 100000, step: "any" })),
    ];
    const made = form(inputs, "Write it down", async (values, here) => {
      const body = { did: values.did };
      if (values.repair) body.repair = values.repair;
      else if (!values.did) return wrong(here.elements.did, "choose what was done, or say it in words.");
      else if (values.mends) body.mends = [values.mends];
      else return wrong(here.elements.mends, "say what it mends: else nobody knows what is to be proven.");
      if (values.number && !values.name) return wrong(here.elements.name, "a part needs a name beside its number.");
      if (values.name) body.parts = [{ name: values.name, number: values.number, serial: values.serial }];
      if (values.minutes !== "") body.minutes = Number(values.minutes);
      await this.write("repairs", body);
      here.reset();
      choose.querySelector("select").dispatchEvent(new Event("change"));
      this.keepDraft("did", "");
      say("Written down. A passing run after it is the proof.");
      return undefined;
    });
    this.repairForm = made;
    made.elements.repair.addEventListener("change", () => {
      const found = repairs.find((one) => one.id === made.elements.repair.value);
      fill(caution, found?.caution ? attention("caution", found.caution) : null);
      meant.hidden = Boolean(found);
    });
    made.elements.did.addEventListener("input", () => this.keepDraft("did", made.elements.did.value));
    return el("details", { open: true }, el("summary", {}, "A repair was done"), made);
  }

  noting() {
    const made = form([field("Note", "text", { kind: "textarea", maxlength: 4000, value: this.drafts.note ?? "" })], "Write it down", async (values, here) => {
      if (!values.text) return wrong(here.elements.text, "there is nothing to be written down.");
      await this.write("notes", { text: values.text });
      here.reset();
      here.elements.text.value = "";
      this.keepDraft("note", "");
      return undefined;
    });
    made.elements.text.addEventListener("input", () => this.keepDraft("note", made.elements.text.value));
    return made;
  }

  closing() {
    const reason = field("Why, if it is not proven", "reason", { maxlength: 4000 });
    const made = form([reason], "Close the order", async (values, here) => {
      const { proven } = this.body.proof;
      if (!proven && !values.reason) return wrong(here.elements.reason, "it is not proven: say why it is closed all the same.");
      const asked = proven ? `Close order ${ORDER} as proven?` : `Close order ${ORDER} WITHOUT PROOF?`;
      if (!(await sure(`${asked} Nothing more can be written into it.`, "Close it"))) return undefined;
      await post(`${HERE}/close`, { reason: values.reason, by: this.by });
      location.reload();
      return undefined;
    }, { role: "stop" });
    return el("details", { class: "no-print" }, el("summary", {}, "Close the order"), made);
  }

  papers() {
    const paper = (format) => el("button", { type: "button", onclick: () => download(`${HERE}/report?format=${format}`, `order-${ORDER}.${format}`).catch(failed) }, `Report, ${format.toUpperCase()}`);
    return el("section", { class: "plate no-print" }, el("h2", {}, "For the customer and the shop"), el("div", { class: "choices" }, paper("pdf"), paper("html"), el("button", { type: "button", onclick: () => print() }, "Print this page")));
  }
}

/** One question, look or test by hand: its outcomes as large buttons, a note, photos. */
class Item {
  constructor(page, known, where = "") {
    this.page = page;
    this.known = known;
    this.key = `${where}${known.id}`;
    this.question = known.kind === "question";
    this.state = el("p", { class: "soft small", role: where ? null : "status" });
    this.trouble = el("p", { class: "wrong", role: "alert", hidden: true });
    this.photos = el("div", { class: "row" });
    this.buttons = known.outcomes.map((one) => el("button", { type: "button", "aria-pressed": "false", disabled: !page.acting, onclick: () => this.say(one.id) }, one.text));
    const note = field("Note", "note", { kind: "textarea", maxlength: 4000, value: page.drafts[known.id] ?? "", hint: this.question ? "In the customer's words." : "What was seen." });
    this.note = note.querySelector("textarea");
    this.note.addEventListener("input", () => page.keepDraft(known.id, this.note.value));
    this.files = el("input", { type: "file", accept: "image/*,application/pdf", capture: "environment", multiple: true, id: `photos-${this.key}` });
    this.undo = page.acting ? el("button", { type: "button", class: "quiet", onclick: () => this.say(null) }, this.question ? "Skip it" : "Take it back") : null;
    const more = page.acting ? el("details", {}, el("summary", {}, this.question ? "Note" : "Note and photos"), note, this.question ? null : el("div", { class: "field" }, el("label", { for: `photos-${this.key}` }, "Photos"), this.files, el("p", { class: "hint" }, "They go with the outcome that you choose above."))) : null;
    this.element = el("fieldset", { class: "item", data: { item: known.id } }, el("legend", {}, where ? (this.question ? "The answer" : "What is seen") : known.text), where ? null : [known.caution ? el("p", { class: "small" }, el("strong", {}, "Caution: "), inUnits(known.caution)) : null, known.how ? el("p", { class: "soft small" }, inUnits(known.how)) : null], el("div", { class: "choices" }, this.buttons, this.undo), more, this.state, this.photos, this.trouble);
    if (where) this.show(page.body);
  }

  async say(outcome) {
    this.trouble.hidden = true;
    for (const one of this.buttons) one.disabled = true;
    try {
      const note = this.note.value.trim();
      if (this.question) await this.page.write("answers", { question: this.known.id, outcome, note });
      else {
        const photos = await Promise.all([...this.files.files].map(packed));
        await this.page.write("findings", { check: this.known.id, outcome, note, photos });
      }
      this.note.value = "";
      this.files.value = "";
      this.page.keepDraft(this.known.id, "");
    } catch (error) {
      this.trouble.hidden = false;
      tell(this.trouble, `Not written down. ${error.message}`);
    } finally {
      for (const one of this.buttons) one.disabled = !this.page.acting;
    }
  }

  show(body) {
    const records = this.question ? body.answers.filter((one) => one.question === this.known.id) : body.findings.filter((one) => one.check === this.known.id);
    const last = records.at(-1);
    this.known.outcomes.forEach((one, at) => this.buttons[at].setAttribute("aria-pressed", String(last?.outcome === one.id)));
    this.element.classList.toggle("done", Boolean(last?.outcome));
    if (this.undo) this.undo.hidden = this.question ? last?.outcome === null : !last?.outcome;
    tell(this.state, last ? `${last.outcome === null ? (this.question ? "Skipped" : "Taken back") : last.text}${last.note ? `: ${last.note}` : ""}${last.by ? `, ${last.by}` : ""}` : "");
    const photos = records.flatMap((one) => one.photos ?? []);
    const key = photos.map((one) => one.sha256).join();
    if (key !== this.pictured) {
      this.pictured = key;
      fill(this.photos, photos.map((one) => shown({ ...one, kept: one.kept ?? `${one.sha256}.${one.file.split(".").pop()}` })));
    }
  }
}

// --- what is only shown -------------------------------------------------------------------------------------------------

function moved(factor) {
  if (factor >= 1) return factor < 1000 ? `for it, odds × ${Number(factor.toPrecision(2))}` : "all but proves it";
  return factor > 0.001 ? `against it, odds ÷ ${Number((1 / factor).toPrecision(2))}` : "all but rules it out";
}

function causes(ranking) {
  const likely = ranking.causes.filter((one) => one.probability >= 0.005);
  const rest = ranking.causes.length - likely.length;
  return [
    ranking.conflict ? attention("caution", ranking.conflict) : null,
    ranking.elsewhere ? el("p", {}, el("strong", {}, ranking.elsewhere)) : null,
    ranking.nothing !== null ? el("p", {}, `That nothing is wrong any more: ${percent(ranking.nothing)}.`) : null,
    el(
      "ol",
      { class: "bars" },
      likely.map((one) =>
        el(
          "li",
          {},
          el("span", {}, `${one.title}: ${percent(one.probability)}`, el("span", { class: "soft" }, ` (${one.system}; before anything was known ${percent(one.prior)})`)),
          el("span", { class: "stick", style: { width: `${100 * one.probability}%` } }),
          one.reasons.length ? el("details", {}, el("summary", {}, `Why: ${one.reasons.length} ${one.reasons.length === 1 ? "thing" : "things"} moved it`), el("ul", {}, one.reasons.map((why) => el("li", {}, `${why.text}: ${moved(why.factor)}`))), one.advice ? el("p", { class: "soft" }, one.advice) : null) : null,
        ),
      ),
    ),
    rest ? el("p", { class: "soft" }, `${rest} other causes are under 1 % each.`) : null,
    ranking.sets.length ? el("details", {}, el("summary", {}, "What could be wrong altogether"), el("ul", {}, ranking.sets.map((one) => el("li", {}, `${one.causes.length ? one.causes.map((id) => named(ranking, id)).join(" and ") : "nothing"}: ${percent(one.probability)}`)))) : null,
  ];
}

const named = (ranking, id) => ranking.causes.find((one) => one.id === id)?.title ?? id;

function proof(body) {
  const { proven, missing, runs } = body.proof;
  return [
    el("p", { role: "status" }, proven ? badge("pass", "Proven") : badge("undecided", "Not proven")),
    missing.length ? el("ul", {}, missing.map((one) => el("li", {}, sentence(one)))) : null,
    runs.length ? el("p", {}, "Proven by ", runs.map((run, at) => [at ? ", " : "", el("a", { href: `/run/${segment(run)}` }, `run ${run}`)])) : null,
  ];
}
