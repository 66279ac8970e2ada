// One run: live while it goes on, the same page when it has ended; another run beside it.

import { AskError, badge, clock, el, fill, get, inUnits, main, mayAct, pairs, query, segment, start, table, tell, timeOf, title, titled, when } from "./kit.js";
import { Chart, Curves } from "./curves.js";
import { Track } from "./curve-data.js";
import { Dials } from "./dial.js";
import { Live, showLink } from "./live.js";
import { answering, Attend, hands } from "./run-hands.js";
import { ending, sideBySide } from "./run-end.js";

const POINTS = 2000;
const BEFORE = new Set(["checking", "waiting for full throttle"]);
const DETAIL_MS = 250;

const curveOf = (run, more = {}, signal) => get(`/v1/runs/${segment(run)}/curve${query({ points: POINTS, ...more })}`, signal);

class RunPage {
  constructor(run, mayWrite) {
    this.run = run;
    this.beside = new URLSearchParams(location.search).get("beside") ?? "";
    this.attend = new Attend(mayWrite ? answering(run) : null);
    this.seenSamples = 0;
    this.parts();
  }

  parts() {
    this.heading = el("h1");
    this.phase = el("p", { class: "phase number" });
    this.facts = el("p", { class: "facts" });
    this.handsAt = el("div");
    this.cautions = el("section", { class: "attend", "aria-label": "Before the engine starts", hidden: true });
    this.dialsAt = el("div", { class: "dials" });
    this.dials = new Dials(this.dialsAt);
    this.words = el("span");
    this.left = el("span");
    this.stands = el("div", { class: "stands" }, this.words, this.left);
    this.why = el("p");
    this.others = el("div");
    this.now = el("section", { class: "plate now", "aria-label": "Now" }, this.dialsAt, this.stands, this.why, this.others);
    this.end = el("section", { class: "plate end", hidden: true });
    this.both = el("section", { class: "plate both", hidden: true });
    this.curves = new Curves({ window: (from, to, mode) => this.looked(from, to, mode) });
    const events = el("section", { class: "what-happened", "aria-label": "What happened" }, el("h2", {}, "What happened"), el("div", { class: "events-at", tabindex: "0", role: "region", "aria-label": "Events in order of time" }, this.curves.list));
    this.drawn = el("section", { class: "plate curves-at" }, el("h2", { class: "away" }, "Curves"), el("div", { class: "drawn-and-told" }, this.curves.element, events));
    this.another = el("section", { class: "plate another no-print" });
    const print = el("button", { type: "button", class: "quiet no-print", onclick: () => globalThis.print() }, "Print");
    fill(main(), el("div", { class: "row" }, this.heading, el("span", { class: "push" }), this.phase, print), this.facts, this.attend.element, this.cautions, this.end, this.now, this.handsAt, this.both, this.drawn, this.another);
  }

  async begin() {
    const wanted = this.beside ? curveOf(this.beside).catch((error) => ({ error })) : null;
    this.body = await curveOf(this.run);
    const { body } = this;
    this.seenSamples = body.samples;
    this.take(body.view);
    this.curves.live = body.open;
    this.window();
    const dials = body.view.dials.map((one) => one.channel);
    const names = [...dials.filter((name) => name in body.channels), ...Object.keys(body.channels).filter((name) => !dials.includes(name))];
    for (const name of names) this.put(name, body.channels[name].unit, Track.of(body.channels[name]));
    for (const [name, one] of Object.entries(body.expected)) if (this.curves.chart(name)) this.curves.chart(name).expected = Track.of(one, ["low", "high"]);
    this.lastGood();
    this.happened(body.events);
    this.counted(body.next);
    const drawing = this.curves.begin();
    if (body.open) {
      fill(this.handsAt, await hands(this.run, () => this.view.engine));
      this.follow();
    }
    if (wanted) this.putBeside(await wanted);
    await Promise.all([drawing, this.chooser()]);
    main().dataset.drawn = "yes";
  }

  // --- what is known now ----------------------------------------------------------------------------------------------

  follow() {
    this.live = new Live(
      { run: this.run, after: this.body.next },
      {
        run: (message) => this.message(message),
        hello: (said) => {
          tell(document.getElementById("shop"), said.name);
          tell(document.getElementById("foot"), `benchd ${said.version}, ${said.daemon}`);
        },
        state: showLink,
      },
    );
  }

  message(message) {
    for (const record of message.records) this.record(record);
    if (message.view) this.take(message.view);
    this.counted(message.next);
    if (!message.open) this.over();
  }

  record(record) {
    const t = record.t_ns === undefined ? this.view.t_s : record.t_ns / 1e9;
    if (record.kind === "sample") {
      this.seenSamples += 1;
      for (const [name, [value]] of Object.entries(record.values)) (this.curves.chart(name) ?? this.put(name, "", new Track())).add(t, value);
    } else if (record.kind === "standing") {
      for (const [name, [low, high]] of Object.entries(record.expected ?? {})) this.curves.chart(name)?.expect(t, low, high);
      if (record.phase !== this.phaseTold) this.happened([{ t_s: t, kind: "phase", text: record.phase }]);
    } else if (record.told) this.happened([{ t_s: t, kind: record.kind, ...record.told }]);
  }

