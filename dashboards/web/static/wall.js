// All benches: a tile each. What changed is drawn once a frame, however often it changed.

import { attention, badge, clock, el, fill, inUnits, main, mayAct, query, start, tell, temperature, titled, trouble } from "./kit.js";
import { Dials } from "./dial.js";
import { Live, showLink } from "./live.js";

const STATES = { ready: "Ready", "in a run": "In a run", "instrument missing": "Instrument missing" };
const CALLS = ["danger", "ask", "do", "lost", "flag"]; // what somebody must go there for

/** What tells of a bench at rest from afar; the rest stands under Health. */
const AT_REST = { battery_volts: "battery", charge_amps: "charge", engine_rpm: "engine", battery_celsius: "battery" };

let mayBegin = false;

class Tile {
  constructor() {
    this.link = el("a");
    this.state = el("span", { class: "soft" });
    this.what = el("p", { class: "what" });
    this.attend = el("div", { class: "attend" });
    this.dialsAt = el("div", { class: "dials" });
    this.dials = new Dials(this.dialsAt);
    this.words = el("span");
    this.left = el("span");
    this.stands = el("div", { class: "stands" }, this.words, this.left);
    this.ends = el("div", { class: "ends" });
    this.idle = el("p", { class: "idle number" });
    this.begin = el("a", { class: "button begin no-print", hidden: true }, "Start a run");
    this.element = el("li", { class: "tile" }, el("h2", { class: "name" }, this.link, this.begin, this.state), this.what, this.attend, this.dialsAt, this.stands, this.ends, this.idle);
  }

  show(bench) {
    const shown = bench.shown;
    const running = bench.run !== null && shown !== null && !shown.ended;
    this.element.dataset.bench = bench.bench;
    tell(this.link, bench.name);
    const to = bench.run ?? bench.last_run;
    this.link.href = to ? `/run/${to}` : "/health";
    tell(this.state, running ? `${titled(shown.phase)} ${clock(shown.t_s)}` : (STATES[bench.state] ?? titled(bench.state)));
    tell(this.what, shown === null ? "Nothing was run here yet." : [running ? shown.title : `Last: ${shown.title}`, shown.unit, shown.work_order && `order ${shown.work_order}`, shown.machine].filter(Boolean).join(", "));
    this.call(bench, running ? shown.attention : []);
    this.dialsAt.hidden = this.stands.hidden = !running;
    this.ends.hidden = running;
    this.idle.hidden = running;
    this.begin.hidden = !mayBegin || bench.state !== "ready";
    if (!this.begin.hidden) this.begin.href = `/run/new${query({ bench: bench.bench })}`;
    if (running) this.run(shown);
    else this.rest(bench, shown);
  }

  call(bench, items) {
    const lost = bench.run === null ? bench.lost.map((one) => ({ kind: "lost", text: `${one.name}: ${trouble(one).filter(Boolean).join(" ")}` })) : [];
    const first = items.find((one) => CALLS.includes(one.kind)) ?? lost[0];
    const key = first ? `${first.kind}|${first.text}|${lost.length}` : "";
    if (key !== this.called) {
      this.called = key;
      fill(this.attend, first ? attention(first.kind, first.text) : null, lost.length > 1 ? el("p", { class: "soft" }, `and ${lost.length - 1} more`) : null);
    }
    this.element.dataset.call = first?.kind === "danger" ? "danger" : first ? "yes" : "no";
  }

  run(shown) {
    this.dials.show(shown.dials);
    const units = shown.dials.map((one) => one.unit);
    this.dialsAt.dataset.told = new Set(units).size === units.length && !units.includes("") ? "unit" : "title";
    const { words, role, left_s: left, limit_s: limit } = shown.stands;
    tell(this.words, words);
    tell(this.left, left !== null ? `${clock(left)} left` : limit !== null ? `${clock(limit)} at most` : "");
    this.stands.dataset.role = role;
  }

  rest(bench, shown) {
    const verdict = shown?.verdict;
    const key = verdict ? `${shown.run}|${verdict.verdict}` : "";
    if (key !== this.ended) {
      this.ended = key;
      fill(this.ends, verdict ? [badge(verdict.verdict, verdict.word), verdict.suspect ? el("p", {}, titled(verdict.suspect)) : null, el("p", { class: "soft small" }, inUnits(shown.reason))] : null);
    }
    const read = Object.entries(bench.channels).filter(([name, one]) => AT_REST[name] && one.fresh && one.value !== null);
    tell(this.idle, read.map(([name, one]) => reading(name, one)).join(", "));
  }
}

function reading(name, one) {
  const [value, unit] = one.unit === "degC" ? temperature(one.value) : [one.value, one.unit ?? ""];
  const text = value.toFixed(unit === "rpm" ? 0 : unit === "V" ? 2 : 1);
  return `${AT_REST[name]} ${Number(text) === 0 ? text.replace("-", "") : text} ${unit}`;
}

start(async () => {
  mayBegin = await mayAct();
  const tiles = new Map();
  const waiting = new Map();
  const list = el("ul", { class: "tiles" });
  const none = el("p", { class: "soft", hidden: true }, "This daemon has no bench yet.");
  const whole = el("button", { type: "button", class: "quiet no-print", onclick: () => (document.fullscreenElement ? document.exitFullscreen() : main().requestFullscreen()) }, "Whole screen");
  fill(main(), el("div", { class: "row" }, el("h1", {}, "All benches"), el("span", { class: "push" }), whole), none, list);
  main().classList.add("fill");
  let frame = 0;

  const draw = () => {
    frame = 0;
    for (const [name, bench] of waiting) {
      let tile = tiles.get(name);
      if (!tile) {
        tile = new Tile();
        tiles.set(name, tile);
        list.append(tile.element);
        arrange();
      }
      tile.show(bench);
    }
    waiting.clear();
    list.dataset.frames = String(Number(list.dataset.frames ?? 0) + 1);
  };
  const arrange = () => {
    const [columns, rows] = layout(tiles.size, innerWidth, innerHeight);
    list.style.setProperty("--columns", String(columns));
    const used = list.getBoundingClientRect().top + 16;
    list.style.setProperty("--used", `${used}px`);
    const [width, height] = [innerWidth / columns, (innerHeight - used) / rows];
    list.style.setProperty("--tile", `${Math.min(Math.max(Math.min(width / 24, height / 15), 12), 44)}px`);
  };
  addEventListener("resize", arrange);
  document.addEventListener("fullscreenchange", arrange);

  new Live(
    { benches: true },
    {
      benches: (benches, all) => {
        if (all) {
          const there = new Set(benches.map((one) => one.bench));
          for (const [name, tile] of tiles) {
            if (there.has(name)) continue;
            tile.element.remove();
            tiles.delete(name);
          }
          none.hidden = benches.length > 0;
        }
        for (const one of benches) waiting.set(one.bench, one);
        frame ||= requestAnimationFrame(draw);
      },
      hello: (said) => {
        tell(document.getElementById("shop"), said.name);
        tell(document.getElementById("foot"), `benchd ${said.version}, ${said.daemon}`);
      },
      state: showLink,
    },
  );
});

/** [columns, rows] that give every tile the most room on this screen. */
function layout(count, width, height) {
  if (width < 640) return [1, Math.max(count, 1)];
  let best = [1, Math.max(count, 1)];
  let most = 0;
  for (let columns = 1; columns <= Math.max(count, 1); columns += 1) {
    const rows = Math.ceil(count / columns);
    const size = Math.min(width / columns / 24, height / rows / 15);
    if (size > most) [most, best] = [size, [columns, rows]];
  }
  return best;
}
