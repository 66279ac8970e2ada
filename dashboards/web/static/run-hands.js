// What a person does in a run from the page: answers what is asked, marks, stops. And what they must see meanwhile.

import { actingNote, attention, el, failed, field, form, inUnits, post, put, say, segment, sure, tell, wrong } from "./kit.js";

/** Keys nearer together than this come from a scanner, not from a finger. */
const BURST_MS = 120;
const KEYS = "benchd.number-keys";

/** What needs a person, the most urgent first. Changed in place: what is being typed stays, and nothing is read aloud twice. */
export class Attend {
  /** `answer(id, text)` sends; null where this device may only look. */
  constructor(answer) {
    this.answer = answer;
    this.parts = new Map();
    this.place = el("div", { class: "attend" });
    this.heard = el("p", { class: "away", role: "status" });
    this.alarm = el("p", { class: "away", role: "alert" });
    this.element = el("section", { "aria-label": "What needs you" }, this.place, this.heard, this.alarm);
    if (answer) new NumberKeys((number) => this.press(number));
  }

  show(items) {
    const seen = new Map();
    const wanted = items.map((item) => {
      const base = `${item.kind}|${item.id ?? ""}|${JSON.stringify(item.choices ?? "")}`;
      seen.set(base, (seen.get(base) ?? 0) + 1);
      return [`${base}|${seen.get(base)}`, item];
    });
    const keys = new Set(wanted.map(([key]) => key));
    for (const [key, part] of this.parts) if (!keys.has(key)) (part.element.remove(), this.parts.delete(key));
    let before = null;
    for (const [key, item] of wanted) {
      let part = this.parts.get(key);
      if (!part) {
        part = new Item(item, this.answer);
        this.parts.set(key, part);
        tell(item.kind === "danger" ? this.alarm : this.heard, inUnits(item.text));
      }
      part.show(item);
      // Moved only where it must be: what has the focus keeps it.
      const next = before ? before.nextSibling : this.place.firstChild;
      if (part.element !== next) this.place.insertBefore(part.element, next);
      before = part.element;
    }
    if (!items.some((one) => one.kind === "danger")) tell(this.alarm, "");
  }

  press(number) {
    const asked = [...this.parts.values()].find((one) => one.choices.length);
    asked?.choices[number - 1]?.click();
  }
}

class Item {
  constructor(item, answer) {
    this.choices = [];
    this.caution = el("p", { class: "beware", hidden: true });
    this.element = attention(item.kind, item.text, this.caution);
    this.text = this.element.querySelector("p");
    if (item.choices === null) put(this.element, answer ? this.free(item, answer) : null);
    else if (item.choices?.length) put(this.element, answer ? this.choose(item, answer) : el("p", { class: "soft" }, `Answers: ${item.choices.join(", ")}`));
  }

  show(item) {
    tell(this.text, inUnits(item.text));
    tell(this.caution, item.caution ? `Caution: ${inUnits(item.caution)}` : "");
    this.caution.hidden = !item.caution;
  }

  choose(item, answer) {
    const trouble = el("p", { class: "wrong", role: "alert", hidden: true });
    this.choices = item.choices.map((choice, place) =>
      el(
        "button",
        {
          type: "button",
          class: "choice",
          onclick: async () => {
            this.choices.forEach((one) => (one.disabled = true));
            trouble.hidden = true;
            try {
              await answer(item.id, choice);
            } catch (error) {
              trouble.hidden = false;
              tell(trouble, error.message);
            } finally {
              // The question goes with the next view; if it does not, it may be answered again.
              setTimeout(() => this.choices.forEach((one) => (one.disabled = false)), trouble.hidden ? 3000 : 0);
            }
          },
        },
        NumberKeys.wanted() ? el("kbd", { "aria-hidden": "true" }, String(place + 1)) : null,
        choice,
      ),
    );
    return el("div", { class: "choices big" }, this.choices, trouble, this.choices.length < 10 ? keysWanted() : null);
  }

  free(item, answer) {
    const input = field("Your answer", "text", { maxlength: 2000, enterkeyhint: "send" });
    return form(
      [input],
      "Send",
      async ({ text }, made) => {
        if (!text) return wrong(made.elements.text, "write an answer first.");
        await answer(item.id, text);
        made.elements.text.value = "";
        return undefined;
      },
    );
  }
}

/** A figure alone picks an answer; a burst of keys is a scanner's and picks none. It can be switched off. */
class NumberKeys {
  static wanted() {
    return localStorage.getItem(KEYS) !== "off";
  }

  constructor(press) {
    let last = -Infinity;
    let timer = 0;
    document.addEventListener("keydown", (event) => {
      const now = performance.now();
      const alone = now - last > BURST_MS;
      last = now;
      clearTimeout(timer);
      if (!NumberKeys.wanted() || !alone || event.repeat || event.ctrlKey || event.altKey || event.metaKey || !/^[1-9]$/.test(event.key)) return;
      if (event.target.closest("input, textarea, select, dialog, [contenteditable]") || document.querySelector("dialog[open]")) return;
      timer = setTimeout(() => press(Number(event.key)), BURST_MS);
    });
  }
}

function keysWanted() {
  return el("label", { class: "small soft keys" }, el("input", { type: "checkbox", checked: NumberKeys.wanted(), onchange: (event) => localStorage.setItem(KEYS, event.target.checked ? "on" : "off") }), "The number keys answer");
}

/** Mark and stop; where this device may only look, what it would take to do so. */
export async function hands(run, engine) {
  const note = await actingNote();
  if (note) return el("div", { class: "hands no-print" }, note);
  const path = `/v1/runs/${segment(run)}`;
  const marking = form([field("Mark: what happens now, for whoever reads this run later", "text", { maxlength: 2000, placeholder: "mark" })], "Mark", async ({ text }, made) => {
    await post(`${path}/marks`, { text: text || "mark" });
    made.elements.text.value = "";
    say("Marked.");
  }, { role: "" });
  marking.classList.add("marking");
  const stop = el("button", {
    type: "button",
    class: "stop",
    onclick: async () => {
      if (!(await sure("Stop this run? It is closed as aborted; what was read is kept.", "Stop it"))) return;
      try {
        await post(`${path}/stop`, { because: "stopped on the page" });
        say(engine() ? "Stopping: close the throttle." : "Stopping: let go, switch off.", "bad");
      } catch (error) {
        failed(error);
      }
    },
  }, "Stop this run");
  return el("div", { class: "hands no-print" }, marking, stop);
}

export const answering = (run) => (id, text) => post(`/v1/runs/${segment(run)}/answers`, { id, text });

