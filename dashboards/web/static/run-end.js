// How a run ended: the verdict large, and what stands behind it. Two runs stand side by side in one table.

import { badge, clock, el, fill, inUnits, pairs, table, timeOf, titled } from "./kit.js";

/** The verdict of one run, as `view` and its first record tell it. */
export function ending(view, body) {
  const verdict = view.verdict;
  const facts = [verdict.ended_because, verdict.duration_s !== null && `after ${clock(verdict.duration_s)}`, verdict.samples !== null && `${verdict.samples} samples`].filter(Boolean).join(", ");
  return [
    el("div", { class: "verdict" }, badge(verdict.verdict, verdict.word), verdict.suspect ? el("p", { class: "suspect" }, titled(verdict.suspect)) : null),
    el("ul", { class: "reasons" }, verdict.reasons.map((one) => el("li", {}, inUnits(one)))),
    verdict.next_step ? el("p", { class: "next" }, el("b", {}, "Next: "), inUnits(verdict.next_step)) : null,
    verdict.cautions.map((one) => el("p", { class: "beware" }, `Caution: ${inUnits(one)}`)),
    el(
      "div",
      { class: "behind" },
      el("div", {}, el("h3", {}, "Measured"), table("Measured", [["What", (one) => one.name], ["Value", (one) => inUnits(one.text), true], ["Within limits", (one) => one.likely || "no limit"]], verdict.measured, "Nothing was measured.")),
      el(
        "div",
        {},
        el("h3", {}, "How it was judged"),
        pairs([
          ["Ended", facts],
          ["Engine", rpm(verdict.rpm)],
          ["Rule", verdict.rule],
          ...verdict.limits.map((one) => [one.name, one.text]),
        ]),
      ),
      el(
        "div",
        {},
        el("h3", {}, "Instruments"),
        table("Instruments", [["Name", (one) => one.name], ["What it is", (one) => one.identity || one.driver], ["Calibration due", (one) => one.calibration_due || "not given"]], view.instruments, "None is known."),
        pairs([
          ["Run", body.run.run],
          ["Began", timeOf(body.opened.started)],
          ["Judged by", verdict.program],
          ["Manual", body.opened.spec?.machine?.manual],
          ["Journal", body.digest && el("span", { class: "mono small" }, body.digest)],
        ]),
      ),
    ),
  ];
}

const rpm = (found) => (found ? `${Math.round(found.min)} to ${Math.round(found.max)} rpm, mean ${Math.round(found.mean)}` : "");

/** Two runs' verdicts and figures in columns of their own. `runs`: [[name, view, body], [name, view, body]]. */
export function sideBySide(place, runs) {
  const verdicts = runs.map(([, view]) => view.verdict ?? null);
  const names = [...new Set(verdicts.flatMap((one) => one?.measured.map((figure) => figure.name) ?? []))];
  const figure = (verdict, name) => verdict?.measured.find((one) => one.name === name)?.text ?? "";
  const row = (name, cells) => el("tr", {}, el("th", { scope: "row" }, name), cells.map((one) => el("td", {}, one)));
  fill(
    place,
    el("h2", {}, "Side by side"),
    el(
      "div",
      { class: "scroll", tabindex: "0", role: "region", "aria-label": "Both runs" },
      el(
        "table",
        {},
        el("caption", { class: "away" }, "Both runs: verdicts and what was measured"),
        el("thead", {}, el("tr", {}, el("td", {}), runs.map(([name]) => el("th", { scope: "col" }, name)))),
        el(
          "tbody",
          {},
          row("Verdict", verdicts.map((one) => (one ? [badge(one.verdict, one.word), one.suspect ? el("p", {}, titled(one.suspect)) : null] : "under way"))),
          row("Began", runs.map(([, , body]) => timeOf(body.opened.started))),
          row("Machine, unit", runs.map(([, view]) => [view.machine, view.unit].filter(Boolean).join(", "))),
          row("Why", verdicts.map((one) => inUnits(one?.reasons[0] ?? ""))),
          names.map((name) => row(name, verdicts.map((one) => inUnits(figure(one, name))))),
        ),
      ),
    ),
  );
}
