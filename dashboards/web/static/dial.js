// A dial: title and word, the number large, and a rail with the band that passes, the ceiling and the needle.

import { el, tell, temperature } from "./kit.js";

const WIDTH = 400;
const MIDDLE = 14;

export class DialView {
  constructor() {
    this.title = el("span");
    this.word = el("span", { class: "word" });
    this.number = el("span");
    this.unit = el("small");
    this.note = el("div", { class: "note" });
    this.bands = el("g");
    this.marks = el("g");
    this.needle = el("polygon", { class: "needle" });
    this.rail = el(
      "svg",
      { class: "rail", viewBox: `0 0 ${WIDTH} 32`, preserveAspectRatio: "none", "aria-hidden": "true" },
      el("line", { class: "base", x1: 0, x2: WIDTH, y1: MIDDLE, y2: MIDDLE }),
      this.bands,
      this.marks,
      this.needle,
    );
    this.element = el(
      "div",
      { class: "dial" },
      el("div", { class: "top" }, this.title, this.word),
      el("div", { class: "figure" }, this.number, " ", this.unit),
      this.rail,
      this.note,
    );
    this.drawn = "";
  }

  show(dial) {
    const shown = dial.unit === "degC" ? warmer(dial) : dial;
    tell(this.title, shown.title);
    tell(this.word, shown.word);
    tell(this.number, shown.text);
    tell(this.unit, shown.unit);
    tell(this.note, shown.note);
    if (this.element.dataset.role !== shown.role) this.element.dataset.role = shown.role;
    const plain = shown.bands.length || shown.ceiling !== null ? "no" : "yes";
    if (this.element.dataset.plain !== plain) this.element.dataset.plain = plain;
    this.draw(shown);
  }

  draw(dial) {
    const span = dial.high - dial.low || 1;
    const at = (value) => Math.min(Math.max((value - dial.low) / span, 0), 1) * WIDTH;
    const scale = JSON.stringify([dial.low, dial.high, dial.bands, dial.ceiling]);
    if (scale !== this.drawn) {
      this.drawn = scale;
      this.bands.replaceChildren();
      this.marks.replaceChildren();
      for (const [low, high] of dial.bands) {
        const from = low === null ? 0 : at(low);
        const to = high === null ? WIDTH : at(high);
        this.bands.append(el("rect", { class: "band", x: from, y: MIDDLE - 6, width: Math.max(to - from, 1), height: 12 }));
        for (const end of [low, high]) if (end !== null && end > dial.low && end < dial.high) this.jamb(at(end), end);
      }
      if (dial.ceiling !== null) {
        const x = at(dial.ceiling);
        this.marks.append(el("line", { class: "top-limit", x1: x, x2: x, y1: 2, y2: 26, "vector-effect": "non-scaling-stroke" }));
      }
    }
    if (dial.value === null) {
      this.needle.setAttribute("points", "");
      return;
    }
    const x = at(dial.value);
    this.needle.setAttribute("points", `${x},${MIDDLE - 4} ${x - 7},${MIDDLE + 14} ${x + 7},${MIDDLE + 14}`);
  }

  jamb(x) {
    this.marks.append(el("line", { class: "jamb", x1: x, x2: x, y1: MIDDLE - 9, y2: MIDDLE + 9, "vector-effect": "non-scaling-stroke" }));
  }
}

function warmer(dial) {
  const turn = (value) => (value === null ? null : temperature(value)[0]);
  const value = turn(dial.value);
  return {
    ...dial,
    value,
    text: value === null ? dial.text : value.toFixed(1),
    unit: temperature(0)[1],
    low: turn(dial.low),
    high: turn(dial.high),
    bands: dial.bands.map((band) => band.map(turn)),
  };
}

/** Keep a row of dials like `dials`, made anew only where the channels change. */
export class Dials {
  constructor(element) {
    this.element = element;
    this.views = new Map();
    this.names = "";
  }

  show(dials) {
    const names = dials.map((one) => one.channel).join();
    if (names !== this.names) {
      this.names = names;
      this.views = new Map(dials.map((one) => [one.channel, new DialView()]));
      this.element.replaceChildren(...[...this.views.values()].map((one) => one.element));
      this.element.style.setProperty("--dials", String(dials.length || 1));
    }
    for (const one of dials) this.views.get(one.channel).show(one);
  }
}
