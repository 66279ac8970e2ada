// Whether a bench may judge lots of a part today.

import { badge, el } from "./kit.js";

/** One bench's gate in words. */
export function gate(one) {
  const says = one.standards.map((each) => each.says).filter(Boolean);
  return [
    el("div", { class: "row" }, badge(one.fit ? "pass" : "fail", one.fit ? "Fit" : "Not fit"), el("strong", {}, one.bench), el("span", { class: "soft" }, one.part)),
    one.fit ? el("p", { class: "soft small" }, says.join(" ")) : [one.reasons.map((text) => el("p", {}, text)), one.do.map((text) => el("p", { class: "soft" }, `Do: ${text}`)), one.standards.length ? null : el("p", {}, el("a", { href: "/lots#new" }, "Open a check standard"))],
  ];
}