  happened(events) {
    for (const one of events) if (one.kind === "phase") [this.phaseTold, one.text] = [one.text, titled(one.text)];
    this.curves.addEvents(events);
  }

  counted(seq) {
    Object.assign(this.curves.element.dataset, { lastSeq: String(seq), samples: String(this.seenSamples) });
    this.curves.changed();
  }

  put(name, unit, track) {
    const chart = new Chart(name, this.view.titles[name] ?? titled(name), unit);
    chart.track = track;
    this.curves.put(chart);
    const dial = this.view.dials.find((one) => one.channel === name);
    if (dial) this.limit(dial);
    return chart;
  }

  limit(dial) {
    const chart = this.curves.chart(dial.channel);
    if (chart) Object.assign(chart, { unit: dial.unit, bands: dial.bands, ceiling: dial.ceiling });
  }

  /** The run closed while it was looked at: what it came to, and the digest that it is kept under. */
  async over() {
    this.live.close();
    this.live = null;
    showLink(true);
    fill(this.handsAt);
    this.curves.live = false;
    if (this.curves.mode === "last") this.curves.look("whole");
    this.curves.changed();
    try {
      const { digest } = await curveOf(this.run, { points: 100 });
      this.body.digest = digest;
      this.ended = "";
      this.take(this.view);
    } catch {
      // The page stands without it.
    }
  }

  take(view) {
    const before = this.view;
    this.view = view;
    const name = [view.title, view.machine].filter(Boolean).join(", ");
    tell(this.heading, name);
    title([name, view.unit].filter(Boolean).join(", "));
    tell(this.phase, view.ended ? `Ended at ${clock(view.t_s)}` : `${titled(view.phase)} ${clock(view.t_s)}`);
    if (!before) this.fact(view);
    // Of a run that ended long ago nothing needs doing any more.
    const early = !view.ended && BEFORE.has(view.phase);
    this.attend.show(view.ended && !before ? [] : view.attention.filter((one) => !early || one.kind !== "caution"));
    this.beware(view);
    this.now.hidden = view.ended;
    if (view.ended) this.took(view);
    else this.standing(view);
    for (const dial of view.dials) this.limit(dial);
    if (before && before.measuring_s === null && view.measuring_s !== null && this.body.last_good) this.again();
  }

  /** Measuring began: only now is it known where the last good run belongs. */
  async again() {
    try {
      this.body.behind = (await curveOf(this.run, { points: 100 })).behind;
      this.lastGood();
    } catch {
      // It stands behind after the page is opened the next time.
    }
  }

  fact(view) {
    const started = this.body.opened.started;
    const link = (href, text) => el("a", { href }, text);
    const parts = [
      view.bench_name,
      view.unit && ["unit ", link(`/history${query({ unit: view.unit })}`, view.unit)],
      view.work_order && ["order ", link(`/visit/${segment(view.work_order)}`, view.work_order)],
      view.lot && ["lot ", link(`/lot/${segment(view.lot)}`, view.lot)],
      started && ["begun ", timeOf(started)],
      `run ${this.run}`,
    ].filter(Boolean);
    fill(this.facts, parts.map((one, place) => [place ? ", " : "", one]));
  }

  /** Before the engine runs every caution stands there in full; while it runs, the one of the moment is among what needs you. */
  beware(view) {
    const above = new Set(view.attention.map((one) => one.caution));
    const shown = !view.ended && BEFORE.has(view.phase) ? view.cautions.filter((one) => !above.has(one)) : [];
    const key = shown.join("|");
    if (key === this.cautioned) return;
    this.cautioned = key;
    this.cautions.hidden = !shown.length;
    fill(this.cautions, shown.map((one) => el("div", { class: "attention", data: { kind: "caution", word: "Caution" } }, el("p", {}, inUnits(one)))));
  }

  standing(view) {
    this.dials.show(view.dials);
    const { words, role, why, left_s: left, limit_s: limit } = view.stands;
    tell(this.words, words);
    tell(this.left, [left !== null && (limit === null ? `${clock(left)} to go` : `about ${clock(left)} left`), limit !== null && `${clock(limit)} at most`].filter(Boolean).join(", "));
    this.stands.dataset.role = role;
    tell(this.why, inUnits(why));
    const key = view.others.map((one) => one.name).join("|");
    if (key !== this.othersKey) {
      this.othersKey = key;
      fill(this.others, pairs(view.others.map((one) => [one.name, el("span", { class: "number" }, one.text)])));
    }
    [...this.others.querySelectorAll("dd > span")].forEach((place, index) => tell(place, inUnits(view.others[index].text)));
  }

  took(view) {
    const key = `${view.verdict.verdict}|${view.verdict.status}|${this.body.digest ?? ""}`;
    if (key === this.ended) return;
    const first = this.ended === undefined && this.live;
    this.ended = key;
    this.end.hidden = false;
    fill(this.end, el("h2", { class: "away" }, "Verdict"), ending(view, this.body));
    if (first) this.end.scrollIntoView?.({ block: "nearest" });
    if (this.other) this.compare();
  }

  // --- what it is drawn against ---------------------------------------------------------------------------------------

  lastGood() {
    const day = when(this.body.last_good?.started).slice(0, 10);
    for (const [name, one] of Object.entries(this.body.behind)) {
      const chart = this.curves.chart(name);
      if (chart) Object.assign(chart, { behind: Track.of(one), said: { ...chart.said, behind: `last good run ${day}` } });
    }
    this.curves.changed();
  }

  /** Another run in the same charts, laid so that its measuring began when this run's did. */
  putBeside(other) {
    if (other.error) {
      fill(this.both, el("p", { class: "wrong" }, `The run beside cannot be had: ${other.error.message}`));
      this.both.hidden = false;
      return;
    }
    this.other = other;
    this.offset = (this.view.measuring_s ?? 0) - (other.view.measuring_s ?? 0);
    for (const [name, one] of Object.entries(other.channels)) {
      const chart = this.curves.chart(name) ?? this.put(name, one.unit, new Track());
      Object.assign(chart, { beside: Track.of(one, ["v"], this.offset), said: { ...chart.said, beside: `beside: run ${this.beside}` } });
    }
    this.compare();
    this.curves.changed();
  }

  compare() {
    this.both.hidden = false;
    sideBySide(this.both, [
      ["This run", this.view, this.body],
      [el("a", { href: `/run/${segment(this.beside)}` }, `Run ${this.beside}`), this.other.view, this.other],
    ]);
  }

  /** Earlier runs that it is worth laying beside this one. */
  async chooser() {
    const { unit, machine, procedure } = this.view;
    const wanted = unit ? { unit } : { machine, procedure };
    const { runs } = await get(`/v1/runs${query({ limit: 20, ...wanted })}`);
    const found = runs.filter((one) => one.run !== this.run && one.procedure === procedure);
    fill(
      this.another,
      el("h2", {}, "Another run beside this one"),
      this.beside ? el("p", {}, el("a", { class: "button", href: `/run/${segment(this.run)}` }, "This run alone")) : null,
      table(
        "Runs to lay beside",
        [
          ["Run", (one) => el("a", { href: `/run/${segment(this.run)}${query({ beside: one.run })}`, "aria-current": one.run === this.beside ? "true" : null }, one.run)],
          ["Verdict", (one) => (one.verdict ? badge(one.verdict) : one.status ?? "under way")],
          ["Begun", (one) => timeOf(one.started)],
          ["Bench", (one) => one.bench],
          ["Unit", (one) => one.unit ?? ""],
        ],
        found,
        unit ? `No other ${this.view.title.toLowerCase()} of unit ${unit} is kept.` : "No other run like this is kept.",
      ),
    );
  }

  // --- zoom -----------------------------------------------------------------------------------------------------------

  /** The part in the address: #60-120, seconds. */
  window() {
    const found = /^#(-?[\d.]+)-([\d.]+)$/.exec(location.hash);
    if (found && Number(found[2]) > Number(found[1])) {
      this.curves.mode = [Number(found[1]), Number(found[2])];
      this.looked(...this.curves.mode, this.curves.mode);
    }
  }

  /** What is zoomed into is fetched finer, where there is more of it than is here. */
  looked(from, to, mode) {
    const part = Array.isArray(mode);
    history.replaceState(null, "", `${location.pathname}${location.search}${part ? `#${from.toFixed(1)}-${to.toFixed(1)}` : ""}`);
    clearTimeout(this.detailLater);
    this.detailAsked?.abort();
    if (part) this.detailLater = setTimeout(() => this.detail(from, to), DETAIL_MS);
  }

  async detail(from, to) {
    const thinned = this.body.thinned || [...this.curves.plates.values()].some(({ chart }) => chart.track.thinned);
    if (!thinned) return;
    this.detailAsked = new AbortController();
    const margin = (to - from) / 4;
    try {
      const found = await curveOf(this.run, { from_s: Math.max(from - margin, 0).toFixed(3), to_s: (to + margin).toFixed(3) }, this.detailAsked.signal);
      for (const [name, one] of Object.entries(found.channels)) {
        const chart = this.curves.chart(name);
        if (chart) chart.zoomed = chart.track.with(Track.of(one));
      }
      this.curves.changed();
    } catch (error) {
      if (error.name !== "AbortError" && error.status !== 0) throw error;
    }
  }
}

start(async () => {
  const id = decodeURIComponent(location.pathname.split("/")[2]);
  if (id !== "new" && !/^\d{8}-\d{6}-\d{3}[a-z]{2}$/.test(id)) throw new AskError(404, "absent", `There is no run '${id}': runs are numbered as in 20261126-112045-973xm.`);
  if (id === "new") {
    const { begin } = await import("./run-new.js");
    await begin();
    return;
  }
  await new RunPage(id, await mayAct()).begin();
});
